package link

import (
	"context"
	"net/url"

	"halfturn/drivers/link/vxi11"
)

// vxi11Link adds the address to a link of VXI-11.
type vxi11Link struct {
	*vxi11.Conn
	address string
}

func (l vxi11Link) String() string { return l.address }

func parseVXI11(address string, u *url.URL) (opener, error) {
	const example = "write it like vxi11://192.0.2.7/inst0"
	portmapper, device, err := networkDevice(u, "vxi11", vxi11.PortmapperPort, "inst0", example)
	if err != nil {
		return nil, err
	}
	return func(ctx context.Context) (Link, error) {
		c, err := vxi11.Open(ctx, dialStream, portmapper, device)
		if err != nil {
			return nil, err
		}
		return vxi11Link{c, address}, nil
	}, nil
}
