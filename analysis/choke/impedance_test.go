package choke

import (
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

// Z_c from the ratio of the two arms against L ∥ R ∥ C of the netlist. Source:
// ngspice 39, AC analysis of testdata/choke-balun.cir. Tolerance 1e-6: ten
// digits of the table, less the up to 1.5 that 1 + r loses by cancellation.
func TestAtNetlist(t *testing.T) {
	worst := 0.0
	for _, res := range netlistTable(t) {
		z, err := At(res, netlistLoad)
		if err != nil {
			t.Fatal(err)
		}
		want := impedance(netlistModel, res.Frequency)
		worst = max(worst, cmplx.Abs(z.Z/want-1))
		if z.Bounded || complex(float64(z.R), float64(z.X)) != z.Z || relative(float64(z.Magnitude), cmplx.Abs(z.Z)) > 1e-15 {
			t.Errorf("%v: %+v", res.Frequency, z)
		}
	}
	t.Logf("largest relative deviation %.2g", worst)
	if worst > 1e-6 {
		t.Errorf("off by %.2g", worst)
	}
}

// The first order in numbers worked out by hand: r = -0.8 and Z_L = 100 Ω give
// Z_c = 400 Ω and dZ_c/dr = -100/0.04 = -2500 Ω.
func TestAtByHand(t *testing.T) {
	load := balance.Load{Resistance: 100, Source: 50}
	z, err := At(balance.Result{Frequency: 1e6, Ratio: -0.8, Cov: uncertainty.Cov{RR: 1e-8, II: 4e-8, RI: 1e-8}}, load)
	if err != nil {
		t.Fatal(err)
	}
	enlarge := 1 / (1 - 2*math.Sqrt(2.5e-8+math.Hypot(1.5e-8, 1e-8))/0.2)
	for _, c := range []struct {
		what      string
		got, want float64
	}{
		{"R", float64(z.R), 400},
		{"X", float64(z.X) + 1, 1},
		{"|Z|", float64(z.Magnitude), 400},
		{"u² of R", z.Cov.RR, 6.25e-2},
		{"u² of X", z.Cov.II, 25e-2},
		{"covariance", z.Cov.RI, 6.25e-2},
		{"U of R", float64(z.UR), 2 * 0.25 * enlarge},
		{"U of X", float64(z.UX), 2 * 0.5 * enlarge},
		{"U of |Z|", float64(z.UMagnitude), math.Hypot(400+0.5*enlarge, enlarge) - 400},
	} {
		if relative(c.got, c.want) > 1e-9 {
			t.Errorf("%s is %v, want %v", c.what, c.got, c.want)
		}
	}
}

func TestAtBounded(t *testing.T) {
	load := balance.Load{Resistance: 100, Source: 50}
	for _, c := range []struct {
		r       complex128
		u       float64 // standard
		bounded bool
		atLeast float64 // by hand
	}{
		{-0.99, 0.0051, true, 100 * (0.99 - 2.4477*0.0051) / 0.0202},
		{-0.99, 0.0050001, true, 100 * (0.99 - 2.4477*0.0050001) / 0.0200002},
		{-0.99, 0.0049999, false, 100 * (0.99 - 2.4477*0.0049999) / 0.0199998},
		{-1, 0, true, math.Inf(1)},
		{-1, 0.001, true, 100 * (1 - 2.4477*0.001) / 0.002},
		{-1.01, 0.01, true, 100 * (1.01 - 0.024477) / 0.03}, // beyond -1
		{-1 + 0.01i, 0.01, true, 100 * (math.Hypot(1, 0.01) - 0.024477) / 0.03},
		{-0.5, 0.3, true, 0}, // nothing is known
		{0, 0.001, false, 0}, // shorted winding
	} {
		z, err := At(balance.Result{Frequency: 1e6, Ratio: c.r, Cov: uncertainty.Circular(c.u * c.u)}, load)
		if err != nil {
			t.Fatal(err)
		}
		if z.Bounded != c.bounded || !(float64(z.AtLeast) == c.atLeast || relative(float64(z.AtLeast), c.atLeast) < 1e-9) {
			t.Errorf("%v ± %v: %+v", c.r, c.u, z)
		}
		unknown := math.IsNaN(float64(z.R)) && math.IsNaN(float64(z.X)) && math.IsNaN(float64(z.Magnitude)) && cmplx.IsNaN(z.Z) &&
			math.IsInf(float64(z.UR), 1) && math.IsInf(float64(z.UX), 1) && math.IsInf(float64(z.UMagnitude), 1)
		if unknown != c.bounded {
			t.Errorf("%v ± %v: bounded %v with %+v", c.r, c.u, c.bounded, z)
		}
	}
}

// The stated 95 % intervals hold the truth: in 93 % to 97 % of the cases where
// Z_c is well known, and at least as often where r nears -1, where a wide
// interval of a skewed quantity holds more than it promises. Bounded counts as
// holding where the bound does.
func TestAtCoverage(t *testing.T) {
	const trials = 4000
	load := netlistLoad
	for _, c := range []struct {
		name string
		z    complex128
		cov  uncertainty.Cov
		most float64
	}{
		{"low, good", 20 + 130i, uncertainty.Circular(1e-3 * 1e-3), 0.97},
		{"low, correlated", 20 + 130i, uncertainty.Cov{RR: 4e-6, II: 1e-6, RI: 1.8e-6}, 0.97},
		{"high, good", 2200, uncertainty.Circular(2e-4 * 2e-4), 0.97},
		{"capacitive", 100 - 900i, uncertainty.Cov{RR: 1e-7, II: 4e-7, RI: -1.5e-7}, 0.97},
		{"high, U is a quarter", 2200, uncertainty.Circular(5e-3 * 5e-3), 1},
		{"high, U is three quarters", 2200, uncertainty.Circular(16e-3 * 16e-3), 1},
		{"high, hidden", 2200, uncertainty.Circular(0.05 * 0.05), 1},
		{"shorted", 0, uncertainty.Circular(0.01 * 0.01), 1},
	} {
		rng := rand.New(rand.NewPCG(7, 1))
		const f = 1e6
		r := ratioOf(c.z, f, load)
		var inR, inX, inM, above, bounded int
		for range trials {
			z, err := At(balance.Result{Frequency: f, Ratio: r + draw(rng, c.cov), Cov: c.cov}, load)
			if err != nil {
				t.Fatal(err)
			}
			hit := func(n *int, got, u units.Ohms, want float64) {
				if z.Bounded && float64(z.AtLeast) <= cmplx.Abs(c.z) || math.Abs(float64(got)-want) <= float64(u) {
					*n++
				}
			}
			hit(&inR, z.R, z.UR, real(c.z))
			hit(&inX, z.X, z.UX, imag(c.z))
			hit(&inM, z.Magnitude, z.UMagnitude, cmplx.Abs(c.z))
			if float64(z.AtLeast) <= cmplx.Abs(c.z) {
				above++
			}
			if z.Bounded {
				bounded++
			}
		}
		t.Logf("%s: R %d X %d |Z| %d bound %d of %d; bounded %d", c.name, inR, inX, inM, above, trials, bounded)
		coverage(t, c.name+": R", inR, trials, 0.93, c.most)
		coverage(t, c.name+": X", inX, trials, 0.93, c.most)
		coverage(t, c.name+": |Z|", inM, trials, 0.93, c.most)
		coverage(t, c.name+": lower bound", above, trials, 0.94, 1)
	}
}

func TestAtRefuses(t *testing.T) {
	good := balance.Result{Frequency: 1e6, Ratio: -0.9, Cov: uncertainty.Circular(1e-6)}
	for name, c := range map[string]struct {
		spoil func(*balance.Result, *balance.Load)
		says  string
	}{
		"no frequency":       {func(r *balance.Result, _ *balance.Load) { r.Frequency = 0 }, "above 0 Hz"},
		"frequency NaN":      {func(r *balance.Result, _ *balance.Load) { r.Frequency = units.Hertz(math.NaN()) }, "above 0 Hz"},
		"frequency infinite": {func(r *balance.Result, _ *balance.Load) { r.Frequency = units.Hertz(math.Inf(1)) }, "above 0 Hz"},
		"ratio NaN":          {func(r *balance.Result, _ *balance.Load) { r.Ratio = cmplx.NaN() }, "not a measurement"},
		"ratio infinite":     {func(r *balance.Result, _ *balance.Load) { r.Ratio = cmplx.Inf() }, "not a measurement"},
		"negative variance":  {func(r *balance.Result, _ *balance.Load) { r.Cov.RR = -1 }, "not a measurement"},
		"correlation over 1": {func(r *balance.Result, _ *balance.Load) { r.Cov.RI = 1 }, "not a measurement"},
		"step not measured": {func(r *balance.Result, _ *balance.Load) {
			*r = balance.Result{Frequency: 1e6}
		}, "no result"},
		"load missing":  {func(_ *balance.Result, l *balance.Load) { *l = balance.Load{} }, "load"},
		"load negative": {func(_ *balance.Result, l *balance.Load) { l.Capacitance = -1 }, "load"},
	} {
		res, load := good, netlistLoad
		c.spoil(&res, &load)
		_, err := At(res, load)
		if err == nil || !strings.Contains(err.Error(), c.says) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v", name, err)
		}
		if _, err := Fit([]balance.Result{good, res, good}, load); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: fit: %v", name, err)
		}
	}
}

