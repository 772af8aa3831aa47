package desk

import (
	"net"
	"sync"
)

// outLimit bounds what an instrument says before it is fetched.
const outLimit = 1 << 20

// Outbox keeps what an instrument says until the protocol fetches it.
type Outbox struct {
	mu      sync.Mutex
	out     []byte
	ends    []int // where in out its messages end
	changed chan struct{}
}

// change is called with mu held.
func (o *Outbox) change() {
	if o.changed != nil {
		close(o.changed)
	}
	o.changed = make(chan struct{})
}

// Put keeps b, which may be the end of a message, and waits while too much is
// waiting already, until stop closes.
func (o *Outbox) Put(b []byte, end bool, stop <-chan struct{}) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	for len(o.out) > 0 && len(o.out)+len(b) > outLimit {
		changed := o.changed
		o.mu.Unlock()
		select {
		case <-changed:
		case <-stop:
		}
		o.mu.Lock()
		select {
		case <-stop:
			return net.ErrClosed
		default:
		}
	}
	o.out = append(o.out, b...)
	if end {
		o.ends = append(o.ends, len(o.out))
	}
	o.change()
	return nil
}

// Take gives at most size bytes of one message, and says whether it ends
// there. When there is nothing, ok is false, and changed is closed once that
// may be different.
func (o *Outbox) Take(size int) (b []byte, end, ok bool, changed <-chan struct{}) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if len(o.out) == 0 && len(o.ends) == 0 {
		if o.changed == nil {
			o.changed = make(chan struct{})
		}
		return nil, false, false, o.changed
	}
	n := min(len(o.out), size)
	if len(o.ends) > 0 && n >= o.ends[0] {
		n, end = o.ends[0], true
		o.ends = o.ends[1:]
	}
	b = o.out[:n:n]
	o.out = o.out[n:]
	for i := range o.ends {
		o.ends[i] -= n
	}
	o.change()
	return b, end, true, nil
}

// Holds says whether there is something to take.
func (o *Outbox) Holds() bool {
	o.mu.Lock()
	defer o.mu.Unlock()
	return len(o.out) > 0 || len(o.ends) > 0
}

// Clear drops all.
func (o *Outbox) Clear() {
	o.mu.Lock()
	defer o.mu.Unlock()
	o.out, o.ends = nil, nil
	o.change()
}
