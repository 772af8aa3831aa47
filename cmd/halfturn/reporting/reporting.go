// Package reporting fills a report.Input from a stored run: the one place
// where runs, their analysis and the report meet. The subcommands and the
// daemon's pages share it.
package reporting

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"strings"
	"time"

	"halfturn/analysis/balance"
	"halfturn/analysis/report"
	"halfturn/analysis/uncertainty"
	"halfturn/drivers"
	"halfturn/sweep"
	"halfturn/sweep/journal"
	"halfturn/units"
)

// Store is what a report reads from; the journal is one.
type Store interface {
	sweep.Journal
	// Captures reads the captures of one step of a run.
	Captures(ctx context.Context, run int64, step int) ([]drivers.Capture, error)
	// Thinned tells what became of the captures of a run; nil where all are there.
	Thinned(ctx context.Context, run int64) (*journal.Thinned, error)
	// Newest yields the runs of a kind with an ID below before, 0 for any, the
	// newest first.
	Newest(ctx context.Context, kind sweep.Kind, before int64) iter.Seq2[sweep.Run, error]
}

// Options is what a report needs beside the run.
type Options struct {
	Program string
	Now     time.Time
	// Figures is how many X-Y figures are made, spread evenly over the steps.
	Figures int
	// Truth gives a simulated bench's exact values; nil for a real bench.
	Truth func(units.Hertz) report.Truth
	// Sleeves overrides the number that is kept with the run; 0 leaves it.
	Sleeves int
	// BudgetAt asks for the budget at the step nearest to it, besides those of
	// the worst steps; 0 asks for none. MonteCarlo, if given, simulates there.
	BudgetAt   units.Hertz
	MonteCarlo *uncertainty.Trials
}

// Load analyses a run and fills the report. The calibration is read from the
// same store; one that is missing or damaged is the error.
func Load(ctx context.Context, store Store, run *sweep.Run, o Options) (*report.Input, error) {
	in := &report.Input{
		Run: describe(run),
		Bench: report.Bench{
			Name: run.Bench.Name, Fixture: run.Bench.Fixture,
			GeneratorIdentity: run.Identities.Generator, GeneratorAddress: run.Bench.Generator.Address,
			ScopeIdentity: run.Identities.Scope, ScopeAddress: run.Bench.Scope.Address,
			Channels:   run.Bench.Scope.Channels,
			Reference:  run.Bench.Scope.Reference,
			Load:       run.Bench.Load,
			MaxDrive:   report.MaxDrive{Generator: run.Bench.MaxDrive.Generator, Balun: run.Bench.MaxDrive.Balun, Falling: falling(run)},
			Attenuator: run.Bench.Generator.Habits.Attenuator.String(),
			InputLimit: run.Bench.InputLimit,
		},
		Fill:      report.Fill{Min: run.Plan.Fill.Min, Max: run.Plan.Fill.Max},
		Generated: o.Now,
		Program:   o.Program,
	}
	var cal *sweep.Calibrated
	if run.Kind != sweep.Calibration {
		var err error
		if cal, err = sweep.LoadCalibrated(ctx, store, run.Calibration); err != nil {
			return nil, err
		}
		described := describe(&cal.Run)
		in.Calibration, in.Limits, in.Rule = &described, run.Limits, run.Limits.Rule.Text()
		if w := cal.AgeWarning(run); w != "" {
			in.Warnings = append(in.Warnings, w)
		}
	}
	moved, differ := 0, 0
	var switched []string
	in.Steps = make([]report.Step, 0, run.Plan.Steps())
	steps := func(yield func(sweep.Step, error) bool) {
		for step, err := range store.Steps(ctx, run.ID) {
			if err == nil {
				in.Steps = append(in.Steps, report.Step{
					Index: step.Index, Taken: step.Taken, Point: run.Point(&step), Fill: step.Fill, ReferenceFill: step.ReferenceFill, Acquisitions: step.Acquisitions,
				})
			}
			if !yield(step, err) {
				return
			}
		}
	}
	outcome, err := sweep.Analyse(run, steps, cal)
	if err != nil {
		return nil, err
	}
	in.Summary = outcome.Summary
	for i := range in.Steps {
		s := &in.Steps[i]
		s.Result, s.Decision, s.Remark = outcome.Results[i], outcome.Decisions[i], outcome.Remarks[i]
		s.Measured = s.Remark == ""
		if s.Result.RangesDiffer {
			differ++
		}
		if s.Result.AttenuatorsDiffer {
			switched = append(switched, s.Result.Frequency.Brief())
		}
		if o.Truth != nil {
			truth := o.Truth(s.Result.Frequency)
			s.Truth = &truth
		}
	}
	// In a shortened plan (two frequencies moved onto one) the comparison ends.
	if planned := run.Plan.Frequencies(); len(planned) >= len(in.Steps) {
		for i := range in.Steps {
			if in.Steps[i].Point.Frequency != planned[i] {
				moved++
			}
		}
	}
	if moved > 0 {
		in.Notes = append(in.Notes, fmt.Sprintf("moved off a multiple of the scope's sample rates, by a few cycles over the record: %s", counted(moved)))
	}
	if differ > 0 {
		in.Warnings = append(in.Warnings, fmt.Sprintf("taken on another range than the calibration, with the gain of the ranges in the uncertainty: %s", counted(differ)))
	}
	if n := len(switched); n > 0 {
		at := "at " + strings.Join(switched, ", ")
		if n > 5 {
			at = fmt.Sprintf("%s, between %s and %s", counted(n), switched[0], switched[n-1])
		}
		in.Warnings = append(in.Warnings, fmt.Sprintf("taken with the generator's attenuator in another position than the calibration, with its step in the uncertainty of insertion loss: %s", at))
	}
	if run.State != sweep.Done {
		in.Warnings = append(in.Warnings, fmt.Sprintf("the run is not finished (%s): what is missing is not decided", run.State))
	}
	if err := assess(ctx, store, run, cal, in, &o); err != nil {
		return nil, err
	}
	thinned, err := store.Thinned(ctx, run.ID)
	if err != nil {
		return nil, err
	}
	if thinned != nil {
		in.Notes = append(in.Notes, fmt.Sprintf("the captures of this run were thinned on %s and %s kept theirs; all results are as before",
			thinned.At.Format(time.DateOnly), counted(len(thinned.Kept))))
	}
	return in, figures(ctx, store, run.ID, in, o.Figures)
}

