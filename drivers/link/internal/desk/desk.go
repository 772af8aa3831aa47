// Package desk stands between a simulated instrument, which reads and writes
// plain bytes, and the protocol that carries its messages: the common part of
// the peers in hislip, vxi11 and usbtmc.
package desk

import (
	"io"
	"net"
	"sync"
	"time"

	"halfturn/drivers/link/internal/message"
	"halfturn/drivers/link/internal/stream"
)

// Client is the far end as a simulated instrument sees it: Read gives bytes of
// one message at most, with its newline; a Write that ends with a newline
// outside of a block ends the reply. Close hangs up.
type Client interface {
	io.ReadWriteCloser
	SetReadDeadline(t time.Time) error
}

// limit bounds the bytes that wait for the instrument.
const limit = 1 << 18

// piece is what arrived in one transfer.
type piece struct {
	data []byte
	end  bool
	tag  uint32 // of the message, as the protocol has it
}

// Desk is the instrument's end of one connection: Read, Write, Close and
// SetReadDeadline are for the instrument, the other methods for the protocol.
type Desk struct {
	// parts: bytes are given before their message has ended. An instrument
	// that has read them keeps them when the desk is cleared.
	parts bool
	// send carries a part of a reply, of which end says whether it is the
	// last, to the client that sent the message tag.
	send    func(tag uint32, p []byte, end bool) error
	onClose func()

	deadline *stream.Deadline
	closing  sync.Once
	closed   chan struct{}
	changed  chan struct{} // closed, and made anew, when anything below changes

	mu      sync.Mutex
	in      []piece
	size    int
	ahead   message.Scanner // what was delivered
	whole   int             // messages of which the end was delivered
	pressed bool            // a part waits that does not fit
	scanner message.Scanner // what the instrument has read
	newline bool            // to be read next
	tag     uint32          // of what the instrument read last
	busy    bool            // it has read a message and not come back
	deaf    bool            // what it says until it comes back is dropped

	clears int // how often it was cleared

	writing sync.Mutex
	out     message.Scanner // what the instrument has written
	outFor  int             // clears when it began
}

// New returns a desk whose replies go to send. With parts the instrument reads
// bytes before their message has ended. first is the tag of what it says before
// it has read anything. onClose is called once.
func New(parts bool, first uint32, send func(tag uint32, p []byte, end bool) error, onClose func()) *Desk {
	return &Desk{parts: parts, tag: first, send: send, onClose: onClose, deadline: stream.NewDeadline(), closed: make(chan struct{}), changed: make(chan struct{})}
}

// change is called with mu held.
func (d *Desk) change() {
	close(d.changed)
	d.changed = make(chan struct{})
}

// Deliver hands over data, whose storage it keeps, and waits while too much is waiting
// already. It says false when stop closed first, or the desk.
func (d *Desk) Deliver(tag uint32, data []byte, end bool, stop <-chan struct{}) bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	for d.size > 0 && d.size+len(data) > limit {
		d.pressed = true
		d.change()
		changed := d.changed
		d.mu.Unlock()
		var ok bool
		select {
		case <-changed:
			ok = true
		case <-stop:
		case <-d.closed:
		}
		d.mu.Lock()
		if !ok {
			return false
		}
	}
	for rest := data; len(rest) > 0; {
		n, ended := d.ahead.Next(rest)
		if ended {
			d.whole++
		}
		rest = rest[n:]
	}
	if end && d.ahead.End() {
		d.whole++
	}
	d.in = append(d.in, piece{data, end, tag})
	d.size += len(data)
	d.change()
	return true
}

// Clear drops what the instrument has not read, and what it is about to say
// to what it has read.
func (d *Desk) Clear() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.in, d.size, d.newline, d.whole, d.pressed = nil, 0, false, 0, false
	d.scanner.Reset()
	d.ahead.Reset()
	d.deaf = d.busy
	d.clears++
	d.change()
}

// Read returns bytes of one message at most, with the newline that ends it.
func (d *Desk) Read(p []byte) (int, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.busy {
		d.busy, d.deaf = false, false
	}
	for {
		select {
		case <-d.closed:
			return 0, io.EOF
		default:
		}
		if d.newline && len(p) > 0 {
			d.newline, d.busy = false, true
			d.whole--
			p[0] = '\n'
			return 1, nil
		}
		if len(d.in) > 0 && (d.parts || d.pressed || d.whole > 0) {
			if n := d.take(p); n > 0 || len(p) == 0 {
				return n, nil
			}
			continue
		}
		passed, err := d.deadline.Check()
		if err != nil {
			return 0, err
		}
		changed := d.changed
		d.mu.Unlock()
		select {
		case <-changed:
		case <-passed:
		case <-d.closed:
		}
		d.mu.Lock()
	}
}

// take reads from the first piece.
func (d *Desk) take(p []byte) int {
	first := &d.in[0]
	d.tag = first.tag
	n := copy(p, first.data)
	n, ended := d.scanner.Next(p[:n])
	if ended {
		d.busy = true
		d.whole--
	}
	first.data = first.data[n:]
	d.size -= n
	if len(first.data) == 0 {
		if first.end && d.scanner.End() {
			d.newline = true
		}
		d.in = d.in[1:]
	}
	d.pressed = d.pressed && len(d.in) > 0
	d.change()
	return n
}

// Write sends a reply, or a part of one, which ends where its newline is.
func (d *Desk) Write(p []byte) (written int, err error) {
	select {
	case <-d.closed:
		return 0, net.ErrClosed
	default:
	}
	d.mu.Lock()
	tag, deaf, clears := d.tag, d.deaf, d.clears
	d.mu.Unlock()
	if deaf {
		return len(p), nil
	}
	d.writing.Lock()
	defer d.writing.Unlock()
	if d.outFor != clears {
		d.outFor = clears
		d.out.Reset()
	}
	for written < len(p) {
		n, end := d.out.Next(p[written:])
		if err := d.send(tag, p[written:written+n], end); err != nil {
			return written, err
		}
		written += n
	}
	return written, nil
}

// SetReadDeadline ends a Read at t.
func (d *Desk) SetReadDeadline(t time.Time) error {
	d.deadline.Set(t)
	return nil
}

// Closed is closed when the desk is.
func (d *Desk) Closed() <-chan struct{} { return d.closed }

// Close hangs up.
func (d *Desk) Close() error {
	d.closing.Do(func() {
		close(d.closed)
		d.deadline.Release()
		d.onClose()
	})
	return nil
}
