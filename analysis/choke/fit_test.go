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
	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// The fit against the netlist. Source: ngspice 39, AC analysis of
// testdata/choke-balun.cir. Tolerance 1e-6.
func TestFitNetlist(t *testing.T) {
	m, err := Fit(netlistTable(t), netlistLoad)
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("L %v R %v C %v, U %.2g %.2g %.2g, chi-square %.3g", m.L, m.R, m.C, float64(m.UL), float64(m.UR), float64(m.UC), m.ChiSquare)
	if relative(float64(m.L), 24e-6) > 1e-6 || relative(float64(m.R), 2200) > 1e-6 || relative(float64(m.C), 0.9e-12) > 1e-6 {
		t.Errorf("L %v R %v C %v", m.L, m.R, m.C)
	}
	if m.Points != 33 || m.DegreesOfFreedom != 63 || m.Bounded != 0 || m.Enlarged || m.From != 1e6 || m.To != 500e6 {
		t.Errorf("%+v", m)
	}
	for _, f := range grid(1e6, 500e6, 5) {
		if z := m.Impedance(f); cmplx.Abs(z/impedance(netlistModel, f)-1) > 1e-6 {
			t.Errorf("%v: %v", f, z)
		}
	}
}

// Errors drawn from the stated covariances: the intervals of L, R and C hold
// the truth in 93 % to 97 % of 1500 runs, at an uncertainty that leaves no
// point Bounded and at one that leaves a third of them; the covariance is
// correlated and turns with frequency. The correlations stated are those that
// the runs show, and chi-square is 1 on average.
func TestFitCoverage(t *testing.T) {
	const trials = 1500
	frequencies := grid(2e6, 300e6, 16)
	for _, c := range []struct {
		name string
		cov  func(units.Hertz) uncertainty.Cov
	}{
		{"good", circular(1e-3)},
		{"correlated", oblique(3e-3)},
		{"a third bounded", circular(0.02)},
	} {
		rng := rand.New(rand.NewPCG(3, 5))
		var hitL, hitR, hitC, bounded int
		var chi float64
		var sums [3]float64
		var products [3][3]float64
		var stated [3]float64
		for range trials {
			m, err := Fit(measure(rng, frequencies, netlistModel, 1, netlistLoad, c.cov), netlistLoad)
			if err != nil {
				t.Fatal(err)
			}
			// Enlarged is by chance in one of 20 and makes intervals wider.
			count := func(n *int, got, u, want float64) {
				if math.Abs(got-want) <= u {
					*n++
				}
			}
			count(&hitL, float64(m.L), float64(m.UL), 24e-6)
			count(&hitR, float64(m.R), float64(m.UR), 2200)
			count(&hitC, float64(m.C), float64(m.UC), 0.9e-12)
			bounded += m.Bounded
			chi += m.ChiSquare
			v := [3]float64{float64(m.L)/24e-6 - 1, float64(m.R)/2200 - 1, float64(m.C)/0.9e-12 - 1}
			for i := range v {
				sums[i] += v[i] / trials
				for j := range v {
					products[i][j] += v[i] * v[j] / trials
				}
			}
			stated[0] += m.CorrelationLR / trials
			stated[1] += m.CorrelationLC / trials
			stated[2] += m.CorrelationRC / trials
		}
		t.Logf("%s: L %d R %d C %d of %d, %.1f of %d bounded, chi-square %.3f, correlations %.3f", c.name, hitL, hitR, hitC, trials,
			float64(bounded)/trials, len(frequencies), chi/trials, stated)
		coverage(t, c.name+": L", hitL, trials, 0.93, 0.97)
		coverage(t, c.name+": R", hitR, trials, 0.93, 0.985) // skewed where U is a third of R
		coverage(t, c.name+": C", hitC, trials, 0.93, 0.975)
		if math.Abs(chi/trials-1) > 0.02 {
			t.Errorf("%s: chi-square is %.3f on average", c.name, chi/trials)
		}
		for i, pair := range [3][2]int{{0, 1}, {0, 2}, {1, 2}} {
			a, b := pair[0], pair[1]
			covariance := func(i, j int) float64 { return products[i][j] - sums[i]*sums[j] }
			seen := covariance(a, b) / math.Sqrt(covariance(a, a)*covariance(b, b))
			if math.Abs(seen-stated[i]) > 0.1 {
				t.Errorf("%s: elements %d and %d correlate by %.3f, stated %.3f", c.name, a, b, seen, stated[i])
			}
		}
	}
}

