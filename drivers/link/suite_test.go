package link

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"testing"
	"time"

	"go.uber.org/goleak"
)

func TestMain(m *testing.M) {
	// These tests wait for what must not come more than they compute.
	if flag.Parse(); flag.Lookup("test.parallel").DefValue == flag.Lookup("test.parallel").Value.String() {
		_ = flag.Set("test.parallel", "6")
	}
	goleak.VerifyTestMain(m)
}

// farEnd is what an instrument holds of a link.
type farEnd interface {
	io.ReadWriteCloser
	SetReadDeadline(time.Time) error
}

// long is a time that no sound link needs; short is one that a link must not
// exceed by much (see prompt).
const (
	long   = 5 * time.Second
	short  = 50 * time.Millisecond
	prompt = 2 * time.Second // far under long, and generous to a busy machine
)

// testLink is the suite that every kind of link passes. open returns a new
// link and its far end, and closes both when the test ends.
func testLink(t *testing.T, open func(t *testing.T) (Link, farEnd)) {
	t.Run("every byte both ways", func(t *testing.T) {
		l, far := open(t)
		var all [256]byte
		for i := range all {
			all[i] = byte(i)
		}
		limit(t, l, long)
		if n, err := l.Write(all[:]); n != len(all) || err != nil {
			t.Fatalf("Write = %d, %v", n, err)
		}
		expect(t, far, all[:])
		if _, err := far.Write(all[:]); err != nil {
			t.Fatal(err)
		}
		expect(t, l, all[:])
	})

	t.Run("more than any buffer both ways", func(t *testing.T) {
		l, far := open(t)
		data := make([]byte, 300_000)
		for i := range data {
			data[i] = byte(rand.Uint32())
		}
		limit(t, l, 10*time.Second)
		sent := make(chan error, 1)
		go func() { _, err := l.Write(data); sent <- err }()
		expect(t, far, data)
		if err := <-sent; err != nil {
			t.Fatal(err)
		}
		go func() { _, err := far.Write(data); sent <- err }()
		// Let the far end fill whatever there is first.
		time.Sleep(short)
		expect(t, l, data)
		if err := <-sent; err != nil {
			t.Fatal(err)
		}
	})

	t.Run("reads as small as wanted", func(t *testing.T) {
		l, far := open(t)
		limit(t, l, long)
		if _, err := far.Write([]byte("abc")); err != nil {
			t.Fatal(err)
		}
		var got []byte
		for range 3 {
			var b [1]byte
			if n, err := l.Read(b[:]); n != 1 || err != nil {
				t.Fatalf("Read = %d, %v", n, err)
			}
			got = append(got, b[0])
		}
		if string(got) != "abc" {
			t.Errorf("got %q", got)
		}
		if n, err := l.Read(nil); n != 0 || err != nil {
			t.Errorf("Read(nil) = %d, %v", n, err)
		}
	})

	t.Run("a deadline ends a read, and a new one allows the next", func(t *testing.T) {
		l, far := open(t)
		limit(t, l, short)
		start := time.Now()
		if _, err := l.Read(make([]byte, 8)); !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Fatalf("Read: %v", err)
		}
		if d := time.Since(start); d < short/2 || d > prompt {
			t.Errorf("Read took %v of %v", d, short)
		}
		if _, err := far.Write([]byte("late")); err != nil {
			t.Fatal(err)
		}
		if _, err := l.Write([]byte("x")); !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("Write after the deadline: %v", err)
		}
		limit(t, l, long)
		expect(t, l, []byte("late"))
		if err := l.SetDeadline(time.Time{}); err != nil {
			t.Fatal(err)
		}
		if _, err := far.Write([]byte("none")); err != nil {
			t.Fatal(err)
		}
		expect(t, l, []byte("none"))
	})

	t.Run("a passed deadline fails even with input waiting", func(t *testing.T) {
		l, far := open(t)
		limit(t, l, long)
		if _, err := far.Write([]byte("ab")); err != nil {
			t.Fatal(err)
		}
		expect(t, l, []byte("a")) // it has arrived
		limit(t, l, -time.Second)
		if n, err := l.Read(make([]byte, 8)); n != 0 || !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Fatalf("Read = %d, %v", n, err)
		}
	})

	t.Run("moving the deadline reaches a read that waits", func(t *testing.T) {
		l, far := open(t)
		limit(t, l, long)
		ended := make(chan error, 1)
		go func() { _, err := l.Read(make([]byte, 8)); ended <- err }()
		time.Sleep(short)
		limit(t, l, -time.Second)
		if err := within(t, ended); !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("shortened: %v", err)
		}
		limit(t, l, 2*short)
		go func() { _, err := l.Read(make([]byte, 8)); ended <- err }()
		limit(t, l, long)
		time.Sleep(4 * short)
		if _, err := far.Write([]byte("x")); err != nil {
			t.Fatal(err)
		}
		if err := within(t, ended); err != nil {
			t.Errorf("prolonged: %v", err)
		}
	})

	t.Run("close ends a read that waits", func(t *testing.T) {
		l, _ := open(t)
		ended := make(chan error, 1)
		go func() { _, err := l.Read(make([]byte, 8)); ended <- err }()
		time.Sleep(short)
		if err := l.Close(); err != nil {
			t.Errorf("Close: %v", err)
		}
		if err := within(t, ended); !errors.Is(err, net.ErrClosed) {
			t.Errorf("Read: %v", err)
		}
	})

	t.Run("nothing works after close", func(t *testing.T) {
		l, _ := open(t)
		limit(t, l, -time.Second)
		if err := l.Close(); err != nil {
			t.Errorf("Close: %v", err)
		}
		if err := l.Close(); err != nil {
			t.Errorf("second Close: %v", err)
		}
		if _, err := l.Read(make([]byte, 8)); !errors.Is(err, net.ErrClosed) {
			t.Errorf("Read: %v", err)
		}
		if _, err := l.ReadPending(make([]byte, 8)); !errors.Is(err, net.ErrClosed) {
			t.Errorf("ReadPending: %v", err)
		}
		if _, err := l.Write([]byte("x")); !errors.Is(err, net.ErrClosed) {
			t.Errorf("Write: %v", err)
		}
		if err := l.SetDeadline(time.Now()); !errors.Is(err, net.ErrClosed) {
			t.Errorf("SetDeadline: %v", err)
		}
	})

	t.Run("a deadline ends a write that nobody takes, and close cleans up", func(t *testing.T) {
		l, _ := open(t)
		limit(t, l, 4*short)
		data := make([]byte, 16<<20) // more than a socket's buffers grow to
		start := time.Now()
		n, err := l.Write(data)
		if n == len(data) || !errors.Is(err, os.ErrDeadlineExceeded) {
			t.Fatalf("Write = %d, %v", n, err)
		}
		if d := time.Since(start); d > prompt {
			t.Errorf("Write took %v of %v", d, 4*short)
		}
		start = time.Now()
		if err := l.Close(); err != nil {
			t.Errorf("Close: %v", err)
		}
		if d := time.Since(start); d > closePatience*9/10 {
			t.Errorf("Close took %v", d)
		}
	})

	t.Run("close ends a write that waits", func(t *testing.T) {
		l, _ := open(t)
		ended := make(chan error, 1)
		go func() { _, err := l.Write(make([]byte, 16<<20)); ended <- err }()
		time.Sleep(short)
		if err := l.Close(); err != nil {
			t.Errorf("Close: %v", err)
		}
		if err := within(t, ended); !errors.Is(err, net.ErrClosed) {
			t.Errorf("Write: %v", err)
		}
	})

	t.Run("pending input", func(t *testing.T) {
		l, far := open(t)
		limit(t, l, long)
		var p [8]byte
		if n, err := l.ReadPending(p[:]); n != 0 || err != nil {
			t.Fatalf("nothing sent: ReadPending = %d, %v", n, err)
		}
		if _, err := far.Write([]byte("0123456789ab")); err != nil {
			t.Fatal(err)
		}
		expect(t, l, []byte("01"))
		var got []byte
		for end := time.Now().Add(prompt); len(got) < 10 && time.Now().Before(end); {
			n, err := l.ReadPending(p[:])
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, p[:n]...)
		}
		if string(got) != "23456789ab" {
			t.Errorf("ReadPending gave %q", got)
		}
	})

	t.Run("discard", func(t *testing.T) {
		l, far := open(t)
		limit(t, l, long)
		old := bytes.Repeat([]byte("old"), 1000)
		if _, err := far.Write(old); err != nil {
			t.Fatal(err)
		}
		expect(t, l, []byte("old"))
		time.Sleep(2 * short)
		if err := Discard(l); err != nil {
			t.Fatal(err)
		}
		if _, err := far.Write([]byte("new")); err != nil {
			t.Fatal(err)
		}
		expect(t, l, []byte("new"))
	})

	t.Run("the far end goes away", func(t *testing.T) {
		l, far := open(t)
		limit(t, l, long)
		if _, err := far.Write([]byte("last")); err != nil {
			t.Fatal(err)
		}
		expect(t, l, []byte("last"))
		if err := far.Close(); err != nil {
			t.Fatal(err)
		}
		start := time.Now()
		if _, err := l.Read(make([]byte, 8)); err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
			t.Errorf("Read: %v", err)
		}
		if d := time.Since(start); d > prompt {
			t.Errorf("noticed after %v", d)
		}
		if _, err := l.ReadPending(make([]byte, 8)); err == nil {
			t.Error("ReadPending: no error")
		}
	})
}

