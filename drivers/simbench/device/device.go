package device

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"sync"
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

// Device is one instrument. Any number of clients may talk to it at a time;
// their commands are done one after the other.
type Device struct {
	commands []resolved

	mu     sync.Mutex // held while a command is done
	status status
	reset  func()

	hook    Hook
	hookMu  sync.Mutex
	links   map[int]func() // what closes each client's link
	linksMu sync.Mutex
	linkID  int
}

type resolved struct {
	Command
	nodes []node
	name  string // for hooks
}

// lineLimit is the longest program message; what is longer is thrown away with
// an error.
const lineLimit = 4096

// New makes a device that has just been switched on. The error is a header
// that cannot be read, or two commands with the same one.
func New(c Config) (*Device, error) {
	d := &Device{reset: c.Reset, links: map[int]func(){}}
	names := map[string]bool{}
	for _, command := range append(d.common(c.Identity), c.Commands...) {
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
		d.commands = append(d.commands, r)
	}
	d.powerUp()
	return d, nil
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

func (d *Device) powerUp() {
	d.status = status{event: powerOn}
	d.reset()
}

// Interfere makes hook see every command from now on; nil ends it. A hook may
// call it.
func (d *Device) Interfere(hook Hook) {
	d.hookMu.Lock()
	defer d.hookMu.Unlock()
	d.hook = hook
}

func (d *Device) consult(command string, reply []byte) Action {
	d.hookMu.Lock()
	hook := d.hook
	d.hookMu.Unlock()
	if hook == nil {
		return Action{}
	}
	return hook(command, reply)
}

// common is the commands of IEEE 488.2, 10 and the required ones of SCPI-99.
func (d *Device) common(identity string) []Command {
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
	setESE, getESE := register(&d.status.eventEnable)
	setSRE, getSRE := register(&d.status.service)
	nextError := func(dst []byte, _ Params) ([]byte, error) { return append(dst, d.status.next().Error()...), nil }
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
		{Header: "*RST", Set: plain(d.reset)},
		{Header: "*CLS", Set: plain(d.status.clear)},
		// Every command is finished before the next is read, so that waiting is over at once.
		{Header: "*OPC", Set: plain(func() { d.status.event |= operationComplete }), Query: text("1")},
		{Header: "*WAI", Set: plain(func() {})},
		{Header: "*TST", Query: text("0")},
		{Header: "*ESR", Query: func(dst []byte, _ Params) ([]byte, error) {
			dst = strconv.AppendInt(dst, int64(d.status.event), 10)
			d.status.event = 0
			return dst, nil
		}},
		{Header: "*ESE", Set: setESE, Query: getESE},
		{Header: "*SRE", Set: setSRE, Query: getSRE},
		{Header: "*STB", Query: func(dst []byte, _ Params) ([]byte, error) {
			return strconv.AppendInt(dst, int64(d.status.statusByte()), 10), nil
		}},
		{Header: ":SYSTem:ERRor[:NEXT]", Query: nextError},
		{Header: ":SYSTem:ERRor:COUNt", Query: func(dst []byte, _ Params) ([]byte, error) {
			return strconv.AppendInt(dst, int64(len(d.status.queue)), 10), nil
		}},
		{Header: ":SYSTem:VERSion", Query: text("1999.0")},
	}
}

// find is the command that a unit names.
func (d *Device) find(u unit, path []string) (c *resolved, suffix int, next []string, err error) {
	if strings.HasPrefix(u.header, "*") {
		for i := range d.commands {
			if d.commands[i].name == u.header {
				return d.formed(i, u, 1, path)
			}
		}
		return nil, 0, path, UndefinedHeader
	}
	full, next := words(u.header, path)
	for i := range d.commands {
		if d.commands[i].nodes == nil {
			continue
		}
		suffix, tooFar, ok := match(d.commands[i].nodes, full)
		switch {
		case ok && tooFar:
			return nil, 0, path, HeaderSuffixRange
		case ok:
			return d.formed(i, u, suffix, next)
		}
	}
	return nil, 0, path, UndefinedHeader
}

func (d *Device) formed(i int, u unit, suffix int, next []string) (*resolved, int, []string, error) {
	c := &d.commands[i]
	if u.query && c.Query == nil || !u.query && c.Set == nil {
		return nil, 0, next, UndefinedHeader
	}
	return c, suffix, next, nil
}

// answer is what goes back for one program message.
type answer struct {
	bytes  []byte
	parts  int  // replies in it, joined with semicolons
	hangUp bool // close the link after sending, without a terminator
	reboot bool // everything stops here
}

// do carries out one program message. Replies are appended to into.
func (d *Device) do(ctx context.Context, line string, into []byte) answer {
	a := answer{bytes: into}
	var path []string
	for _, text := range splitOutsideQuotes(line, ';') {
		u := parseUnit(text)
		if u.header == "" && !u.query {
			continue // an empty unit is allowed, IEEE 488.2, 7.3.2
		}
		var again bool
		if path, again = d.doUnit(ctx, u, text, path, &a); !again || ctx.Err() != nil {
			break
		}
	}
	return a
}

