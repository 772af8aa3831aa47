package sweep

import (
	"context"
	"time"
)

// sleep returns after d, or when ctx ends.
func sleep(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return ctx.Err()
	}
	until := time.Now().Add(d)
	t := time.NewTimer(max(0, d-lateTimer))
	defer t.Stop()
	select {
	case <-t.C:
		lastBit(time.Until(until))
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// lastBit waits for what is left after a timer that was set early by lateTimer.
// Tests on a clock of their own replace it.
var lastBit = waitExactly
