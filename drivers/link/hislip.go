package link

import (
	"context"
	"fmt"
	"net"
	"net/url"
	"regexp"
	"strconv"

	"halfturn/drivers/link/hislip"
	"halfturn/drivers/link/internal/stream"
)

// hislipLink adds the address to a session.
type hislipLink struct {
	*hislip.Conn
	address string
}

func (l hislipLink) String() string { return l.address }

func parseHiSLIP(address string, u *url.URL) (opener, error) {
	const example = "write it like hislip://192.0.2.7/hislip0"
	server, device, err := networkDevice(u, "hislip", hislip.Port, "hislip0", example)
	if err != nil {
		return nil, err
	}
	return func(ctx context.Context) (Link, error) {
		c, err := hislip.Open(ctx, dialStream, server, device)
		if err != nil {
			return nil, err
		}
		return hislipLink{c, address}, nil
	}, nil
}

var deviceName = regexp.MustCompile(`^[A-Za-z0-9_.,-]{1,64}$`)

// networkDevice reads host[:port]/device.
func networkDevice(u *url.URL, scheme, defaultPort, defaultDevice, example string) (server, device string, err error) {
	port := u.Port()
	if port == "" {
		port = defaultPort
	}
	device = defaultDevice
	if len(u.Path) > 1 {
		device = u.Path[1:]
	}
	switch number, err := strconv.Atoi(port); {
	case u.Hostname() == "":
		return "", "", fmt.Errorf("the host is missing, %s", example)
	case err != nil || number < 1 || number > 65535:
		return "", "", fmt.Errorf("port %q is not between 1 and 65535", port)
	case !deviceName.MatchString(device):
		return "", "", fmt.Errorf("%q is no name of a device, %s", device, example)
	case u.RawQuery != "" || u.ForceQuery:
		return "", "", fmt.Errorf("a %s address has no options, and %q is one", scheme, u.RawQuery)
	}
	return net.JoinHostPort(u.Hostname(), port), device, nil
}

// dialStream makes a TCP connection for a protocol above it.
func dialStream(ctx context.Context, server string) (stream.Stream, error) {
	conn, err := new(net.Dialer).DialContext(ctx, "tcp", server)
	if err != nil {
		return nil, err
	}
	return newTCP("tcp://"+server, conn.(*net.TCPConn))
}