// doUnit carries out one command; again is false where the rest of the message
// is to be passed over.
func (d *Device) doUnit(ctx context.Context, u unit, text string, path []string, a *answer) (next []string, again bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	c, suffix, next, err := d.find(u, path)
	if err != nil {
		d.consult(strings.TrimSpace(text), nil)
		d.status.report(err.(Code))
		return path, false // where the next unit would start is not known
	}
	command := c.name
	if c.nodes != nil && suffix != 1 {
		command = c.withSuffix(suffix)
	}
	if u.query {
		command += "?"
	}
	if len(u.params) > 0 {
		command += " " + strings.Join(u.params, ",")
	}
	p := Params{Suffix: suffix, List: u.params}

	start := len(a.bytes)
	if u.query {
		if a.parts > 0 {
			a.bytes = append(a.bytes, ';')
		}
		begin := len(a.bytes)
		if a.bytes, err = c.Query(a.bytes, p); err != nil {
			a.bytes = a.bytes[:start]
		}
		action := d.consult(command, a.bytes[min(begin, len(a.bytes)):])
		if err == nil && action.Reply != nil {
			a.bytes = append(a.bytes[:begin], action.Reply...)
		}
		if err == nil && (action.Silent || action.Refuse != 0) {
			a.bytes = a.bytes[:start]
		}
		if len(a.bytes) > start {
			a.parts++
		}
		return next, d.finish(ctx, c, action, err, a)
	}
	action := d.consult(command, nil)
	if action.Refuse == 0 && !action.Reboot {
		err = c.Set(p)
	}
	if action.Reply != nil {
		a.bytes = append(a.bytes, action.Reply...)
		a.parts++
	}
	return next, d.finish(ctx, c, action, err, a)
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

// finish is what every command ends with: time, errors, and what an Action
// asks for. The other clients are not kept waiting by an Action's delay.
func (d *Device) finish(ctx context.Context, c *resolved, action Action, err error, a *answer) (again bool) {
	if action.Refuse != 0 {
		err = action.Refuse
	}
	if err != nil {
		var code Code
		if !errors.As(err, &code) {
			code = -300 // device-specific error
		}
		d.status.report(code)
	}
	wait(ctx, c.Busy)
	if action.Delay > 0 {
		d.mu.Unlock()
		wait(ctx, action.Delay)
		d.mu.Lock()
	}
	if action.Reboot {
		d.powerUp()
		a.reboot = true
	}
	a.hangUp = a.hangUp || action.HangUp
	return !a.hangUp && !a.reboot
}

func wait(ctx context.Context, d time.Duration) {
	if d <= 0 {
		return
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
}

// Converse serves one client until its link ends, ctx is done or an Action
// hangs up. hangUp closes the link from another goroutine when the instrument
// reboots; nil for a line that cannot be dropped.
func (d *Device) Converse(ctx context.Context, link io.ReadWriter, hangUp func()) error {
	if hangUp != nil {
		defer d.register(hangUp)()
	}
	in := bufio.NewReaderSize(link, lineLimit)
	var out []byte
	for ctx.Err() == nil {
		line, err := d.readLine(in)
		if err != nil {
			return err
		}
		a := d.do(ctx, line, out[:0])
		if a.reboot {
			d.dropAll()
			continue // a line that cannot be dropped goes on
		}
		if a.parts > 0 && !a.hangUp {
			a.bytes = append(a.bytes, '\n')
		}
		if out = a.bytes; len(out) > 0 {
			if _, err := link.Write(out); err != nil {
				return err
			}
		}
		if a.hangUp {
			return nil
		}
	}
	return ctx.Err()
}

// readLine reads up to the newline. A line that is too long is thrown away
// with an error in the queue and comes back empty.
func (d *Device) readLine(in *bufio.Reader) (string, error) {
	line, err := in.ReadSlice('\n')
	if err == nil {
		return string(line), nil
	}
	if !errors.Is(err, bufio.ErrBufferFull) {
		return "", err
	}
	for errors.Is(err, bufio.ErrBufferFull) {
		_, err = in.ReadSlice('\n')
	}
	if err != nil {
		return "", err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.status.report(InputBufferOverrun)
	return "", nil
}

// register remembers how to drop a client; the result forgets it.
func (d *Device) register(hangUp func()) (forget func()) {
	d.linksMu.Lock()
	defer d.linksMu.Unlock()
	d.linkID++
	id := d.linkID
	d.links[id] = hangUp
	return func() {
		d.linksMu.Lock()
		defer d.linksMu.Unlock()
		delete(d.links, id)
	}
}

func (d *Device) dropAll() {
	d.linksMu.Lock()
	defer d.linksMu.Unlock()
	for _, hangUp := range d.links {
		hangUp()
	}
}
