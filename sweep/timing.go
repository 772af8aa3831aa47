package sweep

import "time"

// Timing is how the time of a step was spent, from the step before to the begin
// of its own commit. Its parts follow one another: their sum is the step's time
// by the clock. Storing goes on beside the next step's setting and is in none of
// them; where the next step has settled before it is over, that one waits, and
// says so in Commit.
type Timing struct {
	Instruments time.Duration // setting, settling, acquiring, error queues
	Transfer    time.Duration // reading records
	Computing   time.Duration // fits that were waited for, levels, combining
	Commit      time.Duration // waiting until the step before was on the disk
	Backoff     time.Duration // waiting before another try
	Storing     time.Duration // its own commit
	Captures    int           // all that were taken, those of other levels and of tries that failed too
	Retries     int
}

// Whole is the step's time by the clock.
func (t *Timing) Whole() time.Duration {
	return t.Instruments + t.Transfer + t.Computing + t.Commit + t.Backoff
}

// Added is what the step took longer than instruments, links and their failures
// made it.
func (t *Timing) Added() time.Duration { return t.Computing + t.Commit }

// Add puts another step's time to t.
func (t *Timing) Add(o *Timing) {
	t.Instruments += o.Instruments
	t.Transfer += o.Transfer
	t.Computing += o.Computing
	t.Commit += o.Commit
	t.Backoff += o.Backoff
	t.Storing += o.Storing
	t.Captures += o.Captures
	t.Retries += o.Retries
}

// stopwatch splits the time of a pass. It runs in one part at a time, so that
// nothing is counted twice or left out.
type stopwatch struct {
	spent   Timing
	running *time.Duration // a part of spent
	since   time.Time
}

// begin starts the first step, in computing.
func (w *stopwatch) begin() {
	*w = stopwatch{since: time.Now()}
	w.running = &w.spent.Computing
}

// turn lets another part run, and gives the one that ran:
//
//	defer w.turn(w.turn(&w.spent.Instruments))
func (w *stopwatch) turn(to *time.Duration) (from *time.Duration) {
	now := time.Now()
	*w.running += now.Sub(w.since)
	w.since = now
	from, w.running = w.running, to
	return from
}

// move counts time that has run in one part to another.
func (w *stopwatch) move(d time.Duration, from, to *time.Duration) {
	*from -= d
	*to += d
}

// lap ends a step and begins the next, in the same part.
func (w *stopwatch) lap() Timing {
	w.turn(w.running)
	spent := w.spent
	w.spent = Timing{}
	return spent
}
