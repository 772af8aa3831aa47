package check

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"time"

	"halfturn/analysis/balance"
	"halfturn/analysis/phasor"
	"halfturn/drivers"
	"halfturn/units"
)

// setting is what was sent last; the drive is always the session's.
type setting struct {
	known          bool
	frequency      units.Hertz
	window         drivers.Window
	full           units.Volts // range of both arms' channels
	referenceRange units.Volts // of the reference's; 0 without one
}

// topical is an error with what to look up about it.
type topical struct {
	topic string
	error
}

func (t *topical) Unwrap() error { return t.error }

func about(topic string, err error) error {
	if err == nil {
		return nil
	}
	return &topical{topic, err}
}

// tune sets both instruments and waits until they have settled.
func (s *session) tune(ctx context.Context, f units.Hertz, w drivers.Window, full units.Volts) error {
	want := setting{true, f, w, full, s.referenceRange}
	if s.setting == want {
		return nil
	}
	was := s.setting
	s.setting = setting{}
	began := s.now()
	if !was.known {
		if err := s.generator.SetDrive(ctx, s.drive); err != nil {
			return about("drive", err)
		}
	}
	if !was.known || f != was.frequency {
		if err := s.generator.SetFrequency(ctx, f); err != nil {
			return about("frequency", err)
		}
	}
	if !was.known || full != was.full || w != was.window || s.referenceRange != was.referenceRange {
		for _, of := range s.channels() {
			r := full
			if of == drivers.Reference {
				r = s.referenceRange
			}
			if err := s.scope.SetRange(ctx, of, r); err != nil {
				return about("range", err)
			}
		}
		if err := s.scope.SetWindow(ctx, w); err != nil {
			return about("window", err)
		}
	}
	s.tuned.add(s.now().Sub(began))
	a := s.generator.Abilities()
	clicks := a.AllClicks()
	if was.known {
		clicks = a.Clicks(was.frequency, f, s.drive, s.drive)
	}
	if err := s.settle(ctx, clicks); err != nil {
		return err
	}
	s.setting = want
	return nil
}

