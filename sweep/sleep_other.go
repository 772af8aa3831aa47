//go:build !linux

package sweep

import "time"

// lateTimer is how late the runtime's timers can be, where that is worth a
// thought.
const lateTimer = 0

func waitExactly(time.Duration) {}
