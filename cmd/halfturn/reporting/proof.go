package reporting

import (
	"context"
	"fmt"

	"halfturn/analysis/balance"
	"halfturn/analysis/conformity"
	"halfturn/analysis/fixture"
	"halfturn/analysis/report"
	"halfturn/sweep"
)

// proof is what a calibration, of the given measured steps, proves of the bench
// against limits. It is worked out anew each time: it is a function of the
// stored steps and of what the bench file says of the bench alone.
func proof(points []balance.Point, limits conformity.Limits, bench *sweep.Bench) *report.Proof {
	budget, err := bench.Uncertainty.Budget()
	if err != nil {
		return &report.Proof{Why: fmt.Sprintf("nothing is proved of the fixture: %v", err)}
	}
	p, err := fixture.Prove(points, limits, bench.Load, fixture.Budget(budget))
	if err != nil {
		return &report.Proof{Why: fmt.Sprintf("nothing is proved of the fixture: %v", err)}
	}
	return &report.Proof{Proof: p, Limited: !limits.None()}
}

// agreement compares a calibration with the one before it on the same fixture
// and instruments, if the store has one.
func agreement(ctx context.Context, store Store, run *sweep.Run, points []balance.Point, p *report.Proof) error {
	for earlier, err := range store.Newest(ctx, sweep.Calibration, run.ID) {
		if err != nil {
			return err
		}
		if earlier.State != sweep.Done ||
			earlier.Bench.Fixture != run.Bench.Fixture || earlier.Identities != run.Identities {
			continue
		}
		before, err := measured(ctx, store, &earlier)
		if err != nil {
			return err
		}
		if len(before) == 0 {
			continue
		}
		described := describe(&earlier)
		p.Earlier = &described
		a, err := fixture.Repeatability(before, points)
		if err != nil {
			p.WhyNot = err.Error()
			return nil
		}
		p.Agreement = &a
		return nil
	}
	return nil
}

// measured are the measured steps of a run, as many as a proof takes.
func measured(ctx context.Context, store Store, run *sweep.Run) ([]balance.Point, error) {
	var points []balance.Point
	for step, err := range store.Steps(ctx, run.ID) {
		if err != nil {
			return nil, err
		}
		if step.Measured() {
			points = append(points, run.Point(&step))
		}
	}
	return sweep.ForProof(points), nil
}
