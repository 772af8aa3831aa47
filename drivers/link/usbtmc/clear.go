package usbtmc

import (
	"fmt"
	"net"
)

// Clear makes the instrument forget what it was sent and has not done, and
// what it has not sent (USBTMC 1.0, 4.2.1.6 and 4.2.1.7; from memory).
func (c *Conn) Clear() error {
	c.state.Mutex.Lock()
	defer c.state.Mutex.Unlock()
	if err := c.state.Usable(); err != nil {
		return err
	}
	if err := c.cleared(); err != nil {
		return err
	}
	if err := c.file.Cancel(); err != nil {
		return c.state.Failed(err)
	}
	done, file := make(chan error, 1), c.file
	go func() { done <- file.Clear() }()
	c.clearing = done
	c.state.Due, c.transfer = false, transfer{}
	c.state.Sent.Reset()
	c.state.In.Reset()
	return c.cleared()
}

// cleared waits for a clear that is under way; the driver's ends in its own
// time.
func (c *Conn) cleared() error {
	for c.clearing != nil {
		passed, err := c.state.Passed()
		if err != nil {
			return err
		}
		select {
		case err := <-c.clearing:
			c.clearing = nil
			if err != nil {
				return c.state.Failed(fmt.Errorf("USBTMC clear: %w", err))
			}
		case <-passed:
		case <-c.state.Closed():
			return net.ErrClosed
		}
	}
	return nil
}
