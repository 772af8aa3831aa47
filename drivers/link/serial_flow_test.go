//go:build linux

package link

import (
	"bytes"
	"errors"
	"os"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// What the line has is read back from it, as the driver tells it.
func TestFlowSettings(t *testing.T) {
	for _, library := range []string{"bugst", "tarm"} {
		for flow, want := range map[string][2]uint32{
			"none":    {},
			"xonxoff": {unix.IXON | unix.IXOFF, 0},
			"rtscts":  {0, unix.CRTSCTS},
		} {
			l, far := openPTY(t, "flow="+flow+"&library="+library)
			set, err := unix.IoctlGetTermios(int(far.Fd()), unix.TCGETS)
			if err != nil {
				t.Fatal(err)
			}
			got := [2]uint32{set.Iflag & (unix.IXON | unix.IXOFF | unix.IXANY), set.Cflag & unix.CRTSCTS}
			if got != want {
				t.Errorf("%s, %s: %#x, want %#x", library, flow, got, want)
			}
			if transparent := Transparent(l); transparent != (flow != "xonxoff") {
				t.Errorf("%s: transparent %v", flow, transparent)
			}
			if err := l.Close(); err != nil {
				t.Error(err)
			}
		}
	}
	if l, _ := openPTY(t, "bits=7"); Transparent(l) {
		t.Error("seven bits carry all bytes")
	}
}

// hold has the far end send XOFF, and returns when the line has heard it.
func hold(t *testing.T, l Link, far *os.File) {
	t.Helper()
	if _, err := far.Write([]byte("\x13m")); err != nil {
		t.Fatal(err)
	}
	expect(t, l, []byte("m")) // XOFF came before, and is no byte of a reply
}

func TestXOFF(t *testing.T) {
	t.Parallel()
	for _, library := range []string{"bugst", "tarm"} {
		t.Run(library, func(t *testing.T) {
			l, far := openPTY(t, "flow=xonxoff&library="+library)
			limit(t, l, long)
			if _, err := l.Write([]byte("a")); err != nil {
				t.Fatal(err)
			}
			expect(t, far, []byte("a"))
			hold(t, l, far)
			limit(t, l, short)
			if _, err := l.Write([]byte("b")); !errors.Is(err, ErrHeld) || !errors.Is(err, os.ErrDeadlineExceeded) {
				t.Fatalf("held: %v", err)
			}
			sent := []unix.PollFd{{Fd: int32(far.Fd()), Events: unix.POLLIN}}
			if n, err := unix.Poll(sent, int(short/time.Millisecond)); n != 0 || err != nil {
				t.Fatalf("sent after XOFF: %d, %v", n, err)
			}
			// XON: what was begun goes out, then the rest.
			limit(t, l, long)
			if _, err := far.Write([]byte("\x11n")); err != nil {
				t.Fatal(err)
			}
			expect(t, l, []byte("n"))
			if _, err := l.Write([]byte("c")); err != nil {
				t.Fatal(err)
			}
			expect(t, far, []byte("bc"))
			// A line that is held for ever does not hold up its closing.
			hold(t, l, far)
			limit(t, l, short)
			if _, err := l.Write([]byte("d")); !errors.Is(err, ErrHeld) {
				t.Fatalf("held: %v", err)
			}
			start := time.Now()
			if err := l.Close(); err != nil {
				t.Errorf("Close: %v", err)
			}
			if d := time.Since(start); d > prompt {
				t.Errorf("Close took %v", d)
			}
		})
	}
}

// Who opens a line that was held when the last link closed is not held.
func TestXOFFIsForgotten(t *testing.T) {
	t.Parallel()
	l, far := openPTY(t, "flow=xonxoff")
	limit(t, l, long)
	hold(t, l, far)
	name := l.(*serialLink).device
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	again, err := Open(t.Context(), "serial://"+name+"?flow=xonxoff")
	if err != nil {
		t.Fatal(err)
	}
	defer again.Close()
	limit(t, again, long)
	if _, err := again.Write([]byte("x")); err != nil {
		t.Fatal(err)
	}
	expect(t, far, []byte("x"))
}

// All bytes but the two of flow control pass a line with XON/XOFF.
func TestXonXoffCarriesText(t *testing.T) {
	t.Parallel()
	l, far := openPTY(t, "flow=xonxoff&pace=10us")
	limit(t, l, long)
	var all []byte
	for b := range 256 {
		if b != 0x11 && b != 0x13 {
			all = append(all, byte(b))
		}
	}
	if _, err := l.Write(all); err != nil {
		t.Fatal(err)
	}
	expect(t, far, all)
	if _, err := far.Write(bytes.Repeat(all, 2)); err != nil {
		t.Fatal(err)
	}
	expect(t, l, bytes.Repeat(all, 2))
}
