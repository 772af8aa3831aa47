package usbtmc

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"strings"
	"testing"
	"time"
)

// plug serves a device that answers each message with itself in brackets, and
// opens it.
func plug(t testing.TB, o PeerOptions) (d *driver, again func() *driver) {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p := Serve(listener, o, func(c Client) {
		for lines := bufio.NewScanner(c); lines.Scan(); {
			if lines.Text() == "off" {
				return
			}
			if _, err := io.WriteString(c, "["+lines.Text()+"]\n"); err != nil {
				return
			}
		}
	})
	t.Cleanup(func() { p.Close() })
	again = func() *driver {
		f, err := Plug(context.Background(), listener.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { f.Close() })
		return f.(*driver)
	}
	return again(), again
}

// out sends raw bytes and awaits what becomes of them.
func (d *driver) sends(t *testing.T, s string) error {
	t.Helper()
	if n, err := d.Write([]byte(s)); n != len(s) || err != nil {
		t.Fatalf("Write = %d, %v", n, err)
	}
	if ready, err := d.Wait(Output, 5*time.Second); !ready || err != nil {
		return errors.Join(err, errors.New("not sent"))
	}
	n, err := d.Written()
	if err == nil && n != (len(s)+3)&^3 {
		t.Errorf("%d bytes of %d went out", n, len(s))
	}
	return err
}

// gives reads one transfer.
func (d *driver) gives(t *testing.T) ([]byte, error) {
	t.Helper()
	var all []byte
	for {
		var p [urbSize]byte
		n, err := d.Read(p[:])
		if errors.Is(err, ErrAgain) {
			if ready, err := d.Wait(Input, 5*time.Second); !ready || err != nil {
				return all, errors.Join(err, errors.New("nothing comes"))
			}
			continue
		}
		if err != nil {
			return all, err
		}
		if all = append(all, p[:n]...); n < urbSize {
			return all, nil
		}
	}
}

func (d *driver) exchanges(t *testing.T, sent []string, want string) {
	t.Helper()
	for _, s := range sent {
		if err := d.sends(t, s); err != nil {
			t.Fatalf("% x: %v", s, err)
		}
	}
	if got, err := d.gives(t); err != nil || string(got) != want {
		t.Fatalf("% x, %v; want % x", got, err, want)
	}
}

