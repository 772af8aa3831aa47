// Package host keeps account of the connections to a simulated instrument:
// the common part of the peers in hislip, vxi11 and usbtmc.
package host

import (
	"errors"
	"net"
	"sync"
)

// Host accepts connections until Close. The zero Host is ready.
type Host struct {
	running sync.WaitGroup

	mu        sync.Mutex
	listeners []net.Listener
	conns     map[net.Conn]bool
	closed    bool
}

// Serve calls do for each connection to listener, and closes the connection
// when do returns.
func (h *Host) Serve(listener net.Listener, do func(net.Conn)) {
	h.mu.Lock()
	h.listeners = append(h.listeners, listener)
	h.mu.Unlock()
	h.running.Go(func() {
		for {
			conn, err := listener.Accept()
			if err != nil || !h.keep(conn) {
				return
			}
			h.running.Go(func() {
				defer h.drop(conn)
				do(conn)
			})
		}
	})
}

func (h *Host) keep(conn net.Conn) bool {
	h.mu.Lock()
	defer h.mu.Unlock()
	if h.closed {
		_ = conn.Close()
		return false
	}
	if h.conns == nil {
		h.conns = map[net.Conn]bool{}
	}
	h.conns[conn] = true
	return true
}

func (h *Host) drop(conn net.Conn) {
	_ = conn.Close()
	h.mu.Lock()
	defer h.mu.Unlock()
	delete(h.conns, conn)
}

// Go runs f, which must end once the connection that it belongs to has.
func (h *Host) Go(f func()) { h.running.Go(f) }

// Close hangs up on all connections and waits for what served them.
func (h *Host) Close() error {
	h.mu.Lock()
	h.closed = true
	var err error
	for _, l := range h.listeners {
		err = errors.Join(err, l.Close())
	}
	for conn := range h.conns {
		_ = conn.Close()
	}
	h.mu.Unlock()
	h.running.Wait()
	return err
}
