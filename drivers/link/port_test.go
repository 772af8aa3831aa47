package link

import (
	"errors"
	"io"
	"os"
	"testing"
	"time"
)

// heldPort is a port whose driver takes nothing and lets go of nothing.
type heldPort struct {
	release chan struct{}
	closed  chan struct{}
}

func (p *heldPort) Read([]byte) (int, error) { time.Sleep(slice / 10); return 0, nil }
func (p *heldPort) Write(b []byte) (int, error) {
	<-p.release
	return 0, io.ErrShortWrite
}
func (p *heldPort) unstick()     {}
func (p *heldPort) Close() error { close(p.closed); return nil }

func TestCloseDoesNotWaitForADriver(t *testing.T) {
	t.Parallel()
	p := &heldPort{make(chan struct{}), make(chan struct{})}
	l := newSerial("serial:///held", settings{device: "/held", flow: flowNone}, p)
	limit(t, l, short)
	if n, err := l.Write([]byte("x")); n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Fatalf("Write = %d, %v", n, err)
	}
	ended := make(chan error, 1)
	go func() { ended <- l.Close() }()
	select {
	case err := <-ended:
		if err == nil {
			t.Error("Close does not say that the line is still open")
		}
	case <-time.After(10 * closePatience):
		t.Fatal("Close waits for the driver")
	}
	select {
	case <-p.closed:
		t.Fatal("the port was closed under a write")
	default:
	}
	close(p.release)
	select {
	case <-p.closed:
	case <-time.After(long):
		t.Error("the port was not closed when the driver let go")
	}
}

// failingPort delivers some bytes and is gone.
type failingPort struct{ sent bool }

func (p *failingPort) Read(b []byte) (int, error) {
	if p.sent {
		return 0, io.EOF
	}
	p.sent = true
	return copy(b, "last words"), nil
}
func (p *failingPort) Write([]byte) (int, error) { return 0, io.EOF }
func (p *failingPort) unstick()                  {}
func (p *failingPort) Close() error              { return nil }

// What came before a line went away is read first, then the error, and again.
func TestPortGone(t *testing.T) {
	l := newSerial("serial:///gone", settings{device: "/gone", flow: flowNone}, &failingPort{})
	defer l.Close()
	limit(t, l, long)
	expect(t, l, []byte("last words"))
	for range 2 {
		if _, err := l.Read(make([]byte, 8)); !errors.Is(err, io.EOF) {
			t.Errorf("Read: %v", err)
		}
	}
	if n, err := l.Write([]byte("x")); n != 0 || !errors.Is(err, io.EOF) {
		t.Errorf("Write = %d, %v", n, err)
	}
}
