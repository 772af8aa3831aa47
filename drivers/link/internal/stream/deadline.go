package stream

import (
	"context"
	"os"
	"sync"
	"time"
)

// Deadline is a time limit that may be moved while somebody waits for it.
type Deadline struct {
	mu     sync.Mutex
	ctx    context.Context
	cancel context.CancelFunc
}

// NewDeadline never passes until it is set.
func NewDeadline() *Deadline {
	ctx, cancel := context.WithCancel(context.Background())
	return &Deadline{ctx: ctx, cancel: cancel}
}

// Set moves the limit; the zero time never passes.
func (d *Deadline) Set(t time.Time) {
	d.mu.Lock()
	defer d.mu.Unlock()
	// The old one ends only after the new one stands: whoever waits wakes,
	// and finds the new one.
	old := d.cancel
	if t.IsZero() {
		d.ctx, d.cancel = context.WithCancel(context.Background())
	} else {
		d.ctx, d.cancel = context.WithDeadline(context.Background(), t)
	}
	old()
}

// Check says whether the limit has passed; if not, passed is closed when it
// does or when it is moved, and Check is to be called again.
func (d *Deadline) Check() (passed <-chan struct{}, err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.ctx.Err() != nil {
		return nil, os.ErrDeadlineExceeded
	}
	return d.ctx.Done(), nil
}

// Release frees the timer.
func (d *Deadline) Release() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.cancel()
}
