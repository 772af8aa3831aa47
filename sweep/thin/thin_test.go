package thin

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"halfturn/analysis/balance"
	"halfturn/analysis/conformity"
	"halfturn/analysis/uncertainty"
	"halfturn/drivers"
	"halfturn/sweep"
	"halfturn/sweep/journal"
	"halfturn/units"
)

var noon = time.Date(2027, 3, 4, 12, 0, 0, 0, time.UTC)

const day = 24 * time.Hour

// shelf is a store that a test fills.
type shelf struct {
	*testing.T
	*journal.Store
}

func newShelf(t *testing.T) *shelf {
	t.Helper()
	s, err := journal.Open(t.Context(), filepath.Join(t.TempDir(), "store.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return &shelf{t, s}
}

func (s *shelf) must(err error) {
	s.Helper()
	if err != nil {
		s.Fatal(err)
	}
}

const steps = 20

// add stores a run that was done so many days before noon, with an arm ratio
// at each step, 0 for none.
func (s *shelf) add(run sweep.Run, days int, ratio func(step int) complex128) int64 {
	s.Helper()
	phase, early := units.Degrees(20), noon.Add(-time.Duration(days)*day)
	run.Started, run.Limits = early.Add(-time.Minute), conformity.Limits{From: 10e6, To: 300e6, PhaseBalance: &phase}
	run.Plan.Segments = []sweep.Segment{{From: 10e6, To: 300e6, Points: steps, Spacing: "linear"}}
	run.Bench.Load = balance.Load{Resistance: 100, Source: 50}
	finished := run
	run.State = sweep.Running
	s.must(s.Create(s.Context(), &run))
	capture := drivers.Capture{Rate: 1e9}
	for arm := range capture.Traces {
		capture.Traces[arm] = drivers.Trace{Codes: []int16{1, 2, 3}, VoltsPerCode: 1e-3, Low: -128, High: 127}
	}
	frequencies := run.Plan.Frequencies()
	for i := range steps {
		step := sweep.Step{Index: i, Taken: run.Started, Range: [2]units.Volts{0.1, 0.1}, Window: drivers.Window{Rate: 1e9, Samples: 1000}, Fill: [2]float64{0.7, 0.7}, Acquisitions: 1}
		step.Estimate = balance.Estimate{Frequency: frequencies[i], Ratio: ratio(i), Cov: uncertainty.Cov{RR: 1e-10, II: 1e-10},
			Amplitude: [2]units.Volts{0.035, 0.035}, UAmplitude: [2]units.Volts{1e-6, 1e-6}, Sigma: [2]units.Volts{1e-4, 1e-4}, Captures: 1, Samples: 1000}
		if ratio(i) == 0 {
			step.Estimate, step.Remark = balance.Estimate{Frequency: frequencies[i]}, "no signal"
		}
		s.must(s.Commit(s.Context(), run.ID, &step, []drivers.Capture{capture}))
	}
	run.State, run.Finished = finished.State, early
	if run.State == "" {
		run.State = sweep.Done
	}
	s.must(s.Update(s.Context(), &run))
	return run.ID
}

func cable(int) complex128 { return 1 }
func good(int) complex128  { return -1 }

// bad is a balun that fails at step 7 and cannot be measured at step 12.
func bad(step int) complex128 {
	switch step {
	case 7:
		return complex(0, -1)
	case 12:
		return 0
	}
	return -1
}

// due is what Look says of each run: how many steps lose their captures.
func (s *shelf) due(after time.Duration, now time.Time) map[int64]int {
	s.Helper()
	got := map[int64]int{}
	s.must(Look(s.Context(), s.Store, Rule{After: after}, now, func(d Due, err error) bool {
		s.must(err)
		if d.Steps+len(d.Kept) > steps || d.Steps > 0 && d.Bytes < int64(d.Steps) {
			s.Errorf("%+v", d)
		}
		got[d.Run.ID] = d.Steps
		return true
	}))
	return got
}

// figures are the steps whose X-Y figures a report shows, of 20.
var figures = []int{0, 3, 7, 11, 15, 19}

func TestRule(t *testing.T) {
	s := newShelf(t)
	kind := func(k sweep.Kind, calibration int64) sweep.Run { return sweep.Run{Kind: k, Calibration: calibration} }
	plain := steps - len(figures)
	want := map[int64]int{}
	oldCal := s.add(kind(sweep.Calibration, 0), 100, cable)
	want[oldCal] = plain
	want[s.add(kind(sweep.Balun, oldCal), 99, good)] = plain
	want[s.add(kind(sweep.Balun, oldCal), 98, bad)] = plain - 1 // step 12 besides, step 7 shows its figure anyway
	stoppedCal := s.add(kind(sweep.Calibration, 0), 97, cable)
	stopped := kind(sweep.Balun, stoppedCal)
	stopped.State = sweep.Stopped
	s.add(stopped, 97, good)
	baselineCal := s.add(kind(sweep.Calibration, 0), 96, cable)
	baseline := s.add(kind(sweep.Balun, baselineCal), 96, good)
	s.must(s.SetBaseline(t.Context(), "before", baseline))
	want[s.add(kind(sweep.Balun, baselineCal), 95, good)] = plain
	youngCal := s.add(kind(sweep.Calibration, 0), 94, cable)
	straight := s.add(kind(sweep.Balun, youngCal), 93, good)
	want[s.add(kind(sweep.Balun, youngCal), 92, good)] = plain
	swapped := kind(sweep.Swapped, youngCal)
	swapped.Straight = straight
	s.add(swapped, 30, good) // exactly as old as the rule allows
	want[s.add(kind(sweep.Calibration, 0), 31, cable)] = plain
	s.add(kind(sweep.Balun, youngCal), 0, good)

	got := s.due(30*day, noon.Add(time.Hour))
	if len(got) != len(want) {
		t.Errorf("due are %v, want %v", got, want)
	}
	for run, n := range want {
		if d, ok := got[run]; !ok || d != n {
			t.Errorf("run %d loses captures of %d steps, want %d", run, d, n)
		}
	}
	// It is the store's time that counts, not a clock that is far ahead, and
	// not a run of a time to come.
	if again := s.due(30*day, noon.AddDate(40, 0, 0)); len(again) != len(want) {
		t.Errorf("by a clock that is ahead due are %v", again)
	}
	if none := s.due(30*day, noon.AddDate(-1, 0, 0)); len(none) != 0 {
		t.Errorf("by a clock that is behind due are %v", none)
	}
	if none := s.due(101*day, noon); len(none) != 0 {
		t.Errorf("due are %v, and none is so old", none)
	}

	before := s.everything()
	thinned := 0
	_, err := Thin(t.Context(), s.Store, Rule{After: 30 * day}, noon, func(d Due, err error) {
		s.must(err)
		thinned += d.Steps
	})
	s.must(err)
	total := 0
	for _, n := range got {
		total += n
	}
	if thinned != total {
		t.Errorf("captures of %d steps were removed, %d were due", thinned, total)
	}
	if after := s.everything(); after != before {
		t.Error("a result changed")
	}
	for run := int64(1); run <= 14; run++ {
		gone := 0
		for i := range steps {
			_, err := s.Captures(t.Context(), run, i)
			if errors.Is(err, journal.ErrThinned) {
				gone++
			} else {
				s.must(err)
			}
		}
		if gone != got[run] {
			t.Errorf("run %d lost captures of %d steps, and %d were due", run, gone, got[run])
		}
	}
	if again := s.due(30*day, noon); len(again) != 0 {
		t.Errorf("afterwards %v are due", again)
	}
}

// everything is all that is stated of all runs.
func (s *shelf) everything() string {
	s.Helper()
	var b strings.Builder
	for run, err := range s.Newest(s.Context(), "", 0) {
		s.must(err)
		var cal *sweep.Calibrated
		if run.Calibration != 0 {
			cal, err = sweep.LoadCalibrated(s.Context(), s.Store, run.Calibration)
			s.must(err)
		}
		outcome, err := sweep.Analyse(&run, s.Steps(s.Context(), run.ID), cal)
		s.must(err)
		fmt.Fprintf(&b, "%+v %+v %+v %+v\n", run.ID, outcome.Results, outcome.Decisions, outcome.Summary)
	}
	return b.String()
}

// What a step says that is no pass, and what a report shows, stays.
func TestStepsThatStay(t *testing.T) {
	s := newShelf(t)
	cal := s.add(sweep.Run{Kind: sweep.Calibration}, 10, cable)
	run := s.add(sweep.Run{Kind: sweep.Balun, Calibration: cal}, 9, bad)
	s.add(sweep.Run{Kind: sweep.Balun, Calibration: cal}, 0, good)
	_, err := Thin(t.Context(), s.Store, Rule{After: day}, noon, nil)
	s.must(err)
	thinned, err := s.Thinned(t.Context(), run)
	s.must(err)
	// Of the 19 measured steps (12 is not) those of the figures: 0, 3, 7, 10, 14, 18 in their order.
	if want := []int{0, 3, 7, 10, 12, 15, 19}; thinned == nil || !slices.Equal(thinned.Kept, want) {
		t.Errorf("kept are %+v, want %v", thinned, want)
	}
	if thinned, err := s.Thinned(t.Context(), cal); err != nil || thinned != nil {
		t.Errorf("the calibration of a run that is young: %+v, %v", thinned, err)
	}
}

// A run that cannot be analysed keeps its captures and what it rests on; the
// others go.
func TestRunThatCannotBeAnalysed(t *testing.T) {
	s := newShelf(t)
	cal := s.add(sweep.Run{Kind: sweep.Calibration}, 20, func(int) complex128 { return 0 }) // no measured step
	orphan := s.add(sweep.Run{Kind: sweep.Balun, Calibration: cal}, 19, good)
	other := s.add(sweep.Run{Kind: sweep.Calibration}, 18, cable)
	s.add(sweep.Run{Kind: sweep.Balun, Calibration: other}, 0, good)
	told := 0
	_, err := Thin(t.Context(), s.Store, Rule{After: day}, noon, func(d Due, err error) {
		if told++; err == nil || d.Run.ID != orphan || !strings.Contains(err.Error(), "keeps its captures") {
			t.Errorf("%+v, %v", d, err)
		}
	})
	s.must(err)
	if told != 1 {
		t.Errorf("told of %d runs", told)
	}
	for _, run := range []int64{cal, orphan} {
		if thinned, err := s.Thinned(t.Context(), run); err != nil || thinned != nil {
			t.Errorf("run %d: %+v, %v", run, thinned, err)
		}
	}
}

func TestLookEndsWithItsContext(t *testing.T) {
	s := newShelf(t)
	cal := s.add(sweep.Run{Kind: sweep.Calibration}, 20, cable)
	s.add(sweep.Run{Kind: sweep.Balun, Calibration: cal}, 10, good)
	s.add(sweep.Run{Kind: sweep.Calibration}, 0, cable)
	ctx, cancel := context.WithCancel(t.Context())
	err := Look(ctx, s.Store, Rule{After: day}, noon, func(Due, error) bool { cancel(); return true })
	if !errors.Is(err, context.Canceled) {
		t.Errorf("got %v", err)
	}
}
