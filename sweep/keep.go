package sweep

import (
	"context"
	"sync"
	"time"

	"halfturn/drivers"
)

// keeper puts one step at a time on the disk while the next one is being set,
// and tells of it once it is there. The pass asks it to keep a step and waits
// for that before the next capture; the analysis of a step and whoever observes
// it go on beside both.
type keeper struct {
	pass    *pass
	asked   chan kept  // at most one
	done    chan error // of the one that was asked
	untold  chan Event // on the disk
	running sync.WaitGroup

	pending bool  // a step was asked to be kept, and not waited for
	err     error // of the last one
}

// kept is a step that is to be kept.
type kept struct {
	step     *Step
	captures []drivers.Capture
	timing   Timing
}

// mostUntold is how many steps an observer may be behind before the next
// commit waits for it.
const mostUntold = 256

// begin starts the keeper; end ends it, with nothing left to be told.
func (k *keeper) begin(p *pass) {
	k.pass = p
	k.asked, k.done, k.untold = make(chan kept, 1), make(chan error, 1), make(chan Event, mostUntold)
	k.running.Go(k.commit)
	k.running.Go(k.tell)
}

func (k *keeper) end() {
	close(k.asked)
	k.running.Wait()
}

func (k *keeper) keep(step *Step, captures []drivers.Capture, timing Timing) {
	k.pending = true
	k.asked <- kept{step, captures, timing}
}

// wait returns when the last step is on the disk, with the error if it is not.
func (k *keeper) wait() error {
	if k.pending {
		k.err, k.pending = <-k.done, false
	}
	return k.err
}

func (k *keeper) commit() {
	defer close(k.untold)
	for s := range k.asked {
		begun := time.Now()
		// A step that is measured is kept, also when the run is being interrupted.
		err := k.pass.Journal.Commit(context.Background(), k.pass.run.ID, s.step, s.captures)
		s.timing.Storing = time.Since(begun)
		k.done <- err
		if err == nil && k.pass.Observe != nil {
			k.untold <- Event{Run: k.pass.run, Step: s.step, Total: len(k.pass.places), Ahead: k.pass.ahead[s.step.Index], Timing: s.timing}
		}
	}
}

func (k *keeper) tell() {
	for e := range k.untold {
		e.Result, e.Decision, e.Remark = k.pass.analysis.step(e.Step)
		k.pass.Observe(e)
	}
}
