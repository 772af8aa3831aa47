package queue

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"halfturn/drivers"
	"halfturn/sweep"
	"halfturn/sweep/journal"
)

// Bench carries out runs for the queue, one at a time.
type Bench interface {
	// NewRun is a run as the bench is configured now, its kind and what it is
	// measured with left open.
	NewRun(job *Job) sweep.Run
	// CarryOut opens the instruments, RF off, and carries out a run: a new one,
	// or one that has an ID at its next step. It ends tidily after the step when
	// stop is closed. The run's state is set when it returns.
	CarryOut(ctx context.Context, stop <-chan struct{}, job *Job, run *sweep.Run, cal *sweep.Calibrated, j sweep.Journal) error
	// RFOff switches RF off. It is called after every failure until it returns nil.
	RFOff(ctx context.Context) error
}

// Options are what a queue works with; Store and Bench are needed.
type Options struct {
	Store *journal.Store
	Bench Bench
	Name  string // of the bench
	Rules
	Now func() time.Time
	Log *slog.Logger
	// Changed is called with a job after each change, one at a time; End when
	// it is done, cancelled or parked.
	Changed func(Job)
	End     func(Job)
	// Safety is called when it has become known that RF is off, or that it may
	// be on.
	Safety func()
}

// Rules are what of a queue can be changed while it works.
type Rules struct {
	Schedules []*Schedule
	Retries   int           // in a row, before a job is parked
	Backoff   time.Duration // before the first; doubles, to a minute
}

func (r *Rules) check() error {
	for i, s := range r.Schedules {
		if slices.ContainsFunc(r.Schedules[:i], func(t *Schedule) bool { return t.Name == s.Name }) {
			return fmt.Errorf("two schedules are called %q", s.Name)
		}
	}
	return nil
}

// Queue is the jobs and schedules of one bench.
type Queue struct {
	Options               // but for its Rules, which mu guards
	wake    chan struct{} // the engine has something to look at
	anew    chan struct{} // there are other schedules
	beat    atomic.Int64  // nanoseconds of 1970

	storing sync.Mutex // one change after the other; before mu

	mu        sync.Mutex
	jobs      []*Job         // by ID
	unsaved   map[int64]bool // changes that the store did not take yet
	fitted    Fit
	watches   map[string]*watch
	stopRun   chan struct{} // of the run that is being carried out; nil between
	unsafe    error         // why RF may be on
	nextTry   time.Time     // of switching it off
	tries     int           // of that
	watchedAt time.Time     // when the watches were stored
}

// most ended jobs are kept.
const mostEnded = 1000

// New reads the queue from its store.
func New(ctx context.Context, o Options) (*Queue, error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Changed == nil {
		o.Changed = func(Job) {}
	}
	if o.End == nil {
		o.End = func(Job) {}
	}
	if o.Safety == nil {
		o.Safety = func() {}
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	q := &Queue{Options: o, wake: make(chan struct{}, 1), anew: make(chan struct{}, 1), unsaved: map[int64]bool{}, watches: map[string]*watch{}}
	if err := o.check(); err != nil {
		return nil, err
	}
	stored, err := Stored(ctx, o.Store)
	if err != nil {
		return nil, err
	}
	known := map[int64]bool{}
	for i := range stored {
		j := &stored[i]
		if j.Stopping { // killed before the step ended
			j.State, j.Stopping, j.Finished = Cancelled, false, o.Now()
			q.unsaved[j.ID] = true
		}
		q.jobs = append(q.jobs, j)
		known[j.Run] = true
		for _, r := range j.Runs {
			known[r.Run] = true
		}
	}
	notes, err := o.Store.Notes(ctx)
	if err != nil {
		return nil, err
	}
	for name, into := range map[string]any{noteFitted: &q.fitted, noteSchedules: &q.watches} {
		if text := notes[name]; text != "" {
			if err := json.Unmarshal([]byte(text), into); err != nil {
				return nil, fmt.Errorf("store %s: the note %q is not as this version knows it: %w", o.Store.Path(), name, err)
			}
		}
	}
	// A run that no job began means that somebody was at the bench since.
	if latest, err := o.Store.Latest(ctx, ""); err == nil && !known[latest.ID] {
		q.fitted = Fit{}
	}
	q.Alive()
	q.unsafe = errors.New("RF has not been switched off yet since the start")
	return q, nil
}

// Change takes other rules from now on; a job that is at work is not touched.
// With an error the old ones stay.
func (q *Queue) Change(r Rules) error {
	if err := r.check(); err != nil {
		return err
	}
	q.mu.Lock()
	q.Rules = r
	for name := range q.watches {
		if !slices.ContainsFunc(r.Schedules, func(s *Schedule) bool { return s.Name == name }) {
			delete(q.watches, name) // one that comes back begins anew
		}
	}
	q.mu.Unlock()
	nudge(q.anew)
	return nil
}

func (q *Queue) rules() Rules {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.Rules
}

// Run does what there is to do until ctx ends, or stop is closed: then the run
// that is being carried out ends tidily after its step, and its job goes on
// when the queue is run again.
func (q *Queue) Run(ctx context.Context, stop <-chan struct{}) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	var clock sync.WaitGroup
	clock.Go(func() { q.watch(ctx, stop) })
	defer clock.Wait()
	defer cancel()
	for {
		select {
		case <-stop:
			return
		default:
		}
		wait := q.turn(ctx, stop)
		timer := time.NewTimer(wait)
		select {
		case <-ctx.Done():
		case <-stop:
		case <-q.wake:
		case <-timer.C:
		}
		timer.Stop()
		if ctx.Err() != nil {
			return
		}
	}
}

