package sweep

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"time"

	"halfturn/analysis/balance"
	"halfturn/analysis/phasor"
	"halfturn/analysis/uncertainty"
	"halfturn/drivers"
	"halfturn/sweep/level"
	"halfturn/units"
)

// mostAcquisitions of one step before it is given up: each goes by what the
// one before showed, so that more than a few mean a signal that jumps.
const mostAcquisitions = 8

// take carries out step i: finds its level, captures, combines.
func (p *pass) take(ctx context.Context, i int) (*Step, []drivers.Capture, error) {
	at := p.places[i]
	precedent := p.cal.precedent(at.frequency)
	setting := p.planner.Next(at.frequency, at.window, precedent)
	calibrated := precedent.ReferenceRange()
	p.reference.Begin()
	referenceRange := p.reference.Next(setting.Drive, calibrated)
	t := &p.taker
	t.begin(at.frequency, p.clock)
	for acquisition := 1; acquisition <= mostAcquisitions; acquisition++ {
		if err := p.tuner.set(ctx, at.frequency, setting, referenceRange); err != nil {
			return nil, nil, err
		}
		if err := p.committed(); err != nil {
			return nil, nil, err
		}
		clipped, err := t.first(ctx)
		if err != nil {
			return nil, nil, err
		}
		if clipped == reference {
			if referenceRange, err = p.reference.Larger(referenceRange); err != nil {
				return nil, nil, err
			}
			continue
		}
		if judgement := p.planner.Judge(setting, t.seen(), clipped == arms, precedent); judgement.Retake {
			setting = judgement.Next
			referenceRange = max(referenceRange, p.reference.Next(setting.Drive, calibrated))
			continue
		}
		if next := p.reference.Judge(referenceRange, setting.Drive, t.seenReference(), calibrated); next != referenceRange && clipped == nowhere {
			referenceRange = next
			continue
		}
		step := &Step{
			Index: i, Drive: setting.Drive, Range: [2]units.Volts{setting.Range, setting.Range},
			ReferenceRange: referenceRange, Window: at.window, Acquisitions: acquisition, Clock: p.clock,
		}
		step.Estimate.Frequency = at.frequency
		if clipped == arms {
			step.Remark = fmt.Sprintf("clipped at the least drive, %v, on the largest range, %s", setting.Drive, setting.Range.Brief())
			err = p.noErrors(ctx)
		} else if clipped, err = p.rest(ctx, step, precedent); clipped == arms && err == nil {
			setting = p.planner.Judge(setting, 0, true, precedent).Next
			continue
		} else if clipped == reference && err == nil {
			if referenceRange, err = p.reference.Larger(referenceRange); err != nil {
				return nil, nil, err
			}
			continue
		}
		if err == nil && step.Measured() && p.run.Plan.Linearity.at(i) {
			if err = p.second(ctx, step, setting, referenceRange); err == nil {
				err = p.noErrors(ctx)
			}
		}
		if err != nil {
			return nil, nil, err
		}
		step.Taken = p.now()
		return step, t.captures[:t.taken], nil
	}
	return nil, nil, fmt.Errorf("no level holds: the fill still jumps after %d acquisitions; look for a loose connection", mostAcquisitions)
}

