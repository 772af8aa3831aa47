package sweep

import (
	"errors"
	"math"
	"math/cmplx"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfturn/analysis/linearity"
	"halfturn/drivers"
	"halfturn/units"
)

// twice is a run that takes every third step at a second drive, and precisely.
func twice(kind Kind, points int) *Run {
	run := testRun(kind, points)
	run.Plan.Linearity = Linearity{Drop: 6, Every: 3}
	run.Plan.Captures, run.Plan.MaxCaptures = 16, 16
	return run
}

// run carries a run out on a bench.
func (b *fakeBench) run(t *testing.T, j *memory, run *Run, cal *Calibrated) {
	t.Helper()
	if err := b.executor(j).Start(t.Context(), run, cal); err != nil {
		t.Fatal(err)
	}
}

func assessed(t *testing.T, j *memory, run *Run) linearity.Report {
	t.Helper()
	r, err := AssessLinearity(t.Context(), j, run)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// The second level is on the same range, as much lower as asked, and reads the
// same ratio; it never comes at the other steps.
func TestASecondLevelAtEveryNthStep(t *testing.T) {
	j, b := newMemory(), newFakeBench(skewed)
	run := twice(Calibration, 10)
	b.run(t, j, run, nil)
	for _, s := range j.steps[run.ID] {
		second := &s.Second
		if wanted := s.Index%3 == 0; second.Measured() != wanted || second.Asked() != wanted || !wanted && s.Harmonics != (linearity.Harmonics{}) {
			t.Fatalf("step %d: %+v", s.Index, second)
		}
		if !second.Measured() {
			continue
		}
		if drop := float64(s.Drive - second.Drive); drop < 6-1e-9 || drop > 6.1+1e-9 {
			t.Errorf("step %d: %v and %v", s.Index, s.Drive, second.Drive)
		}
		if r := second.Fill[0] / s.Fill[0] * units.DB(s.Drive-second.Drive).Ratio(); math.Abs(r-1) > 0.01 {
			t.Errorf("step %d: fill %v after %v", s.Index, second.Fill, s.Fill)
		}
		u := s.Estimate.Cov.Standard() + second.Estimate.Cov.Standard()
		if d := cmplx.Abs(s.Estimate.Ratio - second.Estimate.Ratio); d > 4*u {
			t.Errorf("step %d: the ratio moves by %.2g, u %.2g", s.Index, d, u)
		}
	}
	if total := (10 + 4) * 16; j.captures != total {
		t.Errorf("%d captures are stored, want %d", j.captures, total)
	}
	r := assessed(t, j, run)
	if r.Verdict != linearity.Linear || r.Told != 4 || len(r.Steps) != 4 {
		t.Errorf("%s, %d of %d", r.Verdict, r.Told, len(r.Steps))
	}
}

// A run without is the run that it was: the same verbs in the same order.
func TestWithoutASecondLevelNothingChanges(t *testing.T) {
	with, without := newFakeBench(skewed), newFakeBench(skewed)
	run := testRun(Calibration, 8)
	with.run(t, newMemory(), run, nil)
	plain := testRun(Calibration, 8)
	plain.Plan.Linearity = Linearity{Drop: 6}
	j := newMemory()
	without.run(t, j, plain, nil)
	if diff := cmp.Diff(with.log, without.log); diff != "" {
		t.Error(diff)
	}
	if r := assessed(t, j, plain); r.Verdict != linearity.NotTaken {
		t.Errorf("%q", r.Verdict)
	}
}

// What later steps depend on comes from the first level alone.
func TestTheSecondLevelTeachesNothing(t *testing.T) {
	one, two := newMemory(), newMemory()
	run := twice(Calibration, 9)
	run.Plan.Linearity.Every = 0
	newFakeBench(skewed).run(t, one, run, nil)
	newFakeBench(skewed).run(t, two, twice(Calibration, 9), nil)
	for i, s := range two.steps[1] {
		s.Second, s.Harmonics = linearity.Level{}, linearity.Harmonics{}
		if diff := cmp.Diff(one.steps[1][i], s); diff != "" {
			t.Errorf("step %d: %s", i, diff)
		}
	}
}

// Each of the four cases, from the captures to the verdict. The cubic term
// lowers a fundamental by 3/4 of it times fill²; 6 dB less leave a quarter.
func TestLevelDependenceIsPutDown(t *testing.T) {
	const points = 12
	saturates := func(d units.DBm) complex128 { return complex(1+0.02*float64(d.VoltsRMS()), 0) }
	for name, c := range map[string]struct {
		cubic   [2]float64
		ferrite func(units.DBm) complex128
		cable   linearity.Verdict
		balun   linearity.Verdict
	}{
		"neither": {cable: linearity.Linear, balun: linearity.Linear},
		"scope":   {cubic: [2]float64{0, 0.02}, cable: linearity.ScopeNonLinear, balun: linearity.ScopeNonLinear},
		"balun":   {ferrite: saturates, cable: linearity.Linear, balun: linearity.BalunNonLinear},
		"both":    {cubic: [2]float64{0.02, 0}, ferrite: saturates, cable: linearity.ScopeNonLinear, balun: linearity.BothNonLinear},
		// Two channels alike move no ratio: what cannot matter is not told.
		"channels alike": {cubic: [2]float64{0.02, 0.02}, cable: linearity.Linear, balun: linearity.Linear},
	} {
		t.Run(name, func(t *testing.T) {
			j := newMemory()
			cable := newFakeBench(skewed)
			cable.cubic = c.cubic
			calibration := twice(Calibration, points)
			cable.run(t, j, calibration, nil)
			cal, err := LoadCalibrated(t.Context(), j, calibration.ID)
			if err != nil {
				t.Fatal(err)
			}
			b := newFakeBench(behind(-1))
			b.cubic, b.ferrite = c.cubic, c.ferrite
			run := twice(Balun, points)
			b.run(t, j, run, cal)
			if r := assessed(t, j, calibration); r.Verdict != c.cable {
				t.Errorf("cable: %s, want %s", r.Verdict, c.cable)
			}
			r := assessed(t, j, run)
			if r.Verdict != c.balun {
				t.Errorf("balun: %s, want %s", r.Verdict, c.balun)
			}
			for _, s := range r.Steps {
				if name == "scope" && math.Abs(float64(s.Change.Gain)+0.02*0.75*0.75*0.49*20/math.Ln10) > 0.03 {
					t.Errorf("%v: %v", s.Frequency, s.Change.Gain)
				}
			}
		})
	}
}

// A third harmonic that one channel makes of a sine is its channel's: 1/4 of
// the cubic term times fill² of the fundamental.
func TestAChannelsOwnHarmonic(t *testing.T) {
	j, b := newMemory(), newFakeBench(skewed)
	b.cubic = [2]float64{0, 0.04}
	run := twice(Calibration, 12)
	b.run(t, j, run, nil)
	r := assessed(t, j, run)
	third := r.Worst[1]
	if third.At < 0 || third.Source != linearity.FromScope || third.Arm != 2 {
		t.Fatalf("%+v", third)
	}
	step := j.steps[run.ID][3*third.At]
	want := 0.04 / 4 * step.Fill[1] * step.Fill[1]
	if h := third.Harmonic; math.Abs(h.Ratio-want) > 4*h.U+0.05*want {
		t.Errorf("%.3g ± %.1g, want %.3g", h.Ratio, h.U, want)
	}
	if second := r.Worst[0]; second.At >= 0 && second.Source != linearity.NothingSeen {
		t.Errorf("second: %+v", second)
	}
}

// Stopped at any step and resumed, a run with second levels equals an
// uninterrupted one.
func TestAResumedRunWithSecondLevelsEqualsAnUninterruptedOne(t *testing.T) {
	const points = 8
	whole := newMemory()
	newFakeBench(skewed).run(t, whole, twice(Calibration, points), nil)
	for at := range points - 2 {
		j, b := newMemory(), newFakeBench(skewed)
		e := b.executor(j)
		stop := make(chan struct{})
		e.Stop = stop
		j.onCommit = func(step int) {
			if step == at {
				close(stop)
			}
		}
		run := twice(Calibration, points)
		if err := e.Start(t.Context(), run, nil); err != nil || run.State != Stopped {
			t.Fatalf("state %s, %v", run.State, err)
		}
		j.onCommit = nil
		if err := newFakeBench(skewed).executor(j).Resume(t.Context(), run, nil); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(whole.steps[1], j.steps[run.ID]); diff != "" {
			t.Errorf("stopped at %d: %s", at, diff)
		}
	}
}

// A link that fails within a second level costs nothing but time, and RF is
// off after any failure there.
func TestFailuresWithinASecondLevel(t *testing.T) {
	undisturbed := newMemory()
	clean := newFakeBench(skewed)
	clean.run(t, undisturbed, twice(Calibration, 6), nil)
	second := slices.Index(clean.log, "capture") + 16 // into the first step's second level
	for n := range 8 {
		verb := clean.log[min(second+n, len(clean.log)-1)]
		count := 0
		for _, v := range clean.log[:second+n+1] {
			if v == verb {
				count++
			}
		}
		j, b := newMemory(), newFakeBench(skewed)
		b.fault = once(verb, count, &drivers.Error{Instrument: "x", Err: drivers.ErrLink})
		b.run(t, j, twice(Calibration, 6), nil)
		if diff := cmp.Diff(undisturbed.steps[1], j.steps[1]); diff != "" {
			t.Errorf("%s %d: %s", verb, count, diff)
		}

		b = newFakeBench(skewed)
		b.fault = after(verb, count, &drivers.Error{Instrument: "x", Err: drivers.ErrRefused})
		if err := b.executor(newMemory()).Start(t.Context(), twice(Calibration, 6), nil); !errors.Is(err, drivers.ErrRefused) {
			t.Errorf("%s %d: got %v", verb, count, err)
		}
		if b.rf {
			t.Errorf("%s %d: RF is on", verb, count)
		}
	}
}

// A generator that ends above the lower level is said, and stops nothing.
func TestASecondLevelBelowTheGenerator(t *testing.T) {
	j, b := newMemory(), newFakeBench(skewed)
	b.response = func(units.Hertz) float64 { return 300 } // fills the largest range at -55 dBm or so
	run := twice(Calibration, 4)
	run.Plan.Linearity.Drop = 20
	b.run(t, j, run, nil)
	s := j.steps[run.ID][0]
	if s.Second.Measured() || !strings.Contains(s.Second.Remark, "does not go 20 dB below") {
		t.Errorf("at %v: %+v", s.Drive, s.Second)
	}
	if r := assessed(t, j, run); r.Verdict != linearity.Untold || !strings.Contains(r.Steps[0].Why, "does not go") {
		t.Errorf("%s: %+v", r.Verdict, r.Steps[0])
	}
}

func TestPlanRefusesALinearityThatCannotBe(t *testing.T) {
	for want, l := range map[string]Linearity{
		"every -1":      {Drop: 6, Every: -1},
		"drop of 0":     {Every: 5},
		"drop of 21":    {Drop: 21, Every: 5},
		"drop of -3 dB": {Drop: -3, Every: 5},
		"drop of NaN":   {Drop: units.DB(math.NaN()), Every: 5},
	} {
		p := testRun(Balun, 5).Plan
		p.Linearity = l
		if err := p.Validate(); err == nil || !strings.Contains(err.Error(), strings.Fields(want)[0]) {
			t.Errorf("%s: got %v", want, err)
		}
	}
}
