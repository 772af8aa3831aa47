package vxi11_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"halfturn/drivers/link"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// These tests play the instrument value by value, as RFC 5531, RFC 1833 and
// VXI-11 have the messages, and share no code with the client.

// words is XDR: each number big-endian in four bytes.
func words(numbers ...uint32) []byte {
	var b []byte
	for _, n := range numbers {
		b = binary.BigEndian.AppendUint32(b, n)
	}
	return b
}

// text is variable-length opaque data, padded to four bytes.
func text(s string) []byte {
	b := append(words(uint32(len(s))), s...)
	for len(b)%4 != 0 {
		b = append(b, 0)
	}
	return b
}

func join(parts ...[]byte) []byte { return bytes.Join(parts, nil) }

// record is b as one last fragment.
func record(b []byte) []byte { return append(words(1<<31|uint32(len(b))), b...) }

// far is one connection of the instrument.
type far struct {
	t *testing.T
	net.Conn
}

// called reads a call and returns its XID; the rest of it must be want: program,
// version, procedure, then no credentials and no verifier, then arguments.
func (f far) called(program, version, procedure uint32, want []byte) (xid uint32) {
	f.t.Helper()
	b := f.arguments(program, version, procedure, &xid)
	if !bytes.Equal(b, want) {
		f.t.Errorf("procedure %d called with % x,\nwant % x", procedure, b, want)
	}
	return xid
}

func (f far) arguments(program, version, procedure uint32, xid *uint32) []byte {
	f.t.Helper()
	var mark [4]byte
	if _, err := io.ReadFull(f, mark[:]); err != nil {
		f.t.Errorf("procedure %d: %v", procedure, err)
		return nil
	}
	n := binary.BigEndian.Uint32(mark[:])
	b := make([]byte, n&^(1<<31))
	if _, err := io.ReadFull(f, b); err != nil || n>>31 != 1 || len(b) < 40 {
		f.t.Errorf("procedure %d: %d bytes, %v", procedure, len(b), err)
		return nil
	}
	*xid = binary.BigEndian.Uint32(b)
	if want := words(0, 2, program, version, procedure, 0, 0, 0, 0); !bytes.Equal(b[4:40], want) {
		f.t.Errorf("called % x,\nwant % x", b[4:40], want)
	}
	return b[40:]
}

// say sends; the client may be gone.
func (f far) say(b []byte) { _, _ = f.Write(b) }

// success answers with results.
func (f far) success(xid uint32, results ...byte) {
	f.say(record(join(words(xid, 1, 0, 0, 0, 0), results)))
}

const core = 0x0607af

// play runs an instrument: mapper answers GETPORT (nil: with the core port)
// and then talks on the core channel, whose create_link was called.
func play(t *testing.T, mapper func(f far, xid, port uint32), talk func(f far, xid uint32)) (link.Link, error) {
	t.Helper()
	var listeners [2]net.Listener
	for i := range listeners {
		var err error
		if listeners[i], err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
			t.Fatal(err)
		}
	}
	port := uint32(listeners[1].Addr().(*net.TCPAddr).Port)
	done := make(chan struct{})
	go func() {
		defer close(done)
		conn, err := listeners[0].Accept()
		if err != nil {
			return
		}
		f := far{t, conn}
		// GETPORT of the core channel, version 1, over TCP (6).
		xid := f.called(100000, 2, 3, words(core, 1, 6, 0))
		if mapper != nil {
			mapper(f, xid, port)
			conn.Close()
			return
		}
		f.success(xid, words(port)...)
		conn.Close()
		if conn, err = listeners[1].Accept(); err != nil {
			return
		}
		defer conn.Close()
		f = far{t, conn}
		if b := f.arguments(core, 1, 10, &xid); len(b) < 4 || !bytes.Equal(b[4:], join(words(0, 0), text("inst0"))) {
			t.Errorf("create_link called with % x", b)
		}
		talk(f, xid)
	}()
	t.Cleanup(func() { listeners[0].Close(); listeners[1].Close(); <-done })
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	l, err := link.Open(ctx, "vxi11://"+listeners[0].Addr().String()+"/inst0")
	if err != nil {
		return nil, err
	}
	t.Cleanup(func() { l.Close() })
	if err := l.SetDeadline(time.Now().Add(5 * time.Second)); err != nil {
		t.Fatal(err)
	}
	return l, nil
}