// The uncertainty of the model's ratio, below and inside of the span, holds
// the truth along both axes.
func TestModelRatioCoverage(t *testing.T) {
	const trials = 1000
	rng := rand.New(rand.NewPCG(11, 5))
	at := []units.Hertz{0.5e6, 5e6, 100e6}
	var re, im [3]int
	for range trials {
		m, err := Fit(measure(rng, grid(2e6, 300e6, 12), netlistModel, 1, netlistLoad, oblique(3e-3)), netlistLoad)
		if err != nil {
			t.Fatal(err)
		}
		for i, f := range at {
			r, cov := m.Ratio(f, netlistLoad)
			d := r - ratioOf(impedance(netlistModel, f), f, netlistLoad)
			if math.Abs(real(d)) <= 2*math.Sqrt(cov.RR) {
				re[i]++
			}
			if math.Abs(imag(d)) <= 2*math.Sqrt(cov.II) {
				im[i]++
			}
		}
	}
	for i, f := range at {
		coverage(t, f.Brief()+": real part", re[i], trials, 0.93, 0.975)
		coverage(t, f.Brief()+": imaginary part", im[i], trials, 0.93, 0.975)
	}
}

// The points that are Bounded one by one belong to the fit: with them R has no
// bias; without them, since it is the larger Z_c that are left out, it comes
// out too low in four runs of five.
func TestFitUsesBoundedPoints(t *testing.T) {
	const trials = 400
	rng := rand.New(rand.NewPCG(1, 1))
	var lowAll, lowKnown, bounded int
	for range trials {
		all := measure(rng, grid(2e6, 300e6, 16), netlistModel, 1, netlistLoad, circular(0.025))
		var known []balance.Result
		for _, res := range all {
			z, err := At(res, netlistLoad)
			if err != nil {
				t.Fatal(err)
			}
			if !z.Bounded {
				known = append(known, res)
			}
		}
		a, errA := Fit(all, netlistLoad)
		b, errB := Fit(known, netlistLoad)
		if errA != nil || errB != nil {
			t.Fatal(errA, errB)
		}
		if a.Bounded != len(all)-len(known) || b.Bounded != 0 {
			t.Fatalf("%d and %d bounded of %d and %d", a.Bounded, b.Bounded, len(all), len(known))
		}
		bounded += a.Bounded
		if a.R < 2200 {
			lowAll++
		}
		if b.R < 2200 {
			lowKnown++
		}
	}
	t.Logf("%.1f of 36 bounded; R too low in %d of %d with them, in %d without", float64(bounded)/trials, lowAll, trials, lowKnown)
	// 50 % with four standard deviations of chance.
	coverage(t, "R too low, all points", lowAll, trials, 0.4, 0.6)
	coverage(t, "R too low, bounded points left out", lowKnown, trials, 0.8, 1)
}

// What a short span does not show is given as a bound, and the rest is found.
func TestFitUntold(t *testing.T) {
	holds := 0
	for seed := range uint64(20) {
		// Up to 3 MHz the winding is an inductance: 0.9 pF is 59 kΩ there.
		m, err := Fit(measure(rand.New(rand.NewPCG(seed, 1)), grid(1e6, 3e6, 24), netlistModel, 1, netlistLoad, circular(2e-3)), netlistLoad)
		if err != nil {
			t.Fatal(err)
		}
		if relative(float64(m.L), 24e-6) > 0.15 || float64(m.UL) > 6e-6 {
			t.Errorf("L %v ± %v", m.L, m.UL)
		}
		if !(m.UC > 0.9e-12) || m.C < 0 || !(m.RAtLeast > 0) {
			t.Errorf("C %v ± %v at most %v, R %v ± %v at least %v", m.C, m.UC, m.CAtMost, m.R, m.UR, m.RAtLeast)
		}
		if m.CAtMost >= 0.9e-12 && m.RAtLeast <= 2200 {
			holds++
		}
		if z := m.Impedance(3e6); cmplx.Abs(z/impedance(netlistModel, 3e6)-1) > 0.1 {
			t.Errorf("impedance %v with %+v", z, m)
		}
	}
	coverage(t, "bounds of R and C", holds, 20, 0.8, 1)
}

