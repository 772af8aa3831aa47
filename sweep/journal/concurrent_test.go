package journal

import (
	"context"
	"fmt"
	"sync"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfturn/sweep"
)

const concurrentSteps = 60

// writeOneRun writes a run of its own and says its ID.
func writeOneRun(path string) error {
	ctx := context.Background()
	s, err := Open(ctx, path)
	if err != nil {
		return err
	}
	run := sampleRun(sweep.Balun)
	if err := s.Create(ctx, &run); err != nil {
		return err
	}
	for i := range concurrentSteps {
		step := sampleStep(run.ID, i)
		if err := s.Commit(ctx, run.ID, &step, smallCaptures(run.ID, i)); err != nil {
			return err
		}
	}
	fmt.Println(run.ID)
	return s.Close()
}

// TestProcesses: several make the store and write to it at once, while this
// one reads.
func TestProcesses(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	path := newPath(t)
	var done sync.WaitGroup
	const processes = 3
	failed := make(chan error, processes)
	for range processes {
		cmd, lines := start(t, "writer", path)
		done.Go(func() {
			for lines.Scan() {
			}
			if err := cmd.Wait(); err != nil {
				failed <- err
			}
		})
	}
	finished := make(chan struct{})
	go func() { done.Wait(); close(finished) }()
	reads := 0
	for running := true; running; reads++ {
		select {
		case <-finished:
			running = false
		default:
		}
		s, err := OpenReadOnly(ctx, path)
		if err != nil {
			continue // none of them has made it yet
		}
		checkWritten(t, s)
		must(t, s.Close())
	}
	close(failed)
	for err := range failed {
		t.Fatal(err)
	}
	s, err := OpenReadOnly(ctx, path)
	must(t, err)
	defer s.Close()
	if n := checkWritten(t, s); n != processes*concurrentSteps || reads < 2 {
		t.Fatalf("%d steps, %d reads", n, reads)
	}
}

// checkWritten tells how many steps the store holds, all of which must be right.
func checkWritten(t *testing.T, s *Store) (n int) {
	t.Helper()
	ctx := context.Background()
	runs, err := s.Runs(ctx)
	must(t, err)
	for _, run := range runs {
		i := 0
		for step, err := range s.Steps(ctx, run.ID) {
			must(t, err)
			if want := sampleStep(run.ID, i); step != want {
				t.Fatal(cmp.Diff(want, step))
			}
			i++
		}
		n += i
		if i > 0 {
			captures, err := s.Captures(ctx, run.ID, i-1)
			must(t, err)
			if !equalCaptures(captures, smallCaptures(run.ID, i-1)) {
				t.Fatal("the newest captures are not right")
			}
		}
	}
	return n
}

// TestOneStoreManyCallers: commits, updates and reads of one Store at once.
func TestOneStoreManyCallers(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, newPath(t))
	var group sync.WaitGroup
	for range 4 {
		run := create(t, s, sampleRun(sweep.Calibration))
		group.Go(func() {
			for i := range 20 {
				step := sampleStep(run.ID, i)
				if err := s.Commit(ctx, run.ID, &step, smallCaptures(run.ID, i)); err != nil {
					t.Error(err)
				}
			}
			run.State = sweep.Done
			if err := s.Update(ctx, &run); err != nil {
				t.Error(err)
			}
		})
		group.Go(func() {
			for range 10 {
				if _, err := collect(ctx, s, run.ID); err != nil {
					t.Error(err)
				}
			}
		})
	}
	group.Wait()
	if n := checkWritten(t, s); n != 80 {
		t.Errorf("%d steps of 80", n)
	}
}
