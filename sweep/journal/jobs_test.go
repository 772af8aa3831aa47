package journal

import (
	"context"
	"errors"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfturn/sweep"
)

func TestJobs(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	path := newPath(t)
	s := open(t, path)
	if jobs, err := s.Jobs(ctx); err != nil || jobs != nil {
		t.Fatalf("a new store has jobs %v: %v", jobs, err)
	}
	if notes, err := s.Notes(ctx); err != nil || len(notes) != 0 {
		t.Fatalf("a new store has notes %v: %v", notes, err)
	}
	must(t, s.SaveJob(ctx, Job{2, "second"}))
	must(t, s.SaveJob(ctx, Job{1, "first"}))
	must(t, s.SaveJob(ctx, Job{2, "changed"}))
	must(t, s.SaveJob(ctx, Job{3, "third"}))
	must(t, s.RemoveJob(ctx, 3))
	must(t, s.SetNote(ctx, "fitted", "cable"))
	must(t, s.SetNote(ctx, "fitted", "balun"))
	// Another connection sees them, also one for reading only.
	reader, err := OpenReadOnly(ctx, path)
	must(t, err)
	defer reader.Close()
	jobs, err := reader.Jobs(ctx)
	must(t, err)
	if diff := cmp.Diff([]Job{{1, "first"}, {2, "changed"}}, jobs); diff != "" {
		t.Error(diff)
	}
	notes, err := reader.Notes(ctx)
	must(t, err)
	if diff := cmp.Diff(map[string]string{"fitted": "balun"}, notes); diff != "" {
		t.Error(diff)
	}
	if err := reader.SaveJob(ctx, Job{4, ""}); !errors.Is(err, ErrReadOnly) {
		t.Errorf("written to a store for reading: %v", err)
	}
	for _, q := range []string{"UPDATE jobs SET content = 'other' WHERE job = 1", "UPDATE notes SET content = 'other'"} {
		_, err := s.writer.ExecContext(ctx, q)
		must(t, err)
	}
	if _, err := s.Jobs(ctx); !errors.Is(err, ErrDamaged) {
		t.Errorf("a changed job: %v", err)
	}
	if _, err := s.Notes(ctx); !errors.Is(err, ErrDamaged) {
		t.Errorf("a changed note: %v", err)
	}
}

// A run and its job are stored both or neither.
func TestCreateFor(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, newPath(t))
	run := sampleRun(sweep.Calibration)
	refused := errors.New("no")
	if err := s.CreateFor(ctx, &run, func(int64) (Job, error) { return Job{}, refused }); !errors.Is(err, refused) {
		t.Fatal(err)
	}
	if runs, err := s.Runs(ctx); err != nil || len(runs) != 0 {
		t.Fatalf("%d runs without their job: %v", len(runs), err)
	}
	var told int64
	must(t, s.CreateFor(ctx, &run, func(id int64) (Job, error) { told = id; return Job{7, "with it"}, nil }))
	jobs, err := s.Jobs(ctx)
	must(t, err)
	if run.ID != 1 || told != 1 || len(jobs) != 1 || jobs[0] != (Job{7, "with it"}) {
		t.Errorf("run %d, told %d, jobs %v", run.ID, told, jobs)
	}
}
