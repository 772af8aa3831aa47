package dialect

import (
	"context"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"halfturn/drivers"
	"halfturn/units"
)

var _ drivers.Scope = (*Scope)(nil)

// Scope is a sampler spoken to by a dialect file. It is for one
// caller at a time. Its errors wrap a *drivers.Error, except that of a dialect
// that cannot be read.
type Scope struct {
	instrument
	text *scopeText
	used []channelText // by drivers.Arm: both arms, and the reference if there is one

	// What was set, to be set again on a new connection.
	ranges [drivers.Reference + 1]units.Volts
	window drivers.Window

	raw    []byte    // the record being read
	values []float64 // that the scale is computed from

	reading time.Duration // records, since the scope was opened
}

// channelText are the queries of one channel, filled in.
type channelText struct {
	name  string
	read  string
	scale []string
}

// OpenScope reads the dialect, connects and asks for the identity. It changes
// nothing on the instrument. Without Config.Channels the arms feed the first
// two channels of the dialect.
func OpenScope(ctx context.Context, c drivers.Config, options ...Option) (*Scope, error) {
	f, err := load(ofScope, c)
	if err != nil {
		return nil, err
	}
	used, err := f.scope.used(f.Name, c)
	if err != nil {
		return nil, err
	}
	if err := f.scope.suits(c.Address); err != nil {
		return nil, fmt.Errorf("scope: dialect %s: %w", f.Name, err)
	}
	link, err := dial(ctx, c, f, options)
	if err != nil {
		return nil, err
	}
	return newScope(link, f, c.Address, used), nil
}

func newScope(c conn, f *File, address string, used []channelText) *Scope {
	s := &Scope{instrument: newInstrument(c, f, address), text: f.scope, used: used}
	c.OnReconnect(s.restore)
	return s
}

// suits refuses an address over which records cannot come: where the far end
// is told to wait by the characters XON and XOFF, these cannot be among samples.
func (t *scopeText) suits(address string) error {
	u, err := url.Parse(address)
	if err != nil || t.read.encoding.width == 0 || u.Query().Get("flow") != "xonxoff" {
		return nil // what is wrong with an address, the link says
	}
	return fmt.Errorf("%s records hold any byte, and with flow=xonxoff the bytes 17 and 19 would be taken out of them: use flow=rtscts or none, or an encoding in text (ascii, ascii_volts)",
		t.read.encoding.name)
}

// used finds the channels that the arms and the reference feed.
func (t *scopeText) used(dialect string, c drivers.Config) ([]channelText, error) {
	names := c.Channels[:]
	if c.Channels == ([2]string{}) {
		names = t.channels[:2]
	}
	if names[0] == names[1] {
		return nil, fmt.Errorf("scope: both arms are said to feed channel %s", names[0])
	}
	if c.Reference != "" {
		if slices.Contains(names, c.Reference) {
			return nil, fmt.Errorf("scope: channel %s is said to be an arm's and the reference's", c.Reference)
		}
		names = append(slices.Clone(names), c.Reference)
	}
	used := make([]channelText, len(names))
	for i, c := range names {
		if !slices.Contains(t.channels, c) {
			return nil, fmt.Errorf("scope: %v is said to feed channel %q, and dialect %s has the channels %s",
				drivers.Arm(i), c, dialect, strings.Join(t.channels, ", "))
		}
		if t.read.holds != nil && !slices.Contains(t.read.holds, c) {
			return nil, fmt.Errorf("scope: %v is said to feed channel %q, and the records of dialect %s hold the channels %s",
				drivers.Arm(i), c, dialect, strings.Join(t.read.holds, ", "))
		}
		with := fill{qChannel: c}
		var err error
		used[i].name = c
		if used[i].read, err = t.read.ask.write(with); err != nil {
			return nil, err
		}
		for _, q := range t.scale.ask {
			query, err := q.ask.write(with)
			if err != nil {
				return nil, err
			}
			used[i].scale = append(used[i].scale, query)
		}
	}
	if len(t.windowsWith(len(used))) == 0 {
		return nil, fmt.Errorf("scope: dialect %s has no window with %d channels on", dialect, len(used))
	}
	return used, nil
}

// Abilities is what the dialect says, with the channels in use.
func (s *Scope) Abilities() drivers.ScopeAbilities {
	a := s.text.abilities
	a.Channels, a.Windows = len(s.used), s.text.windowsWith(len(s.used))
	return a
}

// Prepare sends the set-up lines and reads the error queue. What was set
// before is forgotten.
func (s *Scope) Prepare(ctx context.Context) error {
	clear(s.ranges[:])
	s.window = drivers.Window{}
	if err := s.prepareChannels(ctx); err != nil {
		return err
	}
	return s.CheckErrors(ctx)
}

// prepareChannels sends the set-up lines and those of each channel in use.
func (s *Scope) prepareChannels(ctx context.Context) error {
	if err := s.prepare(ctx); err != nil {
		return err
	}
	for i := range s.used {
		if err := s.send(ctx, s.text.channelOn, fill{qChannel: s.used[i].name}); err != nil {
			return err
		}
	}
	return nil
}

// restore brings an instrument that was away to where it was.
func (s *Scope) restore(ctx context.Context) error {
	s.connections++
	if err := s.prepareChannels(ctx); err != nil {
		return err
	}
	for arm, r := range s.ranges {
		if r != 0 {
			if err := s.sendRange(ctx, drivers.Arm(arm), r); err != nil {
				return err
			}
		}
	}
	if s.window != (drivers.Window{}) {
		return s.sendWindow(ctx, s.window)
	}
	return nil
}

