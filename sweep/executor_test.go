package sweep

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"

	"halfturn/analysis/balance"
	"halfturn/analysis/conformity"
	"halfturn/drivers"
	"halfturn/units"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// skewed is a calibration cable behind channels of unequal gain and delay.
func skewed(f units.Hertz) complex128 {
	return cmplx.Rect(1.02, -2*math.Pi*float64(f)*40e-12)
}

// behind is a balun of ratio r seen through the same channels.
func behind(r complex128) func(units.Hertz) complex128 {
	return func(f units.Hertz) complex128 { return r * skewed(f) }
}

// calibrated runs a calibration and loads it.
func calibrated(t testing.TB, j *memory, points int) *Calibrated {
	t.Helper()
	run := testRun(Calibration, points)
	if err := newFakeBench(skewed).executor(j).Start(t.Context(), run, nil); err != nil {
		t.Fatal(err)
	}
	cal, err := LoadCalibrated(t.Context(), j, run.ID)
	if err != nil {
		t.Fatal(err)
	}
	return cal
}

func limits(amplitude units.DB, phase units.Degrees) conformity.Limits {
	return conformity.Limits{Name: "test", From: 10e6, To: 200e6, AmplitudeBalance: &amplitude, PhaseBalance: &phase}
}

func TestABalunRunTakesTheFixtureOut(t *testing.T) {
	j := newMemory()
	cal := calibrated(t, j, 12)
	want := cmplx.Rect(1.03, math.Pi-0.02)
	b := newFakeBench(behind(want))
	run := testRun(Balun, 12)
	run.Limits = limits(0.8, 5) // clear of r by more than the budget
	if err := b.executor(j).Start(t.Context(), run, cal); err != nil {
		t.Fatal(err)
	}
	outcome, err := Analyse(run, j.Steps(t.Context(), run.ID), cal)
	if err != nil {
		t.Fatal(err)
	}
	if len(outcome.Results) != 12 || run.State != Done || run.Verdict != conformity.Pass {
		t.Fatalf("%d results, state %s, verdict %q: %s", len(outcome.Results), run.State, run.Verdict, run.Reason)
	}
	for i, r := range outcome.Results {
		// Four standard uncertainties for each of 12 steps: one in 1 300 runs.
		if d := cmplx.Abs(r.Ratio - want); d > 4*r.Cov.Standard() || d > 0.01 {
			t.Errorf("step %d: r is %v, %.2g from %v, u %.2g", i, r.Ratio, d, want, r.Cov.Standard())
		}
	}
	if b.rf {
		t.Error("RF is on after the run")
	}
	for _, s := range j.steps[run.ID] {
		precedent := cal.precedent(s.Estimate.Frequency)
		if s.Range[0] != precedent.Range {
			t.Errorf("step %d on %v, calibrated on %v", s.Index, s.Range[0], precedent.Range)
		}
	}
}

// RF is switched off before anything is set, and switched on once.
func TestRFIsOffBeforeTheFirstSetting(t *testing.T) {
	j := newMemory()
	b := newFakeBench(skewed)
	if err := b.executor(j).Start(t.Context(), testRun(Calibration, 3), nil); err != nil {
		t.Fatal(err)
	}
	if b.log[0] != "prepare generator" {
		t.Errorf("first came %q", b.log[0])
	}
	on := strings.Count(strings.Join(b.log, ","), "rf true")
	if last := b.log[len(b.log)-1]; last != "rf false" || on != 1 {
		t.Errorf("RF on %d times, last came %q", on, last)
	}
}

