package queue

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"halfturn/analysis/balance"
	"halfturn/drivers"
	"halfturn/sweep"
	"halfturn/sweep/journal"
	"halfturn/units"
)

// fake is a bench that measures in no time.
type fake struct {
	t       testing.TB
	mu      sync.Mutex
	fail    []error       // of the next runs
	off     []error       // of the next tries of RF off
	offs    int           // tries
	block   chan struct{} // a run waits for it, or for its stop; nil does not
	carried []sweep.Run
	maxAge  time.Duration
	now     func() time.Time
}

func (f *fake) NewRun(*Job) sweep.Run {
	return sweep.Run{
		Bench: sweep.Bench{Name: "Hut 4", Fixture: "plate", Generator: drivers.Config{Address: "a"}, Scope: drivers.Config{Address: "b"}},
		Plan: sweep.Plan{
			Segments: []sweep.Segment{{From: 1e6, To: 2e6, Points: 2, Spacing: sweep.Linear}}, Captures: 1, MaxCaptures: 1, Precision: 0.1, MaxAge: f.maxAge,
		},
	}
}

func (f *fake) CarryOut(ctx context.Context, stop <-chan struct{}, job *Job, run *sweep.Run, cal *sweep.Calibrated, j sweep.Journal) error {
	if (cal == nil) != (run.Kind == sweep.Calibration) {
		f.t.Errorf("a %s run with calibration %v", run.Kind, cal)
	}
	fresh := run.ID == 0
	if fresh {
		run.Started, run.State = f.now(), sweep.Running
		if cal != nil {
			run.Calibration = cal.Run.ID
		}
		if err := j.Create(ctx, run); err != nil {
			return err
		}
		for i, freq := range []units.Hertz{1e6, 2e6} {
			step := sweep.Step{Index: i, Taken: f.now(), Acquisitions: 1, Range: [2]units.Volts{1, 1}, Window: drivers.Window{Rate: 1e9, Samples: 100}}
			step.Estimate = balance.Estimate{Frequency: freq, Ratio: 1, Amplitude: [2]units.Volts{1, 1}, Captures: 1, Samples: 100}
			step.Estimate.Cov.RR, step.Estimate.Cov.II = 1e-6, 1e-6
			if err := j.Commit(ctx, run.ID, &step, nil); err != nil {
				return err
			}
		}
	}
	f.mu.Lock()
	var err error
	if len(f.fail) > 0 {
		err, f.fail = f.fail[0], f.fail[1:]
	}
	block := f.block
	f.carried = append(f.carried, *run)
	f.mu.Unlock()
	if block != nil {
		select {
		case <-block:
		case <-stop:
			run.State, run.Reason = sweep.Stopped, "stopped on request"
			return j.Update(ctx, run)
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	if err != nil {
		run.State, run.Reason = sweep.Failed, err.Error()
		return errors.Join(err, j.Update(ctx, run))
	}
	run.State, run.Finished = sweep.Done, f.now()
	return j.Update(ctx, run)
}

func (f *fake) RFOff(context.Context) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.offs++
	if len(f.off) > 0 {
		err := f.off[0]
		f.off = f.off[1:]
		return err
	}
	return nil
}

// bed is a queue at work, with a clock that can be set.
type bed struct {
	testing.TB
	*Queue
	fake  *fake
	path  string
	store *journal.Store
	stop  func()

	mu    sync.Mutex
	shift time.Duration
}

func (b *bed) now() time.Time {
	b.mu.Lock()
	defer b.mu.Unlock()
	return time.Now().Add(b.shift)
}

func (b *bed) jump(d time.Duration) {
	b.mu.Lock()
	b.shift += d
	b.mu.Unlock()
	b.poke()
}

func newBed(t testing.TB, schedules ...*Schedule) *bed {
	t.Helper()
	b := &bed{TB: t, path: filepath.Join(t.TempDir(), "store.db")}
	b.fake = &fake{t: t, maxAge: time.Hour, now: b.now}
	b.start(schedules...)
	return b
}

// start begins again on what is stored, as a new process does.
func (b *bed) start(schedules ...*Schedule) {
	b.Helper()
	store, err := journal.Open(context.Background(), b.path)
	if err != nil {
		b.Fatal(err)
	}
	b.store = store
	b.Queue, err = New(context.Background(), Options{Store: store, Bench: b.fake, Name: "Hut 4", Now: b.now,
		Rules: Rules{Retries: 3, Backoff: time.Millisecond, Schedules: schedules}})
	if err != nil {
		b.Fatal(err)
	}
	ctx, kill := context.WithCancel(context.Background())
	var running sync.WaitGroup
	running.Go(func() { b.Run(ctx, nil) })
	b.stop = sync.OnceFunc(func() {
		kill()
		running.Wait()
		store.Close()
	})
	b.Cleanup(b.stop)
}

func (b *bed) add(r Request) int64 {
	b.Helper()
	j, err := b.Submit(context.Background(), r)
	if err != nil {
		b.Fatal(err)
	}
	return j.ID
}

func (b *bed) until(id int64, state State) Job {
	b.Helper()
	deadline := time.Now().Add(20 * time.Second)
	for {
		j, err := b.Job(id)
		if err != nil {
			b.Fatal(err)
		}
		if j.State == state {
			return j
		}
		if time.Now().After(deadline) {
			b.Fatalf("job %d is %s (%s), not %s", id, j.State, j.Reason, state)
		}
		time.Sleep(time.Millisecond)
	}
}

func (b *bed) answer(id int64) {
	b.Helper()
	if _, err := b.Answer(context.Background(), id); err != nil {
		b.Fatal(err)
	}
}

// A balun job asks for the cable, then for the balun, and holds the bench
// meanwhile; the next one of the same balun asks nothing.
func TestAJobAsks(t *testing.T) {
	b := newBed(t)
	first := b.add(Request{Kind: Balun, Label: "w"})
	second := b.add(Request{Kind: Balun, Label: "w"})
	if q := b.until(first, Asking).Question; q.Fit.What != Cable || q.Why == "" {
		t.Errorf("asks %+v", q)
	}
	if j, _ := b.Job(second); j.State != Waiting {
		t.Errorf("the next one is %s meanwhile", j.State)
	}
	b.answer(first)
	for b.until(first, Asking).Question.Fit.What != TheBalun {
		time.Sleep(time.Millisecond)
	}
	// Another process goes on where this one was.
	b.stop()
	b.start()
	if j := b.until(first, Asking); j.Question.Fit != (Fit{TheBalun, "w"}) || len(j.Runs) != 1 {
		t.Errorf("after a restart: %+v", j)
	}
	b.answer(first)
	b.until(first, Done)
	j := b.until(second, Done)
	if j.Calibration != 1 || len(j.Runs) != 1 {
		t.Errorf("the second: %+v", j)
	}
	if _, err := b.Answer(context.Background(), second); !errors.Is(err, ErrConflict) {
		t.Errorf("answering what asks nothing: %v", err)
	}
	third := b.add(Request{Kind: Balun, Label: "another"})
	if q := b.until(third, Asking).Question; q.Fit != (Fit{TheBalun, "another"}) {
		t.Errorf("another balun: %+v", q)
	}
}

// Somebody who measured without the queue may have left anything in the fixture.
func TestAForeignRunMakesItAsk(t *testing.T) {
	b := newBed(t)
	b.until(b.add(Request{Kind: Balun, Label: "w", Ready: true}), Asking)
	b.answer(1)
	b.until(1, Done)
	b.stop()
	store, err := journal.Open(context.Background(), b.path)
	if err != nil {
		t.Fatal(err)
	}
	run := b.fake.NewRun(nil)
	run.Kind, run.State = sweep.Calibration, sweep.Stopped
	if err := store.Create(context.Background(), &run); err != nil {
		t.Fatal(err)
	}
	store.Close()
	b.start()
	if q := b.until(b.add(Request{Kind: Balun, Label: "w"}), Asking).Question; q.Fit.What != TheBalun {
		t.Errorf("asks %+v", q)
	}
}

// A calibration that is too old, or from the future by this clock, does not
// serve.
func TestFreshCalibrations(t *testing.T) {
	b := newBed(t)
	b.until(b.add(Request{Kind: Calibration, Ready: true}), Done)
	b.jump(2 * time.Hour)
	j := b.until(b.add(Request{Kind: Balun, Ready: true}), Asking) // the cable was ready, the balun is asked for
	if j.Calibration != 2 {
		t.Errorf("an old one: %+v", j)
	}
	if _, err := b.Cancel(context.Background(), j.ID); err != nil {
		t.Fatal(err)
	}
	b.jump(-90 * time.Minute)
	b.Queue.fit(context.Background(), Fit{})
	j = b.until(b.add(Request{Kind: Balun}), Asking)
	if j.Question.Fit.What != Cable || !strings.Contains(j.Question.Why, "still to come") {
		t.Errorf("one from the future: %+v", j.Question)
	}
}

// What can pass is tried again, up to the limit; what cannot is not.
func TestTriesAgainUpToTheLimit(t *testing.T) {
	link := fmt.Errorf("scope: %w", drivers.ErrLink)
	for name, c := range map[string]struct {
		fail  []error
		ends  State
		runs  int // carried out
		fresh bool
	}{
		"once":             {[]error{link}, Done, 2, false},
		"up to the limit":  {[]error{link, link, link}, Done, 4, false},
		"beyond the limit": {[]error{link, link, link, link}, Parked, 4, false},
		"a full disk":      {[]error{journal.ErrFull}, Done, 2, false},
		"refused":          {[]error{drivers.ErrRefused}, Parked, 1, true},
		"the wrong thing":  {[]error{errors.New("a balun is fitted")}, Parked, 1, true},
	} {
		t.Run(name, func(t *testing.T) {
			b := newBed(t)
			b.fake.fail = c.fail
			id := b.add(Request{Kind: Calibration, Ready: true})
			j := b.until(id, c.ends)
			if len(b.fake.carried) != c.runs {
				t.Errorf("carried out %d times", len(b.fake.carried))
			}
			for _, r := range b.fake.carried {
				if r.ID != 1 {
					t.Errorf("run %d was begun", r.ID)
				}
			}
			if c.ends != Parked {
				return
			}
			if j.Reason == "" || (j.Run == 0) != c.fresh {
				t.Errorf("parked: %+v", j)
			}
			// The queue goes on with the next, and this one can be tried again.
			b.until(b.add(Request{Kind: Calibration, Ready: true}), Done)
			if _, err := b.Again(context.Background(), id); err != nil {
				t.Fatal(err)
			}
			b.until(id, Done)
		})
	}
}

// RF that may be on keeps everything from starting until it is off.
func TestRFOffComesFirst(t *testing.T) {
	b := newBed(t)
	for b.Unsafe() != nil {
		time.Sleep(time.Millisecond)
	}
	b.fake.mu.Lock()
	b.fake.fail = []error{fmt.Errorf("scope: %w", drivers.ErrLink)}
	b.fake.off = []error{drivers.ErrLink, drivers.ErrLink}
	before := b.fake.offs
	b.fake.mu.Unlock()
	b.until(b.add(Request{Kind: Calibration, Ready: true}), Done)
	if n := b.fake.offs - before; n != 3 {
		t.Errorf("%d tries of switching RF off", n)
	}
}

// A series repeats from start to start until its end, whatever the clock does.
func TestSeries(t *testing.T) {
	b := newBed(t)
	id := b.add(Request{Kind: Series, Label: "w", Every: Duration(10 * time.Minute), For: Duration(35 * time.Minute), Ready: true})
	b.until(id, Asking)
	b.answer(id)
	runs := func(n int) Job {
		t.Helper()
		deadline := time.Now().Add(20 * time.Second)
		for {
			j, _ := b.Job(id)
			if len(j.Runs) == n+1 && (!j.NotBefore.IsZero() || !j.State.Open()) { // with the calibration
				return j
			}
			if time.Now().After(deadline) || len(j.Runs) > n+1 {
				t.Fatalf("%d repeats: %+v", n, j)
			}
			time.Sleep(time.Millisecond)
		}
	}
	j := runs(1)
	if wait := j.NotBefore.Sub(b.now()); wait < 9*time.Minute || wait > 10*time.Minute {
		t.Errorf("the next in %v", wait)
	}
	b.jump(10 * time.Minute)
	runs(2)
	b.jump(-5 * time.Hour) // the clock is set back: no longer than one interval is waited
	deadline := time.Now().Add(20 * time.Second)
	for {
		j, _ := b.Job(id)
		if wait := j.NotBefore.Sub(b.now()); wait <= 11*time.Minute {
			break
		}
		if time.Now().After(deadline) {
			t.Fatal("it waits for hours")
		}
		time.Sleep(time.Millisecond)
	}
	b.jump(5*time.Hour + 17*time.Minute) // one was missed, and is not made up for
	runs(3)
	b.jump(20 * time.Minute) // past the end
	b.until(id, Done)
	if j, _ := b.Job(id); len(j.Runs) > 5 {
		t.Errorf("%d runs", len(j.Runs))
	}
}

// Cancelling in every state.
func TestCancel(t *testing.T) {
	b := newBed(t)
	ctx := context.Background()
	asking := b.add(Request{Kind: Calibration})
	waiting := b.add(Request{Kind: Calibration, Name: "waiting", Ready: true})
	b.until(asking, Asking)
	for _, id := range []int64{waiting, asking} {
		if j, err := b.Cancel(ctx, id); err != nil || j.State != Cancelled || j.Question != nil {
			t.Errorf("%+v %v", j, err)
		}
		if _, err := b.Cancel(ctx, id); !errors.Is(err, ErrConflict) {
			t.Errorf("twice: %v", err)
		}
	}
	b.fake.mu.Lock()
	b.fake.block = make(chan struct{})
	b.fake.mu.Unlock()
	running := b.add(Request{Kind: Calibration, Ready: true})
	b.until(running, Running)
	for {
		b.fake.mu.Lock()
		n := len(b.fake.carried)
		b.fake.mu.Unlock()
		if n == 1 {
			break
		}
		time.Sleep(time.Millisecond)
	}
	if j, err := b.Cancel(ctx, running); err != nil || !j.Stopping {
		t.Errorf("%+v %v", j, err)
	}
	b.until(running, Cancelled)
	if _, err := b.Cancel(ctx, 99); !errors.Is(err, ErrNoJob) {
		t.Errorf("no such job: %v", err)
	}
}

// A kill in the middle of a run: the next process goes on with that run.
func TestGoesOnWithItsRun(t *testing.T) {
	b := newBed(t)
	b.fake.block = make(chan struct{})
	id := b.add(Request{Kind: Calibration, Ready: true})
	for b.until(id, Running).Run == 0 {
		time.Sleep(time.Millisecond)
	}
	b.stop()
	b.fake.block = nil
	b.start()
	j := b.until(id, Done)
	if len(j.Runs) != 1 || j.Runs[0].Run != 1 {
		t.Errorf("runs %v", j.Runs)
	}
}

func TestNames(t *testing.T) {
	b := newBed(t)
	ctx := context.Background()
	b.add(Request{Kind: Calibration, Name: "one"})
	if _, err := b.Submit(ctx, Request{Kind: Balun, Name: "one"}); !errors.Is(err, ErrConflict) || !strings.Contains(err.Error(), `job 1 is called "one"`) {
		t.Errorf("twice: %v", err)
	}
	if _, err := b.Cancel(ctx, 1); err != nil {
		t.Fatal(err)
	}
	b.add(Request{Kind: Balun, Name: "one"})
}

// A schedule whose last job is still open queues no second one, and says so.
func TestScheduledJobsDoNotPileUp(t *testing.T) {
	s, err := NewSchedule("often", "*/5 * * * *", "UTC", Request{Kind: Calibration}, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	b := newBed(t, s)
	b.stop()
	for range 5 { // by hand, so that nothing depends on this machine's clock
		b.fire(context.Background())
		b.shift += s.Next(b.now()).Sub(b.now())
	}
	store, err := journal.Open(context.Background(), b.path)
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	b.Queue.Store = store
	for range 3 {
		b.shift += s.Next(b.now()).Sub(b.now())
		b.fire(context.Background())
	}
	f := b.Firings()[0]
	if len(b.Jobs()) != 1 || b.Jobs()[0].Schedule != "often" || f.Missed < 2 || !strings.Contains(f.Remark, "still open") {
		t.Errorf("%d jobs, %+v", len(b.Jobs()), f)
	}
}

func TestRequestsThatAreRefused(t *testing.T) {
	now := time.Now()
	later := now.Add(time.Hour)
	for says, r := range map[string]Request{
		"kind of job is missing":        {},
		"no kind of job":                {Kind: "choke"},
		"more than 200 characters":      {Kind: Balun, Label: strings.Repeat("x", 201)},
		"cannot be printed":             {Kind: Balun, Label: "a\nb"},
		"cannot be negative":            {Kind: Balun, Sleeves: -1},
		"an interval of at least":       {Kind: Series, Until: later},
		"needs its end":                 {Kind: Series, Every: Duration(time.Minute)},
		"ends at one time":              {Kind: Series, Every: Duration(time.Minute), Until: later, For: Duration(time.Hour)},
		"until a time of day, or":       {Kind: Series, Every: Duration(time.Minute), Until: later, Clock: "06:30", Repeats: 3},
		"is no time of day":             {Kind: Series, Every: Duration(time.Minute), Clock: "25:00"},
		"cannot have -1 repeats":        {Kind: Series, Every: Duration(time.Minute), Repeats: -1},
		"at most 100000":                {Kind: Series, Every: Duration(time.Minute), Repeats: 100_001},
		"within a year":                 {Kind: Series, Every: Duration(1 << 62), Repeats: 100_000},
		"a series ends within":          {Kind: Series, Every: Duration(20 * 24 * time.Hour), Repeats: 20},
		"is past":                       {Kind: Series, Every: Duration(time.Minute), Until: now.Add(-time.Hour)},
		"ends within a year":            {Kind: Series, Every: Duration(time.Minute), Until: now.Add(10_000 * time.Hour)},
		"cannot last":                   {Kind: Series, Every: Duration(time.Minute), For: Duration(-time.Hour)},
		"goes with a series job":        {Kind: Balun, Until: later},
		"an end goes with a series job": {Kind: Balun, Repeats: 2},
		"goes with a dry-run job":       {Kind: Balun, Scenario: "good-balun"},
		"goes with a swapped job":       {Kind: Balun, Straight: 3, Until: later},
	} {
		if err := r.Check(now); !errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), says) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%+v: %v, want %q", r, err, says)
		}
	}
}