// settle waits as long as a change may take, and what the generator's band and
// attenuator take besides.
func (s *session) settle(ctx context.Context, clicks time.Duration) error {
	t := time.NewTimer(s.settling() + clicks)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (s *session) settling() time.Duration {
	return s.Settle + max(s.generator.Abilities().Settle, s.scope.Abilities().Settle)
}

func (s *session) setRF(ctx context.Context, on bool) error {
	topic := "rf off"
	if on {
		topic, s.onAir = "rf on", true
	}
	if err := s.generator.SetRF(ctx, on); err != nil {
		return about(topic, err)
	}
	return s.settle(ctx, 0)
}

// widest is how far the sample rate may be off and still be told by how much;
// the bench's clock tolerance is judged afterwards.
const widest units.PPM = 1000

// take captures n times at the present setting and fits the channels.
// A clipped record of an arm ends it.
func (s *session) take(ctx context.Context, n int) (pairs []phasor.Pair, clipped bool, err error) {
	for range n {
		began, reading := s.now(), s.scope.Reading()
		if err := s.scope.Capture(ctx, &s.capture); err != nil {
			return nil, false, about("capture", err)
		}
		s.lasts[s.setting.window] = lasting{s.now().Sub(began), s.scope.Reading() - reading} // the last one: the first may have to warm up
		pair, err := phasor.FitShared(s.records(), s.capture.Rate, s.setting.frequency, max(widest, s.ClockTolerance))
		switch {
		case errors.Is(err, phasor.ErrClipped):
			return nil, true, nil
		case errors.Is(err, phasor.ErrOffFrequency):
			return nil, false, about("rate", err)
		case err == nil:
			err = s.beside(&pair)
		}
		if err != nil {
			return nil, false, about("capture", err)
		}
		pairs = append(pairs, pair)
	}
	return pairs, false, nil
}

func (s *session) records() *[2]phasor.Record {
	var records [2]phasor.Record
	for arm := range records {
		records[arm] = *recordOf(&s.capture.Traces[arm])
	}
	return &records
}

func recordOf(t *drivers.Trace) *phasor.Record {
	return &phasor.Record{Codes: t.Codes, VoltsPerCode: t.VoltsPerCode, Zero: t.Zero, Low: t.Low, High: t.High}
}

// peak is the peak amplitude of an arm over some captures.
func peak(pairs []phasor.Pair, arm int) units.Volts {
	sum := 0.0
	for i := range pairs {
		sum += cmplx.Abs(pairs[i].P[arm])
	}
	return units.Volts(sum / float64(max(1, len(pairs))))
}

func larger(pairs []phasor.Pair) units.Volts { return max(peak(pairs, 0), peak(pairs, 1)) }

// fills is the amplitude that takes up a range, be it at another frequency than
// the one looked for.
func fills(pairs []phasor.Pair) units.Volts {
	most := larger(pairs)
	for i := range pairs {
		most = max(most, math.Sqrt2*max(pairs[i].Sigma[0], pairs[i].Sigma[1]))
	}
	return most
}

// fullest is the fill that a range is chosen for: a noisy signal does not clip yet.
const fullest = 0.8

// atRange tunes to f and captures n times on the smallest range that holds the
// larger arm. It comes down from the largest one, so that no range is trusted
// that the signal may be too large for.
func (s *session) atRange(ctx context.Context, f units.Hertz, w drivers.Window, n int) ([]phasor.Pair, error) {
	ranges := s.scope.Abilities().Ranges
	i := len(ranges) - 1
	least := 0 // the smallest range that did not clip
	for {
		if err := s.tune(ctx, f, w, ranges[i]); err != nil {
			return nil, err
		}
		pairs, clipped, err := s.take(ctx, 1)
		if err != nil {
			return nil, err
		}
		if clipped {
			if least = i + 1; least == len(ranges) {
				return nil, about("rail", fmt.Errorf("clipped on the largest range, %s, with the generator at %v", ranges[i].Brief(), s.drive))
			}
			i = least
			continue
		}
		next := i
		for next > least && 2*fills(pairs) <= fullest*ranges[next-1] {
			next--
		}
		if next == i {
			break
		}
		i = next
	}
	pairs, clipped, err := s.take(ctx, n)
	if clipped {
		err = about("rail", fmt.Errorf("a signal clips now and then that fills %.0f %% of the range %s", 100*fullest, ranges[i].Brief()))
	}
	return pairs, err
}

// middling is where the signal is looked for first: any generator and scope
// of this kind has it, and a 1:1 balun passes it.
const middling units.Hertz = 10e6

// base is the frequency for what does not depend on it, and its window.
func (s *session) base() (units.Hertz, drivers.Window, error) {
	g := s.generator.Abilities()
	return s.planner.Place(max(g.MinFrequency, min(middling, g.MaxFrequency)))
}

// quiet is how far below RF on a carrier may be that leaks with RF off.
const quiet units.DB = -30

// tryRF looks at both channels with RF off on each range, then with RF on, then
// with RF off again. RF is on afterwards where a signal was seen.
func (s *session) tryRF(ctx context.Context) error {
	if !s.ready() {
		s.skip("bench", "signal", "both instruments are needed for all that follows")
		return nil
	}
	f, w, err := s.base()
	if err != nil {
		s.failed("bench", "signal", err, "window")
		return nil
	}
	if !s.listen(ctx, f, w) {
		return nil
	}
	before, err := s.faintest(ctx, f, w)
	if err == nil {
		err = s.setRF(ctx, true)
	}
	if err != nil {
		s.failed("bench", "RF on", err, "rf on")
		return nil
	}
	pairs, err := s.atRange(ctx, f, w, 4)
	if err != nil {
		s.failed("bench", "RF on", err, "capture")
		return nil
	}
	on := larger(pairs)
	if _, err := balance.Combine(f, pairs); errors.Is(err, balance.ErrNoSignal) {
		if s.tellRate(f, w) {
			return nil
		}
		if s.tellScrambled(f, pairs[0].Sigma) {
			return nil
		}
		s.wrong("bench", "RF on", fmt.Sprintf("no signal in either channel at %s: nothing is connected, or RF does not come on", f.Brief()),
			fmt.Sprintf("RF on at %s and %v", f.Brief(), s.drive),
			fmt.Sprintf("noise of %s and %s rms", pairs[0].Sigma[0].Brief(), pairs[0].Sigma[1].Brief()), "signal")
		return nil
	}
	if err := s.setRF(ctx, false); err != nil {
		s.failed("bench", "RF off again", err, "rf off")
		return nil
	}
	after, err := s.faintest(ctx, f, w)
	if err != nil {
		s.failed("bench", "RF off again", err, "capture")
		return nil
	}
	for _, off := range []struct {
		when string
		peak units.Volts
	}{{"before RF was switched on", before}, {"after RF was switched off", after}} {
		if float64(off.peak) > float64(on)*quiet.Ratio() {
			s.wrong("bench", "RF on and off", fmt.Sprintf("%s peak at %s %s, and %s with RF on", off.peak.Brief(), f.Brief(), off.when, on.Brief()),
				"RF off", off.peak.Brief()+" peak", "rf off")
			return nil
		}
	}
	s.ok("bench", "RF on and off", "at %s: %s peak with RF on, at most %s with RF off", f.Brief(), on.Brief(), max(before, after).Brief())
	if err := s.setRF(ctx, true); err != nil {
		s.failed("bench", "RF on", err, "rf on")
		return nil
	}
	s.kind = unclear // and not nothing any more
	return nil
}

// listen takes the noise of each range with RF off.
func (s *session) listen(ctx context.Context, f units.Hertz, w drivers.Window) bool {
	least, most := units.Volts(math.Inf(1)), units.Volts(0)
	for _, full := range s.scope.Abilities().Ranges {
		what := "RF off, range " + full.Brief()
		err := s.tune(ctx, f, w, full)
		var pairs []phasor.Pair
		clipped := false
		if err == nil {
			pairs, clipped, err = s.take(ctx, 1)
		}
		switch {
		case err != nil:
			s.failed("scope", what, err, "capture")
			return false
		case clipped:
			s.wrong("scope", what, "clipped, with no signal"+s.looksLike(), "RF off", s.extremes(), "codes")
			return false
		}
		s.noise[full] = pairs[0].Sigma
		for _, sigma := range pairs[0].Sigma {
			least, most = min(least, sigma), max(most, sigma)
		}
	}
	if said, off := s.offCentre(); off {
		s.wrong("scope", "RF off", said, "RF off", s.extremes(), "codes")
		return false
	}
	s.ok("scope", "RF off", "a capture on each range; noise from %s to %s rms", least.Brief(), most.Brief())
	return true
}

// faintest is the amplitude in the larger arm on the smallest range it fits.
func (s *session) faintest(ctx context.Context, f units.Hertz, w drivers.Window) (units.Volts, error) {
	pairs, err := s.atRange(ctx, f, w, 2)
	return larger(pairs), err
}
