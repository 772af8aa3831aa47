package journal

import (
	"context"
	"errors"
	"fmt"
	"os"

	"halfturn/sweep"
)

// Recovered is what became of a damaged store.
type Recovered struct {
	Runs      []Copied
	Jobs      int
	Baselines int
	Lost      []error // of jobs and baselines
}

// Recover copies what can be read of the store at from into a new store at to,
// and leaves from as it is: runs, then jobs, notes and baselines. Runs keep
// their IDs; one that could not be read has a row that says so and no kind. One
// that lost steps is stopped, so that it can be resumed, and a step that lost
// its captures keeps its numbers. The error is that of reading the list of runs
// at all, or of writing. Each run is told once it is copied; told may be nil.
func Recover(ctx context.Context, from, to string, told func(Copied)) (kept Recovered, err error) {
	old, err := OpenReadOnly(ctx, from)
	if err != nil {
		return kept, err
	}
	defer func() { err = errors.Join(err, old.Close()) }()
	if _, err := os.Lstat(to); !errors.Is(err, os.ErrNotExist) {
		return kept, fmt.Errorf("store %s: it is there already; name a new file to recover into", to)
	}
	runs, lost := old.Runs(ctx)
	if errors.Is(lost, ErrNewer) {
		return kept, lost
	}
	if len(runs) == 0 {
		return kept, errors.Join(fmt.Errorf("store %s: it has no run that can be read", from), lost)
	}
	recovered, err := Open(ctx, to)
	if err != nil {
		return kept, err
	}
	defer func() { err = errors.Join(err, recovered.Close()) }()

	keep := func(one Copied) {
		kept.Runs = append(kept.Runs, one)
		if told != nil {
			told(one)
		}
	}
	next := int64(1)
	standIn := func(before int64) error {
		for ; next < before; next++ {
			stand := sweep.Run{Label: "lost", State: sweep.Failed, Reason: "could not be read in " + from}
			if err := recovered.Create(ctx, &stand); err != nil {
				return err
			}
			keep(Copied{Run: next, Lost: old.damaged("run %d cannot be read", next)})
		}
		return nil
	}
	for i := range runs {
		if err := standIn(runs[i].ID); err != nil {
			return kept, err
		}
		one, err := recovered.Copy(ctx, old, runs[i].ID, &runs[i])
		if err != nil {
			return kept, err
		}
		keep(one)
		next++
	}
	// A job may name a run after the last that could be read: no new run must
	// be taken for it.
	var newest int64
	if old.read.newest.QueryRowContext(ctx).Scan(&newest) == nil && newest < runs[len(runs)-1].ID+mostStandIns {
		if err := standIn(newest + 1); err != nil {
			return kept, err
		}
	}
	return kept, recovered.copyBeside(ctx, old, &kept)
}

// mostStandIns bounds what a damaged number can ask for.
const mostStandIns = 10_000

// copyBeside copies what stands beside the runs.
func (s *Store) copyBeside(ctx context.Context, old *Store, kept *Recovered) error {
	jobs, lost := old.readableJobs(ctx)
	kept.Lost = append(kept.Lost, lost...)
	for _, job := range jobs {
		if err := s.SaveJob(ctx, job); err != nil {
			return err
		}
		kept.Jobs++
	}
	notes, lost := old.readableNotes(ctx)
	kept.Lost = append(kept.Lost, lost...)
	for name, content := range notes {
		if err := s.SetNote(ctx, name, content); err != nil {
			return err
		}
	}
	baselines, lost := old.readableBaselines(ctx)
	kept.Lost = append(kept.Lost, lost...)
	for _, b := range baselines {
		if run, err := s.Run(ctx, b.Run); err != nil || run.Kind == "" {
			kept.Lost = append(kept.Lost, s.damaged("run %d, which goes by the name %q, is lost", b.Run, b.Name))
			continue
		}
		if err := s.SetBaseline(ctx, b.Name, b.Run); err != nil {
			return err
		}
		kept.Baselines++
	}
	return ctx.Err()
}
