package record

import (
	"errors"
	"io"
	"net"
	"os"
	"slices"
	"sync"
	"time"

	"halfturn/drivers/link"
)

// tap is a link that tells a recorder what it carries.
type tap struct {
	link.Link
	r    *Recorder
	head Entry // what all entries of this connection have in common

	mu     sync.Mutex
	got    Entry         // bytes that came and were not handed over yet
	last   time.Duration // when the last of them came
	over   bool          // the end was told
	closed bool
}

// apart is the silence between bytes that makes two entries of them: a slow
// line brings its bytes one by one.
const apart = 10 * time.Millisecond

// whole is how many bytes go into one entry at most, but for a read that
// brings more.
const whole = 1 << 20

func (t *tap) Read(p []byte) (int, error) {
	n, err := t.Link.Read(p)
	t.received(p[:n], err, "")
	return n, err
}

func (t *tap) ReadPending(p []byte) (int, error) {
	n, err := t.Link.ReadPending(p)
	t.received(p[:n], err, Idle)
	return n, err
}

func (t *tap) Write(p []byte) (int, error) {
	at := t.r.now()
	n, err := t.Link.Write(p)
	t.mu.Lock()
	defer t.mu.Unlock()
	t.handOver()
	for part := range slices.Chunk(p[:n], whole) {
		t.tell(at, Sent, "", part)
	}
	t.failed(err, NotSent)
	return n, err
}

// Clear is what link.Discard calls: a device clear where the link has one,
// and otherwise dropping what has arrived, which is recorded as it is read.
func (t *tap) Clear() error {
	inner, ok := t.Link.(interface{ Clear() error })
	if !ok {
		var waste [512]byte
		for {
			if n, err := t.ReadPending(waste[:]); n == 0 || err != nil {
				return err
			}
		}
	}
	err := inner.Clear()
	t.mu.Lock()
	defer t.mu.Unlock()
	t.handOver()
	t.tell(t.r.now(), Cleared, "", nil)
	t.failed(err, "")
	return err
}

// Transparent is what link.Transparent asks.
func (t *tap) Transparent() bool { return link.Transparent(t.Link) }

func (t *tap) Close() error {
	t.mu.Lock()
	t.handOver()
	if !t.closed {
		t.closed = true
		t.tell(t.r.now(), Closed, "", nil)
	}
	t.mu.Unlock()
	return t.Link.Close()
}

func (t *tap) received(p []byte, err error, when string) {
	if len(p) == 0 && err == nil {
		return
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	now := t.r.now()
	for len(p) > 0 {
		if len(t.got.Data) > 0 && (now-t.last > apart || len(t.got.Data) >= whole) {
			t.handOver()
		}
		if len(t.got.Data) == 0 {
			t.got = t.head
			t.got.At, t.got.Event, t.got.Data = now, Got, t.r.buffer()
		}
		n := min(len(p), whole)
		t.got.Data = append(t.got.Data, p[:n]...)
		p = p[n:]
	}
	t.last = now
	t.failed(err, when)
}

// handOver is called with mu held.
func (t *tap) handOver() {
	if len(t.got.Data) > 0 {
		t.r.take(t.got)
		t.got = Entry{}
	}
}

func (t *tap) tell(at time.Duration, event Event, note string, data []byte) {
	e := t.head
	e.At, e.Event, e.Note = at, event, note
	if len(data) > 0 {
		e.Data = append(t.r.buffer(), data...)
	}
	t.r.take(e)
}

// failed tells an error, if it is one of the far end, and when it came.
func (t *tap) failed(err error, when string) {
	if err == nil || t.over || t.closed {
		return
	}
	t.handOver()
	switch {
	case errors.Is(err, os.ErrDeadlineExceeded):
		t.tell(t.r.now(), Timeout, "", nil)
	case errors.Is(err, net.ErrClosed):
	case errors.Is(err, io.EOF):
		t.over = true
		t.tell(t.r.now(), HungUp, when, nil)
	default:
		t.over = true
		if when != "" {
			when += ": "
		}
		t.tell(t.r.now(), Failed, when+err.Error(), nil)
	}
}
