package queue

import (
	"context"
	"encoding/json"
	"fmt"

	"halfturn/sweep"
	"halfturn/sweep/journal"
)

// Names of the notes in the store.
const (
	noteFitted    = "fitted"
	noteSchedules = "schedules"
)

// Stored reads the jobs of a store, the oldest first, also while a daemon is
// at work on them.
func Stored(ctx context.Context, store *journal.Store) ([]Job, error) {
	rows, err := store.Jobs(ctx)
	if err != nil {
		return nil, err
	}
	jobs := make([]Job, len(rows))
	for i, row := range rows {
		if err := json.Unmarshal([]byte(row.Content), &jobs[i]); err != nil {
			return nil, fmt.Errorf("store %s: job %d is not as this version knows it: %w", store.Path(), row.ID, err)
		}
	}
	return jobs, nil
}

// held is the store as a run of a job sees it: the run is stored together with
// the job, and held against a second process.
type held struct {
	*journal.Store
	queue   *Queue
	job     int64
	claimed func() error
}

var _ sweep.Journal = (*held)(nil)

func (h *held) Create(ctx context.Context, run *sweep.Run) error {
	h.queue.storing.Lock() // so that no other change of the job is stored over this one
	defer h.queue.storing.Unlock()
	err := h.CreateFor(ctx, run, func(id int64) (journal.Job, error) {
		after := h.queue.copyOf(h.job)
		after.Run = id
		content, err := after.content()
		return journal.Job{ID: h.job, Content: content}, err
	})
	if err != nil {
		return err
	}
	h.queue.set(h.job, func(j *Job) { j.Run = run.ID })
	return h.claim(run.ID)
}

func (h *held) claim(run int64) (err error) {
	h.claimed, err = h.Claim(run)
	return err
}

func (h *held) release() {
	if h.claimed != nil {
		_ = h.claimed() // the lock ends with the process anyway
	}
}
