package device

import (
	"fmt"
	"iter"
	"strconv"
	"strings"
	"time"
)

// Command is what an instrument does for one header. Set and Query are called
// one at a time; one that is nil makes the header undefined in that form.
type Command struct {
	Header string // as SCPI-99 writes it: [:SOURce]:FREQuency[:CW|:FIXed]
	Set    func(Params) error
	Query  func(dst []byte, p Params) ([]byte, error) // appends the reply
	Busy   time.Duration                              // how long the instrument takes; 0 is at once
}

// Config is what makes an instrument.
type Config struct {
	Identity string // the reply to *IDN?: four fields with commas, IEEE 488.2, 10.14
	Reset    func() // *RST, and at power-on
	Commands []Command
}

// scpi99 is the message exchange of IEEE 488.2 with the headers of SCPI-99.
type scpi99 struct {
	commands []resolved
	status   status
	reset    func()
}

// New makes a device that has just been switched on. The error is a header
// that cannot be read, or two commands with the same one.
func New(c Config) (*Device, error) {
	t, err := newSCPI99(c)
	if err != nil {
		return nil, err
	}
	return Speaking(t), nil
}

func newSCPI99(c Config) (*scpi99, error) {
	t := &scpi99{reset: c.Reset}
	names := map[string]bool{}
	for _, command := range append(t.common(c.Identity), c.Commands...) {
		r := resolved{Command: command, name: command.Header}
		if !strings.HasPrefix(command.Header, "*") {
			var err error
			if r.nodes, err = parsePattern(command.Header); err != nil {
				return nil, err
			}
			r.name = hookName(command.Header)
		}
		if names[r.name] {
			return nil, fmt.Errorf("two commands with the header %s", command.Header)
		}
		names[r.name] = true
		t.commands = append(t.commands, r)
	}
	return t, nil
}

type resolved struct {
	Command
	nodes []node
	name  string // for hooks
}

// hookName drops brackets and suffixes, and all alternatives but the first.
func hookName(header string) string {
	var b strings.Builder
	skip := false
	for _, r := range header {
		switch r {
		case '[':
		case ']', '>':
			skip = false
		case '|', '<':
			skip = true
		default:
			if !skip {
				b.WriteRune(r)
			}
		}
	}
	return strings.TrimPrefix(b.String(), ":")
}

// Framing is that of IEEE 488.2, 7.5 and 8.4: semicolons between, a newline behind.
func (t *scpi99) Framing() Framing { return Framing{Message: '\n', Join: ";", Reply: "\n"} }

// PowerUp is switching on; *RST leaves status and queue alone.
func (t *scpi99) PowerUp() {
	t.status = status{event: powerOn}
	t.reset()
}

// Report queues an error.
func (t *scpi99) Report(c Code) { t.status.report(c) }

// Calls is the units of a program message. One that names nothing ends it:
// where the next would start is not known.
func (t *scpi99) Calls(message string) iter.Seq[Call] {
	return func(yield func(Call) bool) {
		var path []string
		for _, text := range splitOutsideQuotes(message, ';') {
			u := parseUnit(text)
			if u.header == "" && !u.query {
				continue // an empty unit is allowed, IEEE 488.2, 7.3.2
			}
			c, suffix, next, err := t.find(u, path)
			if err != nil {
				yield(Call{Name: strings.TrimSpace(text), Err: err})
				return
			}
			if !yield(c.call(u, suffix)) {
				return
			}
			path = next
		}
	}
}

// call is the command with a unit's parameters.
func (c *resolved) call(u unit, suffix int) Call {
	name := c.name
	if c.nodes != nil && suffix != 1 {
		name = c.withSuffix(suffix)
	}
	if u.query {
		name += "?"
	}
	if len(u.params) > 0 {
		name += " " + strings.Join(u.params, ",")
	}
	p := Params{Suffix: suffix, List: u.params}
	if u.query {
		return Call{Name: name, Busy: c.Busy, Query: func(dst []byte) ([]byte, error) { return c.Query(dst, p) }}
	}
	return Call{Name: name, Busy: c.Busy, Set: func() error { return c.Set(p) }}
}

