package sweep

import (
	"errors"
	"fmt"
	"iter"

	"halfturn/analysis/balance"
	"halfturn/analysis/conformity"
	"halfturn/analysis/uncertainty"
)

// Outcome is what the analysis makes of a run's steps; its slices run parallel
// to the steps.
type Outcome struct {
	Results   []balance.Result // Frequency is always set
	Decisions []conformity.Decision
	Remarks   []string // why a step has no result; empty where it has one
	Summary   conformity.Summary
}

// Analyse takes the calibration out of the steps of a balun or swapped run and
// decides them. For a calibration run, cal is nil, the results are those of
// the cable against an ideal one, and nothing is decided. The error is that of
// reading the steps.
func Analyse(run *Run, steps iter.Seq2[Step, error], cal *Calibrated) (*Outcome, error) {
	n := run.Plan.Steps()
	o := &Outcome{
		Results:   make([]balance.Result, 0, n),
		Decisions: make([]conformity.Decision, 0, n),
		Remarks:   make([]string, 0, n),
	}
	a, err := newAnalysis(run, cal)
	if err != nil {
		return nil, err
	}
	for step, err := range steps {
		if err != nil {
			return nil, err
		}
		result, decision, remark := a.step(&step)
		o.Results = append(o.Results, result)
		o.Decisions = append(o.Decisions, decision)
		o.Remarks = append(o.Remarks, remark)
	}
	if cal != nil {
		o.Summary = conformity.Summarise(run.Limits, o.Results, o.Decisions)
	}
	return o, nil
}

// analysis is what the steps of a run are analysed with.
type analysis struct {
	run    *Run
	cal    *Calibrated
	budget uncertainty.Budget
}

// newAnalysis refuses a budget that cannot be used.
func newAnalysis(run *Run, cal *Calibrated) (*analysis, error) {
	budget, err := run.Bench.Uncertainty.Budget()
	if err != nil {
		return nil, err
	}
	return &analysis{run, cal, budget}, nil
}

func (a *analysis) step(step *Step) (balance.Result, conformity.Decision, string) {
	none := balance.Result{Frequency: step.Estimate.Frequency}
	if !step.Measured() {
		return none, conformity.Unmeasured(), step.Remark
	}
	if a.cal == nil {
		return balance.Cable(a.run.Point(step)), conformity.Decision{}, ""
	}
	point, err := a.cal.At(step.Estimate.Frequency)
	if err != nil {
		return none, conformity.Unmeasured(), err.Error()
	}
	result, err := balance.Evaluate(a.run.Point(step), point, a.run.Bench.Load, balance.Budget(a.budget))
	if err != nil {
		return none, conformity.Unmeasured(), err.Error()
	}
	return result, a.run.Limits.Decide(result), ""
}

// errFitted says that the wrong thing is in the fixture.
var errFitted = errors.New("wrong thing in the fixture")

// checkFitted looks at the arm ratios so far and says so if the calibration
// cable was left in for a balun run, or a balun for a calibration.
func checkFitted(kind Kind, seen []balance.Estimate) error {
	switch fitted := balance.CheckKind(seen); {
	case kind == Calibration && fitted == balance.Balun:
		return fmt.Errorf("%w: the arms read near 180° apart in a calibration run: a balun is fitted; put the calibration cable in", errFitted)
	case kind != Calibration && fitted == balance.CalibrationCable:
		return fmt.Errorf("%w: the arms read near 0° apart in a %s run: the calibration cable is still fitted; put the balun in", errFitted, kind)
	}
	return nil
}
