// Package spoken is the tongue of a terminal on a serial line: lines of lower
// case words, numbers with units, everything echoed.
//
// CR ends a line, CR LF a reply. The line and its CR come back before the
// reply. problem gives the oldest error in words, or none. The keeping of XON
// and XOFF and the small input buffer are the line's affair, not the words'.
package spoken

import (
	"iter"
	"math"
	"strings"
	"time"

	"halfturn/drivers/simbench/device"
	"halfturn/drivers/simbench/tongue"
)

// Family is both instruments. A serial line is slow, so that a record has 1000
// samples at most.
func Family() tongue.Family {
	return tongue.Family{
		Name:      "spoken",
		About:     "a terminal on a serial line: echo, characters that must not come too fast, XON/XOFF, records as text",
		Generator: Generator,
		Scope:     Scope,
		Abilities: tongue.Abilities{Samples: [2]int{16, 1000}},
		Terminal:  true,
	}
}

// verb is what a line's first word does with the words behind it. With so many
// of them as ask says it is a question.
type verb struct {
	ask   int
	query func(dst []byte, words []string) ([]byte, error) // nil: it only sets
	set   func(words []string) error                       // nil: it only answers
	busy  time.Duration
}

type terminal struct {
	verbs  map[string]verb
	errors device.Queue
	fresh  func()
}

// speak is the verbs that both instruments have, and verbs.
func speak(identity string, verbs map[string]verb, fresh func()) device.Tongue {
	t := &terminal{verbs: verbs, fresh: fresh}
	verbs["ident"] = verb{query: func(dst []byte, _ []string) ([]byte, error) { return append(dst, identity...), nil }}
	verbs["problem"] = verb{query: func(dst []byte, _ []string) ([]byte, error) {
		if code := t.errors.Next(); code != 0 {
			return append(dst, strings.ToLower(code.Text())...), nil
		}
		return append(dst, "none"...), nil
	}}
	return t
}

func (t *terminal) Framing() device.Framing {
	return device.Framing{Message: '\r', Reply: "\r\n", Echo: true}
}

func (t *terminal) Report(c device.Code) { t.errors.Report(c) }

func (t *terminal) PowerUp() {
	t.errors.Clear()
	t.fresh()
}

// Calls is the one command of a line.
func (t *terminal) Calls(line string) iter.Seq[device.Call] {
	return func(yield func(device.Call) bool) {
		if line != "" {
			yield(t.call(line))
		}
	}
}

func (t *terminal) call(line string) device.Call {
	words := strings.Split(line, " ")
	v, known := t.verbs[words[0]]
	words = words[1:]
	c := device.Call{Name: line, Busy: v.busy}
	switch {
	case !known:
		c.Err = device.UndefinedHeader
	case v.query != nil && len(words) == v.ask:
		c.Query = func(dst []byte) ([]byte, error) { return v.query(dst, words) }
	case v.set != nil:
		c.Set = func() error { return v.set(words) }
	case len(words) < v.ask:
		c.Err = device.MissingParameter
	default:
		c.Err = device.ParameterNotAllowed
	}
	return c
}

// measured is a number and its unit.
func measured(words []string, unit string) (float64, error) {
	switch {
	case len(words) < 2:
		return 0, device.MissingParameter
	case len(words) > 2:
		return 0, device.ParameterNotAllowed
	case words[1] != unit:
		return 0, device.InvalidSuffix
	}
	return tongue.Number(words[0])
}

// hertz is a number of megahertz, to 1 Hz.
func hertz(megahertz float64) float64 { return math.Round(megahertz * 1e6) }
