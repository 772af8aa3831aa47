package scpi

import (
	"cmp"
	"context"
	"io"
	"strings"
	"testing"
	"time"

	"halfturn/drivers"
)

// Each promise about failure: what goes wrong, which error, and that the next
// question gets its own answer over a new connection with the settings sent.
func TestFaults(t *testing.T) {
	dribble := func(p peer, text string) {
		for {
			if _, err := io.WriteString(p, text); err != nil {
				return
			}
			time.Sleep(5 * time.Millisecond)
		}
	}
	endless := func(p peer, start string) {
		say(p, start)
		chunk := strings.Repeat("7", 1<<15)
		for {
			if _, err := io.WriteString(p, chunk); err != nil {
				return
			}
		}
	}
	cases := []struct {
		name  string
		block bool
		fault func(p peer)
		quiet time.Duration
		kind  error
		want  []string
	}{
		{name: "no reply", fault: func(peer) {}, kind: drivers.ErrLink, want: []string{"no reply came within 250ms", `asked "FAULT?"`}},
		{name: "half a reply", fault: func(p peer) { say(p, "1.2345") }, kind: drivers.ErrLink, want: []string{"only part of a reply", `got "1.2345"`}},
		{name: "half a reply, then the link dies", fault: func(p peer) { say(p, "1.23"); p.Close() }, kind: drivers.ErrLink, want: []string{"closed the connection", `got "1.23"`}},
		{name: "the peer closes", fault: func(p peer) { p.Close() }, kind: drivers.ErrLink, want: []string{"closed the connection"}},
		{name: "a byte at a time", fault: func(p peer) { dribble(p, "1") }, kind: drivers.ErrLink, want: []string{"only part of a reply", "within 250ms"}},
		{name: "empty lines for ever", fault: func(p peer) { dribble(p, "\n") }, kind: drivers.ErrLink, want: []string{"no reply came"}},
		{name: "endless line", fault: func(p peer) { endless(p, "1") }, kind: drivers.ErrReply, want: []string{"does not end within 100000 bytes"}},
		{name: "garbage", fault: func(p peer) { say(p, "\x91\x02\xfe\n") }, kind: drivers.ErrReply, want: []string{"control characters", `\x91\x02\xfe`}},
		{name: "two replies", fault: func(p peer) { say(p, "1\n2\n") }, kind: drivers.ErrReply, want: []string{"more than one reply"}},
		{name: "a block for a line", fault: func(p peer) { say(p, "#15ab\ncd\n") }, kind: drivers.ErrReply, want: []string{"more than one reply"}},

		{name: "no block", block: true, fault: func(peer) {}, kind: drivers.ErrLink, want: []string{"no reply came within 250ms"}},
		{name: "text for a block", block: true, fault: func(p peer) { say(p, "1.5,2.5\n") }, kind: drivers.ErrReply, want: []string{"text where a block was expected", `got "1.5,2.5"`}},
		{name: "endless text for a block", block: true, fault: func(p peer) { endless(p, "1") }, kind: drivers.ErrReply, want: []string{"does not end"}},
		{name: "hexadecimal for a block", block: true, fault: func(p peer) { say(p, "#H1F\n") }, kind: drivers.ErrReply, want: []string{`"#H" does not begin a block`}},
		{name: "half a header", block: true, fault: func(p peer) { say(p, "#41") }, kind: drivers.ErrLink, want: []string{"within 250ms"}},
		{name: "short block, then silence", block: true, fault: func(p peer) { say(p, "#41000abc") }, kind: drivers.ErrLink, want: []string{"only 3 of 1000 bytes", "within 250ms"}},
		{name: "short block, then the link dies", block: true, fault: func(p peer) { say(p, "#41000abc"); p.Close() }, kind: drivers.ErrLink, want: []string{"closed the connection", "only 3 of 1000 bytes"}},
		{name: "block a byte at a time", block: true, fault: func(p peer) { say(p, "#9000001000"); dribble(p, "a") }, kind: drivers.ErrLink, want: []string{"of 1000 bytes", "within 250ms"}},
		{name: "block longer than announced", block: true, fault: func(p peer) { say(p, "#15abcdefg\n") }, kind: drivers.ErrReply, want: []string{"3 bytes more"}},
		{name: "block too long to be true", block: true, fault: func(p peer) { say(p, "#9999999999"); endless(p, "") }, kind: drivers.ErrReply, want: []string{"999999999 bytes is announced", "200000 are allowed"}},
		{name: "endless indefinite block", block: true, fault: func(p peer) { endless(p, "#0") }, kind: drivers.ErrReply, want: []string{"does not end within 200000 bytes"}},
		{name: "indefinite block without end", block: true, fault: func(p peer) { say(p, "#0abc") }, kind: drivers.ErrLink, want: []string{"within 250ms"}},
		{name: "indefinite block a byte at a time", block: true, fault: func(p peer) { say(p, "#0"); dribble(p, "\n") }, quiet: limit * 4 / 5, kind: drivers.ErrLink, want: []string{"within 250ms"}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			i := &instrument{answer: func(p peer, m string) bool {
				switch m {
				case "FAULT?":
					c.fault(p)
				case "N?":
					say(p, "42\n")
				default:
					return false
				}
				return true
			}}
			conn := dial(t, startTCP(t, i), func(o *Options) {
				o.MaxReply, o.MaxBlock = 100_000, 200_000
				o.Quiet = cmp.Or(c.quiet, o.Quiet)
			})
			restored := 0
			conn.OnReconnect(func(ctx context.Context) error {
				restored++
				return conn.Send(ctx, "SETTINGS")
			})
			start := time.Now()
			var err error
			if c.block {
				_, err = conn.AskBlock(t.Context(), "FAULT?", nil)
			} else {
				_, err = conn.Ask(t.Context(), "FAULT?")
			}
			wantError(t, err, c.kind, c.want...)
			if d := time.Since(start); d > 20*limit {
				t.Errorf("the time limit is %v, and it took %v", limit, d)
			}
			askAgain(t, conn, "N?", "42")
			if restored == 0 {
				t.Error("the settings were not sent again")
			}
		})
	}
}

// A peer that is away for some calls, and back for a later one.
func TestReboot(t *testing.T) {
	i := &instrument{}
	var conn *Conn
	t.Run("before", func(t *testing.T) {
		// The listener goes with this test.
		c, err := Dial(t.Context(), Options{Instrument: "scope", Address: startTCP(t, i), TimeLimit: limit, Quiet: 10 * time.Millisecond})
		if err != nil {
			t.Fatal(err)
		}
		conn = c
	})
	defer conn.Close()
	for range 3 {
		_, err := conn.Ask(t.Context(), "*OPC?")
		wantError(t, err, drivers.ErrLink, "refused")
	}
	restored := false
	conn.OnReconnect(func(context.Context) error { restored = true; return nil })
	conn.o.Address = startTCP(t, i) // a port of its own, since the old one may be taken
	askAgain(t, conn, "*OPC?", "1")
	if !restored {
		t.Error("the settings were not sent again")
	}
}
