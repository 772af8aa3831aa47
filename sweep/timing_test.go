package sweep

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"halfturn/drivers"
)

// timed is a bench that takes its time, on a clock that stands still while
// anything is computed.
func timed(t *testing.T, settle, set, acquire, transfer time.Duration) (*fakeBench, *Run) {
	lastBit = time.Sleep
	t.Cleanup(func() { lastBit = waitExactly })
	b := newFakeBench(skewed)
	b.takes = map[string]time.Duration{"frequency": set, "capture": acquire}
	b.transfer = transfer
	run := testRun(Calibration, 5)
	run.Plan.MaxCaptures = run.Plan.Captures
	run.Bench.Settle = settle
	return b, run
}

func startedWatch() *stopwatch {
	w := &stopwatch{}
	w.begin()
	return w
}

// A step's time is split as it was spent, whatever takes how long: a disk that
// is slower than settling shows as waiting for the commit and never as the
// instruments' time, an observer shows nowhere, and nothing is captured before
// the step before is on the disk.
func TestTheTimeOfAStepIsSplitAsItWasSpent(t *testing.T) {
	span := rapid.Custom(func(t *rapid.T) time.Duration {
		return time.Duration(rapid.IntRange(0, 200).Draw(t, "ms")) * time.Millisecond
	})
	rapid.Check(t, func(rt *rapid.T) {
		settle, set, acquire, transfer := span.Draw(rt, "settle"), span.Draw(rt, "set"), span.Draw(rt, "acquire"), span.Draw(rt, "transfer")
		stores := rapid.SliceOfN(span, 5, 5).Draw(rt, "stores")
		observes := span.Draw(rt, "observes")
		synctest.Test(t, func(t *testing.T) {
			b, run := timed(t, settle, set, acquire, transfer)
			j := newMemory()
			j.takes = func(step int) time.Duration { return stores[step] }
			frequencies := 0
			b.fault = func(verb string) error {
				switch verb {
				case "frequency":
					frequencies++
				case "capture":
					if n := len(j.steps[run.ID]); n != frequencies-1 {
						t.Errorf("a capture of step %d with %d steps on the disk", frequencies-1, n)
					}
				}
				return nil
			}
			e := b.executor(j)
			var events []Event
			e.Observe = func(e Event) { events = append(events, e); time.Sleep(observes) }
			begun := time.Now()
			if err := e.Start(t.Context(), run, nil); err != nil {
				t.Fatal(err)
			}
			all := time.Since(begun)
			if len(events) != 5 {
				t.Fatalf("%d events", len(events))
			}
			measuring := time.Duration(0)
			for i, event := range events {
				s := event.Step
				captures := time.Duration(s.Acquisitions - 1 + s.Estimate.Captures)
				want := Timing{
					Instruments: set + time.Duration(s.Acquisitions)*settle + captures*acquire,
					Transfer:    captures * transfer,
					Storing:     stores[i],
					Captures:    int(captures),
				}
				if i > 0 {
					want.Commit = max(0, stores[i-1]-set-settle)
				}
				if diff := cmp.Diff(want, event.Timing); diff != "" {
					t.Errorf("step %d: %s", i, diff)
				}
				if event.Timing.Added() != want.Commit {
					t.Errorf("step %d: %v added", i, event.Timing.Added())
				}
				measuring += event.Timing.Whole()
			}
			// The observer goes on while the steps are taken, and is waited for at the end.
			if least := measuring + stores[4]; all < least || all > max(least, measuring+5*observes)+stores[4] {
				t.Errorf("%v in all, %v measuring", all, measuring)
			}
		})
	})
}

// An observer that hangs delays no step, and RF goes off before it is waited for.
func TestASlowObserverDelaysNoStep(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, run := timed(t, 10*time.Millisecond, 0, 0, 0)
		j := newMemory()
		e := b.executor(j)
		release := make(chan struct{})
		var order []int
		e.Observe = func(e Event) {
			<-release
			order = append(order, e.Step.Index)
		}
		ended := make(chan error, 1)
		go func() { ended <- e.Start(t.Context(), run, nil) }()
		synctest.Wait()
		time.Sleep(time.Hour)
		synctest.Wait()
		if n := len(j.steps[run.ID]); n != 5 || b.rf {
			t.Errorf("%d steps on the disk, RF %v", n, b.rf)
		}
		if run.State != Running {
			t.Errorf("the run is %s before all was told", run.State)
		}
		close(release)
		if err := <-ended; err != nil {
			t.Fatal(err)
		}
		if !slices.Equal(order, []int{0, 1, 2, 3, 4}) {
			t.Errorf("told in the order %v", order)
		}
	})
}

// Retries are counted where they happen, also those of a step that is given
// up, and waiting for them is no time of the instruments.
func TestRetriesAreCounted(t *testing.T) {
	link := &drivers.Error{Instrument: "scope", Err: drivers.ErrLink}
	for failures, gives := range map[int]string{1: "", 2: "", 3: "link failed"} {
		t.Run(fmt.Sprint(failures), func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b, run := timed(t, 0, 0, 0, 0)
				failed := 0
				b.fault = func(verb string) error {
					if verb == "errors scope" && len(b.log) > 20 && failed < failures {
						failed++
						return link
					}
					return nil
				}
				e := b.executor(newMemory())
				e.Backoff = time.Second
				var retried []error
				e.Retried = func(err error) { retried = append(retried, err) }
				var sum Timing
				e.Observe = func(e Event) { sum.Add(&e.Timing) }
				err := e.Start(t.Context(), run, nil)
				if gives == "" && err != nil || gives != "" && (err == nil || !strings.Contains(err.Error(), gives)) {
					t.Fatalf("got %v, want %q", err, gives)
				}
				if want := min(failures, e.Retries); len(retried) != want || !errors.Is(retried[0], drivers.ErrLink) {
					t.Errorf("retried %d times, not %d: %v", len(retried), want, retried)
				}
				if gives != "" {
					return
				}
				if sum.Retries != failures || sum.Backoff != time.Duration(1<<failures-1)*time.Second || sum.Instruments != 0 {
					t.Errorf("%+v", sum)
				}
			})
		})
	}
}

// Sleeping ends when it should, or at once when the context does.
func TestSleep(t *testing.T) {
	for _, d := range []time.Duration{0, 300 * time.Microsecond, time.Millisecond, 4500 * time.Microsecond} {
		begun := time.Now()
		if err := sleep(t.Context(), d); err != nil || time.Since(begun) < d {
			t.Errorf("%v for %v: %v", time.Since(begun), d, err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	for _, d := range []time.Duration{0, time.Hour} {
		if err := sleep(ctx, d); !errors.Is(err, context.Canceled) {
			t.Errorf("%v: %v", d, err)
		}
	}
}