func (q *Queue) poke() { nudge(q.wake) }

func nudge(c chan<- struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// idle is how often the engine looks around by itself; a clock that was set
// shows within it.
const idle = 5 * time.Second

// turn does one thing and tells how long there is nothing to do.
func (q *Queue) turn(ctx context.Context, stop <-chan struct{}) time.Duration {
	q.beat.Store(time.Now().UnixNano())
	q.save(ctx)
	off, tried := q.safe(ctx)
	job, ok := q.head()
	if !off {
		if tried && ok && job.State != Asking {
			q.failed(ctx, &job, nil, q.Unsafe())
		}
		return min(q.untilSafe(), idle)
	}
	if !ok || job.State == Asking {
		return idle
	}
	if wait := q.until(job.NotBefore); wait > 0 {
		if most := q.longestWait(&job); wait > most { // the clock went back
			q.change(ctx, job.ID, func(j *Job) { j.NotBefore = q.Now().Add(most) })
		}
		return min(wait, idle)
	}
	q.advance(ctx, stop, job)
	return 0
}

func (q *Queue) until(t time.Time) time.Duration {
	if t.IsZero() {
		return 0
	}
	return max(0, t.Sub(q.Now()))
}

func (q *Queue) longestWait(j *Job) time.Duration {
	return max(mostBackoff, time.Duration(j.Every)) + time.Second
}

// head is the job whose turn it is.
func (q *Queue) head() (Job, bool) {
	q.mu.Lock()
	defer q.mu.Unlock()
	for _, j := range q.jobs {
		if j.State.Open() {
			return j.clone(), true
		}
	}
	return Job{}, false
}

// advance takes a job one run, or one question, farther.
func (q *Queue) advance(ctx context.Context, stop <-chan struct{}, job Job) {
	run, cal, why, err := q.next(ctx, &job)
	switch {
	case errors.Is(err, errLater):
		return
	case err != nil:
		q.failed(ctx, &job, nil, err)
		return
	case run == nil:
		q.end(ctx, job.ID, Done, "")
		return
	case run.ID == 0 && job.Kind != DryRun:
		need := job.needs(run.Kind)
		there := job.Ready || q.Fitted() == need
		doubtful := run.Kind == sweep.Swapped && why != ""
		switch {
		case !there || doubtful:
			text := need.ask()
			if there {
				text = "Leave the balun with its arms exchanged in the fixture"
			}
			q.change(ctx, job.ID, func(j *Job) {
				j.State, j.Reason = Asking, ""
				j.Question = &Question{Fit: need, Text: text, Why: why, At: q.Now()}
				if doubtful { // not asked again
					j.Calibration = run.Calibration
				}
			})
			return
		case job.Ready:
			q.fit(ctx, need)
		}
	}
	q.carry(ctx, stop, &job, run, cal)
}

// carry carries out a run of a job and sees to what becomes of it.
func (q *Queue) carry(ctx context.Context, stop <-chan struct{}, job *Job, run *sweep.Run, cal *sweep.Calibrated) {
	q.mu.Lock()
	runStop := make(chan struct{})
	q.stopRun = runStop
	q.mu.Unlock()
	if !q.change(ctx, job.ID, func(j *Job) {
		j.State, j.NotBefore, j.Ready = Running, time.Time{}, false
		if j.Started.IsZero() {
			j.Started = q.Now()
		}
	}) {
		q.over()
		return
	}
	both, quit, gone := make(chan struct{}), make(chan struct{}), make(chan struct{})
	go func() {
		defer close(gone)
		select {
		case <-stop:
			close(both)
		case <-runStop:
			close(both)
		case <-quit:
		}
	}()
	j := &held{Store: q.Store, queue: q, job: job.ID}
	var err error
	if run.ID != 0 {
		err = j.claim(run.ID)
	}
	if err == nil {
		now := q.copyOf(job.ID)
		err = q.Bench.CarryOut(ctx, both, &now, run, cal, j)
	}
	j.release()
	close(quit)
	<-gone
	q.over()

	after := q.copyOf(job.ID)
	switch {
	case ctx.Err() != nil: // killed from outside: goes on at the next start
		return
	case err != nil && after.Stopping:
		q.unsure(err)
		q.end(ctx, job.ID, Cancelled, "")
	case err != nil:
		q.failed(ctx, &after, run, err)
	case after.Stopping && run.State != sweep.Done:
		q.end(ctx, job.ID, Cancelled, "")
	case run.State == sweep.Done:
		q.taken(ctx, job.ID, run)
		if after.Stopping {
			q.end(ctx, job.ID, Cancelled, "")
		}
	}
}

// over says that no run is being carried out.
func (q *Queue) over() {
	q.mu.Lock()
	q.stopRun = nil
	q.mu.Unlock()
}

// taken puts a finished run to its job.
func (q *Queue) taken(ctx context.Context, id int64, run *sweep.Run) {
	q.change(ctx, id, func(j *Job) {
		j.Run, j.Failures, j.Reason = 0, 0, ""
		j.Runs = append(j.Runs, Taken{Run: run.ID, Kind: run.Kind, Started: run.Started, Verdict: run.Verdict})
		if run.Kind == sweep.Calibration {
			j.Calibration = run.ID
		} else {
			j.Verdict, j.Calibration = run.Verdict, run.Calibration
		}
		j.State = Waiting
	})
}

// mostBackoff bounds the wait before another try.
const mostBackoff = time.Minute

// failed decides what becomes of a job that could not go on: another try where
// that can help, otherwise it is parked. run is nil where none was carried out.
func (q *Queue) failed(ctx context.Context, job *Job, run *sweep.Run, err error) {
	if run != nil {
		q.unsure(err)
	}
	passing, rules := passes(err), q.rules()
	if !passing || job.Failures >= rules.Retries {
		if passing {
			err = fmt.Errorf("given up after %d more tries: %w", job.Failures, err)
		} else if run != nil && job.Kind != DryRun {
			// What was measured so far was measured wrongly: another try begins anew.
			q.change(ctx, job.ID, func(j *Job) { j.Run = 0 })
			q.fit(ctx, Fit{})
		}
		q.Log.Error("job parked", "job", job.ID, "name", job.Name, "reason", err.Error())
		q.end(ctx, job.ID, Parked, err.Error())
		return
	}
	wait := min(rules.Backoff<<min(job.Failures, 20), mostBackoff)
	q.change(ctx, job.ID, func(j *Job) {
		j.Failures++
		j.State = Waiting
		j.NotBefore = q.Now().Add(wait)
		j.Reason = fmt.Sprintf("try %d of %d follows: %v", j.Failures+1, rules.Retries+1, err)
	})
	q.Log.Warn("job failed, another try follows", "job", job.ID, "name", job.Name, "failures", job.Failures+1, "wait", wait, "error", err.Error())
}

// passes tells whether another try can help.
func passes(err error) bool {
	for _, kind := range []error{drivers.ErrLink, drivers.ErrReply, journal.ErrFull, journal.ErrHeld, context.DeadlineExceeded} {
		if errors.Is(err, kind) {
			return true
		}
	}
	return false
}

// Progress is told that a job took a step: what failed before is got over.
func (q *Queue) Progress(id int64) {
	q.set(id, func(j *Job) { j.Failures, j.Reason = 0, "" })
}

// Beat is when the engine last did something.
func (q *Queue) Beat() time.Time { return time.Unix(0, q.beat.Load()) }

// Alive is called by a bench whenever an instrument has answered.
func (q *Queue) Alive() { q.beat.Store(time.Now().UnixNano()) }
