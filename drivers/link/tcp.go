package link

import (
	"context"
	"fmt"
	"net"
	"net/url"
	"strconv"
	"sync"
	"time"
)

func parseTCP(address string, u *url.URL) (opener, error) {
	switch port, err := strconv.Atoi(u.Port()); {
	case u.Hostname() == "":
		return nil, fmt.Errorf("the host is missing, write it like tcp://192.0.2.7:5025")
	case u.Port() == "":
		return nil, fmt.Errorf("the port is missing, write it like tcp://192.0.2.7:5025")
	case err != nil || port < 1 || port > 65535:
		return nil, fmt.Errorf("port %q is not between 1 and 65535", u.Port())
	case u.Path != "" && u.Path != "/":
		return nil, fmt.Errorf("a tcp address has no path, and %q is one", u.Path)
	case u.RawQuery != "" || u.ForceQuery:
		return nil, fmt.Errorf("a tcp address has no options, and %q is one", u.RawQuery)
	}
	host := u.Host
	return func(ctx context.Context) (Link, error) {
		// Go's sockets send at once (TCP_NODELAY) unless told otherwise.
		conn, err := new(net.Dialer).DialContext(ctx, "tcp", host)
		if err != nil {
			return nil, err
		}
		return newTCP(address, conn.(*net.TCPConn))
	}, nil
}

// tcpLink adds ReadPending to a socket.
type tcpLink struct {
	*net.TCPConn
	address string
	pending pending

	// The deadline last set, for the systems where ReadPending borrows it.
	mu       sync.Mutex
	deadline time.Time

	closing sync.Once
	err     error // of Close
}

func newTCP(address string, conn *net.TCPConn) (*tcpLink, error) {
	raw, err := conn.SyscallConn()
	if err != nil {
		conn.Close()
		return nil, err
	}
	t := &tcpLink{TCPConn: conn, address: address}
	t.pending.init(raw)
	return t, nil
}

func (t *tcpLink) SetDeadline(limit time.Time) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.deadline = limit
	return t.TCPConn.SetDeadline(limit)
}

func (t *tcpLink) Close() error {
	t.closing.Do(func() { t.err = t.TCPConn.Close() })
	return t.err
}

func (t *tcpLink) ReadPending(p []byte) (int, error) { return t.pending.read(t, p) }

func (t *tcpLink) String() string { return t.address }