// linked makes link 77 to an instrument that takes size bytes at once.
func linked(t *testing.T, size uint32, talk func(f far)) link.Link {
	t.Helper()
	l, err := play(t, nil, func(f far, xid uint32) {
		f.success(xid, words(0, 77, 1234, size)...)
		talk(f)
	})
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// wrote expects a device_write of s and takes it.
func (f far) wrote(s string, flags uint32) {
	f.t.Helper()
	var xid uint32
	b := f.arguments(core, 1, 11, &xid)
	// link, io_timeout, lock_timeout, flags, data
	if len(b) < 16 || !bytes.Equal(b[:4], words(77)) || !bytes.Equal(b[8:], join(words(0, flags), text(s))) {
		f.t.Errorf("device_write called with % x, want %q with flags %d", b, s, flags)
	}
	f.success(xid, words(0, uint32(len(s)))...)
}

// asked expects a device_read.
func (f far) asked() (xid uint32) {
	f.t.Helper()
	b := f.arguments(core, 1, 12, &xid)
	// link, requestSize, io_timeout, lock_timeout, flags, termChar
	if len(b) != 24 || !bytes.Equal(b[:8], words(77, 256<<10)) || !bytes.Equal(b[12:], words(0, 0, 0)) {
		f.t.Errorf("device_read called with % x", b)
	}
	if wait := binary.BigEndian.Uint32(b[8:]); wait < 1 || wait > 10000 {
		f.t.Errorf("device_read waits for %d ms", wait)
	}
	return xid
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

func one(t *testing.T, err error, want string) {
	t.Helper()
	if err == nil || !strings.Contains(err.Error(), want) || strings.ContainsAny(err.Error(), "\r\n") {
		t.Errorf("%v; want one line with %q", err, want)
	}
}

func TestCalls(t *testing.T) {
	done := make(chan struct{})
	l := linked(t, 6, func(f far) {
		defer close(done)
		f.wrote("*IDN?\n", 8) // END
		xid := f.asked()
		f.success(xid, join(words(0, 0), text("HUT "))...) // no reason: more is to come
		xid = f.asked()
		f.success(xid, join(words(15, 0), text(""))...) // I/O timeout: asked again
		xid = f.asked()
		// In two fragments, the mark of the second in two pieces.
		b := join(words(xid, 1, 0, 0, 0, 0, 0, 4), text("FOUR"))
		f.say(append(words(10), b[:10]...))
		f.say([]byte{0x80, 0})
		time.Sleep(2 * time.Millisecond)
		f.say(append([]byte{0, byte(len(b) - 10)}, b[10:]...))
		// In parts of the size that it takes, END with the last.
		f.wrote("a\n", 8)
		f.wrote("#15\n\n\n", 0)
		f.wrote("\n\nbc?\n"[:6], 8)
		xid = f.asked()
		f.success(xid, join(words(0, 4), text("#12\n\n"))...) // the newline is the block's
		// device_clear: link, flags, lock_timeout, io_timeout
		f.wrote("half", 0)
		f.arguments(core, 1, 15, &xid)
		f.success(xid, words(0)...)
		f.wrote("d?\n", 8)
		xid = f.asked()
		f.success(xid, join(words(0, 4), text("d\n"))...)
		f.called(core, 1, 23, words(77)) // destroy_link
	})
	write(t, l, "*IDN?\n")
	read(t, l, "HUT FOUR\n")
	write(t, l, "a\n#15\n\n\n\n\nbc?\n")
	read(t, l, "#12\n\n\n")
	write(t, l, "half")
	if err := link.Discard(l); err != nil {
		t.Fatal(err)
	}
	write(t, l, "d?\n")
	read(t, l, "d\n")
	l.Close()
	<-done
}

// An instrument that takes less than it was offered is offered the rest.
func TestShortWrite(t *testing.T) {
	l := linked(t, 100, func(f far) {
		var xid uint32
		f.arguments(core, 1, 11, &xid)
		f.success(xid, words(0, 2)...)
		f.wrote("cd\n", 8)
	})
	write(t, l, "abcd\n")
}

// Nothing is fetched of an instrument that was not asked, or has answered.
func TestSilent(t *testing.T) {
	l := linked(t, 100, func(f far) {
		f.wrote("?\n", 8)
		xid := f.asked()
		f.success(xid, join(words(0, 4), text("1\n"))...)
		f.wrote("?\n", 8) // and no device_read in between
	})
	quiet := func() {
		t.Helper()
		if err := l.SetDeadline(time.Now().Add(20 * time.Millisecond)); err != nil {
			t.Fatal(err)
		}
		if n, err := l.Read(make([]byte, 9)); n > 0 || err == nil {
			t.Errorf("%d, %v", n, err)
		}
		if err := l.SetDeadline(time.Now().Add(5 * time.Second)); err != nil {
			t.Fatal(err)
		}
	}
	quiet()
	write(t, l, "?\n")
	read(t, l, "1\n")
	quiet()
	write(t, l, "?\n")
}

// A Read that waits for nothing lets a Write of another goroutine through.
func TestWriteDuringIdleRead(t *testing.T) {
	l := linked(t, 100, func(f far) {
		f.wrote("?\n", 8)
		xid := f.asked()
		f.success(xid, join(words(0, 4), text("1\n"))...)
	})
	came := make(chan string)
	go func() {
		var p [9]byte
		n, _ := l.Read(p[:])
		came <- string(p[:n])
	}()
	time.Sleep(20 * time.Millisecond)
	write(t, l, "?\n")
	if got := <-came; got != "1\n" {
		t.Errorf("%q", got)
	}
}

func TestBadPortmapper(t *testing.T) {
	reply := func(b ...[]byte) func(far, uint32, uint32) {
		return func(f far, xid, port uint32) { f.say(record(append(words(xid), join(b...)...))) }
	}
	cases := map[string]struct {
		mapper func(f far, xid, port uint32)
		want   string
	}{
		"not registered":  {reply(words(1, 0, 0, 0, 0, 0)), "VXI-11 is not registered"},
		"no port":         {reply(words(1, 0, 0, 0, 0, 65536)), "65536 for a port"},
		"no result":       {reply(words(1, 0, 0, 0, 0)), "ends too early"},
		"nothing":         {func(far, uint32, uint32) {}, "EOF"},
		"other XID":       {func(f far, xid, port uint32) { f.success(xid+1, words(port)...) }, "answers call"},
		"a call":          {reply(words(0, 2, 0, 0, 0, 0)), "type 0"},
		"denied, version": {reply(words(1, 1, 0, 3, 3)), "version 2 of RPC is not spoken"},
		"denied, auth":    {reply(words(1, 1, 1, 5)), "authentication is wanted (status 5)"},
		"denied, why":     {reply(words(1, 1, 9)), "unknown reason 9"},
		"denied, short":   {reply(words(1, 1)), "ends too early"},
		"unknown status":  {reply(words(1, 2)), "status is 2"},
		"no program":      {reply(words(1, 0, 0, 0, 1)), "program is not there"},
		"other version":   {reply(words(1, 0, 0, 0, 2, 3, 4)), "versions 3 to 4"},
		"no procedure":    {reply(words(1, 0, 0, 0, 3)), "procedure is not there"},
		"garbage args":    {reply(words(1, 0, 0, 0, 4)), "not understood"},
		"system error":    {reply(words(1, 0, 0, 0, 5)), "status 5"},
		"huge verifier":   {reply(words(1, 0, 0, 0x7fffffff, 0, 0)), "400 are allowed"},
		"empty reply":     {func(f far, _, _ uint32) { f.say(record(nil)) }, "ends too early"},
		"short record":    {func(f far, xid, _ uint32) { f.say(append(words(1<<31|28), words(xid, 1)...)) }, "EOF"},
		"huge record":     {func(f far, _, _ uint32) { f.say(words(0xffffffff)) }, "2147483647 bytes"},
		"empty fragments": {func(f far, _, _ uint32) { f.say(words(0, 0, 0, 0)) }, "empty fragment"},
		"endless":         {func(f far, _, _ uint32) { f.say(bytes.Repeat(append(words(500), make([]byte, 500)...), 3)) }, "bytes or more"},
		"not RPC":         {func(f far, _, _ uint32) { f.say([]byte("HTTP/1.1 400\r\n")) }, "RPC record"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			_, err := play(t, c.mapper, nil)
			one(t, err, c.want)
			one(t, err, "portmapper at 127.0.0.1")
		})
	}
}

func TestBadLink(t *testing.T) {
	cases := map[string]struct {
		results []byte
		want    string
	}{
		"no device":  {words(3, 0, 0, 0), `a link to "inst0" is refused with VXI-11 error 3 (device not accessible)`},
		"full":       {words(9, 0, 0, 0), "9 (out of resources)"},
		"unknown":    {words(1000, 0, 0, 0), "1000 (unknown)"},
		"short":      {words(0, 1, 2), "ends too early"},
		"takes none": {words(0, 1, 2, 0), "no length"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			_, err := play(t, nil, func(f far, xid uint32) { f.success(xid, c.results...) })
			one(t, err, c.want)
		})
	}
}

