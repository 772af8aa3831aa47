package sweep

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/cmplx"

	"halfturn/analysis/balance"
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
