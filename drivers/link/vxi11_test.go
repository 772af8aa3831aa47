package link

import (
	"net"
	"testing"

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

func TestVXI11(t *testing.T) {
	t.Parallel()
	for name, o := range map[string]vxi11.PeerOptions{"plain": {Parts: true, NoEnd: true}, "small parts": {Parts: true, NoEnd: true, MaxWrite: 1024, MaxRead: 1000}} {
		t.Run(name, func(t *testing.T) {
			testAsked(t, func(t *testing.T, serve func(farEnd)) string {
				return startVXI11(t, o, func(c vxi11.Client) { serve(c) })
			})
		})
	}
}