// A swapped run goes by its straight run's calibration. Where that is older than
// the plan allows, somebody is asked, once, whoever said that all is ready.
func TestASwappedRunByAnOldCalibration(t *testing.T) {
	for _, ready := range []bool{false, true} {
		b := newBed(t)
		straight := b.add(Request{Kind: Balun, Label: "w", Ready: true})
		b.until(straight, Asking)
		b.answer(straight)
		b.until(straight, Done)
		fresh := b.add(Request{Kind: Swapped, Label: "w", Ready: true})
		b.until(fresh, Done) // nobody is asked

		b.jump(3 * time.Hour)
		id := b.add(Request{Kind: Swapped, Label: "w", Ready: ready})
		j := b.until(id, Asking)
		if !strings.Contains(j.Question.Why, "calibration 1 is 3h0m old, the plan allows 1h0m") || !strings.HasPrefix(j.Question.Text, "Leave the balun") {
			t.Errorf("it asks %+v", j.Question)
		}
		b.answer(id)
		if j = b.until(id, Done); len(j.Runs) != 1 || j.Calibration != 1 {
			t.Errorf("%+v", j)
		}
	}
}

// A series ends after so many repeats, whenever that is, and by a time where
// that comes first.
func TestASeriesOfSoManyRepeats(t *testing.T) {
	b := newBed(t)
	for _, c := range []struct {
		repeats, want int
		lasts         Duration
	}{{1, 1, 0}, {3, 3, 0}, {50, 2, Duration(15 * time.Minute)}} {
		id := b.add(Request{Kind: Series, Label: "w", Every: Duration(10 * time.Minute), Repeats: c.repeats, For: c.lasts, Ready: true})
		deadline := time.Now().Add(20 * time.Second)
		var j Job
		for j, _ = b.Job(id); j.State.Open(); j, _ = b.Job(id) {
			switch {
			case time.Now().After(deadline):
				t.Fatalf("%+v", j)
			case j.State == Asking:
				b.answer(id)
			case !j.NotBefore.IsZero() && j.NotBefore.After(b.now()):
				b.jump(10 * time.Minute)
			}
			time.Sleep(time.Millisecond)
		}
		repeats := 0
		for _, r := range j.Runs {
			if r.Kind == sweep.Balun {
				repeats++
			}
		}
		if j.State != Done || repeats != c.want {
			t.Errorf("%d repeats of %d in %v: %s", repeats, c.repeats, time.Duration(c.lasts), j.State)
		}
	}
}