func TestRFIsOffOnEveryWayOut(t *testing.T) {
	refused := &drivers.Error{Instrument: "generator", Err: drivers.ErrRefused}
	link := &drivers.Error{Instrument: "scope", Err: drivers.ErrLink}
	for name, c := range map[string]struct {
		fault  func(verb string) error
		commit func(int) error
		cancel bool
		want   string
	}{
		"refused":     {fault: after("frequency", 3, refused), want: "refused"},
		"link":        {fault: after("capture", 9, link), want: "link failed"},
		"error queue": {fault: after("errors scope", 2, refused), want: "refused"},
		"full disk":   {commit: func(i int) error { return cond(i == 2, errors.New("disk full")) }, want: "disk full"},
		"cancelled":   {cancel: true, want: "context canceled"},
	} {
		t.Run(name, func(t *testing.T) {
			b, j := newFakeBench(skewed), newMemory()
			b.fault, j.refuse = c.fault, c.commit
			ctx, cancel := context.WithCancel(t.Context())
			defer cancel()
			if c.cancel {
				j.onCommit = func(step int) { cond(step == 2, errors.New("")); cancel() }
			}
			run := testRun(Calibration, 8)
			err := b.executor(j).Start(ctx, run, nil)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Fatalf("got %v, want %q", err, c.want)
			}
			if b.rf {
				t.Error("RF is on")
			}
			if strings.Count(err.Error(), c.want) != 1 {
				t.Errorf("said more than once: %v", err)
			}
			if run.State == Done || run.State == Running || run.Reason == "" {
				t.Errorf("state %s, reason %q", run.State, run.Reason)
			}
			if stored := j.runs[run.ID]; stored.State != run.State {
				t.Errorf("the journal says %s", stored.State)
			}
		})
	}
}

func TestRFIsOffAfterAPanic(t *testing.T) {
	b, j := newFakeBench(skewed), newMemory()
	e := b.executor(j)
	b.fault = func(verb string) error {
		if verb == "capture" {
			panic("a driver's bug")
		}
		return nil
	}
	defer func() {
		if recover() == nil {
			t.Error("the panic was swallowed")
		}
		if b.rf {
			t.Error("RF is on")
		}
	}()
	_ = e.Start(t.Context(), testRun(Calibration, 3), nil)
}

func cond(when bool, err error) error {
	if when {
		return err
	}
	return nil
}

// after fails every call of a verb from the n-th on.
func after(verb string, n int, err error) func(string) error {
	seen := 0
	return func(v string) error {
		if v == verb {
			seen++
			return cond(seen >= n, err)
		}
		return nil
	}
}

// once fails the n-th call of a verb only.
func once(verb string, n int, err error) func(string) error {
	seen := 0
	return func(v string) error {
		if v == verb {
			seen++
			return cond(seen == n, err)
		}
		return nil
	}
}

// A failed link costs nothing but time: the run equals one without failure.
func TestARetriedStepEqualsAnUndisturbedOne(t *testing.T) {
	undisturbed := newMemory()
	if err := newFakeBench(skewed).executor(undisturbed).Start(t.Context(), testRun(Calibration, 8), nil); err != nil {
		t.Fatal(err)
	}
	for _, kind := range []error{drivers.ErrLink, drivers.ErrReply} {
		for _, verb := range []string{"capture", "drive", "frequency", "range", "window", "errors scope", "errors generator"} {
			for _, n := range []int{1, 4} {
				j, b := newMemory(), newFakeBench(skewed)
				b.fault = once(verb, n, &drivers.Error{Instrument: "x", Err: kind})
				run := testRun(Calibration, 8)
				if err := b.executor(j).Start(t.Context(), run, nil); err != nil {
					t.Fatalf("%s %d: %v", verb, n, err)
				}
				if diff := cmp.Diff(undisturbed.steps[1], j.steps[run.ID]); diff != "" {
					t.Errorf("%s %d: %s", verb, n, diff)
				}
			}
		}
	}
}

