package choke

import (
	"errors"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"halfturn/analysis/balance"
	"halfturn/analysis/conformity"
	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

func mustWind(t testing.TB, results []balance.Result, load balance.Load, sleeves int) *Winding {
	t.Helper()
	w, err := NewWinding(results, load, sleeves)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func db(v float64) *units.DB { u := units.DB(v); return &u }

func degrees(v float64) *units.Degrees { u := units.Degrees(v); return &u }

// With n sleeves measured, what is predicted for any other number is what
// formula 7 gives for that many times the impedance of one, as is the Z_c of
// the predicted ratio; the figures are those that balance states of it.
func TestWithSleevesScales(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		one, load := drawModel(t), drawLoad(t)
		n := rapid.IntRange(1, 20).Draw(t, "sleeves")
		m := rapid.IntRange(1-n, 20).Draw(t, "more")
		frequencies := grid(0.3e6, 1e9, 4)
		u := circular(1e-9)
		w, err := NewWinding(measure(nil, frequencies, one, float64(n), load, u), load, n)
		if err != nil {
			t.Fatal(err)
		}
		predictions, err := w.WithSleeves(m)
		if err != nil || len(predictions) != len(frequencies) {
			t.Fatal(len(predictions), err)
		}
		for i, want := range measure(nil, frequencies, one, float64(n+m), load, u) {
			p := predictions[i]
			if p.Sleeves != n+m || p.Frequency != want.Frequency || p.Source != Measured || cmplx.Abs(p.Ratio-want.Ratio) > 1e-12 {
				t.Fatalf("%+v, want ratio %v", p, want.Ratio)
			}
			zc := complex(float64(n+m), 0) * impedance(one, want.Frequency)
			z, err := At(balance.Result{Frequency: p.Frequency, Ratio: p.Ratio}, load)
			if err != nil || cmplx.Abs(z.Z/zc-1) > 1e-9 {
				t.Fatalf("%v, want %v; %v", z.Z, zc, err)
			}
			if math.Abs(float64(p.AmplitudeBalance)-20*math.Log10(cmplx.Abs(want.Ratio))) > 1e-9 ||
				math.Abs(float64(p.PhaseBalance)-cmplx.Phase(-want.Ratio)*180/math.Pi) > 1e-9 ||
				math.Abs(p.Imbalance-cmplx.Abs((1+want.Ratio)/(1-want.Ratio))) > 1e-12 ||
				math.Abs(float64(p.CommonModeRejection)+20*math.Log10(p.Imbalance)) > 1e-9 || !math.IsNaN(float64(p.InsertionLoss)) {
				t.Fatalf("%+v", p)
			}
		}
		if m == 0 {
			return
		}
		// There and back.
		back := make([]balance.Result, len(predictions))
		for i := range predictions {
			back[i] = predictions[i].Result
		}
		again, err := NewWinding(back, load, n+m)
		if err != nil {
			t.Fatal(err)
		}
		home, err := again.WithSleeves(-m)
		if err != nil {
			t.Fatal(err)
		}
		for i, want := range measure(nil, frequencies, one, float64(n), load, u) {
			if cmplx.Abs(home[i].Ratio-want.Ratio) > 1e-9 {
				t.Fatalf("back to %v, want %v", home[i].Ratio, want.Ratio)
			}
			// But for what is lost to second order, U is what it was.
			if relative(home[i].Cov.Standard(), 1e-9) > 1e-6 {
				t.Fatalf("back to u = %v", home[i].Cov.Standard())
			}
		}
	})
}

