package usbtmc

import (
	"fmt"
	"net"
)

// Clear makes the instrument forget what it was sent and has not done, and
// what it has not sent (USBTMC 1.0, 4.2.1.6 and 4.2.1.7; from memory).
func (c *Conn) Clear() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if err := c.usable(); err != nil {
		return err
	}
	if err := c.cleared(); err != nil {
		return err
	}
	if err := c.file.Cancel(); err != nil {
		return c.failed(err)
	}
	done, file := make(chan error, 1), c.file
	go func() { done <- file.Clear() }()
	c.clearing = done
	c.due, c.transfer = false, transfer{}
	c.sent.Reset()
	c.in.Reset()
	return c.cleared()
}

// cleared waits for a clear that is under way; the driver's ends in its own
// time.
func (c *Conn) cleared() error {
	for c.clearing != nil {
		passed, err := c.deadline.Check()
		if err != nil {
			return err
		}
		select {
		case err := <-c.clearing:
			c.clearing = nil
			if err != nil {
				return c.failed(fmt.Errorf("USBTMC clear: %w", err))
			}
		case <-passed:
		case <-c.closed:
			return net.ErrClosed
		}
	}
	return nil
}
