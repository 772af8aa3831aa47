package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// ErrNoBaseline: no run of the store goes by the name.
var ErrNoBaseline = errors.New("no such baseline")

// baselinesTable is made when the first name is given. It stands by itself: a
// store without it has no baselines, and a version that does not know it reads
// and writes the rest as ever, so that it needs no version of its own.
const baselinesTable = `
CREATE TABLE IF NOT EXISTS baselines (
	name     TEXT PRIMARY KEY,
	run      INTEGER NOT NULL REFERENCES runs (run),
	checksum INTEGER NOT NULL -- of the columns above
) STRICT, WITHOUT ROWID;
`

// Baseline is a run that others are compared with, by its name.
type Baseline struct {
	Name string
	Run  int64
}

// SetBaseline gives a run a name, or moves the name to it from another run;
// ErrNoRun if there is no such run.
func (s *Store) SetBaseline(ctx context.Context, name string, run int64) error {
	doing := fmt.Sprintf("naming run %d a baseline", run)
	if s.writer == nil {
		return s.readOnly(doing)
	}
	if name == "" {
		return fmt.Errorf("store %s: %s: the name is empty", s.path, doing)
	}
	if _, err := s.Run(ctx, run); err != nil {
		return err
	}
	return s.within(ctx, doing, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, baselinesTable); err != nil {
			return err
		}
		sum, _ := checksum([]any{name, run}, nil)
		_, err := tx.ExecContext(ctx, "INSERT OR REPLACE INTO baselines (name, run, checksum) VALUES (?, ?, ?)", name, run, sum)
		return err
	})
}

// RemoveBaseline takes a name away; the run stays. ErrNoBaseline if there is
// no such name.
func (s *Store) RemoveBaseline(ctx context.Context, name string) error {
	doing := fmt.Sprintf("removing the baseline %q", name)
	if s.writer == nil {
		return s.readOnly(doing)
	}
	if _, err := s.Baseline(ctx, name); err != nil {
		return err
	}
	_, err := s.writer.ExecContext(ctx, "DELETE FROM baselines WHERE name = ?", name)
	return s.failed(doing, err)
}

// Baseline is the run that goes by a name; ErrNoBaseline if none does.
func (s *Store) Baseline(ctx context.Context, name string) (int64, error) {
	list, err := s.Baselines(ctx)
	if err != nil {
		return 0, err
	}
	for _, b := range list {
		if b.Name == name {
			return b.Run, nil
		}
	}
	return 0, fmt.Errorf("store %s: %w: %q", s.path, ErrNoBaseline, name)
}

// Baselines is every name that was given, in alphabetical order.
func (s *Store) Baselines(ctx context.Context) ([]Baseline, error) {
	list, errs := s.readableBaselines(ctx)
	if len(errs) > 0 {
		return nil, errs[0]
	}
	return list, nil
}

// readableBaselines are those that can be read, and why the others cannot.
func (s *Store) readableBaselines(ctx context.Context) (list []Baseline, errs []error) {
	errs = s.each(ctx, "reading the baselines", "baselines", "SELECT name, run, checksum FROM baselines ORDER BY name", func(scan func(...any) error) error {
		var b Baseline
		var stored int64
		if err := scan(&b.Name, &b.Run, &stored); err != nil {
			return err
		}
		if sum, _ := checksum([]any{b.Name, b.Run}, nil); sum != stored {
			return s.damaged("the baseline %q does not read as it was stored", b.Name)
		}
		list = append(list, b)
		return nil
	})
	return list, errs
}
