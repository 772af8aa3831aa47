package sweep

import (
	"errors"
	"math"
	"math/cmplx"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfturn/analysis/balance"
	"halfturn/units"
)

// splitOff is what a splitter's branch gives: half the voltage, rolled off and late.
func splitOff(f units.Hertz) complex128 {
	return cmplx.Rect(0.158, -2*math.Pi*float64(f)*1.1e-9) / complex(1, float64(f/150e6))
}

func referred(kind Kind, points int) *Run {
	run := testRun(kind, points)
	run.Bench.Scope.Reference = "3"
	return run
}

func splitBench(ratio func(units.Hertz) complex128) *fakeBench {
	b := newFakeBench(ratio)
	b.third = splitOff
	return b
}

func referredCalibration(t testing.TB, j *memory, points int) *Calibrated {
	t.Helper()
	run := referred(Calibration, points)
	if err := splitBench(skewed).executor(j).Start(t.Context(), run, nil); err != nil {
		t.Fatal(err)
	}
	cal, err := LoadCalibrated(t.Context(), j, run.ID)
	if err != nil {
		t.Fatal(err)
	}
	return cal
}

// Each arm's transmission against the calibration cable: what the balun does to
// arm 1, and to arm 2 by its ratio. The generator's level may be anything.
func TestARunWithAReference(t *testing.T) {
	const points = 12
	j := newMemory()
	cal := referredCalibration(t, j, points)
	b, r := splitBench(behind(cmplx.Rect(1.03, math.Pi-0.02))), cmplx.Rect(1.03, math.Pi-0.02)
	b.response = func(units.Hertz) float64 { return 0.3 * 0.8 }
	run := referred(Balun, points)
	if err := b.executor(j).Start(t.Context(), run, cal); err != nil {
		t.Fatal(err)
	}
	outcome, err := Analyse(run, j.Steps(t.Context(), run.ID), cal)
	if err != nil {
		t.Fatal(err)
	}
	for i, got := range outcome.Results {
		q := 0.8 / run.Bench.Load.TransmissionK(got.Frequency)
		for arm, want := range [2]complex128{q, q * r} {
			// Four standard uncertainties of noise, which is the smaller part.
			if d := cmplx.Abs(got.Transmission[arm].Value - want); !got.Referred || d > 4*got.Transmission[arm].Cov.Standard() || d > 0.01 {
				t.Errorf("step %d, arm %d: %v, want %v", i, arm+1, got.Transmission[arm].Value, want)
			}
		}
	}
	for _, runs := range [][]Step{j.steps[cal.Run.ID], j.steps[run.ID]} {
		for i := range runs {
			s := &runs[i]
			if s.ReferenceFill < 0.08 || s.ReferenceFill > run.Plan.Fill.Max || s.ReferenceRange == 0 {
				t.Errorf("step %d: the reference fills %g of %v", i, s.ReferenceFill, s.ReferenceRange)
			}
		}
	}
	for i, s := range j.steps[run.ID] {
		if was := j.steps[cal.Run.ID][i]; s.ReferenceRange != was.ReferenceRange {
			t.Errorf("step %d: the reference on %v, calibrated on %v", i, s.ReferenceRange, was.ReferenceRange)
		}
	}
}

// A run that was killed after some steps goes on as if nothing had been.
func TestResumeWithAReference(t *testing.T) {
	const points = 9
	whole, halves := newMemory(), newMemory()
	cal := referredCalibration(t, whole, points)
	referredCalibration(t, halves, points)
	run := func(j *memory, want State) *Run {
		r := referred(Balun, points)
		if err := splitBench(behind(-1)).executor(j).Start(t.Context(), r, cal); (err == nil) != (want == Done) || r.State != want {
			t.Fatalf("state %s, error %v", r.State, err)
		}
		return r
	}
	run(whole, Done)
	halves.refuse = func(step int) error { return cond(step == 4, errors.New("disk full")) }
	r := run(halves, Failed)
	halves.refuse = nil
	if err := splitBench(behind(-1)).executor(halves).Resume(t.Context(), r, cal); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(whole.steps[2], halves.steps[2]); diff != "" {
		t.Errorf("(-whole +resumed)\n%s", diff)
	}
}

