package journal

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"testing"
	"time"

	"halfturn/sweep"
)

var thinnedAt = time.Date(2027, 1, 2, 3, 4, 5, 6, time.UTC)

// fillDone stores a finished run.
func fillDone(t testing.TB, s *Store, steps int) sweep.Run {
	t.Helper()
	run := fill(t, s, sweep.Balun, steps)
	run.State, run.Finished, run.Verdict = sweep.Done, run.Started.Add(time.Hour), "pass"
	must(t, s.Update(context.Background(), &run))
	return run
}

// checkThinned wants all results of a run as they were stored, and of the
// captures those of kept, and as many of the others as there are.
func checkThinned(t testing.TB, s *Store, run int64, steps int, kept []int, complete bool) (gone int) {
	t.Helper()
	ctx := context.Background()
	got, err := collect(ctx, s, run)
	must(t, err)
	if len(got) != steps {
		t.Fatalf("%d steps of %d", len(got), steps)
	}
	for i := range got {
		if got[i] != sampleStep(run, i) {
			t.Fatalf("step %d is another one", i)
		}
		captures, err := s.Captures(ctx, run, i)
		switch {
		case errors.Is(err, ErrThinned):
			gone++
			if slices.Contains(kept, i) {
				t.Errorf("the captures of step %d, which were kept: %v", i, err)
			}
		case err != nil:
			t.Errorf("the captures of step %d: %v", i, err)
		case !equalCaptures(captures, smallCaptures(run, i)):
			t.Errorf("other captures of step %d", i)
		case complete && !slices.Contains(kept, i):
			t.Errorf("the captures of step %d are still there", i)
		}
	}
	return gone
}

func integrity(t testing.TB, s *Store) {
	t.Helper()
	var said string
	must(t, s.reader.QueryRow("PRAGMA integrity_check").Scan(&said))
	if said != "ok" {
		t.Error(said)
	}
}

func TestThin(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	path := newPath(t)
	s := open(t, path)
	const steps = 3*thinSteps + 5
	first, second := fillDone(t, s, steps), fillDone(t, s, steps)
	if thinned, err := s.Thinned(ctx, first.ID); err != nil || thinned != nil {
		t.Fatalf("thinned before: %+v, %v", thinned, err)
	}
	captured, each, err := s.Captured(ctx, first.ID)
	must(t, err)
	if len(captured) != steps || each < 100 || each > 1000 {
		t.Errorf("%d steps with captures of %d bytes", len(captured), each)
	}
	kept := []int{100, 0, 7, steps - 1, 7}
	removed, err := s.Thin(ctx, first.ID, kept, thinnedAt)
	must(t, err)
	if removed != steps-4 {
		t.Errorf("%d steps lost their captures", removed)
	}
	if gone := checkThinned(t, s, first.ID, steps, kept, true); gone != removed {
		t.Errorf("%d are gone, and %d were removed", gone, removed)
	}
	checkThinned(t, s, second.ID, steps, nil, false)
	thinned, err := s.Thinned(ctx, first.ID)
	must(t, err)
	if !thinned.At.Equal(thinnedAt) || !slices.Equal(thinned.Kept, []int{0, 7, 100, steps - 1}) || !thinned.Complete {
		t.Errorf("%+v", thinned)
	}

	// Once more, with another rule: what is gone cannot be kept, and the day stays.
	removed, err = s.Thin(ctx, first.ID, []int{7, 8, 100}, thinnedAt.AddDate(0, 0, 1))
	must(t, err)
	thinned, err = s.Thinned(ctx, first.ID)
	must(t, err)
	if removed != 2 || !slices.Equal(thinned.Kept, []int{7, 100}) || !thinned.At.Equal(thinnedAt) {
		t.Errorf("%d removed: %+v", removed, thinned)
	}
	checkThinned(t, s, first.ID, steps, []int{7, 100}, true)
	must(t, s.Close())

	// The file becomes smaller, and is whole.
	before, err := os.Stat(path)
	must(t, err)
	s = open(t, path)
	free, shrinks, err := s.Free(ctx)
	must(t, err)
	freed, err := s.Shrink(ctx)
	must(t, err)
	if !shrinks || freed != free || free < before.Size()/10 {
		t.Errorf("%d bytes of %d were free, %d were given back (%v)", free, before.Size(), freed, shrinks)
	}
	integrity(t, s)
	must(t, s.Close())
	after, err := os.Stat(path)
	must(t, err)
	if after.Size() != before.Size()-freed {
		t.Errorf("from %d to %d bytes, and %d were given back", before.Size(), after.Size(), freed)
	}
	s, err = OpenReadOnly(ctx, path)
	must(t, err)
	defer s.Close()
	checkThinned(t, s, first.ID, steps, []int{7, 100}, true)
	checkThinned(t, s, second.ID, steps, nil, false)
	if _, err := s.Thin(ctx, second.ID, nil, thinnedAt); !errors.Is(err, ErrReadOnly) {
		t.Errorf("thinned a store that was opened for reading: %v", err)
	}
}