// The predicted intervals hold the truth, and where the impedance is Bounded,
// where the model stands in, too.
func TestWithSleevesCoverage(t *testing.T) {
	const trials, n = 100, 6
	frequencies := grid(2e6, 300e6, 12)
	rng := rand.New(rand.NewPCG(8, 1))
	for _, more := range []int{-2, 4} {
		truth := measure(nil, frequencies, netlistModel, float64(n+more)/n, netlistLoad, circular(0))
		var inside, points [2]int // measured, fitted
		for range trials {
			w := mustWind(t, measure(rng, frequencies, netlistModel, 1, netlistLoad, circular(0.02)), netlistLoad, n)
			predictions, err := w.WithSleeves(more)
			if err != nil {
				t.Fatal(err)
			}
			for i, p := range predictions {
				kind := 0
				if p.Source == Fitted {
					kind = 1
				}
				if bounded := w.Impedances[i].Bounded; bounded != (p.Source == Fitted) || !bounded && p.Source != Measured {
					t.Fatalf("%v bounded %v", p.Source, bounded)
				}
				for _, d := range []struct{ off, u float64 }{
					{float64(p.AmplitudeBalance) - 20*math.Log10(cmplx.Abs(truth[i].Ratio)), float64(p.UAmplitudeBalance)},
					{float64(p.PhaseBalance) - cmplx.Phase(-truth[i].Ratio)*180/math.Pi, float64(p.UPhaseBalance)},
				} {
					points[kind]++
					if math.Abs(d.off) <= d.u {
						inside[kind]++
					}
				}
			}
		}
		t.Logf("%+d: measured %d of %d, fitted %d of %d", more, inside[0], points[0], inside[1], points[1])
		coverage(t, "measured", inside[0], points[0], 0.93, 0.97)
		coverage(t, "fitted", inside[1], points[1], 0.92, 0.98) // of one model in each run: more chance
		if points[1] < 300 {
			t.Errorf("only %d points of the model", points[1])
		}
	}
}

// Predict agrees with the truth between the steps and below them, says so, and
// goes through the steps.
func TestPredict(t *testing.T) {
	w := mustWind(t, measure(nil, grid(1e6, 300e6, 12), netlistModel, 1, netlistLoad, circular(1e-6)), netlistLoad, 4)
	if from, to := w.Span(); from != 0.1e6 || to != 300e6 {
		t.Errorf("span %v to %v", from, to)
	}
	for _, c := range []struct {
		f      units.Hertz
		source Source
	}{{0.1e6, Extrapolated}, {0.7e6, Extrapolated}, {1e6, Measured}, {1.05e6, Interpolated}, {77e6, Interpolated}, {300e6, Measured}} {
		p, err := w.Predict(c.f, 2)
		if err != nil {
			t.Fatal(err)
		}
		want := ratioOf(1.5*impedance(netlistModel, c.f), c.f, netlistLoad)
		if p.Source != c.source || p.Sleeves != 6 || p.Frequency != c.f || cmplx.Abs(p.Ratio-want) > 1e-6 {
			t.Errorf("%v: %+v, want %v", c.f, p, want)
		}
	}
	// A winding that is no L ∥ R ∥ C: at the steps its own ratio counts, and
	// halfway the mean of the deviations.
	results := measure(nil, grid(1e6, 300e6, 12), netlistModel, 1, netlistLoad, circular(1e-3))
	results[5].Ratio += 0.02
	w = mustWind(t, results, netlistLoad, 4)
	if p, err := w.Predict(results[5].Frequency, 0); err != nil || p.Ratio != results[5].Ratio {
		t.Errorf("%+v %v", p, err)
	}
	middle := units.Hertz(math.Sqrt(float64(results[5].Frequency * results[6].Frequency)))
	p, err := w.Predict(middle, 0)
	if want := 0.01 + ratioOf(impedance(netlistModel, middle), middle, netlistLoad); err != nil || cmplx.Abs(p.Ratio-want) > 1e-3 || p.Source != Interpolated {
		t.Errorf("%+v %v, want %v", p, err, want)
	}
}

// The options reach the fit: with any correlation the model is less sure.
func TestWindingOptions(t *testing.T) {
	results := measure(nil, grid(1e6, 300e6, 12), netlistModel, 1, netlistLoad, circular(1e-3))
	a := mustWind(t, results, netlistLoad, 4)
	b, err := NewWinding(results, netlistLoad, 4, AnyCorrelation())
	if err != nil || !(b.Model.UL > 2*a.Model.UL) || b.Model.L != a.Model.L {
		t.Errorf("U of L %v and %v, %v", a.Model.UL, b.Model.UL, err)
	}
}