// drawModel is any winding of ferrite, and drawLoad any arm.
func drawModel(t *rapid.T) Model {
	return Model{
		L: units.Henries(math.Pow(10, rapid.Float64Range(-6, -4).Draw(t, "log L"))),
		R: units.Ohms(math.Pow(10, rapid.Float64Range(2, 4).Draw(t, "log R"))),
		C: units.Farads(math.Pow(10, rapid.Float64Range(-13, -11).Draw(t, "log C"))),
	}
}

func drawLoad(t *rapid.T) balance.Load {
	return balance.Load{
		Resistance:  units.Ohms(rapid.Float64Range(25, 300).Draw(t, "R_L")),
		Capacitance: units.Farads(rapid.Float64Range(0, 30e-12).Draw(t, "C_L")),
		Source:      50,
	}
}

// Z to r and back is Z, but for the digits that 1 + r loses; the interval
// holds Z ± U of any r within its own.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m, load := drawModel(t), drawLoad(t)
		f := units.Hertz(math.Pow(10, rapid.Float64Range(5.5, 9).Draw(t, "log f")))
		want := impedance(m, f)
		r := ratioOf(want, f, load)
		z, err := At(balance.Result{Frequency: f, Ratio: r, Cov: uncertainty.Circular(1e-24)}, load)
		if err != nil || z.Bounded {
			t.Fatal(z, err)
		}
		if off := cmplx.Abs(z.Z/want - 1); off > 1e-15*10/cmplx.Abs(1+r) {
			t.Fatalf("%v, want %v: off by %g", z.Z, want, off)
		}
		if off := cmplx.Abs(m.Impedance(f)/want - 1); off > 1e-12 {
			t.Fatalf("model: %v, want %v", m.Impedance(f), want)
		}
		if again, _ := m.Ratio(f, load); cmplx.Abs(again-r) > 1e-12*cmplx.Abs(r) {
			t.Fatalf("model: ratio %v, want %v", again, r)
		}
	})
}

