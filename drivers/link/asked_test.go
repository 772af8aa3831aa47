package link

import (
	"context"
	"errors"
	"os"
	"testing"
	"time"
)

// asked has always asked something, over a link on which an instrument says
// nothing without being asked.
type asked struct{ clearing }

type clearing interface {
	Link
	Clear() error
}

func (l asked) ask() error { _, err := l.Write([]byte("\n")); return err }

func (l asked) Clear() error { return errors.Join(l.clearing.Clear(), l.ask()) }

// testAsked is testLink for such a link. The suite's far end speaks without
// being asked, and after the end of a reply, which an instrument cannot do
// there. Here it has been asked with an empty message before, and its replies
// have no end: start is to serve so.
func testAsked(t *testing.T, start func(t *testing.T, serve func(farEnd)) (address string)) {
	testLink(t, func(t *testing.T) (Link, farEnd) {
		clients := make(chan farEnd)
		ended := make(chan struct{})
		address := start(t, func(c farEnd) {
			select {
			case clients <- c:
			case <-ended:
			}
			<-ended
		})
		opened, err := Open(context.Background(), address)
		if err != nil {
			t.Fatal(err)
		}
		l := asked{opened.(clearing)}
		t.Cleanup(func() { l.Close() })
		t.Cleanup(func() { close(ended) })
		if l.String() != address {
			t.Errorf("String() = %q", l)
		}
		far := <-clients
		if err := l.ask(); err != nil {
			t.Fatal(err)
		}
		expect(t, far, []byte("\n"))
		// Another read, in vain: it has done with the message.
		if err := far.SetReadDeadline(time.Now()); err != nil {
			t.Fatal(err)
		}
		if _, err := far.Read(make([]byte, 1)); !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Fatal(err)
		}
		return l, far
	})
}
