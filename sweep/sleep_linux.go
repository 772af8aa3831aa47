package sweep

import (
	"syscall"
	"time"
)

// lateTimer is how late the runtime's timers can be: with nothing else to do it
// waits in epoll_wait(2), which counts whole milliseconds. Settling is waited
// for in every step, and half of that would be lost each time.
const lateTimer = time.Millisecond

func waitExactly(d time.Duration) {
	for left := syscall.NsecToTimespec(int64(d)); left.Nano() > 0 && syscall.Nanosleep(&left, &left) == syscall.EINTR; {
	}
}
