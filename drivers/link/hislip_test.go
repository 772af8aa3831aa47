package link

import (
	"context"
	"errors"
	"net"
	"os"
	"testing"
	"time"

	"halfturn/drivers/link/hislip"
)

// startHiSLIP serves until the test ends; each session goes to serve.
func startHiSLIP(t testing.TB, o hislip.PeerOptions, serve func(hislip.Client)) (address string, p *hislip.Peer) {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p = hislip.Serve(listener, o, serve)
	t.Cleanup(func() { p.Close() })
	return "hislip://" + listener.Addr().String() + "/hislip0", p
}

func TestHiSLIP(t *testing.T) {
	t.Parallel()
	for name, o := range map[string]hislip.PeerOptions{"plain": {Parts: true}, "small messages, overlap preferred": {Parts: true, MaxMessage: 100, Overlap: true}} {
		t.Run(name, func(t *testing.T) {
			testLink(t, func(t *testing.T) (Link, farEnd) {
				clients := make(chan hislip.Client)
				ended := make(chan struct{})
				address, _ := startHiSLIP(t, o, func(c hislip.Client) {
					clients <- c
					<-ended
				})
				l, err := Open(context.Background(), address)
				if err != nil {
					t.Fatal(err)
				}
				t.Cleanup(func() { l.Close() })
				t.Cleanup(func() { close(ended) })
				if l.String() != address {
					t.Errorf("String() = %q", l)
				}
				return l, <-clients
			})
		})
	}
}

// Open ends with its context when a server takes the connection and says nothing.
func TestOpenEndsWithContext(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer listener.Close()
	for _, address := range []string{"hislip://" + listener.Addr().String(), "vxi11://" + listener.Addr().String()} {
		ctx, cancel := context.WithTimeout(context.Background(), short)
		start := time.Now()
		l, err := Open(ctx, address)
		cancel()
		if err == nil {
			l.Close()
		}
		if !errors.Is(err, os.ErrDeadlineExceeded) && !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("%s: %v", address, err)
		}
		if d := time.Since(start); d > prompt {
			t.Errorf("%s: after %v", address, d)
		}
	}
}
