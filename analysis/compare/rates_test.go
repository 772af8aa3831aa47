package compare

import (
	"math"
	"math/cmplx"
	"testing"

	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// atMost is the largest count among n trials of probability p that chance
// brings, three standard deviations above the mean.
func atMost(p float64, n int) int {
	return int(p*float64(n) + 3*math.Sqrt(p*(1-p)*float64(n)))
}

// TestFalseAlarms: where nothing changed, the verdict says so but for 5 % of
// the comparisons, and of single differences no more than 4.6 % exceed their U.
func TestFalseAlarms(t *testing.T) {
	const trials, points = 800 / fewer, 20
	for name, c := range map[string]struct {
		u1, u2, uCal float64
		shared       bool
		perfect      bool    // no imbalance: every figure is noise about the ideal
		refit        float64 // relative, of each run
		least        float64 // share of differences beyond U that there must be for U not to be too large
	}{
		"shared calibration":             {u1: 1e-3, u2: 1e-3, uCal: 3e-3, shared: true, least: 0.035},
		"calibrations of their own":      {u1: 1e-3, u2: 1e-3, uCal: 1e-3, least: 0.035},
		"one run noisier":                {u1: 2e-4, u2: 4e-3, uCal: 1e-3, shared: true, least: 0.035},
		"nothing but noise":              {u1: 1e-3, u2: 1e-3, uCal: 1e-4, shared: true, perfect: true, least: 0.02},
		"nothing but noise, one noisier": {u1: 2e-4, u2: 4e-3, uCal: 1e-3, shared: true, perfect: true, least: 0.02},
		"noise and own calibrations":     {u1: 1e-3, u2: 2e-3, uCal: 5e-3, perfect: true, least: 0.02},
		"near the noise":                 {u1: 5e-2, u2: 5e-2, uCal: 1e-3, shared: true, least: 0.03},
		"fitted anew":                    {u1: 1e-3, u2: 1e-3, uCal: 1e-3, shared: true, refit: 3e-3, least: 0.03},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := newBench(11, points)
			truth := b.choked(12)
			if c.perfect {
				truth = ideal
			}
			alarms, exceeding, compared := 0, 0, 0
			for range trials {
				cal1 := b.calibration(c.uCal)
				cal2, id2 := cal1, int64(1)
				if !c.shared {
					cal2, id2 = b.calibration(c.uCal), 2
				}
				refit := func() complex128 {
					return 1 + complex(c.refit*b.rng.NormFloat64(), c.refit*b.rng.NormFloat64())
				}
				baseline := b.run(3, 1, cal1, scaled(truth, refit()), c.u1)
				run := b.run(4, id2, cal2, scaled(truth, refit()), c.u2)
				got, err := Pair(baseline, run, Options{Refit: ptr(c.refit * inDB)})
				if err != nil {
					t.Fatal(err)
				}
				if got.Verdict != Unchanged {
					alarms++
				}
				for q := range Quantities {
					exceeding += got.Band[q].Exceeding
					compared += got.Band[q].Compared
				}
			}
			share := float64(exceeding) / float64(compared)
			t.Logf("alarms %.1f %%, differences beyond U %.2f %%", 100*float64(alarms)/trials, 100*share)
			if most := atMost(Significance, trials); alarms > most {
				t.Errorf("%d of %d comparisons of unchanged baluns find a change, at most %d may", alarms, trials, most)
			}
			if share > Chance+0.01 || share < c.least {
				t.Errorf("%.2f %% of the differences exceed U, not %.1f %%", 100*share, 100*Chance)
			}
		})
	}
}

// TestPower: what a person would call a change is found, in the right
// direction, and hardly ever called mixed.
func TestPower(t *testing.T) {
	const trials, points, u = 240 / fewer, 40, 1e-3
	b := newBench(5, points)
	truth := b.choked(12)
	for name, c := range map[string]struct {
		changed func(units.Hertz) complex128
		want    Verdict
	}{
		"less ferrite": {b.choked(11), Worse},
		"more ferrite": {b.choked(14), Better},
		// The standard uncertainty of ln|r| is 2u in the difference: half of it
		// at every step is beyond none of their U.
		"small but everywhere": {func(f units.Hertz) complex128 { return scaled(truth, complex(1-u, 0))(f) }, Worse},
		"large at one step": {func(f units.Hertz) complex128 {
			if f == b.frequencies[17] {
				return truth(f) * complex(1-40*u, 0)
			}
			return truth(f)
		}, Worse},
	} {
		t.Run(name, func(t *testing.T) {
			found := 0
			for range trials {
				cal := b.calibration(u)
				got, err := Pair(b.run(2, 1, cal, truth, u), b.run(3, 1, cal, c.changed, u), Options{})
				if err != nil {
					t.Fatal(err)
				}
				if got.Verdict == c.want {
					found++
				}
			}
			t.Logf("%d of %d", found, trials)
			if found < trials*8/10 {
				t.Errorf("found %s in %d of %d", c.want, found, trials)
			}
		})
	}
}

