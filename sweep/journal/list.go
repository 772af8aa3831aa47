package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"iter"
	"math"
	"slices"

	"halfturn/sweep"
)

// Listing says which part of the list of runs is wanted.
type Listing struct {
	Kind   sweep.Kind // empty for any
	Before int64      // the newest of those with a lower ID; 0 for the newest of all
	After  int64      // instead of Before: the oldest of those with a higher ID; 0 for none
	Most   int        // runs; 0 for all
}

// Listed is a part of the list of runs.
type Listed struct {
	Runs         []sweep.Run // the newest first
	Newer, Older int         // how many of the kind stand above and below them
}

// List is a part of the list of runs. Runs are never taken away and new ones
// stand above all others, so that going on Before the last of each part gives
// every run once, whatever is stored meanwhile.
func (s *Store) List(ctx context.Context, l Listing) (Listed, error) {
	var listed Listed
	from, up := int64(math.MaxInt64), l.After > 0
	switch {
	case up:
		from = l.After
	case l.Before > 0:
		from = l.Before
	}
	for run, err := range s.walk(ctx, l.Kind, from, up) {
		if err != nil {
			return Listed{}, err
		}
		if listed.Runs = append(listed.Runs, run); len(listed.Runs) == l.Most {
			break
		}
	}
	above, below := from-1, from
	if up {
		slices.Reverse(listed.Runs)
		above, below = from, from+1
	}
	if n := len(listed.Runs); n > 0 {
		above, below = listed.Runs[0].ID, listed.Runs[n-1].ID
	}
	var err error
	if listed.Newer, err = s.count(ctx, l.Kind, above, math.MaxInt64); err != nil {
		return Listed{}, err
	}
	listed.Older, err = s.count(ctx, l.Kind, 0, below)
	return listed, err
}

// count is how many runs of a kind there are between two IDs.
func (s *Store) count(ctx context.Context, kind sweep.Kind, above, below int64) (n int, err error) {
	err = s.read.count.QueryRowContext(ctx, above, below, string(kind)).Scan(&n)
	return n, s.failed("counting the runs", err)
}

// Runs is every run, the oldest first. Where some cannot be read the others
// come with the error.
func (s *Store) Runs(ctx context.Context) ([]sweep.Run, error) {
	var runs []sweep.Run
	var errs []error
	for run, err := range s.Newest(ctx, "", 0) {
		if err != nil {
			errs = append(errs, err)
		} else {
			runs = append(runs, run)
		}
	}
	slices.Reverse(runs)
	return runs, errors.Join(errs...)
}

// Latest is the newest run of a kind, in whatever state; an empty kind is any.
// ErrNoRun if there is none.
func (s *Store) Latest(ctx context.Context, kind sweep.Kind) (sweep.Run, error) {
	for run, err := range s.Newest(ctx, kind, 0) {
		return run, err
	}
	words := ""
	if kind != "" {
		words = string(kind) + " "
	}
	return sweep.Run{}, fmt.Errorf("store %s: %w: it has no %srun yet", s.path, ErrNoRun, words)
}

// Newest yields the runs of a kind, an empty one for any, whose IDs are below
// before, 0 for all: the newest first, reading as it goes. Errors stand in the
// place of those that cannot be read, and the others follow.
func (s *Store) Newest(ctx context.Context, kind sweep.Kind, before int64) iter.Seq2[sweep.Run, error] {
	if before <= 0 {
		before = math.MaxInt64
	}
	return s.walk(ctx, kind, before, false)
}

// listPage is how many rows of runs are read at once, at first and at most.
const (
	firstListPage = 4
	listPage      = 256
)

// walk yields the runs of a kind above or below an ID, going away from it.
func (s *Store) walk(ctx context.Context, kind sweep.Kind, from int64, up bool) iter.Seq2[sweep.Run, error] {
	return func(yield func(sweep.Run, error) bool) {
		for most := firstListPage; ; most = min(4*most, listPage) {
			part, err := s.readList(ctx, kind, from, up, most)
			if err != nil {
				yield(sweep.Run{}, err)
				return
			}
			for i := range part.runs {
				if !yield(part.runs[i], part.errs[i]) {
					return
				}
			}
			if part.over {
				return
			}
			from = part.last
		}
	}
}

// listPart is some rows of runs: those that are wanted, or what is wrong with
// them.
type listPart struct {
	runs []sweep.Run
	errs []error
	last int64 // ID that was come to
	over bool
}

func (p *listPart) add(run sweep.Run, err error) {
	p.runs, p.errs = append(p.runs, run), append(p.errs, err)
}

// readList reads rows above or below an ID. IDs have no gaps; it goes by them,
// and by the newest that progress has, since a damaged page of a table may
// read as one with fewer rows. Rows of other kinds are read as far as their
// checksum, which tells that the kind is theirs.
func (s *Store) readList(ctx context.Context, kind sweep.Kind, from int64, up bool, most int) (part listPart, err error) {
	failed := func(err error) (listPart, error) { return listPart{}, s.failed("reading the runs", err) }
	tx, err := s.reader.BeginTx(ctx, &sql.TxOptions{ReadOnly: true}) // both reads see the same runs
	if err != nil {
		return failed(err)
	}
	defer tx.Rollback()
	var newest int64
	if err := tx.StmtContext(ctx, s.read.newest).QueryRowContext(ctx).Scan(&newest); err != nil {
		return failed(err)
	}
	query, next, end, step := s.read.older, min(newest, from-1), int64(1), int64(-1)
	if up {
		query, next, end, step = s.read.newer, from+1, newest, 1
	}
	rows, err := tx.StmtContext(ctx, query).QueryContext(ctx, from, most)
	if err != nil {
		return failed(err)
	}
	defer rows.Close()
	missing := func(last int64) {
		part.add(sweep.Run{}, s.damaged("it cannot read runs %d to %d, of %d", min(next, last), max(next, last), newest))
	}
	row := newRunRow()
	read := 0
	for ; rows.Next(); read++ {
		id, err := s.scan(rows, row)
		if beyond := (id - next) * step; err == nil && beyond > 0 {
			missing(id - step)
			next = id
		} else if err == nil && beyond < 0 {
			err = s.damaged("run %d is not in its list of runs", id)
		}
		next += step
		switch {
		case err != nil:
			part.add(sweep.Run{}, err)
		case kind == "" || row.kind() == kind:
			part.add(s.run(row))
		}
	}
	if err := rows.Err(); err != nil {
		part.add(sweep.Run{}, s.failed("reading the runs", err))
		part.over = true
		return part, nil
	}
	if part.over = read < most; part.over && (end-next)*step >= 0 {
		missing(end)
	}
	part.last = next - step
	return part, nil
}
