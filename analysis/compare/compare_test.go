package compare

import (
	"errors"
	"math"
	"math/cmplx"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"halfturn/analysis/balance"
	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

func pair(t testing.TB, a, b *Run, o Options) *Comparison {
	t.Helper()
	c, err := Pair(a, b, o)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// TestSharedCalibrationCancels: whatever the calibration says, the difference
// of the balances is that of the baluns as read, and so is its uncertainty:
// r2/r1 = D2/D1.
func TestSharedCalibrationCancels(t *testing.T) {
	b := newBench(1, 15)
	baseline := b.run(2, 1, b.calibration(0), b.choked(12), 1e-3)
	run := b.run(3, 1, baseline.CalibrationAt, b.choked(9), 1e-3)
	exact := pair(t, baseline, run, Options{})
	right := baseline.CalibrationAt
	wrong := func(f units.Hertz) (balance.Point, error) {
		p, err := right(f)
		p.Ratio *= cmplx.Rect(1.03, 0.05) // a systematic error
		p.Cov = uncertainty.Circular(1e-4)
		return p, err
	}
	baseline.CalibrationAt, run.CalibrationAt = wrong, wrong
	got := pair(t, baseline, run, Options{})
	own := *run
	own.Calibration = 9
	apart := pair(t, baseline, &own, Options{})
	for i := range got.Steps {
		d1, d2 := baseline.Steps[i].Point, run.Steps[i].Point
		direct := d2.Ratio / d1.Ratio
		relative := d1.Cov.Relative(d1.Ratio).Add(d2.Cov.Relative(d2.Ratio))
		for q, want := range map[Quantity][2]float64{
			AmplitudeBalance: {20 * math.Log10(cmplx.Abs(direct)), 2 * 20 / math.Ln10 * math.Sqrt(relative.RR)},
			PhaseBalance:     {cmplx.Phase(direct) * 180 / math.Pi, 2 * 180 / math.Pi * math.Sqrt(relative.II)},
		} {
			for name, c := range map[string]*Comparison{"exact": exact, "wrong": got} {
				x := c.Steps[i].Changes[q]
				if math.Abs(x.Difference-want[0]) > 1e-9 || math.Abs(x.U-want[1]) > 1e-9*want[1] {
					t.Errorf("%s calibration, %v: %v ± %v, not %v", name, q, x.Difference, x.U, want)
				}
			}
			if x := apart.Steps[i].Changes[q]; x.U < 4*want[1] {
				t.Errorf("calibrations of their own, %v: U %v leaves the calibrations out", q, x.U)
			}
		}
		// What is left of the calibration in the rejection is less than in
		// either run by itself.
		c := got.Steps[i].Changes[CommonModeRejection]
		if alone := float64(got.Steps[i].Results[1].UImbalance / got.Steps[i].Results[1].Imbalance); !(c.U < 2*20/math.Ln10*alone) {
			t.Errorf("rejection: U %v against %v of a run alone", c.U, 20/math.Ln10*alone)
		}
	}
}

// TestExchanged: with baseline and run exchanged every difference changes its
// sign and keeps its uncertainty, and better and worse change places.
func TestExchanged(t *testing.T) {
	opposite := map[Verdict]Verdict{Better: Worse, Worse: Better, Unchanged: Unchanged, Mixed: Mixed}
	rapid.Check(t, func(t *rapid.T) {
		b := newBench(rapid.Uint64().Draw(t, "seed"), rapid.IntRange(1, 12).Draw(t, "points"))
		u := rapid.SampledFrom([]float64{1e-5, 1e-3, 3e-2}).Draw(t, "noise")
		cal1, id2 := b.calibration(1e-3), int64(1)
		cal2 := cal1
		if rapid.Bool().Draw(t, "own calibration") {
			cal2, id2 = b.calibration(1e-3), 2
		}
		turn := cmplx.Rect(rapid.Float64Range(0.5, 2).Draw(t, "magnitude"), rapid.Float64Range(-4, 4).Draw(t, "angle"))
		x := b.run(3, 1, cal1, b.choked(rapid.Float64Range(0.1, 30).Draw(t, "sleeves")), u)
		y := b.run(4, id2, cal2, scaled(b.choked(12), turn), 2*u)
		there, errThere := Pair(x, y, Options{Refit: ptr(0.01)})
		back, errBack := Pair(y, x, Options{Refit: ptr(0.01)})
		if errThere != nil || errBack != nil {
			if errThere == nil || errBack == nil {
				t.Fatal(errThere, errBack)
			}
			return
		}
		if back.Verdict != opposite[there.Verdict] {
			t.Fatalf("%s there, %s back", there.Verdict, back.Verdict)
		}
		for i := range there.Steps {
			for q := range Quantities {
				c, d := there.Steps[i].Changes[q], back.Steps[i].Changes[q]
				if c.Measured != d.Measured || c.Exceeds != d.Exceeds || c.Toward != opposite[d.Toward] && c.Measured {
					t.Fatalf("%v: %+v there, %+v back", q, c, d)
				}
				if !c.Measured {
					continue
				}
				if math.IsNaN(c.Difference) || math.IsInf(c.Difference, 0) || math.IsNaN(c.U) || c.U < 0 {
					t.Fatalf("%v: %+v", q, c)
				}
				if math.Abs(c.Difference+d.Difference) > 1e-9*(1+math.Abs(c.Difference)) || !math.IsInf(c.U, 1) && math.Abs(c.U-d.U) > 1e-9*c.U {
					t.Fatalf("%v: %+v there, %+v back", q, c, d)
				}
			}
		}
	})
}

// TestPhaseGoesRound: the difference of phases near half a turn off is the
// short way round.
func TestPhaseGoesRound(t *testing.T) {
	b := newBench(2, 1)
	cal := b.calibration(0)
	at := func(degrees float64) func(units.Hertz) complex128 {
		return func(units.Hertz) complex128 { return -cmplx.Rect(0.5, degrees*math.Pi/180) }
	}
	c := pair(t, b.run(2, 1, cal, at(170), 1e-6), b.run(3, 1, cal, at(-175), 1e-6), Options{}).Steps[0].Changes[PhaseBalance]
	if math.Abs(c.Difference-15) > 0.01 || c.test.improvement > 0 {
		t.Errorf("from 170° to -175°: %+v", c)
	}
}

// TestRangeGain: a range's gain counts where it does not cancel.
func TestRangeGain(t *testing.T) {
	const u = 0.1 // dB
	b := newBench(4, 1)
	cal := b.calibration(0)
	other := func(arm int, from func(units.Hertz) (balance.Point, error)) func(units.Hertz) (balance.Point, error) {
		return func(f units.Hertz) (balance.Point, error) {
			p, err := from(f)
			p.Range[arm] = 5
			return p, err
		}
	}
	for name, c := range map[string]struct {
		change func(x, y *Run)
		parts  float64 // of u² in the variance
	}{
		"all on one range":                       {func(x, y *Run) {}, 0},
		"both off the calibration's alike":       {func(x, y *Run) { x.Steps[0].Point.Range[1] = 5; y.Steps[0].Point.Range[1] = 5 }, 0},
		"one off in one arm":                     {func(x, y *Run) { y.Steps[0].Point.Range[1] = 5 }, 1},
		"one off in both arms":                   {func(x, y *Run) { y.Steps[0].Point.Range = [2]units.Volts{5, 5} }, 2},
		"each on a third":                        {func(x, y *Run) { x.Steps[0].Point.Range[0] = 1; y.Steps[0].Point.Range[0] = 5 }, 1},
		"own calibrations, each on its own":      {func(x, y *Run) { y.Calibration = 9; y.Steps[0].Point.Range[0] = 5; y.CalibrationAt = other(0, cal) }, 0},
		"own calibrations, one off in two of it": {func(x, y *Run) { y.Calibration = 9; y.CalibrationAt = other(0, other(1, cal)) }, 2},
		"read between steps of two ranges":       {func(x, y *Run) { y.Steps[0].Point.RangesDiffer = true }, 2},
	} {
		x, y := b.run(2, 1, cal, ideal, 0), b.run(3, 1, cal, ideal, 0)
		c.change(x, y)
		got := pair(t, x, y, Options{RangeGain: u}).Steps[0].Changes[AmplitudeBalance].U
		if want := 2 * u * math.Sqrt(c.parts); math.Abs(got-want) > 1e-9 {
			t.Errorf("%s: U is %v dB, not %v", name, got, want)
		}
	}
}

// TestAttenuatorStep: a position of the generator's attenuator counts in
// insertion loss where it does not cancel.
func TestAttenuatorStep(t *testing.T) {
	const u = 0.01 // of 1
	b := newBench(4, 1)
	cal := b.calibration(0)
	with := Options{Budget: uncertainty.Budget{{Name: uncertainty.AttenuatorStep, Value: u, Distribution: uncertainty.Normal}}}
	for name, c := range map[string]struct {
		change func(x, y *Run)
		parts  float64 // of u² in the variance
	}{
		"all in one position":              {func(x, y *Run) {}, 0},
		"both off the calibration's alike": {func(x, y *Run) { x.Steps[0].Point.Attenuator = 1; y.Steps[0].Point.Attenuator = 1 }, 0},
		"one off":                          {func(x, y *Run) { y.Steps[0].Point.Attenuator = 1 }, 1},
		"each in another":                  {func(x, y *Run) { x.Steps[0].Point.Attenuator = 1; y.Steps[0].Point.Attenuator = 2 }, 1},
	} {
		x, y := b.run(2, 1, cal, ideal, 0), b.run(3, 1, cal, ideal, 0)
		c.change(x, y)
		changes := pair(t, x, y, with).Steps[0].Changes
		if got, want := changes[InsertionLoss].U, 2*u*20/math.Ln10*math.Sqrt(c.parts); math.Abs(got-want) > 1e-9 {
			t.Errorf("%s: U is %v dB, not %v", name, got, want)
		}
		if got := changes[AmplitudeBalance].U; got > 1e-9 {
			t.Errorf("%s: U of amplitude balance is %v dB", name, got)
		}
	}
}

// TestGrids: runs of different frequencies are compared at those of the
// coarser, inside the span of both; the finer is read between its steps.
func TestGrids(t *testing.T) {
	fine, coarse := newBench(8, 201), newBench(8, 17)
	for i := range coarse.frequencies { // 5 MHz to 250 MHz, off the fine grid
		coarse.frequencies[i] = units.Hertz(5e6 * math.Pow(50, float64(i)/16))
	}
	cal := fine.calibration(1e-6)
	x := fine.run(2, 1, cal, fine.choked(12), 1e-6)
	y := coarse.run(3, 1, cal, coarse.choked(12), 1e-6)
	for _, c := range []*Comparison{pair(t, x, y, Options{}), pair(t, y, x, Options{})} {
		if c.Verdict != Unchanged {
			t.Errorf("one balun on two grids: %s, %+v", c.Verdict, c.Band)
		}
		inside := 0
		for _, f := range coarse.frequencies {
			if f >= 10e6 {
				inside++
			}
		}
		if len(c.Steps) != inside || c.PassedOver != 0 || c.From < 10e6 || c.To > 250e6*(1+1e-9) {
			t.Errorf("%d steps from %v to %v, %d passed over; %d lie inside", len(c.Steps), c.From, c.To, c.PassedOver, inside)
		}
		for i := range c.Steps {
			if !c.Steps[i].Between {
				t.Errorf("%v is no step of the fine run", c.Steps[i].Frequency)
			}
			if d := c.Steps[i].Changes[PhaseBalance]; math.Abs(d.Difference) > 0.02 {
				t.Errorf("%v: phase differs by %v° ± %v°", c.Steps[i].Frequency, d.Difference, d.U)
			}
		}
	}
}

// TestPassedOver: steps without a result in either run are counted, and no
// value is read across them.
func TestPassedOver(t *testing.T) {
	b := newBench(9, 12)
	cal := b.calibration(1e-3)
	x, y := b.run(2, 1, cal, b.choked(12), 1e-3), b.run(3, 1, cal, b.choked(12), 1e-3)
	for _, i := range []int{0, 3} {
		x.Steps[i] = Reading{Point: balance.Point{Estimate: balance.Estimate{Frequency: x.Steps[i].Point.Frequency}}}
	}
	y.Steps[3] = Reading{Point: balance.Point{Estimate: balance.Estimate{Frequency: y.Steps[3].Point.Frequency}}}
	y.Steps[7] = y.Steps[3]
	y.Steps[7].Point.Frequency = b.frequencies[7]
	moved := *y
	moved.Steps = append([]Reading(nil), y.Steps...)
	moved.Steps[6].Point.Frequency *= 1.001 // its neighbour above is not measurable
	if c := pair(t, x, y, Options{}); len(c.Steps) != 9 || c.PassedOver != 3 {
		t.Errorf("%d steps and %d passed over, not 9 and 3", len(c.Steps), c.PassedOver)
	}
	if c := pair(t, x, &moved, Options{}); len(c.Steps) != 9 || c.PassedOver != 3 {
		t.Errorf("moved: %d steps and %d passed over", len(c.Steps), c.PassedOver)
	}
}

func TestRefusals(t *testing.T) {
	b := newBench(10, 5)
	cal := b.calibration(1e-3)
	run := func(id int64, change func(*Run)) *Run {
		r := b.run(id, 1, cal, b.choked(12), 1e-3)
		if change != nil {
			change(r)
		}
		return r
	}
	higher := func(r *Run) {
		for i := range r.Steps {
			r.Steps[i].Point.Frequency *= 100
		}
	}
	unmeasured := func(r *Run) {
		for i := range r.Steps {
			r.Steps[i].Measured = false
		}
	}
	outside := func(r *Run) {
		r.CalibrationAt = func(units.Hertz) (balance.Point, error) { return balance.Point{}, balance.ErrOutsideCalibration }
	}
	for name, c := range map[string]struct {
		a, b *Run
		o    Options
		kind error
		says string
	}{
		"no frequency in common": {run(2, nil), run(3, higher), Options{}, ErrNoCommonFrequency, "run 3 covers 1 GHz to 30 GHz"},
		"nothing measured":       {run(2, unmeasured), run(3, nil), Options{}, ErrNoCommonFrequency, "none of the 5"},
		"no calibration there":   {run(2, nil), run(3, outside), Options{}, ErrNoCommonFrequency, "measured in both"},
		"no step":                {run(2, nil), run(3, func(r *Run) { r.Steps = nil }), Options{}, ErrNoCommonFrequency, "run 3 has no step"},
		"out of order":           {run(2, nil), run(3, func(r *Run) { r.Steps[1], r.Steps[2] = r.Steps[2], r.Steps[1] }), Options{}, nil, "ascending"},
		"no frequency":           {run(2, func(r *Run) { r.Steps[0].Point.Frequency = units.Hertz(math.NaN()) }), run(3, nil), Options{}, nil, "above 0 Hz"},
		"negative refit":         {run(2, nil), run(3, nil), Options{Refit: ptr(-1)}, nil, "refit"},
		"range gain":             {run(2, nil), run(3, nil), Options{RangeGain: units.DB(math.Inf(1))}, nil, "range gain"},
	} {
		_, err := Pair(c.a, c.b, c.o)
		_, series := Spread([]*Run{c.a, c.b, c.a}, c.o)
		for _, err := range []error{err, series} {
			if err == nil || c.kind != nil && !errors.Is(err, c.kind) || strings.Contains(err.Error(), "\n") {
				t.Errorf("%s: %v", name, err)
			}
		}
		if err != nil && !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v does not say %q", name, err, c.says)
		}
	}
	if _, err := Spread([]*Run{run(2, nil), run(3, nil)}, Options{}); !errors.Is(err, ErrFewRuns) {
		t.Errorf("two runs: %v", err)
	}
}

// TestExactRuns: without any noise nothing is divided by zero.
func TestExactRuns(t *testing.T) {
	b := newBench(1, 4)
	cal := b.calibration(0)
	same := pair(t, b.run(2, 1, cal, b.choked(12), 0), b.run(3, 1, cal, b.choked(12), 0), Options{})
	if same.Verdict != Unchanged {
		t.Errorf("the same twice: %s", same.Verdict)
	}
	if c := pair(t, b.run(2, 1, cal, b.choked(12), 0), b.run(3, 1, cal, b.choked(11), 0), Options{}); c.Verdict != Worse {
		t.Errorf("less ferrite, without noise: %s", c.Verdict)
	}
	perfect := pair(t, b.run(2, 1, cal, ideal, 0), b.run(3, 1, cal, ideal, 0), Options{})
	if perfect.Verdict != Unchanged || perfect.Band[CommonModeRejection].Compared != 0 && !finite(perfect.Steps[0].Changes[CommonModeRejection].Difference) {
		t.Errorf("two ideal baluns: %+v", perfect.Band)
	}
	s, err := Spread([]*Run{b.run(2, 1, cal, b.choked(12), 0), b.run(3, 1, cal, b.choked(12), 0), b.run(4, 1, cal, b.choked(12), 0)}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for q := range Quantities {
		if s.Band[q].Exceeds || math.IsNaN(s.Steps[0].Spread[q].Mean) {
			t.Errorf("three times the same: %v %+v", q, s.Band[q])
		}
	}
}

func BenchmarkPair1000(b *testing.B) {
	bench := newBench(1, 1000)
	cal := bench.calibration(1e-3)
	x, y := bench.run(2, 1, cal, bench.choked(12), 1e-3), bench.run(3, 1, cal, bench.choked(12), 1e-3)
	for b.Loop() {
		if _, err := Pair(x, y, Options{}); err != nil {
			b.Fatal(err)
		}
	}
}
