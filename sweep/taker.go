package sweep

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/cmplx"

	"halfturn/analysis/phasor"
	"halfturn/drivers"
	"halfturn/units"
)

// taker captures and fits one step, reusing its buffers from step to step.
type taker struct {
	scope    drivers.Scope
	bench    *Bench
	watch    *stopwatch
	captures []drivers.Capture // as many as any step has needed
	taken    int               // of them in this step
	pairs    []phasor.Pair     // the fits of those at the present drive

	commanded units.Hertz
	clock     Clock
}

func (t *taker) begin(f units.Hertz, clock Clock) {
	t.commanded, t.clock = f, clock
}

// first takes and fits the first capture of an acquisition.
func (t *taker) first(ctx context.Context) (clipped clip, err error) {
	t.taken, t.pairs = 0, t.pairs[:0]
	return t.upTo(ctx, 1, nil)
}

// upTo takes captures until there are n, fitting each while the scope takes
// the next one, and the last while beside is done, which may be nil.
func (t *taker) upTo(ctx context.Context, n int, beside func(context.Context) error) (clipped clip, err error) {
	type fitted struct {
		pair phasor.Pair
		err  error
	}
	fit := func(c *drivers.Capture) <-chan fitted {
		out := make(chan fitted, 1)
		go func() {
			pair, err := t.fit(c)
			out <- fitted{pair, err}
		}()
		return out
	}
	var fitting <-chan fitted
	collect := func() error {
		if fitting == nil {
			return nil
		}
		f := <-fitting
		fitting = nil
		if f.err == nil {
			t.pairs = append(t.pairs, f.pair)
		}
		return f.err
	}
	for len(t.captures) < n {
		t.captures = append(t.captures, drivers.Capture{})
	}
	for t.taken < n {
		err := t.capture(ctx)
		if fitErr := collect(); fitErr != nil {
			return clipOf(fitErr)
		}
		if err != nil {
			return nowhere, err
		}
		fitting = fit(&t.captures[t.taken])
		t.taken++
	}
	var refused error
	if beside != nil {
		refused = beside(ctx)
	}
	err = collect()
	if refused != nil { // whatever the fit made of it
		return nowhere, refused
	}
	return clipOf(err)
}

// capture takes the next capture.
func (t *taker) capture(ctx context.Context) error {
	w, reading := t.watch, t.scope.Reading()
	defer w.turn(w.turn(&w.spent.Instruments))
	err := t.scope.Capture(ctx, &t.captures[t.taken])
	w.move(t.scope.Reading()-reading, &w.spent.Instruments, &w.spent.Transfer)
	w.spent.Captures++
	return err
}

// clip is where a capture was clipped.
type clip int

const (
	nowhere clip = iota
	arms
	reference
)

// errReference is in an error of fitting the reference's channel.
var errReference = errors.New("the reference's channel")

// clipOf takes the clipping out of an error of fitting.
func clipOf(err error) (clip, error) {
	switch {
	case !errors.Is(err, phasor.ErrClipped):
		return nowhere, err
	case errors.Is(err, errReference):
		return reference, nil
	}
	return arms, nil
}

// driftThatMatters, in cycles over the record: from there on both channels are
// fitted with a frequency of their own. It lowers an amplitude held at the
// wrong frequency by 1 - sinc(0.01), less than 0.002 dB.
const driftThatMatters = 0.01

// beyondDoubt is how many standard uncertainties a frequency must be off: of a
// night's captures, not one good one may stop the sweep.
const beyondDoubt = 5

func recordsOf(c *drivers.Capture) (records [2]phasor.Record) {
	for arm := range records {
		records[arm] = recordOf(&c.Traces[arm])
	}
	return records
}

func recordOf(t *drivers.Trace) phasor.Record {
	return phasor.Record{Codes: t.Codes, VoltsPerCode: t.VoltsPerCode, Zero: t.Zero, Low: t.Low, High: t.High}
}

// fit makes a pair of phasors of one capture, with that of the reference where
// the bench has one.
func (t *taker) fit(c *drivers.Capture) (phasor.Pair, error) {
	pair, err := t.fitArms(c)
	if err != nil || t.bench.Scope.Reference == "" {
		return pair, err
	}
	record := recordOf(&c.Reference)
	if err := pair.Beside(&record, c.Rate); err != nil {
		return pair, fmt.Errorf("%w %s: %w", errReference, t.bench.Scope.Reference, err)
	}
	return pair, nil
}

