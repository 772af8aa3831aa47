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

// Scope is a two-channel sampler spoken to by a dialect file. It is for one
// caller at a time. Its errors wrap a *drivers.Error, except that of a dialect
// that cannot be read.
type Scope struct {
	instrument
	text *scopeText
	arms [2]armText

	// What was set, to be set again on a new connection.
	ranges [2]units.Volts
	window drivers.Window

	raw    []byte    // the record being read
	values []float64 // that the scale is computed from

	reading time.Duration // records, since the scope was opened
}

// armText are the queries of one arm's channel, filled in.
type armText struct {
	channel string
	read    string
	scale   []string
}

// OpenScope reads the dialect, connects and asks for the identity. It changes
// nothing on the instrument. Without Config.Channels the arms feed the first
// two channels of the dialect.
func OpenScope(ctx context.Context, c drivers.Config, options ...Option) (*Scope, error) {
	f, err := load(ofScope, c)
	if err != nil {
		return nil, err
	}
	arms, err := f.scope.arms(f.Name, c.Channels)
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
	return newScope(link, f, c.Address, arms), nil
}

func newScope(c conn, f *File, address string, arms [2]armText) *Scope {
	s := &Scope{instrument: newInstrument(c, f, address), text: f.scope, arms: arms}
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

// arms finds the channels that the arms feed.
func (t *scopeText) arms(dialect string, channels [2]string) (arms [2]armText, err error) {
	if channels == ([2]string{}) {
		channels = [2]string(t.channels[:2])
	}
	if channels[0] == channels[1] {
		return arms, fmt.Errorf("scope: both arms are said to feed channel %s", channels[0])
	}
	for i, c := range channels {
		if !slices.Contains(t.channels, c) {
			return arms, fmt.Errorf("scope: %v is said to feed channel %q, and dialect %s has the channels %s",
				drivers.Arm(i), c, dialect, strings.Join(t.channels, ", "))
		}
		if t.read.holds != nil && !slices.Contains(t.read.holds, c) {
			return arms, fmt.Errorf("scope: %v is said to feed channel %q, and the records of dialect %s hold the channels %s",
				drivers.Arm(i), c, dialect, strings.Join(t.read.holds, ", "))
		}
		with := fill{qChannel: c}
		arms[i].channel = c
		if arms[i].read, err = t.read.ask.write(with); err != nil {
			return arms, err
		}
		for _, q := range t.scale.ask {
			query, err := q.ask.write(with)
			if err != nil {
				return arms, err
			}
			arms[i].scale = append(arms[i].scale, query)
		}
	}
	return arms, nil
}

// Abilities is what the dialect says.
func (s *Scope) Abilities() drivers.ScopeAbilities { return s.text.abilities }

// Prepare sends the set-up lines and reads the error queue. What was set
// before is forgotten.
func (s *Scope) Prepare(ctx context.Context) error {
	s.ranges, s.window = [2]units.Volts{}, drivers.Window{}
	if err := s.prepare(ctx); err != nil {
		return err
	}
	return s.CheckErrors(ctx)
}

// restore brings an instrument that was away to where it was.
func (s *Scope) restore(ctx context.Context) error {
	s.connections++
	if err := s.prepare(ctx); err != nil {
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
	if arm != drivers.Arm1 && arm != drivers.Arm2 {
		return s.refuse("", "there is no %v", arm)
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
	return s.set(ctx, s.text.setRange, s.text.formats, s.text.rangeValues(r), s.arms[arm].channel)
}

// SetWindow sets the sample rate and length; a window that is not among
// Abilities().Windows is refused before it is sent.
func (s *Scope) SetWindow(ctx context.Context, w drivers.Window) error {
	if err := s.text.window(w); err != nil {
		return s.refuse("choose one of the dialect's windows", "%v", err)
	}
	if err := s.sendWindow(ctx, w); err != nil {
		return err
	}
	s.window = w
	return nil
}

func (s *Scope) sendWindow(ctx context.Context, w drivers.Window) error {
	return s.set(ctx, s.text.setWindow, s.text.formats, windowValues(w), "")
}

// Capture starts one acquisition, waits for it and reads both channels. What
// is in into after an error is of no use.
func (s *Scope) Capture(ctx context.Context, into *drivers.Capture) error {
	if s.window.Samples == 0 || s.ranges[0] == 0 || s.ranges[1] == 0 {
		return s.refuse("", "a capture needs the range of both channels and a window first")
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
	for arm := range into.Traces {
		if err := s.readTrace(ctx, drivers.Arm(arm), &into.Traces[arm]); err != nil {
			return err
		}
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
	read, text := &s.text.read, &s.arms[arm]
	at := read.layout(text.channel, s.window.Samples)
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
func (s *Scope) fetch(ctx context.Context, text *armText, at layout) error {
	read := &s.text.read
	if err := s.send(ctx, read.send, fill{qChannel: text.channel}); err != nil {
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
	scale, text := &s.text.scale, &s.arms[arm]
	if err := s.send(ctx, scale.send, fill{qChannel: text.channel}); err != nil {
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