// A loss that is not there comes out as an infinite R, not as a negative one.
func TestFitWithoutLoss(t *testing.T) {
	m, err := Fit(measure(nil, grid(1e6, 100e6, 12), Model{L: 24e-6, R: units.Ohms(-20e3), C: 1e-12}, 1, netlistLoad, circular(1e-3)), netlistLoad)
	if err != nil {
		t.Fatal(err)
	}
	if !math.IsInf(float64(m.R), 1) || !math.IsInf(float64(m.UR), 1) || !(m.RAtLeast > 1000) || relative(float64(m.L), 24e-6) > 0.01 {
		t.Errorf("%+v", m)
	}
}

// Data that are no L ∥ R ∥ C: the uncertainties grow with the scatter.
func TestFitEnlarges(t *testing.T) {
	results := measure(rand.New(rand.NewPCG(2, 1)), grid(1e6, 300e6, 12), netlistModel, 1, netlistLoad, circular(2e-3))
	for i := range results {
		results[i].Cov = results[i].Cov.Scale(1. / 16) // claims a quarter
	}
	m, err := Fit(results, netlistLoad)
	if err != nil {
		t.Fatal(err)
	}
	for i := range results {
		results[i].Cov = results[i].Cov.Scale(uncertainty.Scatter(m.ChiSquare, float64(m.DegreesOfFreedom)))
	}
	honest, err := Fit(results, netlistLoad)
	if err != nil {
		t.Fatal(err)
	}
	if !m.Enlarged || m.ChiSquare < 10 || m.ChiSquare > 23 || honest.Enlarged || relative(float64(m.UL), float64(honest.UL)) > 1e-3 {
		t.Errorf("chi-square %v enlarged %v, U of L %v, of the same with honest claims %v", m.ChiSquare, m.Enlarged, m.UL, honest.UL)
	}
}

func TestFitRefuses(t *testing.T) {
	good := measure(nil, grid(1e6, 300e6, 12), netlistModel, 1, netlistLoad, circular(1e-3))
	same := measure(nil, []units.Hertz{3e6, 3e6, 3e6, 3e6}, netlistModel, 1, netlistLoad, circular(1e-3))
	ideal := measure(nil, grid(30e6, 100e6, 12), Model{L: 1, R: 1e9, C: 0}, 1, netlistLoad, circular(1e-3))
	resistive := measure(nil, grid(30e6, 300e6, 12), Model{L: 1, R: 500, C: 1e-12}, 1, netlistLoad, circular(1e-2))
	for name, c := range map[string]struct {
		results []balance.Result
		says    string
	}{
		"none":            {nil, "0 frequencies"},
		"two":             {good[:2], "2 frequencies"},
		"one frequency":   {same, "same effect"},
		"all bounded":     {ideal, "too close to -1 at all of the 7"},
		"no L to be seen": {resistive, "may be infinite"},
	} {
		m, err := Fit(c.results, netlistLoad)
		if !errors.Is(err, ErrUndetermined) || !strings.Contains(err.Error(), c.says) || strings.Contains(err.Error(), "\n") || m != (Model{}) {
			t.Errorf("%s: %v, %+v", name, err, m)
		}
	}
}

// Any winding whose three elements can be seen is found from exact ratios
// without any help, in any order of the points, and in ratios of any load.
func TestFitFinds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		truth, load := drawModel(t), drawLoad(t)
		results := measure(nil, grid(0.3e6, 1e9, rapid.IntRange(3, 20).Draw(t, "per decade")), truth, 1, load, circular(1e-7))
		for i := range results {
			j := rapid.IntRange(0, i).Draw(t, "shuffle")
			results[i], results[j] = results[j], results[i]
		}
		m, err := Fit(results, load)
		if err != nil {
			t.Fatal(err)
		}
		// A thousandth of U, and what rounding leaves.
		for _, c := range [][3]float64{
			{float64(m.L), float64(m.UL), float64(truth.L)},
			{float64(m.R), float64(m.UR), float64(truth.R)},
			{float64(m.C), float64(m.UC), float64(truth.C)},
		} {
			if math.Abs(c[0]-c[2]) > 1e-3*c[1]+1e-9*c[2] {
				t.Fatalf("%+v, want %+v", m, truth)
			}
		}
	})
}

