package scpi

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"halfturn/drivers"
)

// slow answers "<n>?" with n, and "B<n>?" with a block, after a wait.
func slow(wait func(m string) time.Duration) *instrument {
	return &instrument{answer: func(p peer, m string) bool {
		time.Sleep(wait(m))
		n, isQuery := strings.CutSuffix(m, "?")
		switch {
		case m == "*IDN?" || m == ":SYSTem:ERRor?":
			return false
		case isQuery && strings.HasPrefix(n, "B"):
			say(p, string(AppendBlock(nil, block(n)))+"\n")
		case isQuery:
			say(p, n+"\n")
		}
		return true
	}}
}

// block is what answers "B<n>?": lines, newlines, and the sign of a block.
func block(n string) []byte {
	return []byte(strings.Repeat(n+"\n#15\x00", 300))
}

// testLate asks questions whose answers come late, and takes only answers to
// the question just asked. start serves an instrument.
func testLate(t *testing.T, start func(*testing.T, *instrument) (address string)) {
	t.Run("once", func(t *testing.T) {
		for _, first := range []string{"1?", "B1?"} {
			i := slow(func(m string) time.Duration {
				if m == first {
					return 2 * limit
				}
				return 0
			})
			c := dial(t, start(t, i), nil)
			if first == "1?" {
				_, err := c.Ask(t.Context(), first)
				wantError(t, err, drivers.ErrLink, "no reply came")
			} else {
				_, err := c.AskBlock(t.Context(), first, nil)
				wantError(t, err, drivers.ErrLink, "no reply came")
			}
			// The late answer arrives during this one.
			askAgain(t, c, "2?", "2")
			c.o.TimeLimit = 10 * time.Second
			got, err := c.AskBlock(t.Context(), "B3?", nil)
			if err != nil || string(got) != string(block("B3")) {
				t.Fatalf("%d bytes, %v", len(got), err)
			}
			c.Close()
		}
	})

	t.Run("again and again", func(t *testing.T) {
		const limit = 60 * time.Millisecond
		i := slow(func(m string) time.Duration {
			switch {
			case m == "*IDN?":
				return time.Duration(rand.Int64N(int64(limit / 6)))
			case rand.IntN(3) == 0 && strings.HasSuffix(m, "?"):
				return time.Duration(rand.Int64N(int64(limit * 5 / 2)))
			}
			return 0
		})
		c := dial(t, start(t, i), func(o *Options) { o.TimeLimit = limit; o.Quiet = 5 * time.Millisecond })
		good, bad := 0, 0
		for n := range 24 {
			name := fmt.Sprint(n)
			var got string
			var err error
			if n%2 == 0 {
				got, err = c.Ask(t.Context(), name+"?")
			} else {
				name = "B" + name
				var b []byte
				b, err = c.AskBlock(t.Context(), name+"?", nil)
				got, name = string(b), string(block(name))
			}
			switch {
			case err != nil:
				bad++
			case got != name:
				t.Fatalf("exchange %d got another's answer: %.40q", n, got)
			default:
				good++
			}
		}
		if good == 0 || bad == 0 {
			t.Errorf("%d good and %d late: too few of one to show anything", good, bad)
		}
	})
}

func TestLateTCP(t *testing.T) {
	testLate(t, func(t *testing.T, i *instrument) string { return startTCP(t, i) })
}

func TestLateTCPOneQueue(t *testing.T) {
	testLate(t, func(t *testing.T, i *instrument) string {
		i.oneQueue = true
		return startTCP(t, i)
	})
}

// An identity that was asked in vain and comes later must not make the next
// attempt believe that it is in step.
func TestLateIdentities(t *testing.T) {
	release := make(chan struct{})
	released := false
	i := &instrument{oneQueue: true}
	i.answer = func(p peer, m string) bool {
		switch m {
		case "HANG?":
			<-release
			released = true
			say(p, "late\n")
		case "1?", "2?":
			say(p, strings.TrimSuffix(m, "?")+"\n")
		case "*IDN?":
			if released {
				time.Sleep(limit / 5) // so that the identities come one by one
			}
			return false
		default:
			return false
		}
		return true
	}
	c := dial(t, startTCP(t, i), nil)
	if _, err := c.Ask(t.Context(), "HANG?"); err == nil {
		t.Fatal("no error")
	}
	// Two attempts ask the identity of an instrument that hangs.
	for range 2 {
		_, err := c.Ask(t.Context(), "1?")
		wantError(t, err, drivers.ErrLink, "no reply came")
	}
	close(release)
	askAgain(t, c, "2?", "2")
	askAgain(t, c, "1?", "1")

	// What came of an earlier program is no answer either.
	say(i.newest(), identity+"\n")
	time.Sleep(20 * time.Millisecond)
	askAgain(t, c, "2?", "2")
}

// The identity is never the answer to another question, and one that arrives
// while an exchange waits does not end it.
func TestIdentityIsNoAnswer(t *testing.T) {
	i := &instrument{answer: func(p peer, m string) bool {
		switch m {
		case "1?":
			say(p, identity+"\n1\n")
		case "B?":
			say(p, identity+"\n#11b\n")
		default:
			return false
		}
		return true
	}}
	c := dial(t, startTCP(t, i), nil)
	ask(t, c, "1?", "1")
	if b, err := c.AskBlock(t.Context(), "B?", nil); err != nil || string(b) != "b" {
		t.Fatalf("%q, %v", b, err)
	}
	ask(t, c, "*IDN?", identity)
}

// A program that was killed leaves a reply, whole or in part, to the next one.
func TestDialWithOldReplies(t *testing.T) {
	for _, old := range []string{"17\n", "17", "a\nb\x00c\n", "#15ab\n", identity + "\n", "same\nsame\nsame\n", strings.Repeat("7,", 100_000) + "7\n"} {
		i := &instrument{oneQueue: true}
		first := true
		i.answer = func(p peer, m string) bool {
			if first {
				say(p, old)
			}
			first = false
			return false
		}
		c := dial(t, startTCP(t, i), nil)
		if c.Identity() != identity {
			t.Errorf("after %.20q: identity %q", old, c.Identity())
		}
		ask(t, c, "*OPC?", "1")
	}
}