// common is the commands of IEEE 488.2, 10 and the required ones of SCPI-99.
func (t *scpi99) common(identity string) []Command {
	text := func(s string) func([]byte, Params) ([]byte, error) {
		return func(dst []byte, _ Params) ([]byte, error) { return append(dst, s...), nil }
	}
	register := func(r *byte) (func(Params) error, func([]byte, Params) ([]byte, error)) {
		set := func(p Params) error {
			v, err := p.Number(Plain, 0, 255)
			if err == nil {
				*r = byte(v + 0.5)
			}
			return err
		}
		get := func(dst []byte, _ Params) ([]byte, error) { return strconv.AppendInt(dst, int64(*r), 10), nil }
		return set, get
	}
	setESE, getESE := register(&t.status.eventEnable)
	setSRE, getSRE := register(&t.status.service)
	nextError := func(dst []byte, _ Params) ([]byte, error) { return append(dst, t.status.queue.Next().Error()...), nil }
	plain := func(do func()) func(Params) error {
		return func(p Params) error {
			if err := p.Count(0); err != nil {
				return err
			}
			do()
			return nil
		}
	}
	return []Command{
		{Header: "*IDN", Query: text(identity)},
		{Header: "*RST", Set: plain(t.reset)},
		{Header: "*CLS", Set: plain(t.status.clear)},
		// Every command is finished before the next is read, so that waiting is over at once.
		{Header: "*OPC", Set: plain(func() { t.status.event |= operationComplete }), Query: text("1")},
		{Header: "*WAI", Set: plain(func() {})},
		{Header: "*TST", Query: text("0")},
		{Header: "*ESR", Query: func(dst []byte, _ Params) ([]byte, error) {
			dst = strconv.AppendInt(dst, int64(t.status.event), 10)
			t.status.event = 0
			return dst, nil
		}},
		{Header: "*ESE", Set: setESE, Query: getESE},
		{Header: "*SRE", Set: setSRE, Query: getSRE},
		{Header: "*STB", Query: func(dst []byte, _ Params) ([]byte, error) {
			return strconv.AppendInt(dst, int64(t.status.statusByte()), 10), nil
		}},
		{Header: ":SYSTem:ERRor[:NEXT]", Query: nextError},
		{Header: ":SYSTem:ERRor:COUNt", Query: func(dst []byte, _ Params) ([]byte, error) {
			return strconv.AppendInt(dst, int64(t.status.queue.Len()), 10), nil
		}},
		{Header: ":SYSTem:VERSion", Query: text("1999.0")},
	}
}

// find is the command that a unit names.
func (t *scpi99) find(u unit, path []string) (c *resolved, suffix int, next []string, err error) {
	if strings.HasPrefix(u.header, "*") {
		for i := range t.commands {
			if t.commands[i].name == u.header {
				return t.formed(i, u, 1, path)
			}
		}
		return nil, 0, path, UndefinedHeader
	}
	full, next := words(u.header, path)
	for i := range t.commands {
		if t.commands[i].nodes == nil {
			continue
		}
		suffix, tooFar, ok := match(t.commands[i].nodes, full)
		switch {
		case ok && tooFar:
			return nil, 0, path, HeaderSuffixRange
		case ok:
			return t.formed(i, u, suffix, next)
		}
	}
	return nil, 0, path, UndefinedHeader
}

func (t *scpi99) formed(i int, u unit, suffix int, next []string) (*resolved, int, []string, error) {
	c := &t.commands[i]
	if u.query && c.Query == nil || !u.query && c.Set == nil {
		return nil, 0, next, UndefinedHeader
	}
	return c, suffix, next, nil
}

// withSuffix is the command's name with the numeric suffix where it belongs.
func (c *resolved) withSuffix(suffix int) string {
	names := strings.Split(c.name, ":")
	for i, n := range c.nodes {
		if n.suffixes > 0 && i < len(names) {
			names[i] += strconv.Itoa(suffix)
		}
	}
	return strings.Join(names, ":")
}