// TestPeer plays the driver byte by byte.
func TestPeer(t *testing.T) {
	d, again := plug(t, PeerOptions{})
	const asks = "\x02\x09\xf6\x00\x00\x02\x00\x00\x00\x00\x00\x00" // 512 bytes
	d.exchanges(t, []string{"\x01\x08\xf7\x00\x02\x00\x00\x00\x01\x00\x00\x00a\n\x00\x00", asks}, "\x02\x09\xf6\x00\x04\x00\x00\x00\x01\x00\x00\x00[a]\n")
	// EOM stands for a newline, and comes with the last of two messages.
	d.exchanges(t, []string{
		"\x01\x01\xfe\x00\x01\x00\x00\x00\x00\x00\x00\x00b\x00\x00\x00",
		"\x01\x02\xfd\x00\x01\x00\x00\x00\x01\x00\x00\x00c\x00\x00\x00", asks,
	}, "\x02\x09\xf6\x00\x05\x00\x00\x00\x01\x00\x00\x00[bc]\n")
	// A reply that is longer than was requested comes in parts.
	d.exchanges(t, []string{"\x01\x01\xfe\x00\x02\x00\x00\x00\x01\x00\x00\x00a\n\x00\x00", "\x02\x05\xfa\x00\x03\x00\x00\x00\x00\x00\x00\x00"}, "\x02\x05\xfa\x00\x03\x00\x00\x00\x00\x00\x00\x00[a]")
	d.exchanges(t, []string{asks}, "\x02\x09\xf6\x00\x01\x00\x00\x00\x01\x00\x00\x00\n")
	// A request that comes before the message is answered after it, and one
	// more before that halts Bulk-OUT.
	if err := d.sends(t, asks); err != nil {
		t.Fatal(err)
	}
	if err := d.sends(t, asks); !errors.Is(err, ErrStall) {
		t.Errorf("two requests: %v", err)
	}
	if err := d.Clear(); err != nil {
		t.Fatal(err)
	}
	d.exchanges(t, []string{"\x01\x08\xf7\x00\x02\x00\x00\x00\x01\x00\x00\x00d\n\x00\x00", asks}, "\x02\x09\xf6\x00\x04\x00\x00\x00\x01\x00\x00\x00[d]\n")
	// What is no message halts Bulk-OUT until the halt is cleared.
	for name, bad := range map[string]string{
		"short": "\x01\x01\xfe\x00", "complement": "\x01\x01\x01\x00\x01\x00\x00\x00\x01\x00\x00\x00", "no data": "\x01\x01\xfe\x00\x00\x00\x00\x00\x01\x00\x00\x00",
		"kind": "\x07\x01\xfe\x00\x01\x00\x00\x00\x01\x00\x00\x00x\x00\x00\x00", "tag": "\x01\x00\xff\x00\x01\x00\x00\x00\x01\x00\x00\x00x\x00\x00\x00",
	} {
		for range 2 {
			if err := d.sends(t, bad); !errors.Is(err, ErrStall) {
				t.Errorf("%s: %v", name, err)
			}
		}
		if err := d.ClearHalt(Output); err != nil {
			t.Error(err)
		}
	}
	// The status byte tells of a reply that waits; a clear drops it, and half
	// a message, and the end of a reply that is under way.
	status := func(want byte) {
		t.Helper()
		for end := time.Now().Add(5 * time.Second); ; time.Sleep(time.Millisecond) {
			b, err := d.call(setup{kind: 0xa1, request: 128, value: 5, length: 3})
			if err != nil || len(b) != 3 || b[0] != 1 || b[1] != 5 {
				t.Fatalf("READ_STATUS_BYTE: % x, %v", b, err)
			}
			if b[2] == want {
				return
			}
			if time.Now().After(end) {
				t.Fatalf("status byte %#x, want %#x", b[2], want)
			}
		}
	}
	status(0)
	long := strings.Repeat("x", 5000)
	if err := d.sends(t, "\x01\x01\xfe\x00\x89\x13\x00\x00\x01\x00\x00\x00"+long+"\n\x00\x00\x00"); err != nil {
		t.Fatal(err)
	}
	status(0x10)
	if err := d.sends(t, "\x02\x02\xfd\x00\x00\x20\x00\x00\x00\x00\x00\x00"); err != nil {
		t.Fatal(err)
	}
	for err := error(ErrAgain); err != nil; { // the first piece of two
		if _, err = d.Read(make([]byte, urbSize)); errors.Is(err, ErrAgain) {
			_, err = d.Wait(Input, time.Second)
			if err == nil {
				err = ErrAgain
			}
		}
	}
	if err := d.sends(t, "\x01\x03\xfc\x00\x04\x00\x00\x00\x00\x00\x00\x00half"); err != nil {
		t.Fatal(err)
	}
	if err := d.Clear(); err != nil {
		t.Fatal(err)
	}
	status(0)
	d.exchanges(t, []string{"\x01\x08\xf7\x00\x02\x00\x00\x00\x01\x00\x00\x00e\n\x00\x00", asks}, "\x02\x09\xf6\x00\x04\x00\x00\x00\x01\x00\x00\x00[e]\n")
	// The device outlives its opening; who opens it next finds what it said.
	if err := d.sends(t, "\x01\x08\xf7\x00\x02\x00\x00\x00\x01\x00\x00\x00f\n\x00\x00"); err != nil {
		t.Fatal(err)
	}
	status(0x10)
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	d = again()
	d.exchanges(t, []string{asks}, "\x02\x09\xf6\x00\x04\x00\x00\x00\x01\x00\x00\x00[f]\n")
	if b, err := d.call(setup{kind: 0xa1, request: 7, length: 0x18}); err != nil || len(b) != 0x18 || !bytes.HasPrefix(b, []byte{1}) {
		t.Errorf("GET_CAPABILITIES: % x, %v", b, err)
	}
	if _, err := d.call(setup{kind: 0xa1, request: 99, length: 1}); !errors.Is(err, ErrStall) {
		t.Errorf("an unknown request: %v", err)
	}
	// Unplugged.
	if err := d.sends(t, "\x01\x08\xf7\x00\x04\x00\x00\x00\x01\x00\x00\x00off\n"); err != nil && !errors.Is(err, ErrGone) {
		t.Fatal(err)
	}
	if _, err := d.gives(t); !errors.Is(err, ErrGone) {
		t.Errorf("unplugged: %v", err)
	}
}

func FuzzHeader(f *testing.F) {
	f.Add([]byte("\x02\x02\xfd\x00\x05\x00\x00\x00\x01\x00\x00\x00"))
	f.Add([]byte("\x02\x02\x02"))
	f.Fuzz(func(t *testing.T, b []byte) {
		h, err := parseHeader(b)
		if err != nil {
			return
		}
		// What is reserved is not looked at.
		again := h.append(nil)
		again[3], again[10], again[11] = b[3], b[10], b[11]
		if !bytes.Equal(again, b[:headerSize]) {
			t.Fatalf("% x became % x", b[:headerSize], again)
		}
	})
}