// A time of day is the next that comes, in the zone of who writes it, also
// where the clocks change.
func TestReadEnd(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Lisbon")
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2031, 3, 29, 22, 15, 0, 0, zone) // the night before the clocks go to summer time
	for text, want := range map[string]time.Time{
		"22:16":                time.Date(2031, 3, 29, 22, 16, 0, 0, zone),
		"22:15":                time.Date(2031, 3, 30, 22, 15, 0, 0, zone),
		"6:30":                 time.Date(2031, 3, 30, 6, 30, 0, 0, zone),
		"01:30":                time.Date(2031, 3, 30, 1, 30, 0, 0, time.UTC), // left out: 02:30 by the new time
		"2031-03-30 07:00":     time.Date(2031, 3, 30, 6, 0, 0, 0, time.UTC),
		"2031-03-30T07:00":     time.Date(2031, 3, 30, 6, 0, 0, 0, time.UTC),
		"2031-03-30T07:00:00Z": time.Date(2031, 3, 30, 7, 0, 0, 0, time.UTC),
	} {
		if got, err := ReadEnd(text, now); err != nil || !got.Equal(want) {
			t.Errorf("%q is %v, not %v: %v", text, got, want, err)
		}
	}
	for _, text := range []string{"", "24:00", "7", "tomorrow", "2031-13-01 07:00", "07:00 h"} {
		if got, err := ReadEnd(text, now); err == nil {
			t.Errorf("%q is %v", text, got)
		}
	}
}

