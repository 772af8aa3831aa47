package journal

import (
	"context"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfturn/drivers"
	"halfturn/sweep"
)

// original is what a store held before it was damaged.
type original struct {
	runs     []sweep.Run
	steps    [][]sweep.Step // by run
	captures [][][]drivers.Capture
}

// makeOriginal fills the store at path and leaves it as keep finds it.
func makeOriginal(t *testing.T, path string, keep func(s *Store)) *original {
	t.Helper()
	o := &original{}
	s := open(t, path)
	for _, n := range []int{40, 60} {
		run := fill(t, s, sweep.Balun, n)
		o.runs = append(o.runs, run)
		var steps []sweep.Step
		var captures [][]drivers.Capture
		for i := range n {
			steps = append(steps, sampleStep(run.ID, i))
			captures = append(captures, smallCaptures(run.ID, i))
		}
		o.steps, o.captures = append(o.steps, steps), append(o.captures, captures)
	}
	keep(s)
	must(t, s.Close())
	return o
}

// check reads all of a store; everything must be as it was or an error, and
// without an error nothing may be missing. It tells how many steps were read.
func (o *original) check(t *testing.T, s *Store) (read int, clean bool) {
	t.Helper()
	ctx := context.Background()
	clean = true
	faulty := func(err error) {
		t.Helper()
		clean = false
		if !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrNotStore) && !errors.Is(err, ErrNoRun) || !strings.Contains(err.Error(), s.Path()) {
			t.Errorf("unclear: %v", err)
		}
	}
	runs, err := s.Runs(ctx)
	if err != nil {
		faulty(err)
	}
	for _, run := range runs {
		if !cmp.Equal(run, o.runs[run.ID-1], amounts) {
			t.Errorf("wrong run: %+v", run)
		}
	}
	if err == nil && len(runs) != len(o.runs) {
		t.Errorf("%d of %d runs and no error", len(runs), len(o.runs))
	}
	if latest, err := s.Latest(ctx, sweep.Balun); err != nil {
		faulty(err)
	} else if latest.ID != int64(len(o.runs)) {
		t.Errorf("latest is %d", latest.ID)
	}
	for r := range o.runs {
		id := int64(r + 1)
		steps, err := collect(ctx, s, id)
		if err != nil {
			faulty(err)
		}
		if len(steps) > len(o.steps[r]) || !slices.Equal(steps, o.steps[r][:len(steps)]) {
			t.Errorf("wrong steps of run %d", id)
		}
		if err == nil && len(steps) != len(o.steps[r]) {
			t.Errorf("%d of %d steps and no error", len(steps), len(o.steps[r]))
		}
		read += len(steps)
		for i := range o.captures[r] {
			captures, err := s.Captures(ctx, id, i)
			if err != nil {
				clean = false
				continue
			}
			if !equalCaptures(captures, o.captures[r][i]) {
				t.Errorf("wrong captures of run %d, step %d", id, i)
			}
		}
	}
	return read, clean
}

// try opens damaged bytes in every way. It tells how many steps could be read.
func (o *original) try(t *testing.T, path string, bytes []byte) (read int, clean bool) {
	t.Helper()
	ctx := context.Background()
	must(t, os.WriteFile(path, bytes, 0o600))
	for name, opener := range map[string]func(context.Context, string) (*Store, error){"read": OpenReadOnly, "write": OpenExisting} {
		s, err := opener(ctx, path)
		if err != nil {
			if strings.Contains(err.Error(), "\n") || !strings.Contains(err.Error(), path) ||
				!errors.Is(err, ErrDamaged) && !errors.Is(err, ErrNotStore) && !errors.Is(err, ErrNewer) && !errors.Is(err, ErrNoStore) {
				t.Errorf("%s: unclear: %v", name, err)
			}
			continue
		}
		n, whole := o.check(t, s)
		read, clean = max(read, n), clean || whole && s.Damage() == nil
		_ = s.Close() // a damaged store may not close
	}
	left, err := filepath.Glob(path + "*")
	must(t, err)
	for _, name := range left {
		must(t, os.Remove(name))
	}
	return read, clean
}

