package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"halfturn/sweep"
)

// thinnedTable is made when captures are first removed. It stands by itself,
// as baselines do: a store without it has all its captures, and a version that
// does not know it reads all results as ever, and takes captures that were
// removed for damaged ones.
const thinnedTable = `
CREATE TABLE IF NOT EXISTS thinned (
	run      INTEGER PRIMARY KEY REFERENCES runs (run),
	at_ns    INTEGER NOT NULL,
	kept     TEXT NOT NULL, -- steps whose captures stay
	complete INTEGER NOT NULL, -- 0 while those of other steps may still be there
	checksum INTEGER NOT NULL -- of the columns above
) STRICT;
`

// Thinned is what became of the captures of a run.
type Thinned struct {
	At       time.Time // when the first were removed
	Kept     []int     // steps whose captures stay, ascending
	Complete bool      // none are left but those
}

// removes tells whether the captures of a step may be gone; nil removes none.
func (t *Thinned) removes(step int) bool {
	if t == nil {
		return false
	}
	_, kept := slices.BinarySearch(t.Kept, step)
	return !kept
}

// Share of the time in which thinning holds the store against other writers,
// and how much it does in one go, so that a step's commit hardly waits.
const (
	thinSteps = 64  // whose captures are removed in one transaction
	thinPages = 128 // that are given back in one transaction
	thinRest  = 4   // times as long as that took, before the next
)

// Thin removes the captures of a finished run, but for those of the steps in
// kept, in many small transactions with rests between them. Whenever it is cut
// short, all else reads as before; another call goes on. What an earlier call
// did not keep is not asked for again. It tells how many steps lost their
// captures. The file stays as large as it is until Shrink.
func (s *Store) Thin(ctx context.Context, run int64, kept []int, now time.Time) (removed int, err error) {
	doing := fmt.Sprintf("thinning the captures of run %d", run)
	if s.writer == nil {
		return 0, s.readOnly(doing)
	}
	release, err := s.HoldFor("thin") // two would not know what the other does not keep
	if err != nil {
		return 0, fmt.Errorf("store %s: %s: %w", s.path, doing, err)
	}
	defer func() { err = errors.Join(err, release()) }()
	before, err := s.Thinned(ctx, run)
	if err != nil {
		return 0, err
	}
	t := Thinned{At: now, Kept: slices.Compact(slices.Sorted(slices.Values(kept)))}
	if before != nil {
		t.At = before.At
		t.Kept = slices.DeleteFunc(t.Kept, before.removes)
	}
	// Said before anything goes. A run that is done stays so.
	err = s.rested(ctx, doing, func(tx *sql.Tx) error {
		if err := mustBeDone(ctx, tx, run); err != nil {
			return err
		}
		return s.putThinned(ctx, tx, run, &t)
	})
	if err != nil {
		return 0, err
	}
	for next := 0; ; {
		var steps []int
		if steps, err = s.capturedSteps(ctx, run, next, thinSteps); err != nil {
			return removed, s.failed(doing, err)
		}
		if len(steps) == 0 {
			break
		}
		next = steps[len(steps)-1] + 1
		steps = slices.DeleteFunc(steps, func(step int) bool { return !t.removes(step) })
		if len(steps) == 0 {
			continue
		}
		gone := 0
		err := s.rested(ctx, doing, func(tx *sql.Tx) error {
			for _, step := range steps {
				result, err := tx.StmtContext(ctx, s.write.removeCaptures).ExecContext(ctx, run, step)
				if err != nil {
					return err
				}
				n, err := result.RowsAffected()
				if err != nil {
					return err
				}
				gone += int(n)
			}
			return nil
		})
		if err != nil {
			return removed, err
		}
		removed += gone
	}
	t.Complete = true
	return removed, s.rested(ctx, doing, func(tx *sql.Tx) error { return s.putThinned(ctx, tx, run, &t) })
}

// rested does something in a transaction and then leaves the store to others
// for a while.
func (s *Store) rested(ctx context.Context, doing string, do func(*sql.Tx) error) error {
	begun := time.Now()
	err := s.within(ctx, doing, func(tx *sql.Tx) error {
		begun = time.Now() // it waited for others before
		return do(tx)
	})
	if err != nil {
		return err
	}
	select {
	case <-ctx.Done(): // told by what comes next
	case <-time.After(thinRest * time.Since(begun)):
	}
	return nil
}

func mustBeDone(ctx context.Context, tx *sql.Tx, run int64) error {
	var state string
	switch err := tx.QueryRowContext(ctx, "SELECT state FROM runs WHERE run = ?", run).Scan(&state); {
	case errors.Is(err, sql.ErrNoRows):
		return fmt.Errorf("%w: %d", ErrNoRun, run)
	case err != nil:
		return err
	case sweep.State(state) != sweep.Done:
		return fmt.Errorf("run %d is %w (%s)", run, ErrUnfinished, state)
	}
	return nil
}

// putThinned stores what becomes of a run's captures, in the place of what was
// stored before.
func (s *Store) putThinned(ctx context.Context, tx *sql.Tx, run int64, t *Thinned) error {
	at, err := nanoseconds(t.At)
	if err != nil {
		return err
	}
	var kept strings.Builder
	for i, step := range t.Kept {
		if i > 0 {
			kept.WriteByte(' ')
		}
		kept.WriteString(strconv.Itoa(step))
	}
	complete := int64(0)
	if t.Complete {
		complete = 1
	}
	row := []any{run, at, kept.String(), complete}
	sum, _ := checksum(row, nil)
	if _, err := tx.ExecContext(ctx, thinnedTable); err != nil {
		return err
	}
	_, err = tx.ExecContext(ctx, "INSERT OR REPLACE INTO thinned (run, at_ns, kept, complete, checksum) VALUES (?, ?, ?, ?, ?)", append(row, sum)...)
	return err
}