// Schedules and tries can be changed while the queue works; what cannot be is
// refused, and the others stay.
func TestOtherRules(t *testing.T) {
	b := newBed(t)
	s, err := NewSchedule("often", "0 * * * *", "UTC", Request{Kind: Calibration}, b.now())
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Change(Rules{Schedules: []*Schedule{s}, Retries: 1, Backoff: time.Millisecond}); err != nil {
		t.Fatal(err)
	}
	if err := b.Change(Rules{Schedules: []*Schedule{s, s}}); err == nil || len(b.Firings()) != 1 {
		t.Errorf("two of one name: %v, %d", err, len(b.Firings()))
	}
	deadline := time.Now().Add(20 * time.Second)
	for len(b.Jobs()) == 0 {
		if time.Now().After(deadline) {
			t.Fatal("it does not fire")
		}
		b.jump(s.Next(b.now()).Sub(b.now()))
		nudge(b.anew)
		time.Sleep(5 * time.Millisecond)
	}
	if j := b.Jobs()[0]; j.Schedule != "often" {
		t.Errorf("%+v", j)
	}
	if err := b.Change(Rules{Retries: 1, Backoff: time.Millisecond}); err != nil || len(b.Firings()) != 0 {
		t.Errorf("none: %v, %d", err, len(b.Firings()))
	}
	b.fake.mu.Lock()
	for range 5 {
		b.fake.fail = append(b.fake.fail, fmt.Errorf("scope: %w", drivers.ErrLink))
	}
	b.fake.mu.Unlock()
	first := b.Jobs()[0].ID
	b.until(first, Asking)
	b.answer(first)
	if j := b.until(first, Parked); !strings.Contains(j.Reason, "given up after 1 more tries") {
		t.Errorf("parked: %s", j.Reason)
	}
}

