package link

import (
	"context"
	"errors"
	"net"
	"os"
	"testing"
	"time"

	"halfturn/drivers/link/usbtmc"
)

// startUSBTMC serves until the test ends; each device plugged in goes to serve.
func startUSBTMC(t testing.TB, o usbtmc.PeerOptions, serve func(usbtmc.Client)) (address string) {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := usbtmc.Serve(listener, o, serve)
	t.Cleanup(func() { p.Close() })
	return "usbtmc://" + LoopbackDevice + listener.Addr().String()
}

// askedUSBTMC has always asked something (see asked).
type askedUSBTMC struct{ usbtmcLink }

func (l askedUSBTMC) ask() error { _, err := l.Write([]byte("\n")); return err }

func (l askedUSBTMC) Clear() error { return errors.Join(l.usbtmcLink.Clear(), l.ask()) }

// As over VXI-11 a device says nothing without being asked: it has been asked
// with an empty message before, and its replies have no end.
func TestUSBTMC(t *testing.T) {
	t.Parallel()
	for name, o := range map[string]usbtmc.PeerOptions{
		"plain":                   {Parts: true, NoEnd: true},
		"small parts, padded":     {Parts: true, NoEnd: true, MaxRead: 1000, Padded: true},
		"whole pieces":            {Parts: true, NoEnd: true, MaxRead: 4096 - 12},
		"whole pieces, no packet": {Parts: true, NoEnd: true, MaxRead: 4*4096 - 12, NoTrailer: true},
	} {
		t.Run(name, func(t *testing.T) {
			testLink(t, func(t *testing.T) (Link, farEnd) {
				clients := make(chan usbtmc.Client)
				ended := make(chan struct{})
				address := startUSBTMC(t, o, func(c usbtmc.Client) {
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
				l := askedUSBTMC{opened.(usbtmcLink)}
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
