package tongue

import (
	"iter"
	"strings"
	"time"

	"halfturn/drivers/simbench/device"
)

// Command is what a keyword does.
type Command struct {
	Set   func(params string) error                       // nil: only a query
	Query func(dst []byte, params string) ([]byte, error) // nil: only a setting
	Busy  time.Duration                                   // that the command takes
	Bare  bool                                            // the reply has no end but its own
}

// Table is a tongue of keywords, exactly as written, with parameters behind one
// space. The keyword of a query ends in a question mark.
type Table struct {
	Frame    device.Framing
	Between  string // of two commands in a message; empty where there is one only
	Commands map[string]Command
	Problem  func(device.Code) // keeps an error
	Fresh    func()            // settings and errors as after switching on
}

func (t *Table) Framing() device.Framing { return t.Frame }
func (t *Table) Report(c device.Code)    { t.Problem(c) }
func (t *Table) PowerUp()                { t.Fresh() }

// Calls is the commands of a message.
func (t *Table) Calls(message string) iter.Seq[device.Call] {
	commands := []string{message}
	if t.Between != "" {
		commands = strings.Split(message, t.Between)
	}
	return func(yield func(device.Call) bool) {
		for _, text := range commands {
			if text != "" && !yield(t.call(text)) {
				return
			}
		}
	}
}

func (t *Table) call(text string) device.Call {
	keyword, params, spaced := strings.Cut(text, " ")
	word, query := strings.CutSuffix(keyword, "?")
	c, known := t.Commands[word]
	call := device.Call{Name: text, Busy: c.Busy, Bare: c.Bare}
	switch {
	case !known || query && c.Query == nil || !query && c.Set == nil:
		call.Err = device.UndefinedHeader
	case spaced && params == "":
		call.Err = device.SyntaxError
	case query:
		call.Query = func(dst []byte) ([]byte, error) { return c.Query(dst, params) }
	default:
		call.Set = func() error { return c.Set(params) }
	}
	return call
}

// Fixed is a query that takes nothing and always answers the same.
func Fixed(reply string) Command {
	return Ask(func(dst []byte) ([]byte, error) { return append(dst, reply...), nil })
}

// Ask is a query that takes nothing.
func Ask(reply func(dst []byte) ([]byte, error)) Command {
	return Command{Query: func(dst []byte, params string) ([]byte, error) {
		if params != "" {
			return dst, device.ParameterNotAllowed
		}
		return reply(dst)
	}}
}

// Do is a command that takes nothing and has no query.
func Do(f func()) Command {
	return Command{Set: func(params string) error {
		if params != "" {
			return device.ParameterNotAllowed
		}
		f()
		return nil
	}}
}

// Setting is a command of one number and the query of what is in force.
func Setting(set func(float64) error, reply func(dst []byte) []byte) Command {
	return setting(Number, set, reply)
}

// Count is Setting of a whole number.
func Count(set func(int) error, reply func(dst []byte) []byte) Command {
	return setting(Whole, set, reply)
}

func setting[T any](read func(params string) (T, error), set func(T) error, reply func(dst []byte) []byte) Command {
	c := Ask(func(dst []byte) ([]byte, error) { return reply(dst), nil })
	c.Set = func(params string) error {
		v, err := read(params)
		if err != nil {
			return err
		}
		return set(v)
	}
	return c
}

// Switch is a command of one of two words, the first for on, and its query.
func Switch(set func(bool) error, get func() bool, prefix, on, off string) Command {
	words := []string{on, off}
	c := Ask(func(dst []byte) ([]byte, error) {
		i := 1
		if get() {
			i = 0
		}
		return append(append(dst, prefix...), words[i]...), nil
	})
	c.Set = func(params string) error {
		i, err := Word(params, words...)
		if err != nil {
			return err
		}
		return set(i == 0)
	}
	return c
}

// Taking is c when it takes so long.
func (c Command) Taking(busy time.Duration) Command {
	c.Busy = busy
	return c
}

// Pair is the records of the first two channels, the arms'.
func Pair(s Scope) (one, two []int16, err error) {
	if one, err = s.Record(0); err != nil {
		return nil, nil, err
	}
	two, err = s.Record(1)
	return one, two, err
}