func TestThinRefusals(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, newPath(t))
	run := fill(t, s, sweep.Balun, 3)
	if _, err := s.Thin(ctx, run.ID, nil, thinnedAt); !errors.Is(err, ErrUnfinished) {
		t.Errorf("a run that may go on: %v", err)
	}
	if _, err := s.Thin(ctx, 99, nil, thinnedAt); !errors.Is(err, ErrNoRun) {
		t.Errorf("no run: %v", err)
	}
	done := fillDone(t, s, 3)
	release, err := s.HoldFor("thin")
	must(t, err)
	if _, err := s.Thin(ctx, done.ID, nil, thinnedAt); !errors.Is(err, ErrHeld) {
		t.Errorf("while another thins: %v", err)
	}
	must(t, release())
	for _, id := range []int64{run.ID, done.ID} {
		checkThinned(t, s, id, 3, []int{0, 1, 2}, true)
	}
	if thinned, err := s.Thinned(ctx, done.ID); err != nil || thinned != nil {
		t.Errorf("a refusal left %+v, %v", thinned, err)
	}
}

// TestCapturesLostOtherwise: only what was said to go counts as thinned.
func TestCapturesLostOtherwise(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, newPath(t))
	run := fillDone(t, s, 20)
	_, err := s.Thin(ctx, run.ID, []int{3, 9}, thinnedAt)
	must(t, err)
	spoil := func(q string) {
		t.Helper()
		_, err := s.writer.Exec(q)
		must(t, err)
	}
	spoil("DELETE FROM captures WHERE step = 9")
	if _, err := s.Captures(ctx, run.ID, 9); !errors.Is(err, ErrDamaged) {
		t.Errorf("captures that were kept and are lost: %v", err)
	}
	if _, err := s.Captures(ctx, run.ID, 3); err != nil {
		t.Error(err)
	}
	spoil("UPDATE thinned SET kept = '3 9 11'")
	if _, err := s.Captures(ctx, run.ID, 4); !errors.Is(err, ErrDamaged) {
		t.Errorf("after what is said of the thinning was changed: %v", err)
	}
	if _, err := s.Thin(ctx, run.ID, nil, thinnedAt); !errors.Is(err, ErrDamaged) {
		t.Errorf("thinning over what was damaged: %v", err)
	}
}

// thinAll thins the runs of a store but its last, one after the other, and
// gives room back.
func thinAll(path string) error {
	ctx := context.Background()
	s, err := Open(ctx, path)
	if err != nil {
		return err
	}
	latest, err := s.Latest(ctx, "")
	if err != nil {
		return err
	}
	fmt.Println("open")
	for run := int64(1); run < latest.ID; run++ {
		if _, err := s.Thin(ctx, run, keptWhenKilled, thinnedAt); err != nil {
			return err
		}
		if _, err := s.Shrink(ctx); err != nil {
			return err
		}
	}
	return s.Close()
}

var keptWhenKilled = []int{0, 50, 299}

