package journal

import (
	"context"
	"errors"
	"fmt"
	"os"
	"time"

	"halfturn/sweep"
)

// Recovered is what became of one run of a damaged store.
type Recovered struct {
	Run      int64
	Steps    int   // kept: those up to the first that could not be read
	Captures int   // steps whose captures were kept too
	Lost     error // why there are not more steps; nil when all are there
}

// Recover copies what can be read of the store at from into a new store at to,
// and leaves from as it is. Runs keep their IDs; one that could not be read
// has a row that says so and no kind. One that lost steps is stopped, so that
// it can be resumed, and a step that lost its captures keeps its numbers. The
// error is that of reading the list of runs at all, or of writing.
func Recover(ctx context.Context, from, to string) (kept []Recovered, err error) {
	old, err := OpenReadOnly(ctx, from)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, old.Close()) }()
	if _, err := os.Lstat(to); !errors.Is(err, os.ErrNotExist) {
		return nil, fmt.Errorf("store %s: it is there already; name a new file to recover into", to)
	}
	runs, lost := old.Runs(ctx)
	if errors.Is(lost, ErrNewer) {
		return nil, lost
	}
	if len(runs) == 0 {
		return nil, errors.Join(fmt.Errorf("store %s: it has no run that can be read", from), lost)
	}
	recovered, err := Open(ctx, to)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, recovered.Close()) }()

	next := int64(1)
	for i := range runs {
		run := &runs[i]
		for ; next < run.ID; next++ {
			stand := sweep.Run{Label: "lost", State: sweep.Failed, Reason: "could not be read in " + from}
			if err := recovered.Create(ctx, &stand); err != nil {
				return kept, err
			}
			kept = append(kept, Recovered{Run: next, Lost: old.damaged("run %d cannot be read", next)})
		}
		one, err := recovered.copyRun(ctx, old, run)
		if err != nil {
			return kept, err
		}
		kept = append(kept, one)
		next++
	}
	return kept, nil
}

func (s *Store) copyRun(ctx context.Context, old *Store, run *sweep.Run) (Recovered, error) {
	one := Recovered{Run: run.ID}
	// Stopped until all its steps are there.
	begun := *run
	begun.Finished, begun.State, begun.Reason, begun.Verdict = time.Time{}, sweep.Stopped, "steps lost with a damaged store", ""
	if err := s.Create(ctx, &begun); err != nil {
		return one, err
	}
	for step, err := range old.Steps(ctx, run.ID) {
		if err != nil {
			one.Lost = err
			return one, ctx.Err()
		}
		captures, err := old.Captures(ctx, run.ID, step.Index)
		if err == nil {
			one.Captures++
		} else {
			captures = nil
		}
		if err := s.Commit(ctx, run.ID, &step, captures); err != nil {
			return one, err
		}
		one.Steps++
	}
	return one, s.Update(ctx, run)
}
