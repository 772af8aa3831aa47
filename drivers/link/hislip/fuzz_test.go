package hislip

import (
	"bytes"
	"context"
	"encoding/binary"
	"io"
	"net"
	"testing"
	"time"

	"halfturn/drivers/link/internal/stream"
)

// tape is a stream on which everything has arrived already.
type tape struct{ in *bytes.Reader }

func (s tape) Read(p []byte) (int, error)        { return s.in.Read(p) }
func (s tape) ReadPending(p []byte) (int, error) { return s.in.Read(p) }
func (tape) Write(p []byte) (int, error)         { return len(p), nil }
func (tape) SetDeadline(time.Time) error         { return nil }
func (tape) Close() error                        { return nil }

func packet(kind messageType, parameter uint32, payload string) []byte {
	return append(header{kind: kind, parameter: parameter, length: uint64(len(payload))}.append(nil), payload...)
}

// goodStart is what a server sends on each channel while a session is set up.
func goodStart() (sync, async []byte) {
	sync = packet(initializeResponse, 0x0100<<16|7, "")
	async = append(packet(asyncInitializeResponse, 0, ""), packet(asyncMaximumMessageSizeResult, 0, string(binary.BigEndian.AppendUint64(nil, 1<<20)))...)
	return sync, async
}

// Whatever arrives: no panic, nothing but what is in the messages comes out,
// and one newline at most for each.
func FuzzClient(f *testing.F) {
	sync, async := goodStart()
	join := func(parts ...[]byte) []byte { return bytes.Join(parts, nil) }
	f.Add(sync, async)
	f.Add(join(sync, packet(data, anyID, "1,"), packet(dataEnd, firstID, "2")), async)
	f.Add(join(sync, packet(dataEnd, firstID, "#15ab"), packet(interrupted, firstID, ""), packet(dataEnd, firstID-2, "x")), async)
	f.Add(join(sync, packet(nonFatalError, 0, "what?")), join(async, packet(asyncInterrupted, 0, ""), packet(asyncServiceRequest, 0, "")))
	f.Add(join(sync, packet(dataEnd, firstID, ""), packet(deviceClearAcknowledge, 0, "")), join(async, packet(asyncDeviceClearAcknowledge, 0, "")))
	f.Add([]byte("HTTP/1.1 400\r\n"), []byte("HS\x12"))
	f.Fuzz(func(t *testing.T, sync, async []byte) {
		channels := []tape{{bytes.NewReader(sync)}, {bytes.NewReader(async)}}
		dial := func(context.Context, string) (stream.Stream, error) {
			s := channels[0]
			channels = channels[1:]
			return s, nil
		}
		c, err := Open(context.Background(), dial, "", "hislip0")
		if err != nil {
			return
		}
		defer c.Close()
		if _, err := c.Write([]byte("?\n")); err != nil {
			t.Fatal(err)
		}
		out := 0
		for n := 0; ; {
			var p [3]byte
			if n, err = c.Read(p[:]); err != nil {
				break
			}
			out += n
		}
		if longest := len(sync) + len(sync)/headerSize; out > longest {
			t.Fatalf("%d bytes of %d", out, len(sync))
		}
		_ = c.Clear() // may fail, must return
		if _, err := c.ReadPending(make([]byte, 1)); err == nil && c.in.left > messageLimit {
			t.Fatal("a message over the limit was taken")
		}
	})
}

// Whatever a client sends, the peer answers the next one.
func FuzzPeer(f *testing.F) {
	f.Add(packet(initialize, 0x0100<<16, "hislip0"))
	f.Add(append(packet(initialize, 0x0100<<16, "hislip0"), packet(dataEnd, firstID, "x\n")...))
	f.Add(packet(asyncInitialize, 1, ""))
	f.Add([]byte("GET / HTTP/1.1\r\n"))
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		f.Fatal(err)
	}
	p := Serve(listener, PeerOptions{}, func(c Client) { _, _ = io.Copy(io.Discard, c) })
	f.Cleanup(func() { p.Close() })
	connect := func(t *testing.T) net.Conn {
		conn, err := net.Dial("tcp", listener.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		if err := conn.SetDeadline(time.Now().Add(5 * time.Second)); err != nil {
			t.Fatal(err)
		}
		return conn
	}
	f.Fuzz(func(t *testing.T, sent []byte) {
		first := connect(t)
		defer first.Close()
		_, _ = first.Write(sent) // may be refused half-way
		second := connect(t)
		defer second.Close()
		if _, err := second.Write(packet(initialize, 0x0100<<16, "hislip0")); err != nil {
			t.Fatal(err)
		}
		h, _, err := receive(second, 0)
		if err != nil || h.kind != initializeResponse {
			t.Fatalf("%+v, %v", h, err)
		}
	})
}