// rest takes as many more captures as the noise asks for, reads the error
// queues while the last one is being fitted, and combines all into the step. It
// tells where a capture was clipped.
func (p *pass) rest(ctx context.Context, step *Step, precedent *level.Precedent) (clipped clip, err error) {
	t, plan := &p.taker, &p.run.Plan
	target := p.target(step.Estimate.Frequency)
	want := clampCaptures(t.needed(target), plan)
	for {
		if clipped, err = t.upTo(ctx, want, p.noErrors); clipped != nowhere || err != nil {
			return clipped, err
		}
		estimate, err := balance.Combine(step.Estimate.Frequency, t.pairs)
		switch {
		case errors.Is(err, balance.ErrNoSignal):
			if want < plan.MaxCaptures {
				want = plan.MaxCaptures
				continue
			}
			if err := p.missing(step, precedent); err != nil {
				return nowhere, err
			}
			step.Remark = fmt.Sprintf("no signal above the noise with %d captures at %v", t.taken, step.Drive)
			return nowhere, nil
		case errors.Is(err, balance.ErrNoArm1) && p.run.Kind != Calibration:
			step.Remark = err.Error()
			return nowhere, nil
		case errors.Is(err, balance.ErrNoReference):
			return nowhere, p.noReference(err)
		case err != nil:
			return nowhere, err
		case p.reference != nil && estimate.Reference.Amplitude < faintest(step.Drive):
			return nowhere, p.noReference(fmt.Errorf("%w: %s peak with the generator at %v",
				balance.ErrNoReference, estimate.Reference.Amplitude.Brief(), step.Drive))
		case p.run.Kind == Calibration && cmplx.Abs(estimate.Ratio) < uncertainty.Coverage*estimate.Cov.Standard():
			return nowhere, fmt.Errorf("%w in arm 2 of the calibration cable, and %s peak in arm 1: look at arm 2's cable, load and channel",
				balance.ErrNoSignal, estimate.Amplitude[0].Brief())
		}
		u := estimate.Cov.Standard() / cmplx.Abs(estimate.Ratio)
		more := clampCaptures(float64(t.taken)*u*u/(target*target), plan)
		// Going on for a few more is not worth a second round.
		if more > want+want/4 && want < plan.MaxCaptures {
			want = more
			continue
		}
		step.Estimate = estimate
		for arm := range step.Fill {
			step.Fill[arm] = fillOf(estimate.Amplitude[arm], step.Range[arm])
		}
		if p.reference != nil {
			step.ReferenceFill = fillOf(estimate.Reference.Amplitude, step.ReferenceRange)
		}
		step.Clock = t.learnClock(p.clock)
		return nowhere, nil
	}
}

// faintest is the least that a reference reads at a drive: a splitter and a
// scope far above its bandwidth leave more than a part in a thousand of the
// level into 50 Ω, and crosstalk less (common practice).
func faintest(drive units.DBm) units.Volts {
	return units.Volts(math.Sqrt2) * drive.VoltsRMS() * units.Volts(units.DB(-60).Ratio())
}

// noReference says what to look at.
func (p *pass) noReference(err error) error {
	return fmt.Errorf("the reference reads nothing on channel %s: is the splitter cabled to it? %w", p.run.Bench.Scope.Reference, err)
}

// fillOf is the part of a range that a peak amplitude takes to both sides.
func fillOf(peak, full units.Volts) float64 { return 2 * float64(peak) / float64(full) }

// target is the relative standard uncertainty of the arm ratio to aim at by the
// limits that hold at f.
func (p *pass) target(f units.Hertz) float64 { return p.run.Plan.target(p.run.Limits.At(f)) }

func clampCaptures(needed float64, plan *Plan) int {
	if !(needed < float64(plan.MaxCaptures)) { // also NaN: nothing was seen
		return plan.MaxCaptures
	}
	return max(plan.Captures, int(math.Ceil(needed)))
}

// missing is an error where a signal should stand far above the noise and none
// does; nil where it was expected to drown.
func (p *pass) missing(step *Step, precedent *level.Precedent) error {
	f := step.Estimate.Frequency
	expected := float64(p.planner.Expected(f, step.Drive, precedent))
	sigma := p.taker.noise()
	// Amplitude² over the noise power of one bin of all captures together.
	const farAbove = 100
	if expected*expected*float64(step.Window.Samples*p.taker.taken)/(2*sigma*sigma) < farAbove {
		return nil
	}
	if seen := p.taker.seenReference(); seen > faintest(step.Drive) {
		return fmt.Errorf("%w in either arm with the generator at %v, where about %s peak was expected, and the reference reads %s: look at what comes after the splitter, the fixture and both its channels",
			balance.ErrNoSignal, step.Drive, units.Volts(expected).Brief(), seen.Brief())
	}
	return fmt.Errorf("%w in either arm with the generator at %v, where about %s peak was expected: is RF cabled to the fixture, the fixture to both channels, and the generator's output on?",
		balance.ErrNoSignal, step.Drive, units.Volts(expected).Brief())
}