func TestCutOff(t *testing.T) {
	t.Parallel()
	path := newPath(t)
	o := makeOriginal(t, path, func(*Store) {})
	whole, err := os.ReadFile(path)
	must(t, err)
	total := 0
	for r := range o.steps {
		total += len(o.steps[r])
	}
	if read, clean := o.try(t, path, whole); read != total || !clean {
		t.Fatalf("of the whole file %d of %d steps could be read, clean %v", read, total, clean)
	}
	random := rand.New(rand.NewPCG(3, 4))
	cuts := []int{0, 1, 15, 16, 99, 100, 4096, 8191, 8192, 8193, len(whole) / 2, len(whole) - 8192, len(whole) - 1}
	for range 20 {
		cuts = append(cuts, random.IntN(len(whole)))
	}
	for _, cut := range cuts {
		read, clean := o.try(t, path, whole[:cut])
		if clean && cut <= len(whole)-8192 { // the end of the last page may be unused
			t.Errorf("cut off at %d of %d: read as if it were whole", cut, len(whole))
		}
		// The first steps lie before the last captures, by pages of some 30 steps.
		if cut >= len(whole)*3/4 && read < total/5 {
			t.Errorf("cut off at %d of %d: only %d of %d steps can be read", cut, len(whole), read, total)
		}
	}
}

func TestFlippedBits(t *testing.T) {
	t.Parallel()
	path := newPath(t)
	o := makeOriginal(t, path, func(*Store) {})
	whole, err := os.ReadFile(path)
	must(t, err)
	random := rand.New(rand.NewPCG(5, 6))
	found := 0
	const trials = 45
	for i := range trials {
		bytes := append([]byte(nil), whole...)
		at := random.IntN(len(bytes))
		if i%3 == 0 {
			at = at&^8191 + random.IntN(16) // where a page says what it is
		}
		if i%2 == 0 {
			bytes[at] ^= 1 << random.IntN(8)
		} else {
			for j := range min(64, len(bytes)-at) {
				bytes[at+j] = byte(random.IntN(256))
			}
		}
		if _, clean := o.try(t, path, bytes); !clean {
			found++
		}
	}
	if found < trials/4 {
		t.Errorf("only %d of %d damages were in a place that matters: the test tries too little", found, trials)
	}
}

// TestFlippedLog: damage in the log gives the store of a moment before.
func TestFlippedLog(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	path := newPath(t)
	var file, log []byte
	o := makeOriginal(t, path, func(s *Store) {
		// Copies are taken while no commit is under way.
		for name, into := range map[string]*[]byte{path: &file, path + "-wal": &log} {
			bytes, err := os.ReadFile(name)
			must(t, err)
			*into = bytes
		}
	})
	random := rand.New(rand.NewPCG(7, 8))
	for i := range 20 {
		copied := newPath(t)
		must(t, os.WriteFile(copied, file, 0o600))
		bytes := append([]byte(nil), log...)
		if at := random.IntN(len(bytes)); i%2 == 0 {
			bytes[at] ^= 1 << random.IntN(8)
		} else {
			bytes = bytes[:at]
		}
		must(t, os.WriteFile(copied+"-wal", bytes, 0o600))
		s, err := OpenReadOnly(ctx, copied)
		if err != nil {
			if !errors.Is(err, ErrNoStore) {
				t.Errorf("unclear: %v", err)
			}
			continue
		}
		runs, err := s.Runs(ctx)
		must(t, err)
		for r, run := range runs {
			steps, err := collect(ctx, s, run.ID)
			must(t, err)
			if !cmp.Equal(run, o.runs[r], amounts) || len(steps) > len(o.steps[r]) || !slices.Equal(steps, o.steps[r][:len(steps)]) {
				t.Errorf("run %d is not that of a moment before", run.ID)
			}
		}
		must(t, s.Close())
	}
}

// TestCutOffSaysWhatIsLeft: whoever opens it to write learns that it can be read.
func TestCutOffSaysWhatIsLeft(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	path := newPath(t)
	makeOriginal(t, path, func(*Store) {})
	whole, err := os.ReadFile(path)
	must(t, err)
	must(t, os.WriteFile(path, whole[:len(whole)*3/4], 0o600))
	_, err = OpenExisting(ctx, path)
	if !errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), "can still be read") {
		t.Error(err)
	}
	s, err := OpenReadOnly(ctx, path)
	must(t, err)
	defer s.Close()
	if !errors.Is(s.Damage(), ErrDamaged) {
		t.Errorf("damage: %v", s.Damage())
	}
	if _, err := collect(ctx, s, 2); !errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), "run 2 from step ") {
		t.Errorf("reading the run that is cut off: %v", err)
	}
}

