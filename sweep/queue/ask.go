package queue

import (
	"context"
	"errors"
	"fmt"
	"time"

	"halfturn/sweep/journal"
)

// Submit queues a job.
func (q *Queue) Submit(ctx context.Context, r Request) (Job, error) {
	return q.submit(ctx, r, "", q.Now())
}

// submit queues a job for a schedule, or for nobody; now has the zone that a
// time of day means.
func (q *Queue) submit(ctx context.Context, r Request, schedule string, now time.Time) (Job, error) {
	if err := r.Check(now); err != nil {
		return Job{}, err
	}
	if r.Bench != "" && r.Bench != q.Name {
		return Job{}, refused("there is no bench %q here: this daemon owns %q", r.Bench, q.Name)
	}
	if r.Straight != 0 {
		if _, err := q.Store.Run(ctx, r.Straight); err != nil {
			return Job{}, refused("%v", err)
		}
	}
	if err := r.begin(now); err != nil {
		return Job{}, err
	}
	q.storing.Lock()
	defer q.storing.Unlock()
	q.mu.Lock()
	job := &Job{ID: 1, Request: r, State: Waiting, Schedule: schedule, Submitted: now, Runs: []Taken{}}
	if n := len(q.jobs); n > 0 {
		job.ID = q.jobs[n-1].ID + 1
	}
	if job.Name == "" {
		job.Name = fmt.Sprintf("%s %d", r.Kind, job.ID)
	}
	for _, other := range q.jobs {
		if other.Name == job.Name && other.State.Open() {
			q.mu.Unlock()
			return Job{}, fmt.Errorf("%w: job %d is called %q and is %s: give this one another name, or cancel that one", ErrConflict, other.ID, other.Name, other.State)
		}
	}
	q.mu.Unlock()
	content, err := job.content()
	if err != nil {
		return Job{}, err
	}
	if err := q.Store.SaveJob(ctx, journal.Job{ID: job.ID, Content: content}); err != nil {
		return Job{}, err
	}
	q.mu.Lock()
	q.jobs = append(q.jobs, job)
	c := job.clone()
	q.mu.Unlock()
	q.Log.Info("job queued", "job", c.ID, "name", c.Name, "kind", c.Kind, "schedule", schedule)
	q.Changed(c)
	q.poke()
	return c, nil
}

// Answer says that what a job asked for is done.
func (q *Queue) Answer(ctx context.Context, id int64) (Job, error) {
	return q.decide(ctx, id, func(j *Job) error {
		if j.State != Asking || j.Question == nil {
			return fmt.Errorf("%w: job %d asks nothing, it is %s", ErrConflict, id, j.State)
		}
		q.fitted = j.Question.Fit
		j.State, j.Question = Waiting, nil
		return nil
	}, func() { q.note(ctx, noteFitted, q.Fitted()) })
}

// Cancel ends a job: at once where nothing is being measured, otherwise after
// the step.
func (q *Queue) Cancel(ctx context.Context, id int64) (Job, error) {
	ended := false
	job, err := q.decide(ctx, id, func(j *Job) error {
		switch {
		case j.State == Running && q.stopRun != nil:
			if !j.Stopping {
				j.Stopping = true
				close(q.stopRun)
			}
		case j.State == Done || j.State == Cancelled:
			return fmt.Errorf("%w: job %d is %s already", ErrConflict, id, j.State)
		default:
			j.State, j.Question, j.NotBefore, j.Finished, ended = Cancelled, nil, time.Time{}, q.Now(), true
		}
		return nil
	}, nil)
	if err == nil && ended {
		q.End(job)
	}
	return job, err
}

// Again puts a parked job back into the queue, at its place: it goes on with
// its run where what failed can have passed, and begins the run anew otherwise.
func (q *Queue) Again(ctx context.Context, id int64) (Job, error) {
	return q.decide(ctx, id, func(j *Job) error {
		if j.State != Parked {
			return fmt.Errorf("%w: job %d is %s: only a parked one can be tried again", ErrConflict, id, j.State)
		}
		for _, other := range q.jobs {
			if other.ID != id && other.Name == j.Name && other.State.Open() {
				return fmt.Errorf("%w: job %d is called %q, too, and is %s", ErrConflict, other.ID, other.Name, other.State)
			}
		}
		j.State, j.Reason, j.Failures, j.Finished, j.Stopping = Waiting, "", 0, time.Time{}, false
		return nil
	}, nil)
}

