// Package thin removes captures of old runs by one rule, so that the store
// does not grow for ever; the results stay.
//
//	sweep/thin     Rule (this page): which captures go
//	sweep/journal  removes them in small transactions, and says that they are gone
//
// The captures of a run go when it was done more than Rule.After before the
// newest run of the store was. They stay, all of them, where the run
//
//   - is not done: it may go on;
//   - is a baseline;
//   - is the calibration, or the straight run, of one whose captures stay;
//   - cannot be analysed: then they are what is left of it.
//
// Of a run whose captures go, those of these steps stay:
//
//   - whose verdict is neither a pass nor none for want of a limit, or that
//     could not be measured: what they say may be asked for again;
//   - whose X-Y figure the report shows.
//
// Everything that is stated of a run comes from its steps, and the figures from
// those captures, so that show and report say the same before and after, but
// for the line that tells of the thinning.
package thin

import (
	"context"
	"fmt"
	"time"

	"halfturn/analysis/conformity"
	"halfturn/sweep"
	"halfturn/sweep/journal"
)

// Rule says which captures go.
type Rule struct {
	After time.Duration // from the end of a run to that of the newest
}

// Due is a run whose captures go.
type Due struct {
	Run   sweep.Run
	Steps int   // that lose theirs
	Kept  []int // steps that keep them, ascending
	Bytes int64 // about, that become free
}

// Look goes through a store, the newest run first, and yields the runs whose
// captures go, and for each that cannot be analysed an error in Due's place.
// The time from which the rule counts back is that of the newest run's end, or
// now where that is yet to come: a clock that is wrong does not make old what
// is not. The error at the end is that of reading the list of runs: where it is
// damaged nothing is due, since it cannot be told what rests on what.
func Look(ctx context.Context, store *journal.Store, rule Rule, now time.Time, yield func(Due, error) bool) error {
	runs, stay, err := standing(ctx, store)
	if err != nil {
		return err
	}
	newest := time.Time{}
	for i := range runs {
		if runs[i].State == sweep.Done && runs[i].Finished.After(newest) {
			newest = runs[i].Finished
		}
	}
	if newest.After(now) {
		newest = now
	}
	for i := range runs { // what a run rests on was stored before it, and comes after it here
		run := &runs[i]
		stays := run.State != sweep.Done || stay[run.ID] || newest.Sub(run.Finished) <= rule.After
		var due *Due
		if !stays {
			if due, err = look(ctx, store, run); ctx.Err() != nil {
				return ctx.Err()
			} else if err != nil {
				stays, due = true, &Due{Run: *run}
				err = fmt.Errorf("run %d keeps its captures: %w", run.ID, err)
			}
		}
		if stays {
			stay[run.Calibration], stay[run.Straight] = true, true
		}
		if due != nil && !yield(*due, err) {
			return nil
		}
	}
	return nil
}

// standing is every run, the newest first, and those that stay whatever their age.
func standing(ctx context.Context, store *journal.Store) (runs []sweep.Run, stay map[int64]bool, err error) {
	baselines, err := store.Baselines(ctx)
	if err != nil {
		return nil, nil, err
	}
	stay = map[int64]bool{}
	for _, b := range baselines {
		stay[b.Run] = true
	}
	for run, err := range store.Newest(ctx, "", 0) {
		if err != nil {
			return nil, nil, err
		}
		runs = append(runs, run)
	}
	return runs, stay, nil
}

// look is what of a run goes; nil where nothing is left to.
func look(ctx context.Context, store *journal.Store, run *sweep.Run) (*Due, error) {
	thinned, err := store.Thinned(ctx, run.ID)
	if err != nil || thinned != nil && thinned.Complete {
		return nil, err
	}
	captured, each, err := store.Captured(ctx, run.ID)
	if err != nil || len(captured) == 0 {
		return nil, err
	}
	kept, err := keeps(ctx, store, run)
	if err != nil {
		return nil, err
	}
	due := &Due{Run: *run}
	for _, step := range captured {
		if kept[step] {
			due.Kept = append(due.Kept, step)
		} else {
			due.Steps++
		}
	}
	due.Bytes = int64(due.Steps) * each
	return due, nil
}

// keeps are the steps of a run whose captures stay.
func keeps(ctx context.Context, store *journal.Store, run *sweep.Run) (map[int]bool, error) {
	var cal *sweep.Calibrated
	if run.Kind != sweep.Calibration {
		var err error
		if cal, err = sweep.LoadCalibrated(ctx, store, run.Calibration); err != nil {
			return nil, err
		}
	}
	outcome, err := sweep.Analyse(run, store.Steps(ctx, run.ID), cal)
	if err != nil {
		return nil, err
	}
	kept := map[int]bool{}
	var measured []int
	for i, remark := range outcome.Remarks {
		if remark == "" {
			measured = append(measured, i)
		}
		switch outcome.Decisions[i].Verdict {
		case conformity.Pass, conformity.NotLimited:
			kept[i] = remark != ""
		default:
			kept[i] = true
		}
	}
	for _, i := range sweep.Shown(len(measured), sweep.Figures) {
		kept[measured[i]] = true
	}
	return kept, nil
}

// Thin removes the captures of every run that Look yields, and gives the room
// back where the store can. It may be cut short at any moment. told gets each
// run when it is through, with the steps that lost their captures then, or the
// error for which a run keeps its own; it may be nil.
func Thin(ctx context.Context, store *journal.Store, rule Rule, now time.Time, told func(Due, error)) (freed int64, err error) {
	if told == nil {
		told = func(Due, error) {}
	}
	var failed error
	err = Look(ctx, store, rule, now, func(due Due, err error) bool {
		if err != nil {
			told(due, err)
			return true
		}
		if due.Steps, failed = store.Thin(ctx, due.Run.ID, due.Kept, now); failed == nil && due.Steps > 0 {
			told(due, nil)
		}
		return failed == nil
	})
	if err == nil {
		err = failed
	}
	if err != nil {
		return 0, err
	}
	return store.Shrink(ctx)
}
