package link

import (
	"net"
	"testing"

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

func TestUSBTMC(t *testing.T) {
	t.Parallel()
	for name, o := range map[string]usbtmc.PeerOptions{
		"plain":                   {Parts: true, NoEnd: true},
		"small parts, padded":     {Parts: true, NoEnd: true, MaxRead: 1000, Padded: true},
		"whole pieces":            {Parts: true, NoEnd: true, MaxRead: 4096 - 12},
		"whole pieces, no packet": {Parts: true, NoEnd: true, MaxRead: 4*4096 - 12, NoTrailer: true},
	} {
		t.Run(name, func(t *testing.T) {
			testAsked(t, func(t *testing.T, serve func(farEnd)) string {
				return startUSBTMC(t, o, func(c usbtmc.Client) { serve(c) })
			})
		})
	}
}
