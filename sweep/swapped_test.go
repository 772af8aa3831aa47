package sweep

import (
	"math"
	"math/cmplx"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfturn/units"
)

// wound is a balun whose imbalance depends on frequency.
func wound(f units.Hertz) complex128 {
	return cmplx.Rect(1+0.05*float64(f)/200e6, math.Pi-0.1*float64(f)/200e6)
}

// exchanging runs a calibration, a straight and a swapped run. h is what the
// fixture multiplies by with the balun in it, and arms tells whether the arms
// are exchanged as asked.
func exchanging(t *testing.T, h func(units.Hertz) complex128, exchanged bool) (*memory, *Run, *Calibrated) {
	t.Helper()
	j := newMemory()
	cal := calibrated(t, j, 12)
	straight := testRun(Balun, 12)
	newFakeBench(func(f units.Hertz) complex128 { return wound(f) * h(f) }).run(t, j, straight, cal)
	swapped := testRun(Swapped, 12)
	swapped.Straight = straight.ID
	newFakeBench(func(f units.Hertz) complex128 {
		if !exchanged {
			return wound(f) * h(f)
		}
		return h(f) / wound(f)
	}).run(t, j, swapped, cal)
	return j, swapped, cal
}

func combined(t *testing.T, j *memory, run *Run, cal *Calibrated) *Exchanged {
	t.Helper()
	x, err := Combined(t.Context(), j, run, cal)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

func TestBothRunsTogetherNeedNoCalibration(t *testing.T) {
	j, run, cal := exchanging(t, skewed, true)
	if run.State != Done || run.Calibration != cal.Run.ID {
		t.Fatalf("%+v", run)
	}
	x := combined(t, j, run, cal)
	if len(x.Ratios) != 12 || len(x.Balances) != 12 || len(x.Asymmetry) != 12 || x.Significant || len(x.LeftOut) != 0 || len(x.Warnings) != 0 {
		t.Fatalf("%+v", x)
	}
	for i, s := range x.Ratios {
		// The budget's errors are not in the fake bench, so that all is within U.
		if d := cmplx.Abs(s.Ratio - wound(s.Frequency)); d > 2*s.Cov.Standard() || d > 0.005 {
			t.Errorf("%v: r is %v, want %v", s.Frequency, s.Ratio, wound(s.Frequency))
		}
		if d := cmplx.Abs(s.Fixture - skewed(s.Frequency)); d > 2*s.CovH.Standard() || d > 0.005 {
			t.Errorf("%v: h is %v, want %v", s.Frequency, s.Fixture, skewed(s.Frequency))
		}
		b, want := x.Balances[i], cmplx.Log(-wound(s.Frequency))
		if math.Abs(float64(b.Amplitude)-20/math.Ln10*real(want)) > 0.05 || math.Abs(float64(b.Phase)-180/math.Pi*imag(want)) > 0.3 {
			t.Errorf("%v: %+v", s.Frequency, b)
		}
	}
	// r departs from -1 the most at the top.
	if x.LargestAmplitude != 11 || x.LargestPhase != 11 {
		t.Errorf("largest at %d and %d", x.LargestAmplitude, x.LargestPhase)
	}
}

// Where the fixture is another one with the balun in it than with the cable, h
// tells, and only there.
func TestTheFixturesOwnAsymmetry(t *testing.T) {
	own := cmplx.Rect(1.06, 0.05)
	at := func(f units.Hertz) complex128 {
		if f > 100e6 {
			return skewed(f) * own
		}
		return skewed(f)
	}
	j, run, cal := exchanging(t, at, true)
	x := combined(t, j, run, cal)
	if !x.Significant || x.Beyond == 0 {
		t.Fatalf("not significant: %+v", x.Asymmetry)
	}
	for _, a := range x.Asymmetry {
		want := complex(1, 0)
		if a.Frequency > 100e6 {
			want = own
		}
		if a.Significant != (want != 1) || cmplx.Abs(a.Ratio-want) > 0.006 {
			t.Errorf("%v: %v, significant %v", a.Frequency, a.Ratio, a.Significant)
		}
	}
	if f := x.Asymmetry[x.LargestGain].Frequency; f < 100e6 {
		t.Errorf("largest at %v", f)
	}
}

// Arms that nobody exchanged: the balun would be perfect, and the fixture
// would have its imbalance.
func TestArmsThatWereNotExchanged(t *testing.T) {
	large := func(f units.Hertz) complex128 { return skewed(f) * cmplx.Rect(1.1, -0.1) }
	j, run, cal := exchanging(t, large, false)
	x := combined(t, j, run, cal)
	if len(x.Warnings) != 1 || !strings.Contains(x.Warnings[0], "exchanged") {
		t.Errorf("%v", x.Warnings)
	}
}

func TestStepsThatDoNotCombine(t *testing.T) {
	j, run, cal := exchanging(t, skewed, true)
	spoil := j.steps[run.ID]
	spoil[2].Remark = "no signal"
	spoil[3].Range[0], spoil[3].Range[1] = 8, 8
	spoil[4].Range[0], spoil[4].Range[1] = 8, 8
	j.steps[run.Straight][5].Remark = "no signal"
	x := combined(t, j, run, cal)
	want := map[string]int{"no arm ratio in the swapped run": 1, "the two runs were on different ranges": 2, "no arm ratio in the straight run": 1}
	got := map[string]int{}
	for _, l := range x.LeftOut {
		got[l.Why] = l.Steps
	}
	if diff := cmp.Diff(want, got); diff != "" || len(x.Ratios) != 8 {
		t.Errorf("%d combine; %s", len(x.Ratios), diff)
	}
}

// What does not go together is refused before the bench is touched.
func TestASwappedRunIsTiedToItsStraightOne(t *testing.T) {
	j, swapped, cal := exchanging(t, skewed, true)
	another := calibrated(t, j, 12)
	unfinished := testRun(Balun, 12)
	unfinished.State, unfinished.Calibration = Stopped, cal.Run.ID
	if err := j.Create(t.Context(), unfinished); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		spoil func(*Run)
		cal   *Calibrated
		want  string
	}{
		"no straight run":     {func(r *Run) { r.Straight = 0 }, cal, "needs the straight one"},
		"one that is not":     {func(r *Run) { r.Straight = 99 }, cal, "no run 99"},
		"a calibration":       {func(r *Run) { r.Straight = cal.Run.ID }, cal, "it is a calibration run"},
		"a swapped one":       {func(r *Run) { r.Straight = swapped.ID }, cal, "it is a swapped run"},
		"unfinished":          {func(r *Run) { r.Straight = unfinished.ID }, cal, "not finished (stopped)"},
		"another calibration": {func(*Run) {}, another, "was taken with calibration 1, and this one with 4"},
		"another grid":        {func(r *Run) { r.Plan.Segments[0].Points = 11 }, cal, "both need the same frequencies"},
	} {
		run := testRun(Swapped, 12)
		run.Straight = swapped.Straight
		c.spoil(run)
		b := newFakeBench(behind(-1))
		err := b.executor(j).Start(t.Context(), run, c.cal)
		if err == nil || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: got %v, want %q", name, err, c.want)
		}
		if len(b.log) != 0 || run.ID != 0 {
			t.Errorf("%s: the bench was touched: %v", name, b.log)
		}
	}
	if err := testRun(Balun, 3).PairsWith(swapped); err == nil {
		t.Error("a balun's run pairs with a straight one")
	}
}

// Stopped at any step and resumed, a swapped run equals an uninterrupted one,
// and what both runs give together is the same.
func TestAResumedSwappedRunEqualsAnUninterruptedOne(t *testing.T) {
	j, whole, cal := exchanging(t, skewed, true)
	want := combined(t, j, whole, cal)
	for _, at := range []int{0, 4, 9} {
		b := newFakeBench(func(f units.Hertz) complex128 { return skewed(f) / wound(f) })
		e := b.executor(j)
		stop := make(chan struct{})
		e.Stop = stop
		j.onCommit = func(step int) {
			if step == at {
				close(stop)
			}
		}
		run := testRun(Swapped, 12)
		run.Straight = whole.Straight
		if err := e.Start(t.Context(), run, cal); err != nil || run.State != Stopped {
			t.Fatalf("state %s, %v", run.State, err)
		}
		j.onCommit = nil
		e.Stop = nil
		if err := e.Resume(t.Context(), run, cal); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(j.steps[whole.ID], j.steps[run.ID]); diff != "" {
			t.Errorf("stopped at %d: %s", at, diff)
		}
		got := combined(t, j, run, cal)
		if diff := cmp.Diff(want.Ratios, got.Ratios); diff != "" {
			t.Error(diff)
		}
	}
}