// tape is a device file whose device has said everything already.
type tape struct {
	in    []byte
	piece int
}

func (s *tape) Write(p []byte) (int, error) { return len(p), nil }
func (s *tape) Written() (int, error)       { return 1 << 20, nil }
func (s *tape) Read(p []byte) (int, error) {
	if len(s.in) == 0 {
		return 0, ErrGone
	}
	n := copy(p[:min(s.piece, len(p))], s.in)
	s.in = s.in[n:]
	return n, nil
}
func (*tape) Wait(Event, time.Duration) (bool, error) { return true, nil }
func (*tape) Cancel() error                           { return nil }
func (*tape) Clear() error                            { return nil }
func (*tape) ClearHalt(Event) error                   { return nil }
func (*tape) Close() error                            { return nil }

// Whatever arrives on Bulk-IN, in pieces of whatever size: no panic, and no
// more comes out than went in.
func FuzzClient(f *testing.F) {
	good := func(tag byte, eom byte, data string) []byte {
		return append(header{id: devDepMsgIn, tag: tag, size: uint32(len(data)), attributes: eom}.append(nil), data...)
	}
	f.Add(good(2, 1, "1.25"), uint16(16))
	f.Add(append(good(2, 0, "1.25"), good(3, 1, "#15\n")...), uint16(16))
	f.Add(good(2, 1, strings.Repeat("x", 5000)), uint16(4096))
	f.Add(good(2, 0, ""), uint16(4096))
	f.Fuzz(func(t *testing.T, arrived []byte, piece uint16) {
		c := newConn(&tape{arrived, int(piece%urbSize) + 1})
		defer c.Close()
		if _, err := c.Write([]byte("?\n")); err != nil {
			t.Fatal(err)
		}
		out := 0
		for {
			var p [7]byte
			n, err := c.ReadPending(p[:])
			if n == 0 && err == nil && !c.state.Due { // the answer has ended: ask again
				_, err = c.Write([]byte("?\n"))
			} else if n == 0 && err == nil {
				if n, err = c.Read(p[:]); n == 0 && err == nil {
					t.Fatal("nothing, and no error")
				}
			}
			out += n
			if err != nil {
				break
			}
		}
		if out > len(arrived) {
			t.Fatalf("%d bytes of %d", out, len(arrived))
		}
		if err := c.Clear(); err != nil && !errors.Is(err, ErrGone) && c.state.Broken == nil {
			t.Fatal(err)
		}
	})
}

// Whatever comes through the cable, the peer serves the next computer.
func FuzzPeer(f *testing.F) {
	raw := func(kind byte, number uint32, data string) []byte {
		b := append([]byte{kind, 0, 0, 0, 0, byte(number), 0, 0, byte(len(data) >> 8), byte(len(data))}, data...)
		return b
	}
	f.Add(raw(bulkOut, 1, "\x01\x08\xf7\x00\x02\x00\x00\x00\x01\x00\x00\x00a\n\x00\x00"))
	f.Add(append(raw(bulkOut, 1, "\x02\x09\xf6\x00\x00\x02\x00\x00\x00\x00\x00\x00"), raw(bulkIn, 2, "")...))
	f.Add(append(raw(control, 1, "\xa1\x05\x00\x00\x00\x00\x01\x00"), raw(cancel, 2, "")...))
	f.Add(raw(bulkOut, 1, "\x01\x08\xf7\x00\xff\xff\xff\xff\x01\x00\x00\x00a"))
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		f.Fatal(err)
	}
	p := Serve(listener, PeerOptions{}, func(c Client) {
		for lines := bufio.NewScanner(c); lines.Scan(); {
			if _, err := io.WriteString(c, "["+lines.Text()+"]\n"); err != nil {
				return
			}
		}
	})
	f.Cleanup(func() { p.Close() })
	f.Fuzz(func(t *testing.T, sent []byte) {
		conn, err := net.Dial("tcp", listener.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		_, _ = conn.Write(sent) // may be refused half-way
		conn.Close()
		c, err := Open(context.Background(), func(string) (File, error) { return Plug(context.Background(), listener.Addr().String()) }, "")
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		if err := c.SetDeadline(time.Now().Add(5 * time.Second)); err != nil {
			t.Fatal(err)
		}
		if err := c.Clear(); err != nil {
			t.Fatal(err)
		}
	})
}
