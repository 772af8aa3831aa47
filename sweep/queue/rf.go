package queue

import (
	"context"
	"fmt"
	"time"
)

// unsure notes that RF may be on.
func (q *Queue) unsure(err error) {
	q.mu.Lock()
	defer q.mu.Unlock()
	q.unsafe = err
	q.nextTry = time.Time{}
}

// Unsafe is why RF may be on although nothing is being measured; nil where it is off.
func (q *Queue) Unsafe() error {
	q.mu.Lock()
	defer q.mu.Unlock()
	return q.unsafe
}

const (
	// rfLimit is how long one try of switching RF off may take.
	rfLimit = 5 * time.Second
	// mostUnsafe bounds the wait before the next one.
	mostUnsafe = 10 * time.Second
)

// safe sees that RF is off at the start and after something went wrong. It
// tells whether it is, and whether that was tried now.
func (q *Queue) safe(ctx context.Context) (off, tried bool) {
	if q.Unsafe() == nil {
		return true, false
	}
	if q.untilSafe() > 0 {
		return false, false
	}
	limited, cancel := context.WithTimeout(ctx, rfLimit)
	defer cancel()
	err := q.Bench.RFOff(limited)
	q.mu.Lock()
	if err == nil {
		q.unsafe, q.tries = nil, 0
	} else {
		q.unsafe = fmt.Errorf("RF may still be on: %w", err)
		q.nextTry = q.Now().Add(min(q.Backoff<<min(q.tries, 20), mostUnsafe))
		q.tries++
	}
	q.mu.Unlock()
	if err == nil {
		q.Log.Info("RF is off")
	} else {
		q.Log.Error("RF may still be on", "error", err.Error())
	}
	q.Safety()
	return err == nil, true
}

// untilSafe is how long until the next try of switching RF off.
func (q *Queue) untilSafe() time.Duration {
	q.mu.Lock()
	defer q.mu.Unlock()
	return min(q.until(q.nextTry), mostUnsafe) // also where the clock went back
}
