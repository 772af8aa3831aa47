package reporting

import (
	"fmt"

	"halfturn/analysis/balance"
	"halfturn/analysis/report"
	"halfturn/analysis/uncertainty"
	"halfturn/sweep"
)

// budgets fills in the budgets of the steps at which a quantity is worst, and
// of the one nearest to what was asked for.
func budgets(in *report.Input, run *sweep.Run, cal *sweep.Calibrated, o *Options) error {
	for _, at := range in.WorstSteps() {
		if err := budgetOf(in, run, cal, at, nil); err != nil {
			return err
		}
	}
	if o.BudgetAt <= 0 {
		return nil
	}
	at := in.NearestStep(o.BudgetAt)
	if at < 0 {
		return fmt.Errorf("run %d has no measured step: there is no budget of any", run.ID)
	}
	if f, from, to := o.BudgetAt, in.Steps[0].Point.Frequency, in.Steps[len(in.Steps)-1].Point.Frequency; f < from*0.999 || f > to*1.001 {
		return fmt.Errorf("run %d goes from %s to %s: there is no budget at %s", run.ID, from.Brief(), to.Brief(), f.Brief())
	}
	for i := range in.Budgets {
		if in.Budgets[i].Step == at {
			in.Budgets = append(in.Budgets[:i], in.Budgets[i+1:]...)
			break
		}
	}
	return budgetOf(in, run, cal, at, o.MonteCarlo)
}

// budgetOf appends the budget of one measured step, with a simulation where
// trials are given.
func budgetOf(in *report.Input, run *sweep.Run, cal *sweep.Calibrated, at int, trials *uncertainty.Trials) error {
	s := &in.Steps[at]
	point, err := cal.At(s.Point.Frequency)
	if err != nil {
		return err
	}
	b := report.Budget{Step: at}
	if _, b.Shares, err = balance.EvaluateWith(s.Point, point, run.Bench.Load, in.Entries); err != nil {
		return err
	}
	if trials != nil {
		simulation, err := balance.Simulate(s.Point, point, run.Bench.Load, in.Entries, *trials)
		if err != nil {
			return err
		}
		b.Simulation = &simulation
	}
	in.Budgets = append(in.Budgets, b)
	return nil
}