// committed returns when the step before is on the disk.
func (p *pass) committed() error {
	defer p.watch.turn(p.watch.turn(&p.watch.spent.Commit))
	return p.keeper.wait()
}

// noErrors reads both error queues.
func (p *pass) noErrors(ctx context.Context) error {
	defer p.watch.turn(p.watch.turn(&p.watch.spent.Instruments))
	if err := p.Generator.CheckErrors(ctx); err != nil {
		return err
	}
	return p.Scope.CheckErrors(ctx)
}

// tuner brings both instruments to a setting by what differs from the last.
type tuner struct {
	generator drivers.Generator
	scope     drivers.Scope
	settle    time.Duration // of the bench, besides the instruments' own
	watch     *stopwatch

	known          bool
	frequency      units.Hertz
	setting        level.Setting
	referenceRange units.Volts // range of the reference's channel; 0 for none
}

// forget makes the next set send everything, after a failure left it open what
// the instruments took.
func (t *tuner) forget() { t.known = false }

// set sends what has changed and waits until it has settled. On the way no
// channel sees more than it will at the end, and no level is above what the
// generator allows at the frequency: the drive goes down first and up last. From
// an unknown state it goes to the lowest first, which any frequency allows.
func (t *tuner) set(ctx context.Context, f units.Hertz, s level.Setting, referenceRange units.Volts) error {
	all := !t.known
	if !all && f == t.frequency && s == t.setting && referenceRange == t.referenceRange {
		return nil
	}
	defer t.watch.turn(t.watch.turn(&t.watch.spent.Instruments))
	t.known = false
	abilities := t.generator.Abilities()
	drive, up := t.setting.Drive, s.Drive > t.setting.Drive
	if all {
		drive, up = abilities.MinDrive, true
	} else if !up {
		drive = s.Drive
	}
	if all || drive != t.setting.Drive {
		if err := t.generator.SetDrive(ctx, drive); err != nil {
			return err
		}
	}
	clicks := abilities.AllClicks()
	if !all {
		clicks = abilities.Clicks(t.frequency, f, t.setting.Drive, s.Drive)
	}
	wait := t.settle + abilities.Settle + clicks
	if all || s.Range != t.setting.Range || s.Window != t.setting.Window || referenceRange != t.referenceRange {
		for _, arm := range []drivers.Arm{drivers.Arm1, drivers.Arm2} {
			if err := t.scope.SetRange(ctx, arm, s.Range); err != nil {
				return err
			}
		}
		if referenceRange != 0 {
			if err := t.scope.SetRange(ctx, drivers.Reference, referenceRange); err != nil {
				return err
			}
		}
		if err := t.scope.SetWindow(ctx, s.Window); err != nil {
			return err
		}
		wait = max(wait, t.settle+t.scope.Abilities().Settle)
	}
	if all || f != t.frequency {
		if err := t.generator.SetFrequency(ctx, f); err != nil {
			return err
		}
	}
	if up {
		if err := t.generator.SetDrive(ctx, s.Drive); err != nil {
			return err
		}
	}
	if all {
		if err := t.generator.SetRF(ctx, true); err != nil {
			return err
		}
	}
	if err := sleep(ctx, wait); err != nil {
		return err
	}
	t.known, t.frequency, t.setting, t.referenceRange = true, f, s, referenceRange
	return nil
}

// off switches RF off as well as it can be told now, after a failure; the next
// setting says what is wrong.
func (t *tuner) off(ctx context.Context) {
	defer t.watch.turn(t.watch.turn(&t.watch.spent.Instruments))
	ctx, cancel := context.WithTimeout(ctx, shutdownLimit)
	defer cancel()
	_ = t.generator.SetRF(ctx, false)
}

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