// A schedule's time of day is that of its zone.
func TestAScheduleEndsByItsOwnClock(t *testing.T) {
	b := newBed(t)
	b.stop()
	s, err := NewSchedule("nights", "0 18 * * *", "Asia/Tokyo", Request{Kind: Series, Every: Duration(time.Hour), Clock: "06:30"}, b.now())
	if err != nil {
		t.Fatal(err)
	}
	store, err := journal.Open(context.Background(), b.path)
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	b.Queue.Store, b.Queue.Schedules = store, []*Schedule{s}
	b.fire(context.Background())
	b.jump(s.Next(b.now()).Sub(b.now()))
	b.fire(context.Background())
	jobs := b.Jobs()
	if len(jobs) != 1 {
		t.Fatalf("%d jobs", len(jobs))
	}
	until := jobs[0].Until.In(s.zone)
	if until.Format("15:04") != "06:30" || until.Sub(b.now()) > 13*time.Hour || jobs[0].Clock != "" {
		t.Errorf("it ends at %v, %q", until, jobs[0].Clock)
	}
}

func FuzzDuration(f *testing.F) {
	for _, s := range []string{"15 min", "8 h", "0", "1h30m", "-5 s", "", "min", "1e9 h"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		var d, back Duration
		if d.UnmarshalText([]byte(s)) != nil {
			return
		}
		text, _ := d.MarshalText()
		if err := back.UnmarshalText(text); err != nil || back != d {
			t.Errorf("%q is %s, which is read as %v: %v", s, text, time.Duration(back), err)
		}
	})
}