// The edge where a limit on rejection is met by a known winding, found here by
// the formulas alone: imbalance is |w/(2 + w)|, w = Z_L/(k Z_c).
func trueEdge(m Model, k, rejection float64) units.Hertz {
	low, high := 1e3, 30e6
	for high/low > 1+1e-9 {
		f := math.Sqrt(low * high)
		w := netlistLoad.Impedance(units.Hertz(f)) / (complex(k, 0) * impedance(m, units.Hertz(f)))
		if -20*math.Log10(cmplx.Abs(w/(2+w))) >= rejection {
			high = f
		} else {
			low = f
		}
	}
	return units.Hertz(high)
}

// Band edges from exact ratios on 12 steps a decade. Tolerance 1e-4: the model
// carries what is between the steps.
func TestBandEdges(t *testing.T) {
	limits := conformity.Limits{From: 1e6, To: 100e6, CommonModeRejection: db(15)}
	w := mustWind(t, measure(nil, grid(1e6, 300e6, 12), netlistModel, 1, netlistLoad, circular(1e-6)), netlistLoad, 4)
	bands, err := w.Bands(limits, -2, 6)
	if err != nil || len(bands) != 9 {
		t.Fatal(len(bands), err)
	}
	for i, b := range bands {
		want := trueEdge(netlistModel, float64(i+2)/4, 15)
		if b.Sleeves != i+2 || relative(float64(b.Nominal.From), float64(want)) > 1e-4 || relative(float64(b.Assured.From), float64(want)) > 1e-3 {
			t.Errorf("%d sleeves: %+v, want %v", i+2, b, want)
		}
		if b.Nominal.Extrapolated != (want < 1e6) || b.Assured.From < b.Nominal.From || b.Assured.To > b.Nominal.To {
			t.Errorf("%d sleeves: %+v", i+2, b)
		}
		if one, err := w.Band(limits, i-2); err != nil || one != b {
			t.Errorf("%d sleeves: %+v alone, %+v among others; %v", i+2, one, b, err)
		}
		// Proof by the neighbours of the edge.
		for _, side := range []units.Hertz{1.001, 0.999} {
			p, err := w.Predict(b.Nominal.From*side, i-2)
			if err != nil || (p.CommonModeRejection >= 15) != (side > 1) {
				t.Errorf("%d sleeves, %v of the edge: %v dB, %v", i+2, side, p.CommonModeRejection, err)
			}
		}
	}
	if !bands[8].Nominal.Extrapolated || bands[0].Nominal.Extrapolated {
		t.Error("the test needs edges on both sides of the lowest step")
	}
}

// The upper end: where capacitance takes over, the band ends below the highest
// step, and later with more sleeves.
func TestBandUpperEdge(t *testing.T) {
	m := Model{L: 24e-6, R: 2200, C: 5e-12}
	w := mustWind(t, measure(nil, grid(1e6, 300e6, 12), m, 1, balance.Load{Resistance: 100, Source: 50}, circular(1e-5)), balance.Load{Resistance: 100, Source: 50}, 4)
	limits := conformity.Limits{From: 5e6, To: 50e6, PhaseBalance: degrees(5)}
	bands, err := w.Bands(limits, 0, 3)
	if err != nil {
		t.Fatal(err)
	}
	for i, b := range bands {
		if i > 0 && (b.Assured.To <= bands[i-1].Assured.To || b.Assured.From >= bands[i-1].Assured.From) {
			t.Errorf("no wider with %d sleeves: %+v", b.Sleeves, bands)
		}
		p, err := w.Predict(b.Nominal.To, i)
		if err != nil || math.Abs(math.Abs(float64(p.PhaseBalance))-5) > 1e-3 {
			t.Errorf("at %v: %v, %v", b.Nominal.To, p.PhaseBalance, err)
		}
	}
	// Nothing that is met.
	if b, err := w.Band(conformity.Limits{PhaseBalance: degrees(0.01), CommonModeRejection: db(60)}, 0); err != nil || b.Assured != (Span{}) || b.Nominal != (Span{}) {
		t.Errorf("%+v, %v", b, err)
	}
}

