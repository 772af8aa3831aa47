package hislip_test

import (
	"bytes"
	"context"
	"encoding/hex"
	"errors"
	"io"
	"net"
	"os"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"halfturn/drivers/link"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// These tests play the server byte by byte, as IVI-6.1 has the messages, and
// share no code with the client.

// raw is a message: "HS", type, control, parameter, length, payload.
func raw(kind, control byte, parameter uint32, payload string) []byte {
	b := []byte{'H', 'S', kind, control, byte(parameter >> 24), byte(parameter >> 16), byte(parameter >> 8), byte(parameter),
		0, 0, 0, 0, 0, 0, byte(len(payload) >> 8), byte(len(payload))}
	return append(b, payload...)
}

func unhex(s string) []byte {
	b, err := hex.DecodeString(strings.ReplaceAll(s, " ", ""))
	if err != nil {
		panic(err)
	}
	return b
}

// What the client sends to set up a session for hislip0: version 2.0 of
// vendor "XX", then session 7 on the second channel, then 64 MiB.
var (
	sendsInitialize      = unhex("4853 00 00 0200 5858 0000000000000007 6869736c697030")
	sendsAsyncInitialize = unhex("4853 11 00 00000007 0000000000000000")
	sendsMaximum         = unhex("4853 0f 00 00000000 0000000000000008 0000000004000000")

	replyInitialize      = unhex("4853 01 00 0100 0007 0000000000000000")
	replyAsyncInitialize = unhex("4853 12 00 00005858 0000000000000000")
	replyMaximum         = unhex("4853 10 00 00000000 0000000000000008 0000000000100000")
)

// far is the server's end.
type far struct {
	t           *testing.T
	sync, async net.Conn
}

func (f far) expect(c net.Conn, want []byte) {
	f.t.Helper()
	got := make([]byte, len(want))
	if n, err := io.ReadFull(c, got); err != nil || !bytes.Equal(got, want) {
		f.t.Errorf("the client sent % x, %v;\nwant % x", got[:n], err, want)
	}
}

func (f far) say(c net.Conn, b []byte) { _, _ = c.Write(b) } // the client may be gone

// session sets up with the given replies (nil: the good ones), and goes on
// with then. It opens the link.
func session(t *testing.T, first, second, third []byte, then func(far)) (link.Link, error) {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	or := func(b, otherwise []byte) []byte {
		if b == nil {
			return otherwise
		}
		return b
	}
	done := make(chan struct{})
	go func() {
		defer close(done)
		f := far{t: t}
		var err error
		if f.sync, err = listener.Accept(); err != nil {
			return
		}
		defer f.sync.Close()
		f.expect(f.sync, sendsInitialize)
		f.say(f.sync, or(first, replyInitialize))
		if first != nil {
			return
		}
		if f.async, err = listener.Accept(); err != nil {
			return
		}
		defer f.async.Close()
		f.expect(f.async, sendsAsyncInitialize)
		f.say(f.async, or(second, replyAsyncInitialize))
		if second != nil {
			return
		}
		f.expect(f.async, sendsMaximum)
		f.say(f.async, or(third, replyMaximum))
		if third == nil && then != nil {
			then(f)
		}
	}()
	t.Cleanup(func() { listener.Close(); <-done })
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	l, err := link.Open(ctx, "hislip://"+listener.Addr().String()+"/hislip0")
	if err != nil {
		listener.Close() // for a client that did not come back
		return nil, err
	}
	t.Cleanup(func() { l.Close() })
	if err := l.SetDeadline(time.Now().Add(5 * time.Second)); err != nil {
		t.Fatal(err)
	}
	return l, nil
}

func mustSession(t *testing.T, then func(far)) link.Link {
	t.Helper()
	l, err := session(t, nil, nil, nil, then)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func read(t *testing.T, l link.Link, want string) {
	t.Helper()
	got := make([]byte, len(want))
	if n, err := io.ReadFull(l, got); err != nil || string(got) != want {
		t.Fatalf("%q, %v; want %q", got[:n], err, want)
	}
}

func write(t *testing.T, l link.Link, s string) {
	t.Helper()
	if n, err := l.Write([]byte(s)); n != len(s) || err != nil {
		t.Fatalf("%d, %v", n, err)
	}
}

func TestMessages(t *testing.T) {
	l := mustSession(t, func(f far) {
		f.expect(f.sync, raw(7, 0, 0xffffff00, "*IDN?\n")) // DataEND
		f.say(f.sync, raw(6, 0, 0xffffffff, "HUT "))       // Data of an ID not yet known
		f.say(f.sync, raw(6, 0, 0xffffff00, "FO"))
		f.say(f.sync, raw(7, 0, 0xffffff00, "UR"))
		// RMT-delivered, once: the reply was read.
		f.expect(f.sync, raw(7, 1, 0xffffff02, "a\n"))
		f.expect(f.sync, raw(7, 0, 0xffffff04, "b\n"))
		f.expect(f.sync, raw(6, 0, 0xffffff06, "c"))
		f.expect(f.sync, raw(7, 0, 0xffffff08, "d?\n"))
		f.say(f.sync, raw(7, 0, 0xffffff08, "#12\n\n")) // END without newline: the last is the block's
		f.expect(f.sync, raw(7, 1, 0xffffff0a, "#12\n\n\n"))
		f.say(f.sync, raw(7, 0, 0xffffff0a, "e\n"))
		f.expect(f.sync, raw(7, 1, 0xffffff0c, "f?\n"))
		// The end of a message within a block is none.
		f.say(f.sync, raw(7, 0, 0xffffff0c, "CURVE #14x"))
		f.say(f.sync, raw(7, 0, 0xffffff0c, "yz!"))
		f.say(f.sync, raw(7, 0, 0xffffff0c, "g"))
	})
	write(t, l, "*IDN?\n")
	read(t, l, "HUT FOUR\n")
	write(t, l, "a\nb\nc")
	write(t, l, "d?\n")
	read(t, l, "#12\n\n\n")
	write(t, l, "#12\n\n\n")
	read(t, l, "e\n")
	write(t, l, "f?\n")
	read(t, l, "CURVE #14xyz!\ng\n")
}

// The ID begins again after it has passed 0xffffffff.
func TestMessageIDWraps(t *testing.T) {
	l := mustSession(t, func(f far) {
		for id := uint32(0xffffff00); id != 2; id += 2 {
			f.expect(f.sync, raw(7, 0, id, "a\n"))
		}
		f.say(f.sync, raw(7, 0, 0xfffffffe, "old\n"))
		f.say(f.sync, raw(7, 0, 0, "new\n"))
	})
	write(t, l, strings.Repeat("a\n", 129))
	read(t, l, "new\n")
}

func TestStaleAndInterrupted(t *testing.T) {
	l := mustSession(t, func(f far) {
		f.expect(f.sync, raw(7, 0, 0xffffff00, "1?\n"))
		f.expect(f.sync, raw(7, 0, 0xffffff02, "2?\n"))
		f.say(f.sync, raw(6, 0, 0xffffff00, "old "))
		f.say(f.async, raw(14, 0, 0xffffff02, "")) // AsyncInterrupted
		f.say(f.async, raw(20, 0x40, 0, ""))       // AsyncServiceRequest
		f.say(f.sync, raw(13, 0, 0xffffff02, ""))  // Interrupted
		f.say(f.sync, raw(7, 0, 0xffffff00, "old\n"))
		f.say(f.sync, raw(7, 0, 0xffffff02, "2\n"))
		f.expect(f.sync, raw(7, 1, 0xffffff04, "3?\n"))
		f.say(f.sync, raw(6, 0, 0xffffff04, "half"))
		f.say(f.sync, raw(13, 0, 0xffffff04, ""))
		f.say(f.sync, raw(7, 0, 0xffffff04, "3\n"))
	})
	write(t, l, "1?\n2?\n")
	read(t, l, "2\n")
	write(t, l, "3?\n")
	read(t, l, "half")
	if _, err := l.Read(make([]byte, 9)); err == nil || !strings.Contains(err.Error(), "broke off a HiSLIP reply") {
		t.Errorf("%v", err)
	}
}

func TestClear(t *testing.T) {
	l := mustSession(t, func(f far) {
		f.expect(f.sync, raw(6, 0, 0xffffff00, "half"))
		f.say(f.sync, raw(6, 0, 0xffffff00, "also half"))
		f.expect(f.async, raw(19, 0, 0, "")) // AsyncDeviceClear
		f.say(f.async, raw(20, 0x40, 0, "")) // a service request in between
		f.say(f.async, raw(23, 0, 0, ""))    // AsyncDeviceClearAcknowledge
		f.expect(f.sync, raw(8, 0, 0, ""))   // DeviceClearComplete
		f.say(f.sync, raw(7, 0, 0xffffff00, "old\n"))
		f.say(f.sync, raw(9, 0, 0, "")) // DeviceClearAcknowledge
		f.expect(f.sync, raw(7, 0, 0xffffff00, "new?\n"))
		f.say(f.sync, raw(7, 0, 0xffffff00, "new"))
	})
	write(t, l, "half")
	read(t, l, "al")
	if err := link.Discard(l); err != nil {
		t.Fatal(err)
	}
	write(t, l, "new?\n")
	read(t, l, "new\n")
}

// A reply may come a byte at a time, with time limits passing in between.
func TestDribble(t *testing.T) {
	l := mustSession(t, func(f far) {
		f.expect(f.sync, raw(7, 0, 0xffffff00, "?\n"))
		for _, b := range raw(7, 0, 0xffffff00, "42") {
			f.say(f.sync, []byte{b})
			time.Sleep(2 * time.Millisecond)
		}
	})
	write(t, l, "?\n")
	var got []byte
	for end := time.Now().Add(5 * time.Second); len(got) < 3 && time.Now().Before(end); {
		if err := l.SetDeadline(time.Now().Add(time.Millisecond)); err != nil {
			t.Fatal(err)
		}
		var p [8]byte
		n, err := l.Read(p[:])
		if err != nil && !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Fatal(err)
		}
		got = append(got, p[:n]...)
	}
	if string(got) != "42\n" {
		t.Errorf("%q", got)
	}
}

func one(t *testing.T, err error, want string) {
	t.Helper()
	if err == nil || !strings.Contains(err.Error(), want) || strings.ContainsAny(err.Error(), "\r\n") {
		t.Errorf("%v; want one line with %q", err, want)
	}
}

func TestBadSetUp(t *testing.T) {
	huge := unhex("4853 01 00 0100 0007 7fffffffffffffff")
	cases := map[string]struct {
		first, second, third []byte
		want                 string
	}{
		"wrong magic":          {first: []byte("HTTP/1.1 400 Bad Request\r\n"), want: `begins with "HT"`},
		"nothing":              {first: []byte{}, want: "EOF"},
		"short header":         {first: []byte("HS\x01\x00\x01"), want: "EOF"},
		"huge":                 {first: huge, want: "9223372036854775807 bytes"},
		"wrong type":           {first: raw(7, 0, 0, "x"), want: "type 7 where type 1"},
		"refused":              {first: raw(2, 4, 0, "full\nup"), want: `4 (it serves as many clients as it can): "full\nup"`},
		"refused without text": {first: raw(2, 99, 0, ""), want: "99 (unidentified)"},
		"unknown version":      {first: raw(1, 0, 0x03000007, ""), want: "HiSLIP 3.0"},
		"encrypted only":       {first: raw(1, 2, 0x02000007, ""), want: "encrypted"},
		"second refused":       {second: raw(2, 3, 0, "no session"), want: "second HiSLIP channel"},
		"second wrong":         {second: raw(1, 0, 0x01000007, ""), want: "type 1 where type 18"},
		"size too short":       {third: raw(16, 0, 0, "1234"), want: "4 bytes where a number of 8"},
		"size zero":            {third: raw(16, 0, 0, "\x00\x00\x00\x00\x00\x00\x00\x00"), want: "no length"},
		"size lost":            {third: []byte{}, want: "EOF"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			_, err := session(t, c.first, c.second, c.third, nil)
			one(t, err, c.want)
		})
	}
}