func TestTheReferenceIsLost(t *testing.T) {
	for name, third := range map[string]func(units.Hertz) complex128{
		"nothing":   func(units.Hertz) complex128 { return 0 },
		"crosstalk": func(units.Hertz) complex128 { return 1e-4 },
	} {
		b := splitBench(skewed)
		b.third, b.noise = third, 1e-4
		run := referred(Calibration, 5)
		err := b.executor(newMemory()).Start(t.Context(), run, nil)
		if !errors.Is(err, balance.ErrNoReference) || !strings.Contains(err.Error(), "the reference reads nothing on channel 3: is the splitter cabled to it?") {
			t.Errorf("%s: got %v", name, err)
		}
		if run.State != Failed || b.rf {
			t.Errorf("%s: state %s, RF %v", name, run.State, b.rf)
		}
	}
}

// With RF on at the splitter and nothing behind it, the error says where to look.
func TestNothingBehindTheSplitter(t *testing.T) {
	b := splitBench(skewed)
	b.response = func(units.Hertz) float64 { return 0 }
	err := b.executor(newMemory()).Start(t.Context(), referred(Calibration, 5), nil)
	if !errors.Is(err, balance.ErrNoSignal) || !strings.Contains(err.Error(), "what comes after the splitter") {
		t.Errorf("got %v", err)
	}
}

// A reference that is much larger at one frequency than at the one before clips
// there, and is taken again on a larger range.
func TestTheReferenceClips(t *testing.T) {
	const points = 6
	b, j := splitBench(skewed), newMemory()
	b.third = func(f units.Hertz) complex128 {
		if f > 50e6 {
			return 0.9
		}
		return 0.05
	}
	run := referred(Calibration, points)
	if err := b.executor(j).Start(t.Context(), run, nil); err != nil {
		t.Fatal(err)
	}
	retaken := 0
	for _, s := range j.steps[run.ID] {
		if s.ReferenceFill > run.Plan.Fill.Max {
			t.Errorf("step %d: fill %g", s.Index, s.ReferenceFill)
		}
		if s.Acquisitions > 1 {
			retaken++
		}
	}
	if retaken < 1 || retaken > 2 {
		t.Errorf("%d steps were retaken", retaken)
	}
	b.third = func(units.Hertz) complex128 { return 100 }
	if err := b.executor(j).Start(t.Context(), referred(Calibration, points), nil); err == nil || !strings.Contains(err.Error(), "put an attenuator between splitter and scope") {
		t.Errorf("got %v", err)
	}
}

func TestACalibrationBelongsToItsReference(t *testing.T) {
	j := newMemory()
	without, with := calibrated(t, j, 5), referredCalibration(t, j, 5)
	for _, c := range []struct {
		cal *Calibrated
		run *Run
		b   *fakeBench
		why string
	}{
		{without, referred(Balun, 5), splitBench(behind(-1)), "it has no phase reference, and this bench has one on channel 3"},
		{with, testRun(Balun, 5), newFakeBench(behind(-1)), "it has a phase reference on channel 3, and this bench has none"},
	} {
		err := c.b.executor(j).Start(t.Context(), c.run, c.cal)
		if err == nil || !strings.Contains(err.Error(), c.why) {
			t.Errorf("got %v", err)
		}
		if len(c.b.log) != 0 {
			t.Errorf("sent %q", c.b.log)
		}
	}
	other := referred(Balun, 5)
	other.Bench.Scope.Reference = "4"
	if err := with.Fits(other); err == nil || !strings.Contains(err.Error(), `the channel of the reference was "3" and is "4"`) {
		t.Errorf("got %v", err)
	}
	// A scope that was opened for another bench.
	if err := newFakeBench(skewed).executor(j).Start(t.Context(), referred(Calibration, 5), nil); err == nil || !strings.Contains(err.Error(), "opened with 2 channels") {
		t.Errorf("got %v", err)
	}
}

// The second drive keeps the reference's range, and what it reads there.
func TestReferenceAtTheSecondDrive(t *testing.T) {
	j := newMemory()
	run := referred(Calibration, 5)
	run.Plan.Linearity = Linearity{Drop: 6, Every: 2}
	b := splitBench(skewed)
	if err := b.executor(j).Start(t.Context(), run, nil); err != nil {
		t.Fatal(err)
	}
	s := j.steps[run.ID][0]
	if got, want := s.Second.Estimate.Reference.Amplitude/s.Estimate.Reference.Amplitude, units.Volts(units.DB(-6).Ratio()); math.Abs(float64(got/want)-1) > 0.01 {
		t.Errorf("the reference fell by %v, the drive by %v", got, want)
	}
}