// TestRecover: what can be read of a store that is cut off goes on in a new one.
func TestRecover(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	path := newPath(t)
	o := makeOriginal(t, path, func(s *Store) {
		done := firstDone()
		must(t, s.Update(ctx, &done))
	})
	whole, err := os.ReadFile(path)
	must(t, err)

	recovered := func(bytes []byte) (*Store, []Copied) {
		t.Helper()
		must(t, os.WriteFile(path, bytes, 0o600))
		to := newPath(t)
		kept, err := Recover(ctx, path, to, nil)
		must(t, err)
		if _, err := Recover(ctx, path, to, nil); err == nil || errors.Is(err, ErrDamaged) {
			t.Errorf("recovered over a file that is there: %v", err)
		}
		after, err := os.ReadFile(path)
		must(t, err)
		if string(after) != string(bytes) {
			t.Error("the damaged store was changed")
		}
		return open(t, to), kept.Runs
	}

	s, kept := recovered(whole)
	if n := checkWritten(t, s); n != 100 || kept[0].Lost != nil || kept[1].Lost != nil {
		t.Fatalf("of a whole store: %+v", kept)
	}
	for r := range o.runs {
		want := o.runs[r]
		if r == 0 {
			want = firstDone()
		}
		if got, err := s.Run(ctx, want.ID); err != nil || !cmp.Equal(got, want, amounts) {
			t.Errorf("%v: %s", err, cmp.Diff(want, got, amounts))
		}
	}

	s, kept = recovered(whole[:len(whole)*3/4])
	for i, k := range kept {
		run, err := s.Run(ctx, k.Run)
		must(t, err)
		steps, err := collect(ctx, s, k.Run)
		must(t, err)
		if len(steps) != k.Steps || !slices.Equal(steps, o.steps[i][:len(steps)]) || k.Captures > k.Steps {
			t.Errorf("%+v: %d steps, or wrong ones", k, len(steps))
		}
		if k.Lost == nil {
			continue
		}
		if run.State != sweep.Stopped || !run.Finished.IsZero() || !errors.Is(k.Lost, ErrDamaged) {
			t.Errorf("%+v: state %s", k, run.State)
		}
		next := sampleStep(k.Run, k.Steps)
		must(t, s.Commit(ctx, k.Run, &next, smallCaptures(k.Run, k.Steps)))
	}
	if kept[1].Lost == nil || kept[0].Steps+kept[1].Steps < 20 {
		t.Errorf("of a store cut off at three quarters: %+v", kept)
	}

	// A run whose own row is damaged keeps its number.
	must(t, os.WriteFile(path, whole, 0o600))
	damaging := open(t, path)
	_, err = damaging.writer.ExecContext(ctx, "UPDATE runs SET label = 'Hut 5' WHERE run = 1")
	must(t, err)
	must(t, damaging.Close())
	whole, err = os.ReadFile(path)
	must(t, err)
	s, kept = recovered(whole)
	run, err := s.Run(ctx, 1)
	must(t, err)
	if len(kept) != 2 || kept[0].Lost == nil || run.Kind != "" || run.State != sweep.Failed {
		t.Errorf("%+v: %+v", kept, run)
	}
	if steps, err := collect(ctx, s, 2); err != nil || !slices.Equal(steps, o.steps[1]) {
		t.Errorf("run 2, which was whole: %d steps, %v", len(steps), err)
	}
}

// firstDone is run 1 as it ends in TestRecover.
func firstDone() sweep.Run {
	run := sampleRun(sweep.Balun)
	run.ID, run.State, run.Verdict, run.Finished = 1, sweep.Done, "pass", run.Started.AddDate(0, 0, 1)
	return run
}

