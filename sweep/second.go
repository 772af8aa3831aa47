package sweep

import (
	"context"
	"errors"
	"fmt"
	"math/cmplx"

	"halfturn/analysis/balance"
	"halfturn/analysis/linearity"
	"halfturn/analysis/phasor"
	"halfturn/drivers"
	"halfturn/sweep/level"
	"halfturn/units"
)

// second takes a measured step once more with less drive on the same range,
// and the harmonics of its first capture. What cannot be told there is a
// remark and stops nothing; the planner and the clock learn from the first
// drive alone.
func (p *pass) second(ctx context.Context, step *Step, setting level.Setting, referenceRange units.Volts) (err error) {
	t, plan, f := &p.taker, &p.run.Plan, step.Estimate.Frequency
	if step.Harmonics, err = harmonicsOf(&t.captures[0], &t.pairs[0]); err != nil {
		return err
	}
	low, ok := p.planner.Lower(setting, plan.Linearity.Drop)
	step.Second.Drive = low.Drive
	if !ok {
		step.Second.Remark = fmt.Sprintf("the generator does not go %v below %v", plan.Linearity.Drop, setting.Drive)
		return nil
	}
	if err := p.tuner.set(ctx, f, low, referenceRange); err != nil {
		return err
	}
	before := t.taken
	t.pairs = t.pairs[:0]
	clipped, err := t.upTo(ctx, before+1, nil)
	if clipped == nowhere && err == nil {
		clipped, err = t.upTo(ctx, before+clampCaptures(t.needed(p.target(f)), plan), nil)
	}
	if err != nil {
		return err
	}
	if clipped != nowhere {
		step.Second.Remark = fmt.Sprintf("clipped at %v, where %v was not: look for interference", low.Drive, setting.Drive)
		return nil
	}
	estimate, err := balance.Combine(f, t.pairs)
	switch {
	case errors.Is(err, balance.ErrNoSignal) || errors.Is(err, balance.ErrNoArm1) || errors.Is(err, balance.ErrNoReference):
		step.Second.Remark = fmt.Sprintf("at %v: %v", low.Drive, err)
		return nil
	case err != nil:
		return err
	}
	step.Second.Estimate = estimate
	for arm := range step.Second.Fill {
		step.Second.Code[arm] = t.captures[before].Traces[arm].VoltsPerCode
		step.Second.Fill[arm] = fillOf(estimate.Amplitude[arm], step.Range[arm])
	}
	return nil
}

// harmonicsOf finds both arms' harmonics in one capture, against the
// fundamental that was fitted to it.
func harmonicsOf(c *drivers.Capture, pair *phasor.Pair) (linearity.Harmonics, error) {
	var all linearity.Harmonics
	records := recordsOf(c)
	for arm := range records {
		found, err := phasor.Harmonics(&records[arm], c.Rate, pair.Frequency)
		if err != nil {
			return all, err
		}
		fundamental := cmplx.Abs(pair.P[arm])
		for k, h := range found {
			if h.Determinable && fundamental > 0 {
				all[arm][k] = linearity.Harmonic{Ratio: float64(h.Amplitude) / fundamental, U: float64(h.U) / fundamental}
			}
		}
	}
	return all, nil
}

// AssessLinearity is what a run's steps at two drives tell. A run whose plan has none
// gives linearity.NotTaken. The error is that of reading the steps.
func AssessLinearity(ctx context.Context, j Journal, run *Run) (linearity.Report, error) {
	if run.Plan.Linearity.Every == 0 {
		return linearity.Report{}, nil
	}
	points, err := levels(ctx, j, run)
	if err != nil || run.Kind == Calibration {
		return linearity.Cable(points), err
	}
	cal, err := j.Run(ctx, run.Calibration)
	if err != nil {
		return linearity.Report{}, err
	}
	calibration, err := levels(ctx, j, &cal)
	return linearity.Balun(points, calibration), err
}

// levels is the steps of a run that were to be taken twice.
func levels(ctx context.Context, j Journal, run *Run) ([]linearity.Point, error) {
	if run.Plan.Linearity.Every == 0 {
		return nil, nil
	}
	var points []linearity.Point
	for step, err := range j.Steps(ctx, run.ID) {
		if err != nil {
			return nil, err
		}
		if run.Plan.Linearity.at(step.Index) {
			points = append(points, step.Levels())
		}
	}
	return points, nil
}