// Stopped at any step and resumed, a run equals an uninterrupted one.
func TestAResumedRunEqualsAnUninterruptedOne(t *testing.T) {
	const points = 9
	whole := newMemory()
	cal := calibrated(t, whole, points)
	r := behind(cmplx.Rect(0.98, math.Pi+0.01))
	rolledOff := func(f units.Hertz) float64 { return 0.3 / (1 + math.Pow(float64(f)/60e6, 2)) }
	uninterrupted := newFakeBench(r)
	uninterrupted.response = rolledOff
	run := testRun(Balun, points)
	if err := uninterrupted.executor(whole).Start(t.Context(), run, cal); err != nil {
		t.Fatal(err)
	}
	// A stop that comes while the last step is being taken finds nothing left to do.
	for at := range points - 2 {
		j := newMemory()
		b := newFakeBench(r)
		b.response = rolledOff
		e := b.executor(j)
		stop := make(chan struct{})
		e.Stop = stop
		j.onCommit = func(step int) {
			if step == at {
				close(stop)
			}
		}
		run := testRun(Balun, points)
		if err := e.Start(t.Context(), run, cal); err != nil {
			t.Fatal(err)
		}
		if run.State != Stopped || len(j.steps[run.ID]) < at+1 || len(j.steps[run.ID]) == points {
			t.Fatalf("stopped at %d: state %s after %d steps", at, run.State, len(j.steps[run.ID]))
		}
		again := newFakeBench(r) // as after a reboot of everything
		again.response = rolledOff
		j.onCommit = nil
		if err := again.executor(j).Resume(t.Context(), run, cal); err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(whole.steps[2], j.steps[run.ID]); diff != "" || run.State != Done {
			t.Errorf("stopped at %d, state %s: %s", at, run.State, diff)
		}
	}
}

func TestNoSignalIsAnErrorAndNeverANumber(t *testing.T) {
	j := newMemory()
	b := newFakeBench(skewed)
	b.response = func(units.Hertz) float64 { return 0 } // cable off
	run := testRun(Calibration, 5)
	err := b.executor(j).Start(t.Context(), run, nil)
	if !errors.Is(err, balance.ErrNoSignal) || !strings.Contains(err.Error(), "cabled") {
		t.Errorf("got %v", err)
	}
	if n := len(j.steps[run.ID]); n != 0 {
		t.Errorf("%d steps were stored", n)
	}
}

func TestACalibrationWithASilentArmIsRefused(t *testing.T) {
	for arm, ratio := range map[string]complex128{"arm 1": 1e9, "arm 2": 0} {
		b := newFakeBench(func(units.Hertz) complex128 { return ratio })
		if ratio != 0 {
			b.response = func(units.Hertz) float64 { return 0.3 / real(ratio) }
		}
		err := b.executor(newMemory()).Start(t.Context(), testRun(Calibration, 4), nil)
		if err == nil || !strings.Contains(err.Error(), "no signal in "+arm) {
			t.Errorf("%s silent: got %v", arm, err)
		}
	}
}

func TestASignalLostOnTheWayIsAnError(t *testing.T) {
	j := newMemory()
	b := newFakeBench(skewed)
	b.response = func(f units.Hertz) float64 {
		if f > 50e6 {
			return 0
		}
		return 0.3
	}
	run := testRun(Calibration, 9)
	if err := b.executor(j).Start(t.Context(), run, nil); !errors.Is(err, balance.ErrNoSignal) {
		t.Errorf("got %v", err)
	}
	if n := len(j.steps[run.ID]); n == 0 || run.State != Failed {
		t.Errorf("%d steps kept, state %s", n, run.State)
	}
}

// Where the signal sinks into the noise as foreseen, the step says so and the
// run goes on.
func TestADrowningSignalIsNotMeasurable(t *testing.T) {
	j := newMemory()
	b := newFakeBench(skewed)
	b.noise = 0.03
	b.response = func(f units.Hertz) float64 { return 0.3 * math.Pow(20e6/float64(f), 6) }
	run := testRun(Calibration, 12)
	if err := b.executor(j).Start(t.Context(), run, nil); err != nil {
		t.Fatal(err)
	}
	last := j.steps[run.ID][11]
	if last.Measured() || !strings.Contains(last.Remark, "no signal") || last.Estimate.Ratio != 0 {
		t.Errorf("last step: %+v", last)
	}
	if first := j.steps[run.ID][0]; !first.Measured() {
		t.Errorf("first step: %s", first.Remark)
	}
}