// Thinned tells what became of the captures of a run; nil where all are there.
func (s *Store) Thinned(ctx context.Context, run int64) (*Thinned, error) {
	doing := fmt.Sprintf("reading whether run %d was thinned", run)
	rows, err := s.rowsOf(ctx, "thinned", "SELECT at_ns, kept, complete, checksum FROM thinned WHERE run = ?", run)
	if err != nil || rows == nil {
		return nil, s.failed(doing, err)
	}
	defer rows.Close()
	if !rows.Next() {
		return nil, s.failed(doing, rows.Err())
	}
	var at, complete, stored int64
	var kept string
	if err := rows.Scan(&at, &kept, &complete, &stored); err != nil {
		return nil, s.failed(doing, err)
	}
	t := &Thinned{At: timeOf(at), Complete: complete == 1}
	sum, _ := checksum([]any{run, at, kept, complete}, nil)
	wrong := sum != stored
	for text := range strings.FieldsSeq(kept) {
		step, err := strconv.Atoi(text)
		wrong = wrong || err != nil
		t.Kept = append(t.Kept, step)
	}
	if wrong {
		return nil, s.damaged("what is said of the thinning of run %d does not read as it was stored", run)
	}
	return t, nil
}

// capturedSteps are the next steps of a run whose captures are there, from one
// on, at most so many.
func (s *Store) capturedSteps(ctx context.Context, run int64, from, most int) ([]int, error) {
	rows, err := s.read.captured.QueryContext(ctx, run, from, most)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var steps []int
	for rows.Next() {
		var step int
		if err := rows.Scan(&step); err != nil {
			return nil, err
		}
		steps = append(steps, step)
	}
	return steps, rows.Err()
}

// sampledSizes is how many steps of a run are weighed to tell what all weigh.
const sampledSizes = 16

// Captured is the steps of a run whose captures are there, ascending, and how
// many bytes those of a step take, about.
func (s *Store) Captured(ctx context.Context, run int64) (steps []int, each int64, err error) {
	doing := fmt.Sprintf("looking for the captures of run %d", run)
	if steps, err = s.capturedSteps(ctx, run, 0, -1); err != nil || len(steps) == 0 {
		return nil, 0, s.failed(doing, err)
	}
	every := max(1, len(steps)/sampledSizes)
	var total, weighed int64
	for i := every / 2; i < len(steps); i += every {
		var size int64
		if err := s.read.size.QueryRowContext(ctx, run, steps[i]).Scan(&size); err != nil {
			return nil, 0, s.failed(doing, err)
		}
		total += size
		weighed++
	}
	return steps, total / weighed, nil
}

// Free is how many bytes of the file are of no use any more, and whether
// Shrink can give them back; new runs take them up otherwise.
func (s *Store) Free(ctx context.Context) (bytes int64, shrinks bool, err error) {
	var pages, size, mode int64
	err = s.reader.QueryRowContext(ctx, `SELECT f.freelist_count, p.page_size, a.auto_vacuum
		FROM pragma_freelist_count AS f, pragma_page_size AS p, pragma_auto_vacuum AS a`).Scan(&pages, &size, &mode)
	return pages * size, mode == incremental, s.failed("looking for free room", err)
}

// incremental is the value of SQLite's auto_vacuum for a store whose free
// pages can be given back a few at a time.
const incremental = 2

// Shrink gives free room back to the disk, in many small transactions with
// rests between them, and tells how much. A store of before this was possible
// stays as large as it is, see Free and Rewrite.
func (s *Store) Shrink(ctx context.Context) (bytes int64, err error) {
	const doing = "giving free room back"
	if s.writer == nil {
		return 0, s.readOnly(doing)
	}
	before, shrinks, err := s.Free(ctx)
	if err != nil || !shrinks {
		return 0, err
	}
	for left := before; left > 0; {
		err := s.rested(ctx, doing, func(tx *sql.Tx) error {
			// A row comes for each page, and the page is free once it was read.
			rows, err := tx.QueryContext(ctx, fmt.Sprintf("PRAGMA incremental_vacuum(%d)", thinPages))
			if err != nil {
				return err
			}
			defer rows.Close()
			for rows.Next() {
			}
			return rows.Err()
		})
		if err != nil {
			return before - left, err
		}
		now, _, err := s.Free(ctx)
		if err != nil || now >= left { // another process frees as fast
			return before - left, err
		}
		left = now
	}
	return before, s.checkpoint(ctx)
}

// checkpoint writes the log into the file, as far as readers allow it, which
// is when the file becomes shorter.
func (s *Store) checkpoint(ctx context.Context) error {
	var busy, logged, written int64
	err := s.writer.QueryRowContext(ctx, "PRAGMA wal_checkpoint(PASSIVE)").Scan(&busy, &logged, &written)
	return s.failed("writing the log into the file", err)
}

// Rewrite writes the whole file anew without its free room, after which Shrink
// can give room back. Nobody else can write meanwhile; it is refused with
// ErrHeld while a run or a daemon's queue is carried out. The disk must have
// room for the file twice more, in its folder and in that for temporary files.
func (s *Store) Rewrite(ctx context.Context) error {
	const doing = "writing the file anew"
	if s.writer == nil {
		return s.readOnly(doing)
	}
	if err := s.inUse(); err != nil {
		return fmt.Errorf("store %s: %s: %w", s.path, doing, err)
	}
	for _, q := range []string{fmt.Sprintf("PRAGMA auto_vacuum = %d", incremental), "VACUUM"} {
		if _, err := s.writer.ExecContext(ctx, q); err != nil {
			return s.failed(doing, err)
		}
	}
	return s.checkpoint(ctx)
}
