package link

import (
	"errors"
	"os"
	"strings"
	"testing"
	"time"
)

// slowPort is a line to an instrument that takes one character in a while and
// drops what arrives meanwhile. It looks at the time when a character is
// handed over, so that a busy machine can only make the gaps longer.
type slowPort struct {
	while   time.Duration
	ready   time.Time
	taken   []byte
	dropped int
}

func (p *slowPort) Read([]byte) (int, error) { time.Sleep(slice / 10); return 0, nil }
func (p *slowPort) Write(b []byte) (int, error) {
	for _, c := range b {
		now := time.Now()
		if now.Before(p.ready) {
			p.dropped++
			continue
		}
		p.taken = append(p.taken, c)
		p.ready = now.Add(p.while)
	}
	return len(b), nil
}
func (p *slowPort) unstick()     {}
func (p *slowPort) Close() error { return nil }

func TestPace(t *testing.T) {
	const text = "freq 30.000000 MHz\r"
	const times = 3
	for _, pace := range []time.Duration{0, 2 * time.Millisecond} {
		p := &slowPort{while: 2 * time.Millisecond}
		l := newSerial("serial:///slow", settings{device: "/slow", baud: 115200, bits: 8, parity: "none", stop: 1, flow: flowNone, pace: pace}, p)
		limit(t, l, 10*time.Second)
		for range times { // the pace holds between messages, too
			if n, err := l.Write([]byte(text)); n != len(text) || err != nil {
				t.Fatalf("Write = %d, %v", n, err)
			}
		}
		if err := l.Close(); err != nil {
			t.Error(err)
		}
		switch {
		case pace > 0 && (p.dropped > 0 || string(p.taken) != strings.Repeat(text, times)):
			t.Errorf("pace %v: %d dropped, %q taken", pace, p.dropped, p.taken)
		case pace == 0 && p.dropped == 0:
			t.Error("without a pace nothing is dropped: the test shows nothing")
		}
	}
}

// A deadline and Close end a message that is sent slowly, between characters.
func TestPaceEnds(t *testing.T) {
	open := func() (*serialLink, *slowPort) {
		p := &slowPort{}
		return newSerial("serial:///slow", settings{device: "/slow", baud: 9600, bits: 8, parity: "none", stop: 1, flow: flowNone, pace: longestPace}, p), p
	}
	l, p := open()
	limit(t, l, short)
	if n, err := l.Write([]byte("ab")); n != 1 || !errors.Is(err, os.ErrDeadlineExceeded) || errors.Is(err, ErrHeld) {
		t.Errorf("Write = %d, %v", n, err)
	}
	if err := l.Close(); err != nil || string(p.taken) != "a" {
		t.Errorf("%q, %v", p.taken, err)
	}
	l, _ = open()
	limit(t, l, long)
	ended := make(chan error, 1)
	go func() { _, err := l.Write([]byte("abc")); ended <- err }()
	time.Sleep(short)
	if err := l.Close(); err != nil {
		t.Error(err)
	}
	if err := within(t, ended); err == nil {
		t.Error("a slow Write does not end with Close")
	}
}

// The time of a character is its bits over the rate: start, data, parity, stop.
func TestCharacter(t *testing.T) {
	for _, c := range []struct {
		s    settings
		want time.Duration
	}{
		{settings{baud: 1000, bits: 8, parity: "none", stop: 1}, 10 * time.Millisecond},
		{settings{baud: 1000, bits: 7, parity: "even", stop: 2}, 11 * time.Millisecond},
	} {
		if got := c.s.character(); got != c.want {
			t.Errorf("%+v: %v, want %v", c.s, got, c.want)
		}
	}
}