func TestNoiseAsksForCaptures(t *testing.T) {
	quiet, loud := newMemory(), newMemory()
	for j, noise := range map[*memory]float64{quiet: 1e-3, loud: 0.08} {
		b := newFakeBench(skewed)
		b.noise = noise
		if err := b.executor(j).Start(t.Context(), testRun(Calibration, 4), nil); err != nil {
			t.Fatal(err)
		}
	}
	for i := range 4 {
		few, many := quiet.steps[1][i].Estimate.Captures, loud.steps[1][i].Estimate.Captures
		if few > 4 || many <= few || many > 8 {
			t.Errorf("step %d: %d captures in silence, %d in noise", i, few, many)
		}
	}
}

func TestTheWrongThingInTheFixtureIsNamed(t *testing.T) {
	j := newMemory()
	cal := calibrated(t, j, 9)
	err := newFakeBench(skewed).executor(j).Start(t.Context(), testRun(Balun, 9), cal)
	if !errors.Is(err, errFitted) || !strings.Contains(err.Error(), "calibration cable is still fitted") {
		t.Errorf("cable in a balun run: %v", err)
	}
	err = newFakeBench(behind(-1)).executor(j).Start(t.Context(), testRun(Calibration, 9), nil)
	if !errors.Is(err, errFitted) || !strings.Contains(err.Error(), "a balun is fitted") {
		t.Errorf("balun in a calibration: %v", err)
	}
	// Too little ferrite, a broken arm: bad baluns, and no cables.
	for _, r := range []complex128{-0.3 + 0.2i, 0.02i} {
		if err := newFakeBench(behind(r)).executor(j).Start(t.Context(), testRun(Balun, 9), cal); err != nil {
			t.Errorf("r = %v: %v", r, err)
		}
	}
}

func TestACalibrationIsTiedToItsBench(t *testing.T) {
	j := newMemory()
	cal := calibrated(t, j, 5)
	for name, c := range map[string]struct {
		spoil func(*Run)
		want  string
	}{
		"fixture":  {func(r *Run) { r.Bench.Fixture = "F2" }, "the fixture"},
		"channels": {func(r *Run) { r.Bench.Scope.Channels[1] = "4" }, "channel of arm 2"},
		"dialect":  {func(r *Run) { r.Bench.Scope.Dialect = "other" }, "dialect"},
		"span":     {func(r *Run) { r.Plan.Segments[0].To = 300e6 }, "covers"},
	} {
		run := testRun(Balun, 5)
		c.spoil(run)
		b := newFakeBench(behind(-1))
		err := b.executor(j).Start(t.Context(), run, cal)
		if err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: got %v", name, err)
		}
		if len(b.log) != 0 {
			t.Errorf("%s: the bench was touched: %v", name, b.log)
		}
	}
	other := *cal
	other.Run.Identities.Scope = "another scope"
	if err := newFakeBench(behind(-1)).executor(j).Start(t.Context(), testRun(Balun, 5), &other); err == nil || !strings.Contains(err.Error(), "another scope") {
		t.Errorf("identity: got %v", err)
	}
}

func TestAnOldCalibrationIsAWarning(t *testing.T) {
	j := newMemory()
	cal := calibrated(t, j, 3)
	run := testRun(Balun, 3)
	run.Plan.MaxAge = 24 * 3600e9
	run.Started = cal.Run.Finished.Add(23 * 3600e9)
	if w := cal.AgeWarning(run); w != "" {
		t.Errorf("at 23 h: %s", w)
	}
	run.Started = cal.Run.Finished.Add(25 * 3600e9)
	if w := cal.AgeWarning(run); !strings.Contains(w, "25h") {
		t.Errorf("at 25 h: %q", w)
	}
}

func TestDriveStaysBelowEveryLimit(t *testing.T) {
	b, j := newFakeBench(skewed), newMemory()
	b.response = func(f units.Hertz) float64 { return 1e-3 } // asks for all there is
	run := testRun(Calibration, 5)
	run.Bench.MaxDrive.Balun = 6.5
	if err := b.executor(j).Start(t.Context(), run, nil); err != nil {
		t.Fatal(err)
	}
	if b.highest > 6.5 {
		t.Errorf("drive went to %v", b.highest)
	}
	if b.highest < 6 {
		t.Errorf("drive went to %v only, though it was needed", b.highest)
	}
}