// TestThinKilled: a process that thins is killed again and again while this
// one stores steps; no result changes, no capture that stays is lost, and in
// the end all that goes is gone and the file is small.
func TestThinKilled(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	path := newPath(t)
	s := open(t, path)
	const runs, steps = 3, 300
	for range runs {
		fillDone(t, s, steps)
	}
	going := create(t, s, sampleRun(sweep.Balun))
	next, kills, gone := 0, 0, 0
	random := rand.New(rand.NewPCG(9, 10))
	for round := 0; ; round++ {
		cmd, lines := start(t, "thin", path)
		lines.Scan() // it is open
		ended := make(chan struct{})
		go func() {
			defer close(ended)
			for lines.Scan() {
			}
		}()
		if round > 0 && round < 8 {
			time.AfterFunc(time.Duration(random.IntN(25))*time.Millisecond, func() { _ = cmd.Process.Kill() })
		}
		for running := true; running; {
			step := sampleStep(going.ID, next)
			must(t, s.Commit(ctx, going.ID, &step, smallCaptures(going.ID, next)))
			next++
			if left, _, err := s.Captured(ctx, 1); round == 0 && (err != nil || len(left) < steps) {
				must(t, err)
				_ = cmd.Process.Kill() // in the midst of the first run
			}
			select {
			case <-ended:
				running = false
			case <-time.After(5 * time.Millisecond): // the rest of a step
			}
		}
		if cmd.Wait() == nil {
			break
		}
		kills++
		now := 0
		for run := int64(1); run <= runs; run++ {
			now += checkThinned(t, s, run, steps, keptWhenKilled, false)
		}
		if now < gone || now == 0 {
			t.Errorf("%d captures were gone and %d are", gone, now)
		}
		gone = now
		if round >= 8 {
			t.Fatal("it failed by itself")
		}
	}
	if kills < 3 {
		t.Errorf("killed %d times only", kills)
	}
	for run := int64(1); run <= runs; run++ {
		checkThinned(t, s, run, steps, keptWhenKilled, true)
	}
	if _, err := s.Shrink(ctx); err != nil {
		t.Error(err)
	}
	if free, _, err := s.Free(ctx); err != nil || free != 0 {
		t.Errorf("%d bytes are still free, %v", free, err)
	}
	checkThinned(t, s, going.ID, next, nil, false)
	integrity(t, s)
}

// TestThinCutShort: told to stop it stops, and all else is as it was.
func TestThinCutShort(t *testing.T) {
	t.Parallel()
	s := open(t, newPath(t))
	const steps = 8 * thinSteps
	run := fillDone(t, s, steps)
	ctx, cancel := context.WithCancel(context.Background())
	go func() {
		for thinned := (*Thinned)(nil); thinned == nil; {
			thinned, _ = s.Thinned(context.Background(), run.ID)
		}
		cancel()
	}()
	if _, err := s.Thin(ctx, run.ID, nil, thinnedAt); !errors.Is(err, context.Canceled) {
		t.Fatalf("got %v", err)
	}
	gone := checkThinned(t, s, run.ID, steps, nil, false)
	removed, err := s.Thin(context.Background(), run.ID, nil, thinnedAt)
	must(t, err)
	if removed != steps-gone {
		t.Errorf("%d were gone and %d more were removed, of %d", gone, removed, steps)
	}
	checkThinned(t, s, run.ID, steps, nil, true)
}

// TestRewrite: a store of before free room could be given back keeps its size,
// until it is written anew; not while it is in use.
func TestRewrite(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	path := newPath(t)
	s := open(t, path)
	run := fillDone(t, s, 200)
	_, err := s.writer.Exec("PRAGMA auto_vacuum = 0; VACUUM")
	must(t, err)
	_, err = s.Thin(ctx, run.ID, nil, thinnedAt)
	must(t, err)
	free, shrinks, err := s.Free(ctx)
	must(t, err)
	if freed, err := s.Shrink(ctx); err != nil || freed != 0 || shrinks || free == 0 {
		t.Fatalf("%d of %d bytes were given back (%v), %v", freed, free, shrinks, err)
	}
	for _, hold := range []func() (func() error, error){
		func() (func() error, error) { return s.Claim(run.ID) },
		func() (func() error, error) { return s.HoldFor("daemon") },
	} {
		release, err := hold()
		must(t, err)
		if err := s.Rewrite(ctx); !errors.Is(err, ErrHeld) {
			t.Errorf("while it is in use: %v", err)
		}
		must(t, release())
	}
	must(t, s.Rewrite(ctx))
	if free, shrinks, err := s.Free(ctx); err != nil || free != 0 || !shrinks {
		t.Errorf("%d bytes are free (%v), %v", free, shrinks, err)
	}
	integrity(t, s)
	checkThinned(t, s, run.ID, 200, nil, true)
	must(t, s.Close())
	s = open(t, path)
	checkThinned(t, s, run.ID, 200, nil, true)
}

