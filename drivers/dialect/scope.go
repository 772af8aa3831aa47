package dialect

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"halfturn/drivers"
	"halfturn/drivers/scpi"
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

	connections int // counts new connections: an acquisition does not outlive one

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
func OpenScope(ctx context.Context, c drivers.Config) (*Scope, error) {
	f, err := load(ofScope, c)
	if err != nil {
		return nil, err
	}
	arms, err := f.scope.arms(f.Name, c.Channels)
	if err != nil {
		return nil, err
	}
	link, err := dial(ctx, c, f)
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
	return s.set(ctx, s.text.setRange, s.text.formats, map[string]float64{qRange: float64(r)}, s.arms[arm].channel)
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
	if err := s.wait(ctx, s.text.wait); err != nil {
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
		return &drivers.Error{Instrument: s.name, Advice: "capture again",
			Err: fmt.Errorf("%w in the middle of a capture, which was thrown away", drivers.ErrLink)}
	}
	return nil
}

// Reading is how long all captures so far have spent on reading their records,
// as distinct from acquiring them.
func (s *Scope) Reading() time.Duration { return s.reading }

// readTrace fills t with the record of one channel.
func (s *Scope) readTrace(ctx context.Context, arm drivers.Arm, t *drivers.Trace) error {
	read, text := &s.text.read, &s.arms[arm]
	var err error
	if read.inBlock {
		var raw []byte
		if raw, err = s.conn.AskBlock(ctx, text.read, s.raw); err != nil {
			return err
		}
		s.raw = raw
	} else {
		reply, err := s.conn.Ask(ctx, text.read)
		if err != nil {
			return err
		}
		s.raw = append(s.raw[:0], reply...)
	}
	if t.Codes, err = read.encoding.decode(t.Codes, s.raw, s.window.Samples); err != nil {
		got := fmt.Sprintf("%d bytes", len(s.raw))
		if read.encoding.width == 0 {
			got = string(s.raw[:min(len(s.raw), 100)])
		}
		return s.badReply(text.read, got, err)
	}
	return s.scale(ctx, arm, t)
}

// scale fills in which volts the codes of t stand for.
func (s *Scope) scale(ctx context.Context, arm drivers.Arm, t *drivers.Trace) error {
	scale, text := &s.text.scale, &s.arms[arm]
	s.values = append(s.values[:0], float64(s.ranges[arm]))
	for i, q := range scale.ask {
		reply, err := s.conn.Ask(ctx, text.scale[i])
		if err != nil {
			return err
		}
		if s.values, err = pick(s.values, reply, q.fields); err != nil {
			return s.badReply(text.scale[i], reply, err)
		}
	}
	step, zero := scale.voltsPerCode.compute(s.values), scale.zero.compute(s.values)
	if err := usable(step, zero); err != nil {
		return s.badReply(strings.Join(text.scale, "; "), "", err)
	}
	shift := s.text.read.encoding.shift
	t.VoltsPerCode = units.Volts(step)
	t.Zero = zero - float64(shift)
	t.Low, t.High = int16(scale.low-shift), int16(scale.high-shift)
	return nil
}

// pick appends the numbers at the given places, counted from 1, of a reply
// with commas between its items. The other items may be anything.
func pick(values []float64, reply string, places []int) ([]float64, error) {
	items := strings.Split(reply, ",")
	for _, place := range places {
		if place > len(items) {
			return values, fmt.Errorf("%w: item %d is needed, and %d came", drivers.ErrReply, place, len(items))
		}
		v, err := scpi.ParseNumber(items[place-1])
		if err != nil {
			return values, fmt.Errorf("item %d: %w", place, err)
		}
		values = append(values, v)
	}
	return values, nil
}

// usable tells whether a scale makes sense.
func usable(step, zero float64) error {
	if step > 0 && !math.IsInf(step, 0) && !math.IsNaN(zero) && !math.IsInf(zero, 0) {
		return nil
	}
	return fmt.Errorf("%w: the scale makes no sense: %g V per code, 0 V at code %g", drivers.ErrReply, step, zero)
}