func TestBadReplies(t *testing.T) {
	cases := map[string]struct {
		reply func(f far, xid uint32)
		want  string
	}{
		"refused":      {func(f far, xid uint32) { f.success(xid, words(17, 0, 0)...) }, "device_read is refused with VXI-11 error 17 (I/O error)"},
		"short":        {func(f far, xid uint32) { f.success(xid, words(0, 4)...) }, "ends too early"},
		"more than is": {func(f far, xid uint32) { f.success(xid, words(0, 4, 100)...) }, "ends too early"},
		"huge":         {func(f far, xid uint32) { f.success(xid, words(0, 4, 0xffffffff)...) }, "4294967295 bytes"},
		"huge record":  {func(f far, xid uint32) { f.say(words(1<<31 | 1<<30)) }, "1073741824 bytes"},
		"other XID":    {func(f far, xid uint32) { f.success(xid-1, join(words(0, 4), text("1\n"))...) }, "answers call"},
		"gone":         {func(f far, xid uint32) { f.say(words(1 << 31)[:2]) }, "EOF"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			l := linked(t, 100, func(f far) {
				f.wrote("?\n", 8)
				c.reply(f, f.asked())
			})
			write(t, l, "?\n")
			_, err := l.Read(make([]byte, 9))
			one(t, err, c.want)
			_, err = l.Write([]byte("?\n"))
			one(t, err, c.want)
		})
	}
}