// A limit that is met as far down as anything is predicted.
func TestBandFloor(t *testing.T) {
	w := mustWind(t, measure(nil, grid(10e6, 300e6, 12), netlistModel, 1, netlistLoad, circular(1e-5)), netlistLoad, 4)
	b, err := w.Band(conformity.Limits{CommonModeRejection: db(3)}, 0)
	if from, _ := w.Span(); err != nil || b.Nominal.From != from || !b.Nominal.Extrapolated || b.Nominal.To != 300e6 {
		t.Errorf("%+v, %v", b, err)
	}
}

// The assured edge is not below the true one in at least 95 % of the runs, on
// both sides of the lowest step; the nominal one is in about half.
func TestBandAssured(t *testing.T) {
	const trials = 200
	limits := conformity.Limits{CommonModeRejection: db(15)}
	rng := rand.New(rand.NewPCG(4, 2))
	for _, more := range []int{0, 8} {
		truth := trueEdge(netlistModel, float64(4+more)/4, 15)
		var safe, nominal, extrapolated int
		for range trials {
			w := mustWind(t, measure(rng, grid(1e6, 100e6, 12), netlistModel, 1, netlistLoad, circular(5e-3)), netlistLoad, 4)
			b, err := w.Band(limits, more)
			if err != nil {
				t.Fatal(err)
			}
			if b.Assured.From >= truth {
				safe++
			}
			if b.Nominal.From >= truth {
				nominal++
			}
			if b.Nominal.Extrapolated {
				extrapolated++
			}
		}
		t.Logf("%+d: truth %s, assured above it in %d, nominal in %d of %d; %d extrapolated", more, truth.Brief(), safe, nominal, trials, extrapolated)
		coverage(t, "assured edge", safe, trials, 0.95, 1)
		coverage(t, "nominal edge", nominal, trials, 0.38, 0.62)
	}
}

// The number of sleeves asked for brings the edge, and one fewer does not.
func TestSleevesFor(t *testing.T) {
	limits := conformity.Limits{From: 1e6, To: 30e6, CommonModeRejection: db(20), AmplitudeBalance: db(0.8)}
	w := mustWind(t, measure(rand.New(rand.NewPCG(1, 9)), grid(2e6, 100e6, 12), netlistModel, 1, netlistLoad, circular(2e-3)), netlistLoad, 5)
	for _, from := range []units.Hertz{0.5e6, 1e6, 2e6, 3.3e6, 10e6} {
		need, err := w.SleevesFor(limits, from)
		if err != nil {
			t.Fatal(err)
		}
		t.Logf("%s: %+v", from.Brief(), need)
		if need.From != from || need.To != 30e6 || need.Extrapolated != (from < 2e6) || need.Assured < need.Nominal || need.Nominal < 1 {
			t.Errorf("%+v", need)
		}
		with, err := w.Band(limits, need.Assured-5)
		if err != nil || with.Assured.From > from*(1+1e-6) || with.Assured.To < 30e6 {
			t.Errorf("%v with %d: %+v, %v", from, need.Assured, with, err)
		}
		if need.Assured > 1 {
			if without, err := w.Band(limits, need.Assured-6); err != nil || without.Assured.From > 0 && without.Assured.From <= from {
				t.Errorf("%v with one fewer than %d: %+v, %v", from, need.Assured, without, err)
			}
		}
		// From the formulas: how many times the winding the limit on rejection
		// takes at from, which of the two is the stricter here.
		k := 1
		for trueEdge(netlistModel, float64(k)/5, 20) > from {
			k++
		}
		if d := need.Nominal - k; d < -1 || d > 1 {
			t.Errorf("%v: %d sleeves nominally, the truth is %d", from, need.Nominal, k)
		}
	}
}

