package journal

import (
	"context"
	"errors"
	"strings"
	"testing"

	"halfturn/sweep"
)

// commitUntilFull commits steps until one fails, and tells how many did not.
func commitUntilFull(t *testing.T, s *Store, run int64, first int) int {
	t.Helper()
	for i := first; ; i++ {
		step := sampleStep(run, i)
		err := s.Commit(context.Background(), run, &step, smallCaptures(run, i))
		if err == nil {
			continue
		}
		if !errors.Is(err, ErrFull) || !strings.Contains(err.Error(), "disk full") || strings.Contains(err.Error(), "\n") {
			t.Fatalf("step %d: %v", i, err)
		}
		return i
	}
}

// TestFull: a store that may not grow says so, keeps what it has, and goes on
// when there is room.
func TestFull(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, newPath(t))
	run := fill(t, s, sweep.Balun, 3)
	limit := func(pages int) {
		_, err := s.writer.ExecContext(ctx, "PRAGMA max_page_count = "+map[int]string{40: "40", 0: "4294967294"}[pages])
		must(t, err)
	}
	limit(40)
	stored := commitUntilFull(t, s, run.ID, 3)
	if stored < 10 {
		t.Errorf("full after %d steps", stored)
	}
	if n := checkWritten(t, s); n != stored {
		t.Fatalf("%d steps of %d", n, stored)
	}
	if again := commitUntilFull(t, s, run.ID, stored); again != stored {
		t.Fatalf("step %d after the disk was full at %d", again, stored)
	}
	limit(0)
	step := sampleStep(run.ID, stored)
	must(t, s.Commit(ctx, run.ID, &step, smallCaptures(run.ID, stored)))
	if n := checkWritten(t, s); n != stored+1 {
		t.Fatalf("%d steps of %d", n, stored+1)
	}
}