// The same instruments cannot be held twice, by whatever store and name.
func TestHoldBench(t *testing.T) {
	dir := t.TempDir()
	a := &sweep.Bench{Name: "Hut 4", Generator: drivers.Config{Address: "tcp://192.0.2.1:1"}, Scope: drivers.Config{Address: "tcp://192.0.2.1:2"}}
	release, err := HoldBench(a, filepath.Join(dir, "one.db"))
	if err != nil {
		t.Fatal(err)
	}
	shared := &sweep.Bench{Name: "Harbour bench", Generator: drivers.Config{Address: "tcp://192.0.2.9:1"}, Scope: a.Scope}
	for _, b := range []*sweep.Bench{a, shared} {
		if _, err := HoldBench(b, filepath.Join(dir, "two.db")); !errors.Is(err, journal.ErrHeld) || !strings.Contains(err.Error(), fmt.Sprintf("process %d on ", os.Getpid())) || strings.Contains(err.Error(), "\n") {
			t.Errorf("held twice: %v", err)
		}
	}
	other := &sweep.Bench{Name: "Hut 4", Generator: drivers.Config{Address: "tcp://192.0.2.2:1"}, Scope: drivers.Config{Address: "tcp://192.0.2.2:2"}}
	free, err := HoldBench(other, filepath.Join(dir, "one.db"))
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(free(), release()); err != nil {
		t.Fatal(err)
	}
	release, err = HoldBench(shared, filepath.Join(dir, "two.db"))
	if err != nil {
		t.Fatal(err)
	}
	if err := release(); err != nil {
		t.Fatal(err)
	}
}