func limit(t *testing.T, l Link, d time.Duration) {
	t.Helper()
	if err := l.SetDeadline(time.Now().Add(d)); err != nil {
		t.Fatal(err)
	}
}

// expect reads as much as want and compares.
func expect(t *testing.T, r io.Reader, want []byte) {
	t.Helper()
	if f, ok := r.(farEnd); ok {
		if err := f.SetReadDeadline(time.Now().Add(10 * time.Second)); err != nil {
			t.Fatal(err)
		}
	}
	got := make([]byte, len(want))
	if n, err := io.ReadFull(r, got); err != nil {
		t.Fatalf("after %d of %d bytes: %v", n, len(want), err)
	}
	if !bytes.Equal(got, want) {
		t.Fatal("other bytes arrived than were sent")
	}
}

func within(t *testing.T, ended <-chan error) error {
	t.Helper()
	select {
	case err := <-ended:
		return err
	case <-time.After(prompt):
		t.Fatal("still waiting")
		return nil
	}
}

func TestTCP(t *testing.T) {
	t.Parallel()
	testLink(t, func(t *testing.T) (Link, farEnd) {
		listener, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer listener.Close()
		address := "tcp://" + listener.Addr().String()
		ctx, cancel := context.WithTimeout(context.Background(), long)
		defer cancel()
		l, err := Open(ctx, address)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { l.Close() })
		far, err := listener.Accept()
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { far.Close() })
		if l.String() != address {
			t.Errorf("String() = %q", l)
		}
		return l, far.(*net.TCPConn)
	})
}
