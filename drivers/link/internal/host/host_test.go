package host

import (
	"io"
	"net"
	"testing"
	"time"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func TestHost(t *testing.T) {
	var h Host
	served := make(chan struct{})
	var addresses []string
	for range 2 {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		addresses = append(addresses, l.Addr().String())
		h.Serve(l, func(conn net.Conn) {
			h.Go(func() { served <- struct{}{} })
			_, _ = io.Copy(conn, conn)
		})
	}
	var conns []net.Conn
	for _, a := range addresses {
		conn, err := net.Dial("tcp", a)
		if err != nil {
			t.Fatal(err)
		}
		defer conn.Close()
		<-served
		conns = append(conns, conn)
	}
	if err := h.Close(); err != nil {
		t.Error(err)
	}
	for _, conn := range conns {
		if err := conn.SetReadDeadline(time.Now().Add(5 * time.Second)); err != nil {
			t.Fatal(err)
		}
		if _, err := conn.Read(make([]byte, 1)); err != io.EOF {
			t.Errorf("a connection after Close: %v", err)
		}
	}
	if _, err := net.Dial("tcp", addresses[0]); err == nil {
		t.Error("it still accepts")
	}
}