func TestBadWrites(t *testing.T) {
	cases := map[string]struct {
		results []byte
		want    string
	}{
		"refused":  {words(11, 0), "device_write is refused with VXI-11 error 11 (device locked by another link)"},
		"too much": {words(0, 3), "took 3 bytes of 2"},
		"nothing":  {words(0, 0), "took nothing"},
		"short":    {words(0), "ends too early"},
		"timeout":  {words(15, 1), "did not take the message"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			l := linked(t, 100, func(f far) {
				var xid uint32
				f.arguments(core, 1, 11, &xid)
				f.success(xid, c.results...)
			})
			_, err := l.Write([]byte("?\n"))
			one(t, err, c.want)
			if _, err = l.Write([]byte("?\n")); err == nil {
				t.Error("the link is used again")
			}
		})
	}
}

func TestBadClear(t *testing.T) {
	cases := map[string]struct {
		results []byte
		want    string
	}{
		"refused": {words(11), "device_clear is refused with VXI-11 error 11 (device locked by another link)"},
		"short":   {nil, "ends too early"},
		"timeout": {words(15), "did not take the device clear"},
	}
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			l := linked(t, 100, func(f far) {
				var xid uint32
				f.arguments(core, 1, 15, &xid)
				f.success(xid, c.results...)
			})
			one(t, link.Discard(l), c.want)
		})
	}
}

// An instrument without device_clear is worked with all the same.
func TestNoClear(t *testing.T) {
	l := linked(t, 100, func(f far) {
		var xid uint32
		f.arguments(core, 1, 15, &xid)
		f.success(xid, words(8)...)
		f.wrote("?\n", 8)
	})
	if err := link.Discard(l); err != nil {
		t.Fatal(err)
	}
	write(t, l, "?\n")
}

// A reply to no call, and an end, are noticed before a question is lost.
func TestUnasked(t *testing.T) {
	for want, say := range map[string][]byte{"no call": words(1 << 31), "EOF": nil} {
		l := linked(t, 100, func(f far) { f.say(say) })
		var err error
		for end := time.Now().Add(5 * time.Second); err == nil && time.Now().Before(end); {
			_, err = l.ReadPending(make([]byte, 1))
		}
		one(t, err, want)
	}
}