// Whatever r is within a circle of its U around the one measured, Z_c is
// within the stated intervals, or above the bound.
func TestAtHoldsTheCircle(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		load := drawLoad(t)
		f := units.Hertz(math.Pow(10, rapid.Float64Range(5.5, 9).Draw(t, "log f")))
		r := cmplx.Rect(rapid.Float64Range(0, 2).Draw(t, "|r|"), rapid.Float64Range(-math.Pi, math.Pi).Draw(t, "arg r"))
		u := math.Pow(10, rapid.Float64Range(-5, 0).Draw(t, "log u"))
		z, err := At(balance.Result{Frequency: f, Ratio: r, Cov: uncertainty.Circular(u * u)}, load)
		if err != nil {
			t.Fatal(err)
		}
		truth := r + cmplx.Rect(2*u*rapid.Float64Range(0, 0.999999).Draw(t, "part"), rapid.Float64Range(-math.Pi, math.Pi).Draw(t, "direction"))
		zc := -load.Impedance(f) * truth / (1 + truth)
		if cmplx.Abs(zc) < float64(z.AtLeast)*(1-1e-12) {
			t.Fatalf("|Z| is %v, below the bound %v", cmplx.Abs(zc), z.AtLeast)
		}
		if z.Bounded {
			return
		}
		if math.Abs(real(zc)-float64(z.R)) > float64(z.UR)*(1+1e-9) || math.Abs(imag(zc)-float64(z.X)) > float64(z.UX)*(1+1e-9) ||
			math.Abs(cmplx.Abs(zc)-float64(z.Magnitude)) > float64(z.UMagnitude)*(1+1e-9)+1e-12 {
			t.Fatalf("%v is outside of %+v", zc, z)
		}
	})
}