func TestASwappedScopeIsNotResumed(t *testing.T) {
	b, j := newFakeBench(skewed), newMemory()
	b.fault = after("capture", 8, &drivers.Error{Instrument: "scope", Err: drivers.ErrRefused})
	run := testRun(Calibration, 8)
	if err := b.executor(j).Start(t.Context(), run, nil); err == nil {
		t.Fatal("no error")
	}
	run.Identities.Scope = "another scope"
	b.fault = nil
	if err := b.executor(j).Resume(t.Context(), run, nil); err == nil || !strings.Contains(err.Error(), "another scope") {
		t.Errorf("got %v", err)
	}
}

func TestPlanFrequencies(t *testing.T) {
	p := Plan{Segments: []Segment{
		{From: 30e6, To: 60e6, Points: 4, Spacing: Linear},
		{From: 1e6, To: 100e6, Points: 3, Spacing: Logarithmic},
		{From: 40e6, To: 40e6, Points: 1},
	}}
	want := []units.Hertz{1e6, 10e6, 30e6, 40e6, 50e6, 60e6, 100e6}
	if diff := cmp.Diff(want, p.Frequencies()); diff != "" {
		t.Error(diff)
	}
}

func TestPlanRefusesWhatCannotBe(t *testing.T) {
	good := testRun(Balun, 5).Plan
	if err := good.Validate(); err != nil {
		t.Fatal(err)
	}
	for want, spoil := range map[string]func(*Plan){
		"no frequencies":    func(p *Plan) { p.Segments = nil },
		"above zero":        func(p *Plan) { p.Segments[0].From = -1 },
		"is not below":      func(p *Plan) { p.Segments[0].To = 1e6 },
		"0 points":          func(p *Plan) { p.Segments[0].Points = 0 },
		"cannot be both":    func(p *Plan) { p.Segments[0].Points = 1 },
		"spacing":           func(p *Plan) { p.Segments[0].Spacing = "cubic" },
		"captures is":       func(p *Plan) { p.Captures = 0 },
		"below captures":    func(p *Plan) { p.MaxCaptures = 1 },
		"precision":         func(p *Plan) { p.Precision = 0 },
		"precision NaN":     func(p *Plan) { p.Precision = math.NaN() },
		"frequencies above": func(p *Plan) { p.Segments[0].From = units.Hertz(math.NaN()) },
	} {
		p := testRun(Balun, 5).Plan
		spoil(&p)
		if err := p.Validate(); err == nil || !strings.Contains(err.Error(), strings.Fields(want)[0]) {
			t.Errorf("%s: got %v", want, err)
		}
	}
}

// A run of 100 000 steps stays within 100 MiB: go test -bench Memory.
func BenchmarkStep(b *testing.B) {
	for _, points := range []int{10, 1000} {
		b.Run(fmt.Sprint(points), func(b *testing.B) {
			for b.Loop() {
				bench, j := newFakeBench(skewed), newMemory()
				run := testRun(Calibration, points)
				if err := bench.executor(j).Start(b.Context(), run, nil); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.Elapsed().Microseconds())/float64(b.N*points), "µs/step")
		})
	}
}

// Limits that are tighter in a segment ask for more captures there.
func TestTighterLimitsAskForCaptures(t *testing.T) {
	b, j := newFakeBench(skewed), newMemory()
	b.noise = 0.03
	run := testRun(Calibration, 9)
	run.Plan.MaxCaptures = 64
	run.Limits = limits(4, 30)
	amplitude, phase := units.DB(0.1), units.Degrees(0.6)
	run.Limits.Segments = &conformity.Segments{{
		From: 50e6, To: 300e6, Values: conformity.Values{AmplitudeBalance: &amplitude, PhaseBalance: &phase},
	}}
	if err := b.executor(j).Start(t.Context(), run, nil); err != nil {
		t.Fatal(err)
	}
	for _, s := range j.steps[run.ID] {
		if tight := s.Estimate.Frequency >= 50e6; tight != (s.Estimate.Captures > 2) {
			t.Errorf("%s: %d captures", s.Estimate.Frequency.Brief(), s.Estimate.Captures)
		}
	}
}
