package compare

import (
	"fmt"

	"halfturn/analysis/balance"
	"halfturn/units"
)

// Comparison is what became of a baseline.
type Comparison struct {
	Baseline, Run int64 // IDs
	Verdict       Verdict
	Band          [Quantities]Band
	Steps         []Step
	From, To      units.Hertz // of the steps compared
	PassedOver    int         // frequencies at which there is no result in either or both
	// Shared: both runs have the same calibration taken out.
	Shared bool
}

// Step is one frequency of a comparison.
type Step struct {
	Frequency units.Hertz
	Results   [2]balance.Result // of the baseline and of the run
	Changes   [Quantities]Change
	Between   bool // one of the runs was read between two of its steps
}

// Pair compares a run with its baseline at the frequencies of the coarser of
// the two within the span of both. Steps without a result in both are passed
// over and counted. Errors: ErrNoCommonFrequency, also where no step is
// measured in both; a run whose steps are out of order; options that make no
// sense.
func Pair(baseline, run *Run, o Options) (*Comparison, error) {
	runs, frequencies, err := prepare([]*Run{baseline, run}, o)
	if err != nil {
		return nil, err
	}
	c := &Comparison{Baseline: baseline.ID, Run: run.ID, Shared: baseline.Calibration == run.Calibration}
	for _, f := range frequencies {
		a, aOK := runs[0].state(f, o)
		b, bOK := runs[1].state(f, o)
		if !aOK || !bOK {
			c.PassedOver++
			continue
		}
		step := Step{Frequency: f, Results: [2]balance.Result{a.result, b.result}, Between: a.between || b.between}
		for q := range Quantities {
			step.Changes[q] = compare(q, &a, &b, c.Shared, o)
		}
		c.Steps = append(c.Steps, step)
	}
	if len(c.Steps) == 0 {
		return nil, fmt.Errorf("%w: none of the %d where run %d and run %d meet is measured in both",
			ErrNoCommonFrequency, len(frequencies), baseline.ID, run.ID)
	}
	c.From, c.To = c.Steps[0].Frequency, c.Steps[len(c.Steps)-1].Frequency
	c.Band, c.Verdict = decide(c.Steps)
	return c, nil
}

// prepare checks what is to be compared and finds where.
func prepare(runs []*Run, o Options) ([]*sampled, []units.Hertz, error) {
	if err := o.Validate(); err != nil {
		return nil, nil, err
	}
	list := make([]*sampled, len(runs))
	for i, run := range runs {
		var err error
		if list[i], err = sample(run); err != nil {
			return nil, nil, err
		}
	}
	frequencies, err := grid(list)
	return list, frequencies, err
}
