package journal

import (
	"context"
	"fmt"
	"math/rand/v2"
	"strconv"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"halfturn/sweep"
)

// commitForEver commits steps to the newest run and says so after each.
func commitForEver(path string) error {
	ctx := context.Background()
	s, err := Open(ctx, path)
	if err != nil {
		return err
	}
	run, err := s.Latest(ctx, "")
	if err != nil {
		return err
	}
	next := 0
	for _, err := range s.Steps(ctx, run.ID) {
		if err != nil {
			return err
		}
		next++
	}
	for ; ; next++ {
		step := sampleStep(run.ID, next)
		if err := s.Commit(ctx, run.ID, &step, smallCaptures(run.ID, next)); err != nil {
			return err
		}
		fmt.Println(next)
	}
}

// TestKill: a process that commits is killed again and again; what Commit said
// is stored is there, whole, and nothing else but at most one step whose
// commit was done and not yet told.
func TestKill(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	path := newPath(t)
	s := open(t, path)
	run := create(t, s, sampleRun(sweep.Balun))
	must(t, s.Close())
	random := rand.New(rand.NewPCG(1, 2))
	told := -1
	for round := range 8 {
		cmd, lines := start(t, "commit", path)
		go func() {
			time.Sleep(time.Duration(20+random.IntN(250)) * time.Millisecond)
			_ = cmd.Process.Kill()
		}()
		for lines.Scan() {
			n, err := strconv.Atoi(lines.Text())
			must(t, err)
			if n != told+1 && n != told+2 { // the one between was stored and not told
				t.Fatalf("round %d: step %d comes after %d", round, n, told)
			}
			told = n
		}
		_ = cmd.Wait() // killed

		open := OpenExisting
		if round%2 == 1 {
			open = OpenReadOnly // with the log of the killed one still there
		}
		s, err := open(ctx, path)
		must(t, err)
		steps, err := collect(ctx, s, run.ID)
		must(t, err)
		if n := len(steps); n != told+1 && n != told+2 {
			t.Fatalf("round %d: %d steps, and step %d was the last told", round, n, told)
		}
		for i := range steps {
			if want := sampleStep(run.ID, i); steps[i] != want {
				t.Fatal(cmp.Diff(want, steps[i]))
			}
		}
		for i := max(0, len(steps)-50); i < len(steps); i++ {
			if captures, err := s.Captures(ctx, run.ID, i); err != nil || !equalCaptures(captures, smallCaptures(run.ID, i)) {
				t.Fatalf("captures of step %d: %v", i, err)
			}
		}
		must(t, s.Close())
	}
	if told < 20 {
		t.Errorf("only %d steps were stored before the kills: nothing was tried", told+1)
	}
}
