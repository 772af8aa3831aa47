package scpi

import (
	"bufio"
	"cmp"
	"context"
	"errors"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"halfturn/drivers"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

const identity = "HUT FOUR WORKS,SAMPLER,0017,1.2"

// peer is the instrument's end of one connection.
type peer = io.ReadWriteCloser

// instrument is the far end of a Conn.
type instrument struct {
	// answer handles a message; false leaves it to the usual answers.
	answer func(p peer, message string) bool
	// oneQueue: messages of all sockets are answered one after the other, and
	// by the newest socket; otherwise each socket is served on its own.
	oneQueue bool
	forget   bool // got stays empty, for benchmarks

	mu       sync.Mutex
	identity string
	errors   []string // the error queue
	got      []string // every message
	sockets  []peer
	queue    chan string
}

func (i *instrument) set(f func()) {
	i.mu.Lock()
	defer i.mu.Unlock()
	f()
}

func (i *instrument) messages() []string {
	i.mu.Lock()
	defer i.mu.Unlock()
	return append([]string(nil), i.got...)
}

// newest is the connection opened last.
func (i *instrument) newest() peer {
	i.mu.Lock()
	defer i.mu.Unlock()
	return i.sockets[len(i.sockets)-1]
}

// message answers; a link that is gone takes no answer, and that is all right.
func (i *instrument) message(p peer, m string) {
	i.mu.Lock()
	if !i.forget {
		i.got = append(i.got, m)
	}
	id := i.identity
	i.mu.Unlock()
	if i.answer != nil && i.answer(p, m) {
		return
	}
	switch m {
	case "*IDN?":
		say(p, id+"\n")
	case "*OPC?":
		say(p, "1\n")
	case ":SYSTem:ERRor?":
		entry := `0,"No error"`
		i.set(func() {
			if len(i.errors) > 0 {
				entry, i.errors = i.errors[0], i.errors[1:]
			}
		})
		say(p, entry+"\n")
	}
}

func say(w io.Writer, s string) { _, _ = io.WriteString(w, s) }

func (i *instrument) serve(p peer) {
	i.set(func() { i.sockets = append(i.sockets, p) })
	for lines := bufio.NewScanner(p); lines.Scan(); {
		m := strings.TrimRight(lines.Text(), "\r")
		if i.oneQueue {
			i.queue <- m
		} else {
			i.message(p, m)
		}
	}
	p.Close()
}

// work answers what serve queued.
func (i *instrument) work() {
	for m := range i.queue {
		i.message(i.newest(), m)
	}
}

func (i *instrument) start() {
	i.set(func() {
		i.identity = cmp.Or(i.identity, identity)
		i.queue = make(chan string, 1000) // more than any test sends
	})
}

// startTCP serves i on loopback until the test ends.
func startTCP(t testing.TB, i *instrument) (address string) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	i.start()
	var serving, working sync.WaitGroup
	working.Go(i.work)
	serving.Go(func() {
		for {
			p, err := listener.Accept()
			if err != nil {
				return
			}
			serving.Go(func() { i.serve(p) })
		}
	})
	t.Cleanup(func() {
		listener.Close()
		i.mu.Lock()
		for _, p := range i.sockets {
			p.Close()
		}
		i.mu.Unlock()
		serving.Wait()
		close(i.queue)
		working.Wait()
	})
	return "tcp://" + listener.Addr().String()
}

// limit is short, for tests that wait for it, and long beside what loopback
// needs.
const limit = 250 * time.Millisecond

// patient is for tests in which nothing has to wait for a limit.
func patient(o *Options) { o.TimeLimit = 10 * time.Second }

func dial(t testing.TB, address string, change func(*Options)) *Conn {
	t.Helper()
	o := Options{Instrument: "scope", Address: address, TimeLimit: limit, Quiet: 10 * time.Millisecond}
	if change != nil {
		change(&o)
	}
	// The short limit is for what the test is about.
	short := o.TimeLimit
	o.TimeLimit = max(short, 10*time.Second)
	c, err := Dial(context.Background(), o)
	if err != nil {
		t.Fatal(err)
	}
	c.o.TimeLimit = short
	t.Cleanup(func() { c.Close() })
	return c
}

func ask(t testing.TB, c *Conn, query, want string) {
	t.Helper()
	if got, err := c.Ask(context.Background(), query); err != nil || got != want {
		t.Fatalf("Ask(%q) = %q, %v; want %q", query, got, err, want)
	}
}

// askAgain asks until an answer comes, which must be the right one. On a busy
// machine a sound exchange may pass the short limit; what must not happen is
// a wrong answer.
func askAgain(t testing.TB, c *Conn, query, want string) {
	t.Helper()
	var err error
	for range 20 {
		var got string
		got, err = c.Ask(context.Background(), query)
		if err == nil && got == want {
			return
		}
		if err == nil || !errors.Is(err, drivers.ErrLink) {
			t.Fatalf("Ask(%q) = %q, %v; want %q", query, got, err, want)
		}
	}
	t.Fatalf("Ask(%q) never succeeded: %v", query, err)
}

// wantError checks the kind of an error and that it is one clear line that
// names the instrument and holds every part.
func wantError(t testing.TB, err, kind error, parts ...string) {
	t.Helper()
	var e *drivers.Error
	if !errors.As(err, &e) || !errors.Is(err, kind) {
		t.Fatalf("%T: %v; want a *drivers.Error that wraps %q", err, err, kind)
	}
	for _, other := range []error{drivers.ErrLink, drivers.ErrRefused, drivers.ErrReply} {
		if other != kind && errors.Is(err, other) {
			t.Errorf("%v: wraps %q as well", err, other)
		}
	}
	if !strings.HasPrefix(err.Error(), "scope at ") || strings.ContainsAny(err.Error(), "\r\n") {
		t.Errorf("not one line that begins with the instrument: %q", err)
	}
	for _, part := range parts {
		if !strings.Contains(err.Error(), part) {
			t.Errorf("%v: does not say %q", err, part)
		}
	}
}