// TestMixed: better below, worse above; and past the ideal to its other side.
func TestMixed(t *testing.T) {
	b := newBench(6, 40)
	cal := b.calibration(1e-4)
	offset := func(f units.Hertz) complex128 { return complex(-0.97, 0) }
	for name, c := range map[string]func(units.Hertz) complex128{
		"in parts": func(f units.Hertz) complex128 {
			if f < 60e6 {
				return -0.98
			}
			return -0.95
		},
		"past the ideal": func(units.Hertz) complex128 { return -1 / complex(0.97, 0) },
	} {
		got, err := Pair(b.run(2, 1, cal, offset, 1e-4), b.run(3, 1, cal, c, 1e-4), Options{})
		if err != nil {
			t.Fatal(err)
		}
		if got.Band[AmplitudeBalance].Verdict != Mixed {
			t.Errorf("%s: %+v", name, got.Band[AmplitudeBalance])
		}
	}
}

// TestSpreadRates: runs of one balun spread and drift for certain in 5 % of
// the series at most; a batch that scatters does, and so does a balun that warms up.
func TestSpreadRates(t *testing.T) {
	const trials, points, u, runs = 400 / fewer, 20, 1e-3, 5
	b := newBench(13, points)
	truth := b.choked(12)
	for name, c := range map[string]struct {
		run           func(i int, scatter complex128) complex128 // factor of the arm ratio
		spread, drift bool
		refit         float64 // relative, stated
	}{
		"one balun":   {func(int, complex128) complex128 { return 1 }, false, false, 0},
		"a batch":     {func(_ int, s complex128) complex128 { return s }, true, false, 0},
		"warming":     {func(i int, _ complex128) complex128 { return complex(1, 5e-3*float64(i)) }, true, true, 0},
		"fitted anew": {func(_ int, s complex128) complex128 { return s }, false, false, 5e-3},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b := newBench(17, points)
			spreads, drifts := 0, 0
			for range trials {
				cal := b.calibration(u)
				var list []*Run
				for i := range runs {
					s := 1 + complex(5e-3*b.rng.NormFloat64(), 5e-3*b.rng.NormFloat64())
					list = append(list, b.run(int64(i+2), 1, cal, scaled(truth, c.run(i, s)), u))
				}
				got, err := Spread(list, Options{Refit: ptr(c.refit * inDB)})
				if err != nil {
					t.Fatal(err)
				}
				spread, drift := false, false
				for q := range Quantities {
					spread = spread || got.Band[q].Exceeds
					drift = drift || got.Band[q].Drifting > 0
				}
				if spread {
					spreads++
				}
				if drift {
					drifts++
				}
			}
			t.Logf("spread in %.1f %%, drift in %.1f %%", 100*float64(spreads)/trials, 100*float64(drifts)/trials)
			for what, x := range map[string]struct {
				found int
				there bool
			}{"spread": {spreads, c.spread}, "drift": {drifts, c.drift}} {
				if x.there && x.found < trials*8/10 || !x.there && x.found > atMost(Significance, trials) {
					t.Errorf("%s in %d of %d", what, x.found, trials)
				}
			}
		})
	}
}

