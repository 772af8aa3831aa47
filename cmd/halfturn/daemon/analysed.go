package daemon

import (
	"context"
	"slices"
	"sync"

	"halfturn/analysis/report"
	"halfturn/cmd/halfturn/reporting"
	"halfturn/sweep"
	"halfturn/sweep/journal"
)

const (
	// mostKeptSteps bounds what is kept of analysed runs, in steps: about a
	// kilobyte each.
	mostKeptSteps = 16_000
	// reportsAtOnce bounds the memory of those that ask for reports together.
	reportsAtOnce = 2
)

// analysed keeps what the analysis made of the runs that were last asked for.
// The steps of a run are added to and never change; its report is kept once it
// is done, until anything at the bench changes, since it tells of earlier runs
// too.
type analysed struct {
	store  *journal.Store
	making chan struct{} // a report

	mu      sync.Mutex
	steps   kept[int64, *runSteps]
	reports kept[reportKey, *report.Input]
}

func newAnalysed(store *journal.Store) *analysed {
	return &analysed{store: store, making: make(chan struct{}, reportsAtOnce)}
}

// kept is a few values, the last used last.
type kept[K comparable, V any] struct {
	entries []entry[K, V]
}

type entry[K comparable, V any] struct {
	key   K
	value V
	steps int // what it weighs
}

func (k *kept[K, V]) get(key K) (value V, ok bool) {
	i := slices.IndexFunc(k.entries, func(e entry[K, V]) bool { return e.key == key })
	if i < 0 {
		return value, false
	}
	e := k.entries[i]
	k.entries = append(slices.Delete(k.entries, i, i+1), e)
	return e.value, true
}

// put keeps a value of so many steps in the place of those that were not used
// for longest.
func (k *kept[K, V]) put(key K, value V, steps int) {
	k.entries = slices.DeleteFunc(k.entries, func(e entry[K, V]) bool { return e.key == key })
	k.entries = append(k.entries, entry[K, V]{key, value, steps})
	total := 0
	for i, e := range slices.Backward(k.entries) {
		if total += max(e.steps, 1); total > mostKeptSteps {
			k.entries = slices.Delete(k.entries, 0, i+1)
			return
		}
	}
}

// runSteps is the steps of a run as far as they were asked for.
type runSteps struct {
	mu    sync.Mutex
	cal   *sweep.Calibrated // nil for a calibration
	steps []Step
}

// stepsOf are the steps of a run from an index on, at most so many, 0 for all.
func (a *analysed) stepsOf(ctx context.Context, run *sweep.Run, from, most int) ([]Step, error) {
	a.mu.Lock()
	r, ok := a.steps.get(run.ID)
	if !ok {
		r = &runSteps{}
		a.steps.put(run.ID, r, 0)
	}
	a.mu.Unlock()
	r.mu.Lock()
	defer r.mu.Unlock()
	if run.Calibration != 0 && r.cal == nil {
		cal, err := a.calibrated(ctx, run.Calibration)
		if err != nil {
			return nil, err
		}
		r.cal = cal
	}
	if from > len(r.steps) || run.Plan.Steps() > mostKeptSteps { // no more than is asked for
		return a.analyse(ctx, run, r.cal, from, most)
	}
	more, err := a.analyse(ctx, run, r.cal, len(r.steps), 0)
	if err != nil {
		return nil, err
	}
	r.steps = append(r.steps, more...)
	a.mu.Lock()
	a.steps.put(run.ID, r, len(r.steps))
	a.mu.Unlock()
	steps := r.steps[min(from, len(r.steps)):]
	if most > 0 && len(steps) > most {
		steps = steps[:most]
	}
	return slices.Clip(steps), nil
}

// calibrated is a calibration, that of another run where it is the same.
func (a *analysed) calibrated(ctx context.Context, id int64) (*sweep.Calibrated, error) {
	a.mu.Lock()
	for _, e := range a.steps.entries {
		// One that is being read is not waited for.
		if r := e.value; r.mu.TryLock() {
			cal := r.cal
			r.mu.Unlock()
			if cal != nil && cal.Run.ID == id {
				a.mu.Unlock()
				return cal, nil
			}
		}
	}
	a.mu.Unlock()
	return sweep.LoadCalibrated(ctx, a.store, id)
}

func (a *analysed) analyse(ctx context.Context, run *sweep.Run, cal *sweep.Calibrated, from, most int) ([]Step, error) {
	var stored []sweep.Step
	outcome, err := sweep.Analyse(run, func(yield func(sweep.Step, error) bool) {
		for step, err := range a.store.StepsFrom(ctx, run.ID, from) {
			if err == nil {
				stored = append(stored, step)
			}
			if !yield(step, err) || len(stored) == most && most > 0 {
				return
			}
		}
	}, cal)
	if err != nil {
		return nil, err
	}
	steps := make([]Step, len(stored))
	for i := range stored {
		steps[i] = viewStep(run, &stored[i], &outcome.Results[i], &outcome.Decisions[i], outcome.Remarks[i])
	}
	return steps, nil
}

// reportKey is what a report of a finished run depends on, besides what stands
// in the run.
type reportKey struct {
	run     int64
	figures int
	thinned int64 // when, in nanoseconds since 1970; 0 for never
}

// report fills the report of a run, which is not to be changed but for the
// fields of its own.
func (a *analysed) report(ctx context.Context, run *sweep.Run, o reporting.Options) (*report.Input, error) {
	select {
	case a.making <- struct{}{}:
		defer func() { <-a.making }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	thinned, err := a.store.Thinned(ctx, run.ID)
	if err != nil {
		return nil, err
	}
	key := reportKey{run: run.ID, figures: o.Figures}
	plain := o.Truth == nil && o.Sleeves == 0 && o.BudgetAt == 0 && o.MonteCarlo == nil
	if thinned != nil {
		key.thinned = thinned.At.UnixNano()
	}
	a.mu.Lock()
	in, ok := a.reports.get(key)
	a.mu.Unlock()
	if !ok || !plain {
		if in, err = reporting.Load(ctx, a.store, run, o); err != nil {
			return nil, err
		}
		if plain && run.State == sweep.Done && len(in.Steps) <= mostKeptSteps {
			a.mu.Lock()
			a.reports.put(key, in, len(in.Steps))
			a.mu.Unlock()
		}
	}
	own := *in
	own.Generated, own.Program = o.Now, o.Program
	return &own, nil
}

// forget drops the reports: something may have changed that they tell of.
func (a *analysed) forget() {
	a.mu.Lock()
	defer a.mu.Unlock()
	a.reports = kept[reportKey, *report.Input]{}
}
