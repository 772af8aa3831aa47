//go:build linux

package scpi

import (
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"

	"halfturn/drivers"
)

// startPTY serves i on a pty until the test ends. The line stays up between
// connections, as a cable does: the instrument notices none of them.
func startPTY(t testing.TB, i *instrument, library string) (address string) {
	far, near, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	i.start()
	var serving sync.WaitGroup
	serving.Go(func() { i.serve(far) })
	t.Cleanup(func() {
		far.Close()
		near.Close()
		serving.Wait()
	})
	return "serial://" + near.Name() + "?baud=115200&library=" + library
}

func TestLateSerial(t *testing.T) {
	for _, library := range []string{"bugst", "tarm"} {
		t.Run(library, func(t *testing.T) {
			testLate(t, func(t *testing.T, i *instrument) string { return startPTY(t, i, library) })
		})
	}
}

func TestSerialFaults(t *testing.T) {
	i := &instrument{answer: func(p peer, m string) bool {
		switch m {
		case "HALF?":
			say(p, "1.2")
		case "GARBAGE?":
			say(p, "\x91\x02\xfe\n")
		case "SHORT?":
			say(p, "#41000abc")
		default:
			return false
		}
		return true
	}}
	c := dial(t, startPTY(t, i, "bugst"), nil)
	_, err := c.Ask(t.Context(), "HALF?")
	wantError(t, err, drivers.ErrLink, "only part of a reply", `got "1.2"`)
	askAgain(t, c, "*OPC?", "1")
	_, err = c.Ask(t.Context(), "GARBAGE?")
	wantError(t, err, drivers.ErrReply, "baud rate")
	askAgain(t, c, "*OPC?", "1")
	_, err = c.AskBlock(t.Context(), "SHORT?", nil)
	wantError(t, err, drivers.ErrLink, "only 3 of 1000 bytes")
	askAgain(t, c, "*OPC?", "1")

	i.newest().Close() // the adapter is pulled
	time.Sleep(20 * time.Millisecond)
	_, err = c.Ask(t.Context(), "*OPC?")
	wantError(t, err, drivers.ErrLink)
}

// An instrument that holds the line by XOFF is named as the cause, and a
// binary block is not asked for over a line that cannot carry it.
func TestXonXoff(t *testing.T) {
	i := &instrument{answer: func(p peer, m string) bool {
		if m != "HOLD?" {
			return false
		}
		say(p, "held\n\x13")
		return true
	}}
	c := dial(t, startPTY(t, i, "bugst")+"&flow=xonxoff", func(o *Options) { o.TimeLimit = 500 * time.Millisecond })
	_, err := c.AskBlock(t.Context(), "BLOCK?", nil)
	wantError(t, err, drivers.ErrReply, "does not carry every byte", "flow=rtscts")
	askAgain(t, c, "*OPC?", "1")
	if got, err := c.Ask(t.Context(), "HOLD?"); err != nil || got != "held" {
		t.Fatalf("%q, %v", got, err)
	}
	// The line hears XOFF behind the reply, at once or a little later.
	for err = nil; err == nil; {
		_, err = c.Ask(t.Context(), "*OPC?")
	}
	wantError(t, err, drivers.ErrLink, "the instrument holds the line", "same flow control")
}