// TestSpreadFigures: mean, standard deviation and slope of a series without
// noise are those of the values.
func TestSpreadFigures(t *testing.T) {
	b := newBench(3, 3)
	b.fixture = func(units.Hertz) complex128 { return 1 }
	cal := b.calibration(0)
	phases := []float64{1, 2, 4, 3, 5} // degrees
	var list []*Run
	for i, p := range phases {
		list = append(list, b.run(int64(i+2), 1, cal, func(units.Hertz) complex128 { return -cmplx.Rect(1, p*math.Pi/180) }, 1e-9))
	}
	got, err := Spread(list, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for i := range got.Steps {
		s := got.Steps[i].Spread[PhaseBalance]
		// Σ(t - t̄) x / Σ(t - t̄)² = (-2·1 - 1·2 + 0 + 1·3 + 2·5)/10; s² = 10/4.
		if math.Abs(s.Mean-3) > 1e-6 || math.Abs(s.SD-math.Sqrt(2.5)) > 1e-6 || math.Abs(s.Slope-0.9) > 1e-6 {
			t.Errorf("%+v", s)
		}
		// Residual Σe² = 10 - 0.9²·10 = 1.9, 3 degrees of freedom: u(b) =
		// sqrt(1.9/3/10), times t(95.45 %, 3) = 3.31 (JCGM 100:2008, table G.2).
		if want := 3.31 * math.Sqrt(1.9/3/10); math.Abs(s.USlope-want) > 0.01*want {
			t.Errorf("U of the slope is %v, not %v", s.USlope, want)
		}
	}
	if len(got.Runs) != 5 || got.Hours[4] != 4 || !got.Timed() {
		t.Errorf("%v %v", got.Runs, got.Hours)
	}
}

// TestBudget: of a budget the difference has what each run has for itself, at
// the size that the law of propagation gives, and none of what both share.
func TestBudget(t *testing.T) {
	b := newBench(21, 6)
	cal := b.calibration(0)
	x, y := b.run(2, 1, cal, b.choked(12), 0), b.run(3, 1, cal, b.choked(12), 0)
	own := *y
	own.Calibration = 9
	dB := func(u float64) float64 { return u * math.Ln10 / 20 }
	normal := func(n uncertainty.Name, value, phase float64) uncertainty.Budget {
		return uncertainty.Budget{{Name: n, Value: value, Phase: phase, Distribution: uncertainty.Normal}}
	}
	shared := uncertainty.Budget{}
	for _, e := range uncertainty.Defaults() {
		switch e.Name {
		case uncertainty.RunRepeatability, uncertainty.ConnectorRepeatability, uncertainty.SkewDrift, uncertainty.LevelRepeatability, uncertainty.RangeGain:
		default:
			shared = append(shared, e)
		}
	}
	for name, c := range map[string]struct {
		o    Options
		run  *Run
		q    Quantity
		want func(units.Hertz) float64 // U
	}{
		"run repeatability":       {Options{Budget: normal(uncertainty.RunRepeatability, dB(0.02), 0)}, y, AmplitudeBalance, func(units.Hertz) float64 { return 2 * 0.02 * math.Sqrt2 }},
		"own calibrations":        {Options{Budget: normal(uncertainty.RunRepeatability, dB(0.02), 0)}, &own, AmplitudeBalance, func(units.Hertz) float64 { return 2 * 0.02 * 2 }},
		"two connectors each":     {Options{Budget: normal(uncertainty.ConnectorRepeatability, dB(0.02), 0)}, y, AmplitudeBalance, func(units.Hertz) float64 { return 2 * 0.02 * 2 }},
		"refit in their place":    {Options{Refit: ptr(0.05), Budget: normal(uncertainty.ConnectorRepeatability, dB(0.02), 0)}, y, AmplitudeBalance, func(units.Hertz) float64 { return 2 * 0.05 * math.Sqrt2 }},
		"skew drift":              {Options{Budget: normal(uncertainty.SkewDrift, 5e-12, 0)}, y, PhaseBalance, func(f units.Hertz) float64 { return 2 * 360 * float64(f) * 5e-12 * math.Sqrt2 }},
		"skew has no amplitude":   {Options{Budget: normal(uncertainty.SkewDrift, 5e-12, 0)}, y, AmplitudeBalance, func(units.Hertz) float64 { return 0 }},
		"level repeatability":     {Options{Budget: normal(uncertainty.LevelRepeatability, dB(0.05), 0)}, y, InsertionLoss, func(units.Hertz) float64 { return 2 * 0.05 * math.Sqrt2 }},
		"level has no balance":    {Options{Budget: normal(uncertainty.LevelRepeatability, dB(0.05), 0)}, y, AmplitudeBalance, func(units.Hertz) float64 { return 0 }},
		"what the fixture shares": {Options{Budget: shared}, y, CommonModeRejection, func(units.Hertz) float64 { return 0 }},
	} {
		got, err := Pair(x, c.run, c.o)
		if err != nil {
			t.Fatal(name, err)
		}
		for i := range got.Steps {
			s := &got.Steps[i]
			if u, want := s.Changes[c.q].U, c.want(s.Frequency); math.Abs(u-want) > 1e-9 {
				t.Errorf("%s at %v: U is %v, not %v", name, s.Frequency, u, want)
			}
		}
	}
	if _, err := Pair(x, y, Options{Budget: normal(uncertainty.SkewDrift, -1, 0)}); err == nil {
		t.Error("a negative entry was taken")
	}
}