// TestRecoverBesideTheRuns: jobs, notes and baselines come along, each that can
// be read; a job's run that is lost is not taken for a new one.
func TestRecoverBesideTheRuns(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	path := newPath(t)
	makeOriginal(t, path, func(s *Store) {
		for id := range int64(4) {
			must(t, s.SaveJob(ctx, Job{ID: id + 1, Content: strings.Repeat("x", int(id)+1)}))
		}
		must(t, s.SetNote(ctx, "fitted", "the balun"))
		must(t, s.SetNote(ctx, "lost", "cause"))
		must(t, s.SetBaseline(ctx, "before", 2))
		must(t, s.SetBaseline(ctx, "long ago", 1))
		must(t, s.SetBaseline(ctx, "spoilt", 2))
		lost := create(t, s, sampleRun(sweep.Balun))
		if lost.ID != 3 {
			t.Fatal(lost.ID)
		}
		for _, q := range []string{
			"UPDATE jobs SET content = 'y' WHERE job = 2", "UPDATE notes SET content = 'y' WHERE name = 'lost'",
			"UPDATE baselines SET run = 1 WHERE name = 'spoilt'", "UPDATE runs SET label = 'y' WHERE run IN (1, 3)",
		} {
			_, err := s.writer.ExecContext(ctx, q)
			must(t, err)
		}
	})
	to := newPath(t)
	kept, err := Recover(ctx, path, to, nil)
	must(t, err)
	if kept.Jobs != 3 || kept.Baselines != 1 || len(kept.Lost) != 4 || len(kept.Runs) != 3 {
		t.Errorf("%+v", kept)
	}
	for _, lost := range kept.Lost {
		if !errors.Is(lost, ErrDamaged) {
			t.Error(lost)
		}
	}
	s := open(t, to)
	jobs, err := s.Jobs(ctx)
	must(t, err)
	if want := []Job{{1, "x"}, {3, "xxx"}, {4, "xxxx"}}; !slices.Equal(jobs, want) {
		t.Errorf("jobs %+v", jobs)
	}
	notes, err := s.Notes(ctx)
	must(t, err)
	if len(notes) != 1 || notes["fitted"] != "the balun" {
		t.Errorf("notes %v", notes)
	}
	baselines, err := s.Baselines(ctx)
	must(t, err)
	if want := []Baseline{{"before", 2}}; !slices.Equal(baselines, want) {
		t.Errorf("baselines %+v", baselines)
	}
	if next := create(t, s, sampleRun(sweep.Balun)); next.ID != 4 {
		t.Errorf("a new run is %d, which was another's", next.ID)
	}
}

// TestRecoverFlippedBits: whatever is damaged, a recovery ends, and what it
// gives is what was stored.
func TestRecoverFlippedBits(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	path := newPath(t)
	o := makeOriginal(t, path, func(s *Store) {
		must(t, s.SaveJob(ctx, Job{ID: 1, Content: "x"}))
		must(t, s.SetBaseline(ctx, "before", 1))
		done := firstDone()
		must(t, s.Update(ctx, &done))
		_, err := s.Thin(ctx, 1, []int{0, 39}, thinnedAt)
		must(t, err)
	})
	whole, err := os.ReadFile(path)
	must(t, err)
	random := rand.New(rand.NewPCG(11, 12))
	recovered := 0
	for range 10 {
		bytes := append([]byte(nil), whole...)
		at := random.IntN(len(bytes))
		for j := range min(64, len(bytes)-at) {
			bytes[at+j] = byte(random.IntN(256))
		}
		must(t, os.WriteFile(path, bytes, 0o600))
		to := newPath(t)
		kept, err := Recover(ctx, path, to, nil)
		if err != nil {
			if strings.Contains(err.Error(), "store "+to) {
				t.Errorf("writing failed: %v", err)
			}
			continue
		}
		recovered++
		s := open(t, to)
		for _, k := range kept.Runs {
			run, err := s.Run(ctx, k.Run)
			must(t, err)
			if run.Kind == "" {
				continue
			}
			steps, err := collect(ctx, s, k.Run)
			must(t, err)
			if !slices.Equal(steps, o.steps[k.Run-1][:len(steps)]) {
				t.Errorf("wrong steps of run %d", k.Run)
			}
			for i := range steps {
				captures, err := s.Captures(ctx, k.Run, i)
				if err != nil && !errors.Is(err, ErrThinned) || len(captures) > 0 && !equalCaptures(captures, o.captures[k.Run-1][i]) {
					t.Errorf("captures of run %d, step %d: %v", k.Run, i, err)
				}
			}
		}
	}
	if recovered < 4 {
		t.Errorf("%d of 10 could be recovered", recovered)
	}
}