func TestBadReplies(t *testing.T) {
	cases := map[string]struct {
		reply []byte
		want  string
	}{
		"wrong magic":   {[]byte("1.25\n and no header"), "no HiSLIP"},
		"short header":  {[]byte("HS\x07\x00"), "EOF"},
		"short payload": {raw(7, 0, 0xffffff00, "12345")[:18], "EOF"},
		"huge":          {unhex("4853 07 00 ffffff00 ffffffffffffffff"), "18446744073709551615 bytes"},
		"huge error":    {unhex("4853 03 00 00000000 0000000000010000"), "65536 bytes"},
		"never sent":    {raw(7, 0, 0xffffff02, "1"), "message 0xffffff02"},
		"odd":           {raw(7, 0, 0xfffffeff, "1"), "message 0xfffffeff"},
		"any, at END":   {raw(7, 0, 0xffffffff, "1"), "message 0xffffffff"},
		"wrong type":    {raw(22, 0, 0, ""), "type 22"},
		"error":         {raw(3, 1, 0, "what?"), `1 (unrecognized message type): "what?"`},
		"fatal error":   {raw(2, 1, 0, ""), "1 (poorly formed message header)"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			l := mustSession(t, func(f far) {
				f.expect(f.sync, raw(7, 0, 0xffffff00, "?\n"))
				f.say(f.sync, c.reply)
			})
			write(t, l, "?\n")
			_, err := io.ReadAll(io.LimitReader(l, 100))
			if err == nil { // io.ReadAll takes io.EOF for an end
				err = io.EOF
			}
			one(t, err, c.want)
			if strings.Contains(c.want, "EOF") {
				return
			}
			_, again := l.Read(make([]byte, 1))
			one(t, again, c.want)
			one(t, link.Discard(l), c.want)
		})
	}
}

