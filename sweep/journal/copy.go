package journal

import (
	"context"
	"database/sql"
	"errors"
	"time"

	"halfturn/sweep"
)

// Copied is what became of a run on its way to another store.
type Copied struct {
	Run      int64 // its ID there
	Steps    int   // up to the first that could not be read
	Captures int   // steps whose captures came along
	Thinned  bool  // others were removed by a rule, and are not lost
	Lost     error // why there are not more steps; nil when all are there
}

// A transaction of Copy has at most so many steps, and about so many bytes of
// captures.
const (
	copySteps = 128
	copyBytes = 8 << 20
)

// Copy stores run, whose ID it sets, with the steps and captures of the run
// that goes by id in another store, or in this one. Where not all steps can be
// read it has those before and is stopped, so that it can be resumed; captures
// that cannot be read leave their step as it is. The error is that of writing.
func (s *Store) Copy(ctx context.Context, from *Store, id int64, run *sweep.Run) (copied Copied, err error) {
	thinned, _ := from.Thinned(ctx, id) // where that is lost, so are the captures
	// Stopped until all its steps are there.
	begun := *run
	begun.Finished, begun.State, begun.Reason, begun.Verdict = time.Time{}, sweep.Stopped, "steps lost with a damaged store", ""
	err = s.create(ctx, &begun, func(tx *sql.Tx, id int64) error {
		if thinned == nil {
			return nil
		}
		return s.putThinned(ctx, tx, id, thinned)
	})
	if err != nil {
		return copied, err
	}
	run.ID, copied.Run, copied.Thinned = begun.ID, begun.ID, thinned != nil
	var batch []packedStep
	size := 0
	flush := func() error {
		if len(batch) == 0 {
			return nil
		}
		s.committing.Lock()
		err := s.insertAll(ctx, run.ID, batch...)
		s.committing.Unlock()
		if err != nil {
			return err
		}
		copied.Steps += len(batch)
		for i := range batch {
			if batch[i].captures != nil {
				copied.Captures++
			}
		}
		batch, size = batch[:0], 0
		return nil
	}
	for step, err := range from.Steps(ctx, id) {
		if err != nil {
			copied.Lost = err
			return copied, errors.Join(flush(), ctx.Err())
		}
		one := packedStep{step: step}
		if one.captures, one.sum, err = from.packedCaptures(ctx, id, step.Index); err != nil && !errors.Is(err, ErrThinned) {
			one.captures, one.sum = nil, nil
		}
		batch = append(batch, one)
		if size += len(one.captures); len(batch) == copySteps || size > copyBytes {
			if err := flush(); err != nil {
				return copied, err
			}
		}
	}
	if err := flush(); err != nil {
		return copied, err
	}
	return copied, s.Update(ctx, run)
}
