package desk

import (
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// open gives a desk and what it sent: "7:reply|", with | for the end.
func open(t *testing.T) (*Desk, *strings.Builder) {
	var sent strings.Builder
	d := New(false, 0, func(tag uint32, p []byte, end bool) error {
		fmt.Fprintf(&sent, "%d:%s", tag, p)
		if end {
			sent.WriteByte('|')
		}
		return nil
	}, func() {})
	t.Cleanup(func() { d.Close() })
	return d, &sent
}

func read(t *testing.T, d *Desk, want string) {
	t.Helper()
	var p [100]byte
	if n, err := d.Read(p[:]); err != nil || string(p[:n]) != want {
		t.Fatalf("%q, %v; want %q", p[:n], err, want)
	}
}

func say(t *testing.T, d *Desk, s string) {
	t.Helper()
	if n, err := d.Write([]byte(s)); n != len(s) || err != nil {
		t.Fatalf("%d, %v", n, err)
	}
}

func TestOneMessageAtATime(t *testing.T) {
	d, sent := open(t)
	d.Deliver(1, []byte("a?\nb?\nc"), false, nil)
	d.Deliver(2, []byte("?"), true, nil)
	d.Deliver(3, []byte("#12\n\n"), true, nil)
	read(t, d, "a?\n")
	say(t, d, "1\n")
	read(t, d, "b?\n")
	say(t, d, "2")
	say(t, d, "3\n#12\n\n\n4")
	read(t, d, "c")
	read(t, d, "?")
	read(t, d, "\n") // which the end stands for
	say(t, d, "5\n")
	read(t, d, "#12\n\n")
	read(t, d, "\n")
	if got, want := sent.String(), "1:1\n|1:21:3\n|1:#12\n\n\n|1:42:5\n|"; got != want {
		t.Errorf("sent %q, want %q", got, want)
	}
}

// What an instrument says to a message from before a clear is dropped, and
// what it says to the next is not.
func TestClear(t *testing.T) {
	d, sent := open(t)
	d.Deliver(1, []byte("a?\nb?\nc"), true, nil)
	read(t, d, "a?\n")
	say(t, d, "half")
	d.Clear()
	say(t, d, "of it\n")
	d.Deliver(2, []byte("d?\n"), true, nil)
	read(t, d, "d?\n")
	say(t, d, "4\n")
	if got, want := sent.String(), "1:half2:4\n|"; got != want {
		t.Errorf("sent %q, want %q", got, want)
	}
}

// Half a message does not reach the instrument, unless it is too long.
func TestHalfAMessage(t *testing.T) {
	d, _ := open(t)
	d.Deliver(1, []byte("half"), false, nil)
	if err := d.SetReadDeadline(time.Now()); err != nil {
		t.Fatal(err)
	}
	if n, err := d.Read(make([]byte, 9)); n > 0 || !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("%d, %v", n, err)
	}
	d.Clear()
	d.Deliver(2, []byte("a?\n"), true, nil)
	read(t, d, "a?\n")
	long := strings.Repeat("x", limit)
	d.Deliver(3, []byte(long), false, nil)
	delivered := make(chan bool)
	go func() { delivered <- d.Deliver(3, []byte("y"), true, nil) }()
	if err := d.SetReadDeadline(time.Now().Add(5 * time.Second)); err != nil {
		t.Fatal(err)
	}
	got := make([]byte, limit+2)
	if _, err := io.ReadFull(d, got); err != nil || string(got) != long+"y\n" || !<-delivered {
		t.Errorf("%v", err)
	}
}

func TestWaits(t *testing.T) {
	d, _ := open(t)
	if err := d.SetReadDeadline(time.Now().Add(time.Millisecond)); err != nil {
		t.Fatal(err)
	}
	if _, err := d.Read(make([]byte, 1)); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("%v", err)
	}
	stop := make(chan struct{})
	close(stop)
	if !d.Deliver(0, make([]byte, 2*limit), false, stop) {
		t.Error("one piece is taken, however long")
	}
	if d.Deliver(0, []byte("x"), false, stop) {
		t.Error("more than the limit was taken")
	}
	ended := make(chan bool)
	go func() { ended <- d.Deliver(0, []byte("x"), false, nil) }()
	d.Close()
	if <-ended {
		t.Error("taken after the end")
	}
	if _, err := d.Read(make([]byte, 1)); err != io.EOF {
		t.Errorf("Read: %v", err)
	}
	if _, err := d.Write([]byte("x")); !errors.Is(err, net.ErrClosed) {
		t.Errorf("Write: %v", err)
	}
}