func TestBadClear(t *testing.T) {
	cases := map[string]struct {
		async, sync []byte
		want        string
	}{
		"wrong answer":    {raw(22, 0, 0, ""), nil, "type 22 on the asynchronous"},
		"error":           {raw(3, 0, 0, "busy"), nil, "busy"},
		"gone":            {nil, nil, "EOF"},
		"overlap":         {raw(23, 0, 0, ""), raw(9, 1, 0, ""), "overlap"},
		"wrong on sync":   {raw(23, 0, 0, ""), raw(1, 0, 0, ""), "type 1 where the end of a device clear"},
		"garbage on sync": {raw(23, 0, 0, ""), []byte("1.234567890123456789\n"), "no HiSLIP"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			l := mustSession(t, func(f far) {
				f.expect(f.async, raw(19, 0, 0, ""))
				f.say(f.async, c.async)
				if c.sync != nil {
					f.expect(f.sync, raw(8, 0, 0, ""))
					f.say(f.sync, c.sync)
				}
			})
			one(t, link.Discard(l), c.want)
			if _, err := l.Write([]byte("x\n")); err == nil {
				t.Error("a link that was not cleared takes messages")
			}
		})
	}
}

// What the instrument says on the second channel is heard before a question
// is lost on it.
func TestAsideIsHeard(t *testing.T) {
	said := make(chan struct{})
	l := mustSession(t, func(f far) {
		f.say(f.async, raw(20, 0x40, 0, ""))
		f.say(f.async, raw(2, 0, 0, "shutting down"))
		close(said)
		_, _ = f.sync.Read(make([]byte, 1)) // until the client goes
	})
	<-said
	var err error
	for end := time.Now().Add(5 * time.Second); err == nil && time.Now().Before(end); {
		_, err = l.ReadPending(make([]byte, 1))
	}
	one(t, err, "shutting down")
}