// SetRange sets the full scale of one channel; one that is not among
// Abilities().Ranges is refused before it is sent.
func (s *Scope) SetRange(ctx context.Context, arm drivers.Arm, fullScale units.Volts) error {
	const advice = "choose one of the dialect's ranges"
	if arm < 0 || int(arm) >= len(s.used) {
		return s.refuse("", "no channel is named for %v", arm)
	}
	if !slices.Contains(s.text.abilities.Ranges, fullScale) {
		return s.refuse(advice, "%v is none of the dialect's ranges", fullScale)
	}
	if err := s.sendRange(ctx, arm, fullScale); err != nil {
		return err
	}
	s.ranges[arm] = fullScale
	return nil
}

func (s *Scope) sendRange(ctx context.Context, arm drivers.Arm, r units.Volts) error {
	return s.set(ctx, s.text.setRange, s.text.formats, s.text.rangeValues(r), s.used[arm].name)
}

// SetWindow sets the sample rate and length; a window that is not among
// Abilities().Windows is refused before it is sent.
func (s *Scope) SetWindow(ctx context.Context, w drivers.Window) error {
	if !slices.Contains(s.text.windowsWith(len(s.used)), w) {
		return s.refuse("choose one of the dialect's windows", "%d samples at %v are none of the dialect's windows with %d channels on", w.Samples, w.Rate, len(s.used))
	}
	if err := s.sendWindow(ctx, w); err != nil {
		return err
	}
	s.window = w
	return nil
}

func (s *Scope) sendWindow(ctx context.Context, w drivers.Window) error {
	return s.set(ctx, s.text.setWindow, s.text.formats, s.text.windowValues(w), "")
}

// Capture starts one acquisition, waits for it and reads each channel in use. What
// is in into after an error is of no use.
func (s *Scope) Capture(ctx context.Context, into *drivers.Capture) error {
	if s.window.Samples == 0 || slices.Contains(s.ranges[:len(s.used)], 0) {
		return s.refuse("", "a capture needs the range of each channel and a window first")
	}
	if err := s.send(ctx, s.text.start, nil); err != nil {
		return err
	}
	connection := s.connections
	if err := s.wait(ctx, &s.text.wait); err != nil {
		return err
	}
	into.Rate = s.window.Rate
	begun := time.Now()
	defer func() { s.reading += time.Since(begun) }()
	for i := range s.used {
		arm := drivers.Arm(i)
		if err := s.readTrace(ctx, arm, into.Trace(arm)); err != nil {
			return err
		}
	}
	if len(s.used) <= int(drivers.Reference) {
		into.Reference = drivers.Trace{}
	}
	if s.connections != connection {
		// The channels may stem from different acquisitions.
		return s.lost("a capture")
	}
	return nil
}

// Reading is how long all captures so far have spent on reading their records.
func (s *Scope) Reading() time.Duration { return s.reading }

// readTrace fills t with the record of one channel. Where one transfer brings
// all channels, it is asked for with the first.
func (s *Scope) readTrace(ctx context.Context, arm drivers.Arm, t *drivers.Trace) error {
	read, text := &s.text.read, &s.used[arm]
	at := read.layout(text.name, s.window.Samples)
	if arm == 0 || read.holds == nil {
		if err := s.fetch(ctx, text, at); err != nil {
			return err
		}
	}
	if err := s.scale(ctx, arm, t); err != nil {
		return err
	}
	if err := read.encoding.decode(t, s.raw, at); err != nil {
		got := fmt.Sprintf("%d bytes", len(s.raw))
		if read.encoding.width == 0 {
			got = string(s.raw[:min(len(s.raw), 100)])
		}
		return s.badReply(text.read, got, err)
	}
	return nil
}

// fetch reads a transfer into s.raw.
func (s *Scope) fetch(ctx context.Context, text *channelText, at layout) error {
	read := &s.text.read
	if err := s.send(ctx, read.send, fill{qChannel: text.name}); err != nil {
		return err
	}
	if !read.inBlock {
		reply, err := s.conn.Ask(ctx, text.read)
		if err != nil {
			return err
		}
		s.raw = append(s.raw[:0], reply...)
		return nil
	}
	size := -1 // a text can have any
	if read.encoding.width > 0 {
		size = at.total * read.encoding.width
	}
	raw, err := s.conn.AskBlockOf(ctx, text.read, size, s.raw)
	if err == nil {
		s.raw = raw
	}
	return err
}

// scale fills in which volts the codes of t stand for.
func (s *Scope) scale(ctx context.Context, arm drivers.Arm, t *drivers.Trace) error {
	scale, text := &s.text.scale, &s.used[arm]
	if err := s.send(ctx, scale.send, fill{qChannel: text.name}); err != nil {
		return err
	}
	s.values = append(s.values[:0], float64(s.ranges[arm]))
	for i := range scale.ask {
		reply, err := s.conn.Ask(ctx, text.scale[i])
		if err != nil {
			return err
		}
		if s.values, err = scale.ask[i].pick(s.values, reply); err != nil {
			return s.badReply(text.scale[i], reply, err)
		}
	}
	r, err := scale.rule(s.values, s.text.read.encoding)
	if err != nil {
		return s.badReply(strings.Join(text.scale, "; "), "", err)
	}
	t.VoltsPerCode, t.Zero = units.Volts(r.step), r.zero
	t.Low, t.High = int16(r.low), int16(r.high)
	return nil
}