// assess fills in what stands beside the results: budget, choke, fixture,
// linearity and swapped arms.
func assess(ctx context.Context, store Store, run *sweep.Run, cal *sweep.Calibrated, in *report.Input, o *Options) (err error) {
	if in.Linearity, err = levels(ctx, store, run, cal); err != nil {
		return err
	}
	if cal == nil {
		if o.BudgetAt > 0 {
			return fmt.Errorf("run %d is a calibration: a budget is that of a balun's results", run.ID)
		}
		points := make([]balance.Point, 0, len(in.Steps))
		for i := range in.Steps {
			if in.Steps[i].Measured {
				points = append(points, in.Steps[i].Point)
			}
		}
		of := len(points)
		points = sweep.ForProof(points)
		in.Proof = proof(points, run.Limits, &run.Bench)
		if n := len(points); n < of {
			in.Proof.Untold = append(in.Proof.Untold, fmt.Sprintf("what lies between %d of its %d steps, an even part that was looked at", n, of))
		}
		return agreement(ctx, store, run, points, in.Proof)
	}
	if run.Kind == sweep.Swapped {
		if in.Swapped, err = swapped(ctx, store, run, cal); err != nil {
			return err
		}
	}
	if in.Entries, err = run.Bench.Uncertainty.Budget(); err != nil {
		return err
	}
	if err := budgets(in, run, cal, o); err != nil {
		return err
	}
	sleeves := run.Sleeves
	if o.Sleeves > 0 {
		sleeves = o.Sleeves
	}
	in.Winding = winding(in, run.Bench.Load, sleeves)
	in.Proof = proof(cal.ForProof(), run.Limits, &run.Bench)
	return nil
}

func counted(steps int) string {
	if steps == 1 {
		return "1 step"
	}
	return fmt.Sprintf("%d steps", steps)
}

// falling is what the run's generator gave over frequency.
func falling(run *sweep.Run) (list []report.Level) {
	for _, l := range run.Bench.Generator.Habits.Drive.To {
		list = append(list, report.Level{UpTo: l.UpTo, Most: l.Level})
	}
	return list
}

func describe(run *sweep.Run) report.Run {
	return report.Run{
		ID: run.ID, Kind: string(run.Kind), Label: run.Label, State: string(run.State), Reason: run.Reason,
		Version: run.Version, Started: run.Started, Finished: run.Finished,
	}
}

// samplesInFigure are enough to see an X-Y figure, whatever the record holds.
const samplesInFigure = 400

// figures reads the first capture of n steps, evenly spread over the measured ones.
func figures(ctx context.Context, store Store, run int64, in *report.Input, n int) error {
	var measured []int
	for i := range in.Steps {
		if in.Steps[i].Measured {
			measured = append(measured, i)
		}
	}
	for _, i := range sweep.Shown(len(measured), n) {
		s := &in.Steps[measured[i]]
		captures, err := store.Captures(ctx, run, s.Index)
		if errors.Is(err, journal.ErrThinned) {
			in.Notes = append(in.Notes, fmt.Sprintf("no X-Y figure at %s: its captures are gone", s.Point.Frequency.Brief()))
			continue
		}
		if err != nil {
			return err
		}
		if len(captures) == 0 {
			continue // none came along from a damaged store
		}
		in.Figures = append(in.Figures, figure(s, &captures[0]))
	}
	return nil
}

func figure(s *report.Step, c *drivers.Capture) report.Figure {
	f := report.Figure{Frequency: s.Point.Frequency, Ratio: s.Result.Ratio}
	count := min(len(c.Traces[0].Codes), samplesInFigure)
	for arm := range f.Samples {
		t := &c.Traces[arm]
		f.Samples[arm] = make([]units.Volts, count)
		for i := range f.Samples[arm] {
			f.Samples[arm][i] = units.Volts(float64(t.Codes[i])-t.Zero) * t.VoltsPerCode
		}
	}
	// The figure's shape is the ratio's; the trigger's phase is of no meaning,
	// so that arm 1 is put at 0.
	f.P[0] = complex(float64(s.Point.Amplitude[0]), 0)
	f.P[1] = f.P[0] * s.Point.Ratio
	return f
}
