package queue

import (
	"context"
	"encoding/json"
	"slices"
	"time"

	"halfturn/sweep/journal"
)

// end closes a job.
func (q *Queue) end(ctx context.Context, id int64, state State, reason string) {
	if q.change(ctx, id, func(j *Job) {
		j.State, j.Reason, j.Question, j.NotBefore, j.Stopping = state, reason, nil, time.Time{}, false
		j.Finished = q.Now()
	}) {
		q.End(q.copyOf(id))
	}
	q.forget(ctx)
}

// forget removes the oldest ended jobs beyond mostEnded.
func (q *Queue) forget(ctx context.Context) {
	q.mu.Lock()
	var ended []int64
	for _, j := range q.jobs {
		if !j.State.Open() {
			ended = append(ended, j.ID)
		}
	}
	ended = ended[:max(0, len(ended)-mostEnded)]
	q.jobs = slices.DeleteFunc(q.jobs, func(j *Job) bool { return slices.Contains(ended, j.ID) })
	q.mu.Unlock()
	for _, id := range ended {
		if err := q.Store.RemoveJob(ctx, id); err != nil {
			q.Log.Warn("an old job stays in the store", "error", err.Error())
		}
	}
}

// copyOf is a job as it stands; zero where there is none.
func (q *Queue) copyOf(id int64) Job {
	q.mu.Lock()
	defer q.mu.Unlock()
	if j := q.find(id); j != nil {
		return j.clone()
	}
	return Job{}
}

func (q *Queue) find(id int64) *Job {
	i, ok := slices.BinarySearchFunc(q.jobs, id, func(j *Job, id int64) int { return int(j.ID - id) })
	if !ok {
		return nil
	}
	return q.jobs[i]
}

// set changes a job that is stored otherwise, or need not be yet.
func (q *Queue) set(id int64, how func(*Job)) {
	q.mu.Lock()
	if j := q.find(id); j != nil {
		how(j)
	}
	q.mu.Unlock()
}

// change changes an open job, stores and tells it; false where somebody has
// cancelled it meanwhile. What the store does not take now is stored as soon
// as it does.
func (q *Queue) change(ctx context.Context, id int64, how func(*Job)) bool {
	q.storing.Lock()
	defer q.storing.Unlock()
	q.mu.Lock()
	j := q.find(id)
	if j == nil || !j.State.Open() {
		q.mu.Unlock()
		return false
	}
	how(j)
	c := j.clone()
	q.mu.Unlock()
	q.put(ctx, &c)
	q.Changed(c)
	return true
}

// put stores a job, later where the store does not take it. storing is held.
func (q *Queue) put(ctx context.Context, c *Job) {
	content, err := c.content()
	if err == nil {
		err = q.Store.SaveJob(context.WithoutCancel(ctx), journal.Job{ID: c.ID, Content: content})
	}
	q.mu.Lock()
	defer q.mu.Unlock()
	if err == nil {
		delete(q.unsaved, c.ID)
		return
	}
	if !q.unsaved[c.ID] {
		q.Log.Error("a job's state is not stored yet", "job", c.ID, "error", err.Error())
	}
	q.unsaved[c.ID] = true
}

// save stores what the store did not take before.
func (q *Queue) save(ctx context.Context) {
	q.mu.Lock()
	ids := make([]int64, 0, len(q.unsaved))
	for id := range q.unsaved {
		ids = append(ids, id)
	}
	q.mu.Unlock()
	for _, id := range ids {
		q.storing.Lock()
		c := q.copyOf(id)
		q.put(ctx, &c)
		q.storing.Unlock()
	}
}

// Fitted is what is in the fixture, as far as the queue was told.
func (q *Queue) Fitted() Fit {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.fitted
}

func (q *Queue) fit(ctx context.Context, f Fit) {
	q.mu.Lock()
	q.fitted = f
	q.mu.Unlock()
	q.note(ctx, noteFitted, f)
}

func (q *Queue) note(ctx context.Context, name string, v any) {
	text, err := json.Marshal(v)
	if err == nil {
		err = q.Store.SetNote(context.WithoutCancel(ctx), name, string(text))
	}
	if err != nil {
		q.Log.Warn("a note is not stored", "note", name, "error", err.Error())
	}
}
