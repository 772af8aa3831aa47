package link

import (
	"context"
	"fmt"
	"net/url"

	"halfturn/drivers/link/usbtmc"
)

// usbtmcLink adds the address to an open device file.
type usbtmcLink struct {
	*usbtmc.Conn
	address string
}

func (l usbtmcLink) String() string { return l.address }

// openDevice opens a device file; tests have a model of the driver do it.
var openDevice = usbtmc.OpenFile

func parseUSBTMC(address string, u *url.URL) (opener, error) {
	const example = "write it like usbtmc:///dev/usbtmc0"
	switch {
	case u.Host != "" || u.Path == "" || u.Path == "/":
		return nil, fmt.Errorf("the device file follows three slashes, %s", example)
	case u.RawQuery != "" || u.ForceQuery:
		return nil, fmt.Errorf("a usbtmc address has no options, and %q is one", u.RawQuery)
	}
	path := u.Path
	return func(ctx context.Context) (Link, error) {
		c, err := usbtmc.Open(ctx, openDevice, path)
		if err != nil {
			return nil, err
		}
		return usbtmcLink{c, address}, nil
	}, nil
}