func (t *taker) fitArms(c *drivers.Capture) (phasor.Pair, error) {
	records := recordsOf(c)
	tolerance := t.bench.ClockTolerance
	f := t.commanded * units.Hertz(1+float64(t.clock.Offset)*1e-6)
	span := float64(len(c.Traces[0].Codes)) / float64(c.Rate)
	if float64(tolerance)*1e-6*float64(f)*span < driftThatMatters {
		return phasor.Fit(&records, c.Rate, f)
	}
	pair, err := phasor.FitShared(&records, c.Rate, f, tolerance)
	if err != nil || pair.UFrequency == 0 {
		return pair, err
	}
	// The fit began at the offset known so far; the bench's tolerance is from
	// what was commanded.
	off, u := t.offset(&pair)
	if math.Abs(float64(off)) > float64(tolerance+beyondDoubt*u) {
		return pair, fmt.Errorf("%w: %v off %s, the bench allows %v: is this the generator's signal, and does clock_tolerance cover both instruments?",
			phasor.ErrOffFrequency, units.PPM(math.Round(float64(off))), t.commanded.Brief(), tolerance)
	}
	return pair, nil
}

// offset is a pair's fitted frequency against the commanded one, with its
// standard uncertainty.
func (t *taker) offset(p *phasor.Pair) (off, u units.PPM) {
	f := float64(t.commanded)
	return units.PPM((float64(p.Frequency) - f) / f * 1e6), units.PPM(float64(p.UFrequency) / f * 1e6)
}

const (
	clockDrift = 0.05 // PPM that the clocks may drift from one step to the next
	clockFloor = 0.01 // PPM, below which noise is no longer what limits
)

// learnClock puts what the step's captures say of the clocks to what was known.
func (t *taker) learnClock(known Clock) Clock {
	sum, weight := 0.0, 0.0
	add := func(off, u float64) {
		w := 1 / (u*u + clockFloor*clockFloor)
		sum, weight = sum+w*off, weight+w
	}
	if known.Uncertainty > 0 {
		add(float64(known.Offset), math.Hypot(float64(known.Uncertainty), clockDrift))
	}
	for i := range t.pairs {
		if t.pairs[i].UFrequency > 0 {
			off, u := t.offset(&t.pairs[i])
			add(float64(off), float64(u))
		}
	}
	if weight == 0 {
		return known
	}
	return Clock{Offset: units.PPM(sum / weight), Uncertainty: units.PPM(1 / math.Sqrt(weight))}
}

// seen is the peak amplitude of the larger arm in the first capture; zero
// where neither stands out of the noise.
func (t *taker) seen() units.Volts {
	if len(t.pairs) == 0 {
		return 0
	}
	largest := 0.0
	p := &t.pairs[0]
	for arm := range p.P {
		if a := cmplx.Abs(p.P[arm]); a > standsOut*math.Sqrt2*p.Held(arm).Standard() {
			largest = max(largest, a)
		}
	}
	return units.Volts(largest)
}

// seenReference is the peak amplitude of the reference in the first capture;
// zero where there is none or it does not stand out of the noise.
func (t *taker) seenReference() units.Volts {
	if len(t.pairs) == 0 {
		return 0
	}
	r := &t.pairs[0].Reference
	if a := cmplx.Abs(r.P); a > standsOut*math.Sqrt2*r.Held.Standard() {
		return units.Volts(a)
	}
	return 0
}

// standsOut is in standard deviations.
const standsOut = 3

// noise is the larger channel's rms noise in volts.
func (t *taker) noise() float64 {
	sigma := 0.0
	for i := range t.pairs {
		sigma = max(sigma, float64(t.pairs[i].Sigma[0]), float64(t.pairs[i].Sigma[1]))
	}
	return sigma
}

// needed is how many captures like the first bring the relative standard
// uncertainty of the arm ratio to the target; +Inf or NaN where nothing was seen.
func (t *taker) needed(target float64) float64 {
	logAmplitude, phase := t.pairs[0].RatioVariance()
	return max(logAmplitude, phase) / (target * target)
}
