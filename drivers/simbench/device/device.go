package device

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"io"
	"sync"
	"sync/atomic"
	"time"
)

// Device is one instrument. Any number of clients may talk to it at a time;
// their commands are done one after the other.
type Device struct {
	mu      sync.Mutex // held while a command is done
	tongue  Tongue
	framing Framing
	busy    atomic.Int64 // nanoseconds

	hook    Hook
	hookMu  sync.Mutex
	links   map[int]func() // what closes each client's link
	linksMu sync.Mutex
	linkID  int
}

// lineLimit is the longest message; what is longer is thrown away with an
// error.
const lineLimit = 4096

// Speaking makes a device that has just been switched on and speaks t.
func Speaking(t Tongue) *Device {
	d := &Device{tongue: t, framing: t.Framing(), links: map[int]func(){}}
	t.PowerUp()
	return d
}

// Interfere makes hook see every command from now on; nil ends it. A hook may
// call it.
func (d *Device) Interfere(hook Hook) {
	d.hookMu.Lock()
	defer d.hookMu.Unlock()
	d.hook = hook
}

// Busy is how long the instrument has been at work on the commands that are
// done, what they wait included. A hook may call it.
func (d *Device) Busy() time.Duration { return time.Duration(d.busy.Load()) }

func (d *Device) consult(command string, reply []byte) Action {
	d.hookMu.Lock()
	hook := d.hook
	d.hookMu.Unlock()
	if hook == nil {
		return Action{}
	}
	return hook(command, reply)
}

// answer is what goes back for one message.
type answer struct {
	bytes  []byte
	parts  int  // replies in it, joined
	bare   bool // the last one ends by itself
	hangUp bool // close the link after sending, without a terminator
	reboot bool // everything stops here
}

// do carries out one message. Replies are appended to into.
func (d *Device) do(ctx context.Context, message string, into []byte) answer {
	a := answer{bytes: into}
	for call := range d.tongue.Calls(message) {
		if !d.carryOut(ctx, call, &a) || ctx.Err() != nil {
			break
		}
	}
	return a
}

// carryOut does one command; again is false where the rest of the message is
// to be passed over.
func (d *Device) carryOut(ctx context.Context, c Call, a *answer) (again bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	begun := time.Now()
	defer func() { d.busy.Add(int64(time.Since(begun))) }()
	if c.Err != nil {
		d.consult(c.Name, nil)
		d.tongue.Report(CodeOf(c.Err))
		return true
	}
	if c.Query == nil {
		var err error
		action := d.consult(c.Name, nil)
		if action.Refuse == 0 && !action.Reboot {
			err = c.Set()
		}
		if action.Reply != nil {
			a.bytes = append(a.bytes, action.Reply...)
			a.parts++
			a.bare = false
		}
		return d.finish(ctx, c, action, err, a)
	}
	start := len(a.bytes)
	if a.parts > 0 {
		a.bytes = append(a.bytes, d.framing.Join...)
	}
	begin := len(a.bytes)
	var err error
	if a.bytes, err = c.Query(a.bytes); err != nil {
		a.bytes = a.bytes[:start]
	}
	action := d.consult(c.Name, a.bytes[min(begin, len(a.bytes)):])
	if err == nil && action.Reply != nil {
		a.bytes = append(a.bytes[:begin], action.Reply...)
	}
	if err == nil && (action.Silent || action.Refuse != 0) {
		a.bytes = a.bytes[:start]
	}
	if len(a.bytes) > start {
		a.parts++
		// Words in a block's place end as words do.
		a.bare = c.Bare && bytes.HasPrefix(a.bytes[begin:], []byte("#"))
	}
	return d.finish(ctx, c, action, err, a)
}

// finish is what every command ends with: time, errors, and what an Action
// asks for. The other clients are not kept waiting by an Action's delay.
func (d *Device) finish(ctx context.Context, c Call, action Action, err error, a *answer) (again bool) {
	if action.Refuse != 0 {
		err = action.Refuse
	}
	if err != nil {
		d.tongue.Report(CodeOf(err))
	}
	wait(ctx, c.Busy)
	if action.Delay > 0 {
		d.mu.Unlock()
		wait(ctx, action.Delay)
		d.mu.Lock()
	}
	if action.Reboot {
		d.tongue.PowerUp()
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
		if d.framing.Echo {
			if _, err := link.Write(line); err != nil {
				return err
			}
		}
		a := d.do(ctx, string(line[:max(len(line)-1, 0)]), out[:0])
		if a.reboot {
			d.dropAll()
			continue // a line that cannot be dropped goes on
		}
		if a.parts > 0 && !a.hangUp && !a.bare {
			a.bytes = append(a.bytes, d.framing.Reply...)
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

// readLine reads up to the end of a message, which comes with it and holds
// until the next. A line that is too long is thrown away with an error and
// comes back empty.
func (d *Device) readLine(in *bufio.Reader) ([]byte, error) {
	line, err := in.ReadSlice(d.framing.Message)
	if err == nil {
		return line, nil
	}
	if !errors.Is(err, bufio.ErrBufferFull) {
		return nil, err
	}
	for errors.Is(err, bufio.ErrBufferFull) {
		_, err = in.ReadSlice(d.framing.Message)
	}
	if err != nil {
		return nil, err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.tongue.Report(InputBufferOverrun)
	return nil, nil
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
