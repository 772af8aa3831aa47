package link

import (
	"context"
	"os"
	"sync"
	"time"
)

// deadline is a time limit that may be moved while somebody waits for it.
type deadline struct {
	mu     sync.Mutex
	ctx    context.Context
	cancel context.CancelFunc
}

func newDeadline() *deadline {
	ctx, cancel := context.WithCancel(context.Background())
	return &deadline{ctx: ctx, cancel: cancel}
}

func (d *deadline) set(t time.Time) {
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

// check says whether the limit has passed; if not, passed is closed when it
// does or when it is moved, and check is to be called again.
func (d *deadline) check() (passed <-chan struct{}, err error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.ctx.Err() != nil {
		return nil, os.ErrDeadlineExceeded
	}
	return d.ctx.Done(), nil
}

// release frees the timer.
func (d *deadline) release() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.cancel()
}
