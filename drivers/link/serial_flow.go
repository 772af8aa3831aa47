package link

import (
	"errors"
	"fmt"
	"time"
)

// openPort opens a line with its flow control, of which the libraries know
// nothing.
func openPort(s settings, library func(settings) (port, error)) (port, error) {
	if s.flow == flowNone {
		return library(s)
	}
	// Before the library, which may keep others out.
	f, err := openFlow(s.device)
	if err != nil {
		return nil, fmt.Errorf("serial line: %w", err)
	}
	p, err := library(s)
	if err != nil {
		_ = f.close() // the library's error says more
		return nil, err
	}
	if err := f.set(s.flow); err != nil {
		_, _ = p.Close(), f.close() // likewise
		return nil, fmt.Errorf("serial line: flow=%s: %w", s.flow, err)
	}
	return flowPort{p, f}, nil
}

// flowPort is a line on which the far end can hold what is sent.
type flowPort struct {
	port
	flow *flow
}

func (p flowPort) unstick() {
	p.port.unstick()
	p.flow.letGo()
}

// waiting is how many bytes were written and not sent.
func (p flowPort) waiting() int { return p.flow.waiting() }

// Close gives what was written a moment to be sent, and then drops it: the
// driver would hold up the closing for it (30 s on Linux, from memory).
func (p flowPort) Close() error {
	for end := time.Now().Add(closePatience / 2); p.waiting() > 0; time.Sleep(drainStep) {
		if time.Now().After(end) {
			p.flow.letGo()
			break
		}
	}
	return errors.Join(p.port.Close(), p.flow.close())
}

// drainStep is how often a line is asked whether all was sent.
const drainStep = 2 * time.Millisecond

// ErrHeld says that a serial instrument did not let a message be sent.
var ErrHeld = errors.New("the instrument holds the line by flow control and takes nothing")