// TestCopy: a run goes to another store whole, thinned as it is.
func TestCopy(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	from, to := open(t, newPath(t)), open(t, newPath(t))
	const steps = copySteps + 20
	run := fillDone(t, from, steps)
	kept := []int{1, copySteps, steps - 1}
	_, err := from.Thin(ctx, run.ID, kept, thinnedAt)
	must(t, err)
	copied, err := to.Copy(ctx, from, run.ID, &run)
	must(t, err)
	if copied.Run != 1 || copied.Steps != steps || copied.Captures != 3 || copied.Lost != nil {
		t.Errorf("%+v", copied)
	}
	checkThinned(t, to, 1, steps, kept, true)
	if got, err := to.Run(ctx, 1); err != nil || got.State != sweep.Done {
		t.Errorf("%+v, %v", got, err)
	}
	thinned, err := to.Thinned(ctx, 1)
	must(t, err)
	if !thinned.At.Equal(thinnedAt) || !slices.Equal(thinned.Kept, kept) {
		t.Errorf("%+v", thinned)
	}
	// To the same store, under another number.
	again := run
	copied, err = from.Copy(ctx, from, run.ID, &again)
	must(t, err)
	if again.ID != 2 || copied.Steps != steps {
		t.Errorf("%+v: %+v", again.ID, copied)
	}
	if _, err := from.Captures(ctx, 2, copySteps); err != nil {
		t.Error(err)
	}
	if _, err := from.Captures(ctx, 2, 0); !errors.Is(err, ErrThinned) {
		t.Error(err)
	}
}

// BenchmarkCommitBesideThinning is a step's commit while old captures go;
// without is the same on its own.
func BenchmarkCommitBesideThinning(b *testing.B) {
	for _, name := range []string{"without", "beside"} {
		b.Run(name, func(b *testing.B) {
			ctx, cancel := context.WithCancel(context.Background())
			s := open(b, newPath(b))
			_, err := s.writer.ExecContext(ctx, "PRAGMA synchronous = OFF")
			must(b, err)
			captures := sampleCaptures(1, 4, 1000, 8)
			for range 40 {
				run := create(b, s, sampleRun(sweep.Balun))
				for i := range 1000 {
					step := sampleStep(run.ID, i)
					must(b, s.Commit(ctx, run.ID, &step, captures))
				}
				run.State = sweep.Done
				must(b, s.Update(ctx, &run))
			}
			_, err = s.writer.ExecContext(ctx, "PRAGMA synchronous = FULL")
			must(b, err)
			going := create(b, s, sampleRun(sweep.Balun))
			ended := make(chan int)
			go func() {
				thinned := 0
				defer func() { ended <- thinned }()
				for run := int64(1); run <= 40 && name == "beside"; run++ {
					if _, err := s.Thin(ctx, run, nil, thinnedAt); err != nil {
						return
					}
					if _, err := s.Shrink(ctx); err != nil {
						return
					}
					thinned++
				}
			}()
			took := make([]time.Duration, b.N)
			b.ResetTimer()
			for i := range b.N {
				step := sampleStep(going.ID, i)
				begun := time.Now()
				must(b, s.Commit(ctx, going.ID, &step, captures))
				took[i] = time.Since(begun)
				b.StopTimer()
				time.Sleep(5 * time.Millisecond) // the rest of a step
				b.StartTimer()
			}
			slices.Sort(took)
			for _, percent := range []int{50, 99} {
				b.ReportMetric(float64(took[len(took)*percent/100].Microseconds())/1000, fmt.Sprintf("ms/percentile-%d", percent))
			}
			cancel()
			b.ReportMetric(float64(<-ended), "runs-thinned")
		})
	}
}