// decide changes a job for somebody who asked for it. how is called with mu held.
func (q *Queue) decide(ctx context.Context, id int64, how func(*Job) error, then func()) (Job, error) {
	q.storing.Lock()
	defer q.storing.Unlock()
	q.mu.Lock()
	j := q.find(id)
	if j == nil {
		q.mu.Unlock()
		return Job{}, fmt.Errorf("%w: %d", ErrNoJob, id)
	}
	err := how(j)
	c := j.clone()
	q.mu.Unlock()
	if err != nil {
		return c, err
	}
	q.put(ctx, &c)
	if then != nil {
		then()
	}
	q.Changed(c)
	q.poke()
	return c, nil
}

// Jobs is every job that is kept, the oldest first.
func (q *Queue) Jobs() []Job {
	q.mu.Lock()
	defer q.mu.Unlock()
	list := make([]Job, len(q.jobs))
	for i, j := range q.jobs {
		list[i] = j.clone()
	}
	return list
}

// Job is one of them.
func (q *Queue) Job(id int64) (Job, error) {
	j := q.copyOf(id)
	if j.ID == 0 {
		return j, fmt.Errorf("%w: %d", ErrNoJob, id)
	}
	return j, nil
}

// Firings is how the schedules stand.
func (q *Queue) Firings() []Firing {
	now := q.Now()
	q.mu.Lock()
	defer q.mu.Unlock()
	list := make([]Firing, len(q.Schedules))
	for i, s := range q.Schedules {
		list[i] = Firing{Schedule: *s, Next: s.Next(now)}
		if w := q.watches[s.Name]; w != nil {
			list[i].Last, list[i].Missed, list[i].Remark = w.Last, w.Missed, w.Remark
		}
	}
	return list
}

const (
	// mostSleep is how often a clock that jumps is noticed.
	mostSleep = 10 * time.Second
	// watchEvery is how often it is stored up to when firings are dealt with.
	watchEvery = 10 * time.Minute
)

// watch queues the jobs of the schedules when they are due.
func (q *Queue) watch(ctx context.Context, stop <-chan struct{}) {
	defer func() {
		if len(q.rules().Schedules) > 0 {
			q.storeWatches(ctx)
		}
	}()
	for {
		q.fire(ctx)
		now := q.Now()
		wait := mostSleep
		for _, s := range q.rules().Schedules {
			if next := s.Next(now); !next.IsZero() {
				wait = min(wait, max(next.Sub(now), time.Millisecond))
			}
		}
		timer := time.NewTimer(wait)
		select {
		case <-timer.C:
		case <-q.anew:
		case <-stop:
			timer.Stop()
			return
		case <-ctx.Done():
			timer.Stop()
			return
		}
		timer.Stop()
	}
}

// fire looks at every schedule once.
func (q *Queue) fire(ctx context.Context) {
	now := q.Now()
	schedules := q.rules().Schedules
	store := len(schedules) > 0 && (now.Sub(q.watchedAt) > watchEvery || now.Before(q.watchedAt))
	for _, s := range schedules {
		q.mu.Lock()
		w := q.watches[s.Name]
		if w == nil {
			w = &watch{}
			q.watches[s.Name] = w
		}
		fire, say := s.check(w, now)
		q.mu.Unlock()
		if say != "" {
			q.Log.Warn("schedule", "schedule", s.Name, "remark", say)
		}
		store = store || fire || say != ""
		if fire {
			// Stored before the job is: a kill between costs one firing, and
			// never makes two.
			q.storeWatches(ctx)
			if _, err := q.submit(ctx, s.Request, s.Name, now.In(s.zone)); err != nil {
				q.skipped(s.Name, now, err)
			}
		}
	}
	if store {
		q.storeWatches(ctx)
	}
}

func (q *Queue) skipped(name string, now time.Time, err error) {
	q.mu.Lock()
	w := q.watches[name]
	if w == nil { // it was taken away meanwhile
		w = &watch{}
	}
	w.Missed++
	w.Remark = fmt.Sprintf("%s: not queued: %v", now.Format(time.RFC3339), err)
	if errors.Is(err, ErrConflict) {
		w.Remark = fmt.Sprintf("%s: not queued, the job of an earlier time is still open", now.Format(time.RFC3339))
	}
	say := w.Remark
	q.mu.Unlock()
	q.Log.Warn("schedule", "schedule", name, "remark", say)
}

func (q *Queue) storeWatches(ctx context.Context) {
	q.mu.Lock()
	kept := make(map[string]watch, len(q.Schedules))
	for _, s := range q.Schedules { // those that are gone are forgotten
		if w := q.watches[s.Name]; w != nil {
			kept[s.Name] = *w
		}
	}
	q.watchedAt = q.Now()
	q.mu.Unlock()
	q.note(ctx, noteSchedules, kept)
}
