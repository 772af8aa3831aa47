package reporting

import (
	"context"
	"errors"
	"fmt"
	"time"

	"halfturn/analysis/compare"
	"halfturn/analysis/report"
	"halfturn/sweep"
	"halfturn/units"
)

// ErrNotComparable: the runs are such that comparing them says nothing.
var ErrNotComparable = errors.New("not to be compared")

// CompareOptions is what a comparison needs beside the runs.
type CompareOptions struct {
	Program  string
	Now      time.Time
	Baseline string    // what the first run is called; empty for its number
	Refit    *units.DB // see compare.Options
}

// Compare sets the later runs against the first, or states the spread of more
// than two. Their calibrations are read from the same store.
func Compare(ctx context.Context, store sweep.Journal, runs []sweep.Run, o CompareOptions) (*report.Compared, error) {
	c := comparison{store: store, calibrations: map[int64]*sweep.Calibrated{}, first: &runs[0]}
	c.into = report.Compared{Generated: o.Now, Program: o.Program, BaselineName: o.Baseline, Options: compare.Options{Refit: o.Refit}}
	loaded := make([]*compare.Run, len(runs))
	var err error
	for i := range runs {
		if loaded[i], err = c.load(ctx, &runs[i]); err != nil {
			return nil, err
		}
	}
	if c.into.Options.Budget, err = c.first.Bench.Uncertainty.Budget(); err != nil {
		return nil, fmt.Errorf("run %d: %w", c.first.ID, err)
	}
	if len(loaded) == 2 {
		c.into.Pair, err = compare.Pair(loaded[0], loaded[1], c.into.Options)
	} else {
		c.into.Series, err = compare.Spread(loaded, c.into.Options)
	}
	return &c.into, err
}

// comparison reads runs with their calibrations, each of those once.
type comparison struct {
	store        sweep.Journal
	calibrations map[int64]*sweep.Calibrated
	first        *sweep.Run
	into         report.Compared
}

// load reads a run and describes it in the report.
func (c *comparison) load(ctx context.Context, run *sweep.Run) (*compare.Run, error) {
	refuse := func(format string, a ...any) (*compare.Run, error) {
		return nil, fmt.Errorf("%w: %s", ErrNotComparable, fmt.Sprintf(format, a...))
	}
	for i := range c.into.Runs {
		if c.into.Runs[i].ID == run.ID {
			return refuse("run %d is named twice, and a run compared with itself says nothing", run.ID)
		}
	}
	switch {
	case run.Kind == sweep.Calibration:
		return refuse("run %d is a calibration; a comparison is of a balun's runs, which `halfturn runs` lists", run.ID)
	case run.Kind != c.first.Kind:
		return refuse("run %d is a %s run and run %d a %s run; a comparison is of runs of one kind", c.first.ID, c.first.Kind, run.ID, run.Kind)
	}
	cal := c.calibrations[run.Calibration]
	if cal == nil {
		var err error
		if cal, err = sweep.LoadCalibrated(ctx, c.store, run.Calibration); err != nil {
			return nil, fmt.Errorf("run %d: %w", run.ID, err)
		}
		c.calibrations[run.Calibration] = cal
	}
	loaded := &compare.Run{ID: run.ID, Started: run.Started, Load: run.Bench.Load, Calibration: run.Calibration, CalibrationAt: cal.At}
	for step, err := range c.store.Steps(ctx, run.ID) {
		if err != nil {
			return nil, err
		}
		loaded.Steps = append(loaded.Steps, compare.Reading{Point: run.Point(&step), Measured: step.Measured()})
	}
	c.into.Runs = append(c.into.Runs, report.ComparedRun{
		Run: describe(run), Calibration: run.Calibration, Bench: run.Bench.Name, Fixture: run.Bench.Fixture,
	})
	c.into.Warnings = append(c.into.Warnings, c.warnings(run, cal)...)
	return loaded, nil
}

// warnings are what makes a run's differences from the first one doubtful.
func (c *comparison) warnings(run *sweep.Run, cal *sweep.Calibrated) (list []string) {
	if w := cal.AgeWarning(run); w != "" {
		list = append(list, fmt.Sprintf("run %d: %s", run.ID, w))
	}
	if run.State != sweep.Done {
		list = append(list, fmt.Sprintf("run %d is not finished (%s): what is missing is not compared", run.ID, run.State))
	}
	first := c.first
	if run.Bench.Fixture != first.Bench.Fixture {
		list = append(list, fmt.Sprintf("run %d was made in the fixture %q, run %d in %q", first.ID, first.Bench.Fixture, run.ID, run.Bench.Fixture))
	}
	if run.Identities != first.Identities {
		list = append(list, fmt.Sprintf("run %d and run %d were made with different instruments", first.ID, run.ID))
	}
	if run.Bench.Uncertainty != first.Bench.Uncertainty {
		list = append(list, fmt.Sprintf("run %d and run %d state different budgets: that of run %d is used for both", first.ID, run.ID, first.ID))
	}
	if run.Bench.Load != first.Bench.Load {
		list = append(list, fmt.Sprintf("run %d and run %d state different loads of an arm: insertion loss is relative to each its own", first.ID, run.ID))
	}
	return list
}
