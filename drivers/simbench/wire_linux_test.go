package simbench

import (
	"bytes"
	"io"
	"os"
	"strings"
	"testing"
	"time"
)

// slow sends one character after the other, as slowly as the manual asks.
func (c *client) slow(line string) {
	c.t.Helper()
	for i := range len(line) {
		if _, err := io.WriteString(c.link, line[i:i+1]); err != nil {
			c.t.Fatal(err)
		}
		time.Sleep(2 * time.Millisecond)
	}
}

// silent says that nothing comes for a while.
func (c *client) silent() {
	c.t.Helper()
	file := c.link.(*os.File)
	if err := file.SetReadDeadline(time.Now().Add(50 * time.Millisecond)); err != nil {
		c.t.Fatal(err)
	}
	if got, err := c.in.ReadByte(); err == nil {
		c.t.Errorf("%q came", got)
	}
	if err := file.SetReadDeadline(time.Now().Add(patience)); err != nil {
		c.t.Fatal(err)
	}
}

// A terminal on a real line: what is sent slowly is echoed and answered.
func TestTerminalOnASerialLine(t *testing.T) {
	s := serve(t, "good-balun", Options{GeneratorSpeaks: Spoken, ScopeSpeaks: Spoken, PTY: true})
	generator, scope := s.SerialAddresses()
	g, c := openSerial(t, generator), openSerial(t, scope)
	g.slow("freq 30.000000 MHz\r")
	g.exchange(turn{"", "freq 30.000000 MHz\r"})
	g.slow("freq\r")
	g.exchange(turn{"", "freq\r30.000000 MHz\r\n"})
	c.slow("sweep 500 MHz 1000\r")
	c.exchange(turn{"", "sweep 500 MHz 1000\r"})
	c.slow("single\r")
	c.exchange(turn{"", "single\r"})
	c.await("state\r", "state\ridle\r\n")
	c.exchange(turn{"volts a\r", "volts a\r"})
	serial, err := c.in.ReadString('\n')
	if err != nil || strings.Count(serial, ",") != 999 {
		t.Fatalf("%d commas, %v", strings.Count(serial, ","), err)
	}
	over := dial(t, s.ScopeAddress())
	over.exchange(turn{"volts a\r", "volts a\r" + serial})
}

// An instrument that takes no characters out of its buffer keeps sixteen.
func TestCharactersThatComeTooFastAreLost(t *testing.T) {
	s := serve(t, "good-balun", Options{GeneratorSpeaks: Spoken, PTY: true, CharacterTime: time.Hour})
	generator, _ := s.SerialAddresses()
	g := openSerial(t, generator)
	g.exchange(turn{"ident\r", "ident\rspoken generator 0.1\r\n"})
	g.exchange(turn{"output\routput\r", "output\roff\r\n"}) // ten left: seven, and three of the second
	g.silent()
	// Over a socket nothing is lost.
	long := strings.Repeat("x", 1000) + "\r"
	dial(t, s.GeneratorAddress()).exchange(turn{long, long})
}

func TestXOFFHoldsReplies(t *testing.T) {
	s := serve(t, "good-balun", Options{GeneratorSpeaks: Spoken, ScopeSpeaks: Spoken, PTY: true, CharacterTime: time.Nanosecond})
	generator, scope := s.SerialAddresses()
	g := openSerial(t, generator)
	g.exchange(turn{"\x13ident\r", ""})
	g.silent()
	g.exchange(turn{"\x11", "ident\rspoken generator 0.1\r\n"})
	// In the middle of a reply: what is on its way comes, and no more.
	c := openSerial(t, scope)
	c.exchange(turn{"single\r", "single\r"})
	c.await("state\r", "state\ridle\r\n")
	c.exchange(turn{"volts a\r", "volts a\r"})
	c.exchange(turn{"\x13", ""})
	if err := c.link.(*os.File).SetReadDeadline(time.Now().Add(200 * time.Millisecond)); err != nil {
		t.Fatal(err)
	}
	var first bytes.Buffer
	_, _ = first.ReadFrom(c.in) // until the deadline
	if err := c.link.(*os.File).SetReadDeadline(time.Now().Add(patience)); err != nil {
		t.Fatal(err)
	}
	c.exchange(turn{"\x11", ""})
	line := first.String()
	if !strings.HasSuffix(line, "\n") {
		rest, err := c.in.ReadString('\n')
		if err != nil {
			t.Fatal(err)
		}
		line += rest
	}
	if strings.Count(line, ",") != 999 {
		t.Errorf("%d commas in %d characters", strings.Count(line, ","), len(line))
	}
	c.exchange(turn{"state\r", "state\ridle\r\n"})
	// Close does not wait for XON.
	g.exchange(turn{"\x13ident\r", ""})
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

// Hang-ups and reboots cannot drop a line; noise on it is outlived.
func TestTerminalOutlivesNoise(t *testing.T) {
	s := serve(t, "good-balun", Options{GeneratorSpeaks: Spoken, PTY: true, CharacterTime: time.Nanosecond})
	generator, _ := s.SerialAddresses()
	g := openSerial(t, generator)
	noise := strings.Repeat("\x00\xff\n\x11\x1b?", 20)
	g.exchange(turn{noise + "\r", strings.ReplaceAll(noise, "\x11", "") + "\r"})
	g.exchange(turn{"problem\r", "problem\rundefined header\r\n"})
	g.exchange(turn{strings.Repeat("y", 5000) + "\rproblem\r", "problem\rinput buffer overrun\r\n"})
}

func TestInputBuffer(t *testing.T) {
	const each = 500 * time.Microsecond
	for _, c := range []struct {
		gap  time.Duration
		sent int
		kept int
	}{
		{0, 100, 16},
		{time.Millisecond, 10000, 10000},
		{each, 10000, 10000},
		{each / 2, 100, 65}, // what the buffer holds and what left it: 16 + 99/2
	} {
		b := buffer{each: each}
		kept := 0
		for range c.sent {
			if b.admit(c.gap) {
				kept++
			}
		}
		if kept != c.kept {
			t.Errorf("%v apart: %d of %d kept, want %d", c.gap, kept, c.sent, c.kept)
		}
	}
}
