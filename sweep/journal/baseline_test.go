package journal

import (
	"context"
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfturn/sweep"
)

func TestBaselines(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	path := newPath(t)
	s := open(t, path)
	fill(t, s, sweep.Calibration, 1)
	fill(t, s, sweep.Balun, 1)
	if list, err := s.Baselines(ctx); err != nil || len(list) != 0 {
		t.Fatalf("a new store: %v, %v", list, err)
	}
	must(t, s.SetBaseline(ctx, "Harbour reference", 2))
	must(t, s.SetBaseline(ctx, "'; DROP TABLE runs; --", 1))
	must(t, s.SetBaseline(ctx, "winding 2", 1))
	must(t, s.SetBaseline(ctx, "winding 2", 2)) // moves
	must(t, s.RemoveBaseline(ctx, "'; DROP TABLE runs; --"))
	must(t, s.Close())

	s, err := OpenReadOnly(ctx, path)
	must(t, err)
	list, err := s.Baselines(ctx)
	must(t, err)
	if diff := cmp.Diff([]Baseline{{"Harbour reference", 2}, {"winding 2", 2}}, list); diff != "" {
		t.Error(diff)
	}
	if run, err := s.Baseline(ctx, "winding 2"); err != nil || run != 2 {
		t.Errorf("run %d, %v", run, err)
	}
	if _, err := s.Baseline(ctx, "'; DROP TABLE runs; --"); !errors.Is(err, ErrNoBaseline) || strings.Contains(err.Error(), "\n") {
		t.Errorf("a removed baseline: %v", err)
	}
	if err := errors.Join(s.SetBaseline(ctx, "x", 1), s.RemoveBaseline(ctx, "winding 2")); !errors.Is(err, ErrReadOnly) {
		t.Errorf("writing to a store opened for reading: %v", err)
	}
	must(t, s.Close())
}

func TestBaselineRefusals(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, newPath(t))
	fill(t, s, sweep.Balun, 1)
	if err := s.SetBaseline(ctx, "x", 7); !errors.Is(err, ErrNoRun) {
		t.Errorf("a run that is not there: %v", err)
	}
	if err := s.SetBaseline(ctx, "", 1); err == nil {
		t.Error("an empty name was taken")
	}
	if err := s.RemoveBaseline(ctx, "x"); !errors.Is(err, ErrNoBaseline) {
		t.Errorf("removing what is not there: %v", err)
	}
	if list, err := s.Baselines(ctx); err != nil || len(list) != 0 {
		t.Errorf("refusals left %v, %v", list, err)
	}
}

// TestStoreWithoutBaselines: a store from before there were names is read as
// one that has none, and takes names once it is opened for writing.
func TestStoreWithoutBaselines(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	path := newPath(t)
	s := open(t, path)
	run := fill(t, s, sweep.Balun, 3)
	must(t, s.SetBaseline(ctx, "x", run.ID))
	_, err := s.writer.Exec("DROP TABLE baselines")
	must(t, err)
	must(t, s.Close())

	s, err = OpenReadOnly(ctx, path)
	must(t, err)
	if _, err := s.Baseline(ctx, "x"); !errors.Is(err, ErrNoBaseline) {
		t.Errorf("an old store: %v", err)
	}
	must(t, s.Close())
	s, err = OpenExisting(ctx, path)
	must(t, err)
	defer s.Close()
	must(t, s.SetBaseline(ctx, "x", run.ID))
	if got, err := s.Baseline(ctx, "x"); err != nil || got != run.ID {
		t.Errorf("run %d, %v", got, err)
	}
	if steps, err := collect(ctx, s, run.ID); err != nil || len(steps) != 3 {
		t.Errorf("%d steps, %v", len(steps), err)
	}
}

func TestDamagedBaseline(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, newPath(t))
	fill(t, s, sweep.Balun, 1)
	fill(t, s, sweep.Balun, 1)
	must(t, s.SetBaseline(ctx, "x", 1))
	_, err := s.writer.Exec("UPDATE baselines SET run = 2")
	must(t, err)
	if run, err := s.Baseline(ctx, "x"); !errors.Is(err, ErrDamaged) {
		t.Errorf("run %d, %v", run, err)
	}
}