func TestWindingRefuses(t *testing.T) {
	results := measure(nil, grid(1e6, 300e6, 12), netlistModel, 1, netlistLoad, circular(1e-3))
	w := mustWind(t, results, netlistLoad, 4)
	limits := conformity.Limits{From: 1e6, To: 100e6, CommonModeRejection: db(15)}
	onlyLoss := conformity.Limits{From: 1e6, To: 100e6, InsertionLoss: db(1)}
	steep := conformity.Limits{CommonModeRejection: db(160)}
	for name, c := range map[string]struct {
		try  func() error
		says string
	}{
		"no sleeves":        {func() error { _, err := NewWinding(results, netlistLoad, 0); return err }, "between 1 and 1000"},
		"too many sleeves":  {func() error { _, err := NewWinding(results, netlistLoad, 1001); return err }, "between 1 and 1000"},
		"no results":        {func() error { _, err := NewWinding(nil, netlistLoad, 4); return err }, "0 frequencies"},
		"two runs":          {func() error { _, err := NewWinding(append(results, results...), netlistLoad, 4); return err }, "two results at 1 MHz"},
		"all taken off":     {func() error { _, err := w.WithSleeves(-4); return err }, "-4 sleeves to the 4"},
		"absurdly many":     {func() error { _, err := w.Band(limits, math.MaxInt); return err }, "between 1 and 1000"},
		"absurdly few":      {func() error { _, err := w.Predict(1e6, math.MinInt); return err }, "between 1 and 1000"},
		"above the span":    {func() error { _, err := w.Predict(301e6, 0); return err }, "100 kHz to 300 MHz"},
		"below the span":    {func() error { _, err := w.Predict(0.09e6, 0); return err }, "100 kHz to 300 MHz"},
		"no frequency":      {func() error { _, err := w.Predict(units.Hertz(math.NaN()), 0); return err }, "no prediction"},
		"upside down":       {func() error { _, err := w.Bands(limits, 2, 1); return err }, "upside down"},
		"limits of loss":    {func() error { _, err := w.Bands(onlyLoss, 0, 1); return err }, "decides nothing"},
		"no limits":         {func() error { _, err := w.SleevesFor(conformity.Limits{}, 1e6); return err }, "decides nothing"},
		"edge far below":    {func() error { _, err := w.SleevesFor(limits, 0.01e6); return err }, "measure further"},
		"edge above":        {func() error { _, err := w.SleevesFor(limits, 200e6); return err }, "between 100 kHz and 100 MHz"},
		"out of all reason": {func() error { _, err := w.SleevesFor(steep, 1e6); return err }, "not even 1000 sleeves"},
	} {
		if err := c.try(); err == nil || !strings.Contains(err.Error(), c.says) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if b, err := w.Bands(limits, math.MinInt, math.MaxInt-1); err != nil || len(b) != 1000 || b[0].Sleeves != 1 {
		t.Errorf("%d bands, %v", len(b), err)
	}
	if _, err := NewWinding(results[:2], netlistLoad, 4); !errors.Is(err, ErrUndetermined) {
		t.Errorf("two results: %v", err)
	}
}

// Far fewer sleeves where |r| is above 1 and hardly known: nothing is told.
func TestScaleNotToBeTold(t *testing.T) {
	if _, _, ok := scale(-4./3, uncertainty.Circular(1e-6), 0.25); ok {
		t.Error("a pole within the uncertainty gives a number")
	}
	if r, _, ok := scale(-1, uncertainty.Circular(1e-6), 0.25); !ok || r != -1 {
		t.Errorf("%v %v", r, ok)
	}
	w := mustWind(t, measure(nil, grid(1e6, 300e6, 12), netlistModel, 1, netlistLoad, circular(1e-3)), netlistLoad, 4)
	w.steps[3].ratio = -4. / 3
	p, err := w.Predict(w.steps[3].frequency, -3)
	if err != nil || !cmplx.IsNaN(p.Ratio) || !math.IsNaN(float64(p.CommonModeRejection)) {
		t.Errorf("%+v, %v", p, err)
	}
	if v := (conformity.Limits{CommonModeRejection: db(3), PhaseBalance: degrees(90)}).Decide(p.Result).Verdict; v != conformity.NotMeasurable {
		t.Errorf("verdict %q", v)
	}
}

func BenchmarkBands(b *testing.B) {
	w := mustWind(b, measure(rand.New(rand.NewPCG(1, 1)), grid(1e6, 100e6, 500)[:1000], netlistModel, 1, netlistLoad, circular(5e-3)), netlistLoad, 8)
	limits := conformity.Limits{From: 1e6, To: 100e6, CommonModeRejection: db(15), PhaseBalance: degrees(5), AmplitudeBalance: db(1)}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := w.Bands(limits, -2, 6); err != nil {
			b.Fatal(err)
		}
	}
}
