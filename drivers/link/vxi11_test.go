package link

import (
	"context"
	"errors"
	"net"
	"os"
	"testing"
	"time"

	"halfturn/drivers/link/vxi11"
)

// startVXI11 serves until the test ends; each link goes to serve.
func startVXI11(t testing.TB, o vxi11.PeerOptions, serve func(vxi11.Client)) (address string) {
	t.Helper()
	var listeners [2]net.Listener
	for i := range listeners {
		var err error
		if listeners[i], err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
			t.Fatal(err)
		}
	}
	p := vxi11.Serve(listeners[0], listeners[1], o, serve)
	t.Cleanup(func() { p.Close() })
	return "vxi11://" + listeners[0].Addr().String() + "/inst0"
}

// asked has always asked something.
type asked struct{ vxi11Link }

func (l asked) ask() error { _, err := l.Write([]byte("\n")); return err }

func (l asked) Clear() error { return errors.Join(l.vxi11Link.Clear(), l.ask()) }

// The suite's far end speaks without being asked, and after the end of a
// reply, which an instrument cannot do over VXI-11. Here it has been asked
// with an empty message before, and its replies have no end.
func TestVXI11(t *testing.T) {
	t.Parallel()
	for name, o := range map[string]vxi11.PeerOptions{"plain": {Parts: true, NoEnd: true}, "small parts": {Parts: true, NoEnd: true, MaxWrite: 1024, MaxRead: 1000}} {
		t.Run(name, func(t *testing.T) {
			testLink(t, func(t *testing.T) (Link, farEnd) {
				clients := make(chan vxi11.Client)
				ended := make(chan struct{})
				address := startVXI11(t, o, func(c vxi11.Client) {
					clients <- c
					<-ended
				})
				opened, err := Open(context.Background(), address)
				if err != nil {
					t.Fatal(err)
				}
				l := asked{opened.(vxi11Link)}
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
		})
	}
}