// Whatever the data, the fit gives a usable model or an error.
func TestFitSurvives(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(3, 12).Draw(t, "points")
		results := make([]balance.Result, n)
		for i := range results {
			u := math.Pow(10, rapid.Float64Range(-12, 3).Draw(t, "log u"))
			results[i] = balance.Result{
				Frequency: units.Hertz(math.Pow(10, rapid.Float64Range(3, 10).Draw(t, "log f"))),
				Ratio:     cmplx.Rect(math.Pow(10, rapid.Float64Range(-9, 3).Draw(t, "log |r|")), rapid.Float64Range(-math.Pi, math.Pi).Draw(t, "arg r")),
				Cov:       uncertainty.Line(cmplx.Rect(u, rapid.Float64Range(0, math.Pi).Draw(t, "axis"))),
			}
		}
		load := drawLoad(t)
		m, err := Fit(results, load)
		switch {
		case err != nil:
			if !errors.Is(err, ErrUndetermined) && !errors.Is(err, ErrNotConverged) {
				t.Fatal(err)
			}
		case !(m.L > 0) || math.IsInf(float64(m.L), 0) || !(m.UL > 0) || math.IsInf(float64(m.UL), 0) ||
			!(m.R > 0) || !(m.UR > 0) || !(m.C >= 0) || !(m.UC > 0) || !(m.ChiSquare >= 0):
			t.Fatalf("%+v", m)
		default:
			r, cov := m.Ratio(1e6, load)
			if cmplx.IsNaN(r) || real(m.Impedance(1e6)) < 0 || !cov.Valid() {
				t.Fatalf("%v %v with %+v", r, cov, m)
			}
		}
	})
}

func TestImpedanceAtZeroHertz(t *testing.T) {
	if z := netlistModel.Impedance(0); z != 0 {
		t.Errorf("%v", z)
	}
}

// One error common to all frequencies besides the noise: with AnyCorrelation
// the intervals hold the truth in 95 % of the runs or more, whatever way the
// error goes with frequency. A gain is about the worst way there is: without
// the option hardly any interval holds, and the bound is no wider than needed.
func TestFitAnyCorrelation(t *testing.T) {
	const trials = 1000
	frequencies := grid(1e6, 200e6, 20)
	rng := rand.New(rand.NewPCG(6, 6))
	for _, c := range []struct {
		name      string
		direction func(f units.Hertz) complex128
		worst     bool
	}{
		{"skew", func(f units.Hertz) complex128 { return complex(0, 0.02*float64(f/200e6)) }, false},
		{"gain", func(units.Hertz) complex128 { return 0.02 }, true},
		{"turning", func(f units.Hertz) complex128 { return cmplx.Rect(0.02, math.Log(float64(f/1e6))) }, false},
	} {
		var with, without [3]int // for L, R and C
		var off2, u2 [3]float64
		for range trials {
			common := rng.NormFloat64()
			results := measure(rng, frequencies, netlistModel, 1, netlistLoad, circular(1e-3))
			for i := range results {
				d := c.direction(results[i].Frequency)
				results[i].Cov = results[i].Cov.Add(uncertainty.Line(d))
				results[i].Ratio += d * complex(common, 0)
			}
			for k, hits := range []*[3]int{&without, &with} {
				m, err := Fit(results, netlistLoad, []Option{AnyCorrelation()}[:k]...)
				if err != nil {
					t.Fatal(err)
				}
				for e, v := range [3]struct{ off, u float64 }{
					{1/float64(m.L) - 1/24e-6, float64(m.UL / m.L / (m.L + m.UL))},
					{1/float64(m.R) - 1./2200, 1/float64(m.RAtLeast) - 1/float64(m.R)},
					{float64(m.C) - 0.9e-12, float64(m.UC)},
				} {
					if math.Abs(v.off) <= v.u {
						hits[e]++
					}
					if k == 1 {
						off2[e] += v.off * v.off
						u2[e] += v.u * v.u / 4
					}
				}
			}
		}
		for e, element := range [3]string{"L", "R", "C"} {
			wide := math.Sqrt(u2[e] / off2[e])
			t.Logf("%s: %s inside in %d of %d, without the option in %d; u is %.2f of the scatter", c.name, element, with[e], trials, without[e], wide)
			coverage(t, c.name+": "+element, with[e], trials, 0.93, 1)
			if c.worst && (without[e] > trials/2 || wide > 1.3) {
				t.Errorf("%s, %s: %d hold without the option, u is %.2f of the scatter", c.name, element, without[e], wide)
			}
		}
	}
}

func BenchmarkFit(b *testing.B) {
	results := measure(rand.New(rand.NewPCG(1, 1)), grid(1e6, 100e6, 500)[:1000], netlistModel, 1, netlistLoad, oblique(5e-3))
	for name, opts := range map[string][]Option{"independent": nil, "any correlation": {AnyCorrelation()}} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Fit(results, netlistLoad, opts...); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
