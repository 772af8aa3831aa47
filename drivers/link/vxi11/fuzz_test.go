package vxi11

import (
	"bytes"
	"context"
	"io"
	"net"
	"testing"
	"time"

	"halfturn/drivers/link/internal/fetch"
	"halfturn/drivers/link/internal/stream"
)

// tape is a stream on which everything has arrived already.
type tape struct{ in *bytes.Reader }

func (s tape) Read(p []byte) (int, error)        { return s.in.Read(p) }
func (s tape) ReadPending(p []byte) (int, error) { return s.in.Read(p) }
func (tape) Write(p []byte) (int, error)         { return len(p), nil }
func (tape) SetDeadline(time.Time) error         { return nil }
func (tape) Close() error                        { return nil }

func FuzzRecord(f *testing.F) {
	f.Add(appendUints(nil, lastFragment|4, 7), uint8(1))
	f.Add(appendUints(nil, 4, 7, lastFragment), uint8(3))
	f.Add(appendUints(nil, lastFragment|0x7fffffff, 7), uint8(3))
	f.Fuzz(func(t *testing.T, arrived []byte, piece uint8) {
		in := bytes.NewReader(arrived)
		get := func(p []byte) (int, error) { return in.Read(p[:min(len(p), int(piece)+1)]) }
		var r record
		done, err := r.read(get, 1000)
		switch {
		case done == (err != nil):
			t.Fatalf("%v, %v", done, err)
		case len(r.data) > 1000 || len(r.data) > len(arrived):
			t.Fatalf("%d bytes of %d", len(r.data), len(arrived))
		case cap(r.data) > 4096:
			t.Fatalf("storage for %d bytes", cap(r.data))
		}
	})
}

func FuzzValues(f *testing.F) {
	f.Add(appendOpaque(appendUints(nil, 5, msgReply, 0, 0, 0, 0, 0, reasonEnd), []byte("text")))
	f.Add(appendUints(nil, 5, msgReply, replyDenied, rejectAuth, 1))
	f.Add(appendUints(nil, 5, msgReply, 0, 0, 0, acceptProgMismatch, 1, 2))
	f.Fuzz(func(t *testing.T, b []byte) {
		v, err := parseReply(b, 5)
		if err != nil {
			if v.rest != nil {
				t.Fatal("results of a bad reply")
			}
			return
		}
		v.uint()
		v.uint()
		if data := v.opaque(100); len(data) > 100 || v.err != nil && data != nil {
			t.Fatalf("%d bytes, %v", len(data), v.err)
		}
		if v.err != nil && v.uint() != 0 {
			t.Fatal("a value after the end")
		}
	})
}

// Whatever arrives on the core channel after the link was made: no panic, and
// no more comes out than went in.
func FuzzClient(f *testing.F) {
	const xid = 100
	reply := func(xid uint32, results []byte) []byte {
		b := append(appendUints(nil, xid, msgReply, 0, 0, 0, 0), results...)
		return append(appendUints(nil, uint32(len(b))|lastFragment), b...)
	}
	wrote := reply(xid+1, appendUints(nil, 0, 2))
	f.Add(append(bytes.Clone(wrote), reply(xid+2, appendOpaque(appendUints(nil, 0, reasonEnd), []byte("1.25")))...))
	f.Add(append(bytes.Clone(wrote), reply(xid+2, appendOpaque(appendUints(nil, errIOTimeout, 0), nil))...))
	f.Add(append(bytes.Clone(wrote), reply(xid, appendOpaque(appendUints(nil, 0, 0), []byte("1.25")))...))
	f.Fuzz(func(t *testing.T, arrived []byte) {
		c := &Conn{
			state: fetch.New(), core: caller{s: tape{bytes.NewReader(arrived)}, xid: xid}, chunk: 100,
		}
		defer c.Close()
		if _, err := c.Write([]byte("?\n")); err != nil {
			return
		}
		out := 0
		for {
			var p [3]byte
			n, err := c.Read(p[:])
			if err != nil {
				break
			}
			out += n
		}
		if out > len(arrived) {
			t.Fatalf("%d bytes of %d", out, len(arrived))
		}
		_ = c.Clear() // may fail, must return
	})
}

// Whatever a client sends to either port, the peer answers the next one.
func FuzzPeer(f *testing.F) {
	call := func(program, version, number uint32, args []byte) []byte {
		b := append(appendUints(nil, 7, msgCall, rpcVersion, program, version, number, 0, 0, 0, 0), args...)
		return append(appendUints(nil, uint32(len(b))|lastFragment), b...)
	}
	getPort := call(portmapProgram, portmapVersion, portmapGetPort, appendUints(nil, coreProgram, coreVersion, protocolTCP, 0))
	create := call(coreProgram, coreVersion, createLink, appendOpaque(appendUints(nil, 1, 0, 0), []byte("inst0")))
	f.Add(getPort)
	f.Add(create)
	f.Add(append(bytes.Clone(create), call(coreProgram, coreVersion, deviceWrite, appendOpaque(appendUints(nil, 1, 0, 0, flagEnd), []byte("?\n")))...))
	f.Add(append(bytes.Clone(create), call(coreProgram, coreVersion, deviceRead, appendUints(nil, 1, 100, 0, 0, 0, 0))...))
	f.Add(call(coreProgram, 9, 0, nil))
	var listeners [2]net.Listener
	for i := range listeners {
		var err error
		if listeners[i], err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
			f.Fatal(err)
		}
	}
	p := Serve(listeners[0], listeners[1], PeerOptions{}, func(c Client) { _, _ = io.Copy(io.Discard, c) })
	f.Cleanup(func() { p.Close() })
	f.Fuzz(func(t *testing.T, sent []byte) {
		for _, l := range listeners {
			conn, err := net.Dial("tcp", l.Addr().String())
			if err != nil {
				t.Fatal(err)
			}
			defer conn.Close()
			_, _ = conn.Write(sent) // may be refused half-way
		}
		dial := func(_ context.Context, address string) (stream.Stream, error) {
			conn, err := net.Dial("tcp", address)
			if err == nil {
				err = conn.SetDeadline(time.Now().Add(5 * time.Second))
			}
			return pendingless{conn}, err
		}
		c, err := Open(context.Background(), dial, listeners[0].Addr().String(), "inst0")
		if err != nil {
			t.Fatal(err)
		}
		c.Close()
	})
}

// pendingless is a connection of which nobody asks what has arrived.
type pendingless struct{ net.Conn }

func (pendingless) ReadPending([]byte) (int, error) { return 0, nil }
