//go:build linux

package link

import (
	"context"
	"os"
	"testing"

	"github.com/creack/pty"
)

func TestSerial(t *testing.T) {
	t.Parallel()
	for _, library := range []string{"bugst", "tarm"} {
		t.Run(library, func(t *testing.T) {
			testLink(t, func(t *testing.T) (Link, farEnd) { return openPTY(t, "library="+library) })
		})
	}
}

// A pty knows RTS/CTS as a setting and has no lines for it: what is tested is
// that a line with it is a link like any other.
func TestSerialRTSCTS(t *testing.T) {
	t.Parallel()
	testLink(t, func(t *testing.T) (Link, farEnd) { return openPTY(t, "flow=rtscts") })
}

func openPTY(t *testing.T, options string) (Link, *os.File) {
	t.Helper()
	far, near, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { far.Close() })
	address := "serial://" + near.Name() + "?baud=115200&" + options
	l, err := Open(context.Background(), address)
	near.Close()
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	if l.String() != address {
		t.Errorf("String() = %q", l)
	}
	return l, far
}

// A line that both libraries opened with every option still carries eight
// bits over a pty, which ignores them; what counts is that none is refused.
func TestSerialOptions(t *testing.T) {
	for _, options := range []string{"baud=9600&bits=7&parity=even&stop=2", "baud=19200&parity=odd", "bits=5", "bits=6&stop=1"} {
		for _, library := range []string{"bugst", "tarm"} {
			far, near, err := pty.Open()
			if err != nil {
				t.Fatal(err)
			}
			l, err := Open(context.Background(), "serial://"+near.Name()+"?"+options+"&library="+library)
			near.Close()
			if err != nil {
				t.Errorf("%s, %s: %v", options, library, err)
			} else {
				l.Close()
			}
			far.Close()
		}
	}
}
