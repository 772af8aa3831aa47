package uncertainty

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s %.6g, want %g within %g", what, got, want, tolerance)
	}
}

// JCGM 101:2008, 9.2, additive model Y = X1 + X2 + X3 + X4 with expectation 0:
// four standard normal inputs (9.2.2), four rectangular ones of standard
// uncertainty 1 (9.2.3), and one of the latter of 10 (9.2.4); values of tables 2
// to 4 from memory, where 95 % intervals have two decimals.
func TestAdditiveModel(t *testing.T) {
	for _, c := range []struct {
		name      string
		each      Distribution
		fourth    float64
		u, end    float64
		tolerance float64 // of the end, beyond what chance leaves
	}{
		{"9.2.2", Normal, 1, 2.00, 3.92, 0.02},
		{"9.2.3", Rectangular, 1, 2.00, 3.88, 0.02},
		{"9.2.4", Rectangular, 10, 10.1, 17.0, 0.07},
	} {
		scale := 1 / c.each.Standard()
		s, err := Simulate(1, func(rng *rand.Rand, y []float64) {
			y[0] = scale * (c.each.draw(rng) + c.each.draw(rng) + c.each.draw(rng) + c.fourth*c.each.draw(rng))
		}, Trials{Seed: 1, Digits: 3, Most: 200000})
		if err != nil {
			t.Fatal(err)
		}
		d := s.Results[0]
		near(t, c.name+" mean", d.Mean, 0, 0.02*c.u)
		near(t, c.name+" u", d.Standard, c.u, 0.005*c.u)
		for what, end := range map[string]float64{"low": -d.Low, "high": d.High} {
			near(t, c.name+" "+what, end, c.end, c.tolerance)
		}
		near(t, c.name+" shortest", d.ShortestHigh-d.ShortestLow, 2*c.end, 3*c.tolerance)
	}
}

// JCGM 101:2008, 9.4, comparison loss of a power meter, δY = x1² + x2² with x1,
// x2 normal with u = 0.005 and uncorrelated (9.4.2): at x1 = x2 = 0, table 5:
// estimate 50e-6, u 50e-6, shortest 95 % interval [0, 150]e-6, where the law of
// propagation gives 0 and 0. At x1 = 0.010: 150e-6, 112e-6, [0, 367]e-6. Values
// from memory; the first case is an exponential distribution, the second has
// the exact mean x² + 2u² and variance 4u²x² + 4u⁴.
func TestComparisonLoss(t *testing.T) {
	for _, c := range []struct{ x, mean, u, high float64 }{
		{0, 50, 50, 150},
		{0.010, 150, 112, 367},
	} {
		s, err := Simulate(1, func(rng *rand.Rand, y []float64) {
			a, b := c.x+0.005*rng.NormFloat64(), 0.005*rng.NormFloat64()
			y[0] = 1e6 * (a*a + b*b)
		}, Trials{Seed: 2, Digits: 3, Most: 200000})
		if err != nil {
			t.Fatal(err)
		}
		d := s.Results[0]
		near(t, "mean", d.Mean, c.mean, 1)
		near(t, "u", d.Standard, c.u, 1)
		near(t, "shortest low", d.ShortestLow, 0, 2)
		near(t, "shortest high", d.ShortestHigh, c.high, 4)
		if d.Low < 0.5 || d.High < d.ShortestHigh {
			t.Errorf("the symmetric interval %g to %g is not to the right of the shortest one", d.Low, d.High)
		}
	}
}

// JCGM 102:2011, 9.3, co-ordinate transformation: X1, X2 normal with u = 0.010
// and r = 0, x2 = 0, into a modulus and an angle. Table of 9.3 from memory:
// x1 = 0.001: modulus 0.013, u 0.007; x1 = 0.100: 0.101 (0.1005), 0.010. They
// agree with Rice's distribution, whose mean square is x1² + 2u² exactly.
func TestCoordinates(t *testing.T) {
	for _, c := range []struct{ x, mean, u float64 }{
		{0.001, 0.013, 0.007},
		{0.100, 0.1005, 0.010},
	} {
		s, err := Simulate(2, func(rng *rand.Rand, y []float64) {
			a, b := c.x+0.01*rng.NormFloat64(), 0.01*rng.NormFloat64()
			y[0], y[1] = math.Hypot(a, b), math.Atan2(b, a)
		}, Trials{Seed: 3, Digits: 2, Most: 200000})
		if err != nil {
			t.Fatal(err)
		}
		d := s.Results[0]
		near(t, "modulus", d.Mean, c.mean, 0.0006)
		near(t, "u", d.Standard, c.u, 0.0006)
		near(t, "mean square", d.Mean*d.Mean+d.Standard*d.Standard, c.x*c.x+2e-4, 3e-6)
	}
}

// JCGM 102:2011, 9.4, resistance and reactance, with the data of JCGM 100:2008,
// H.2: V, I and φ jointly normal. By Monte Carlo as by the law of propagation,
// R 127.732 ± 0.071, X 219.847 ± 0.295, Z 254.260 ± 0.236, r(R,X) -0.588, r(R,Z)
// -0.485, r(X,Z) 0.993; and the ellipse of R and X at 95 % has k = 2.45
// (6.5.2, table 1, from memory; exactly sqrt(-2 ln 0.05)).
func TestResistanceAndReactance(t *testing.T) {
	correlation := mat.NewSymDense(3, []float64{1, -0.355, 0.858, -0.355, 1, -0.645, 0.858, -0.645, 1})
	v, err := covariance([]float64{0.0032094, 0.0094710e-3, 0.00075206}, correlation)
	if err != nil {
		t.Fatal(err)
	}
	var root mat.Cholesky
	if !root.Factorize(v) {
		t.Fatal("covariance of the inputs is not one")
	}
	var l mat.TriDense
	root.LTo(&l)
	s, err := Simulate(3, func(rng *rand.Rand, y []float64) {
		a, b, c := rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()
		volts := 4.9990 + l.At(0, 0)*a
		amps := 19.6610e-3 + l.At(1, 0)*a + l.At(1, 1)*b
		phi := 1.04446 + l.At(2, 0)*a + l.At(2, 1)*b + l.At(2, 2)*c
		sin, cos := math.Sincos(phi)
		y[0], y[1], y[2] = volts/amps*cos, volts/amps*sin, volts/amps
	}, Trials{Seed: 4, Digits: 3, Most: 100000})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range [3][2]float64{{127.732, 0.071}, {219.847, 0.2956}, {254.260, 0.236}} {
		near(t, "value", s.Results[i].Mean, want[0], 0.003)
		near(t, "u", s.Results[i].Standard, want[1], 0.01*want[1]+0.0005)
	}
	for _, c := range []struct {
		i, j int
		r    float64
	}{{0, 1, -0.588}, {0, 2, -0.485}, {1, 2, 0.993}} {
		cov := s.Cov(c.i, c.j)
		near(t, "correlation", cov.RI/math.Sqrt(cov.RR*cov.II), c.r, 0.01)
	}
	near(t, "ellipse", s.Ellipse(0, 1), math.Sqrt(-2*math.Log(0.05)), 0.02)
}

// Adaptive: more digits take more trials, and a seed gives the same again.
func TestSimulateAdapts(t *testing.T) {
	model := func(rng *rand.Rand, y []float64) { y[0] = 2 * rng.NormFloat64() }
	run := func(tr Trials) *Simulated {
		s, err := Simulate(1, model, tr)
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	coarse, fine := run(Trials{Digits: 1}), run(Trials{Digits: 2})
	if !coarse.Stable || !fine.Stable || coarse.Trials != 2*batch || fine.Trials <= coarse.Trials {
		t.Errorf("%d trials for 1 digit, %d for 2", coarse.Trials, fine.Trials)
	}
	if again := run(Trials{Digits: 2}); again.Trials != fine.Trials || again.Results[0] != fine.Results[0] {
		t.Error("the same seed gave other values")
	}
	if other := run(Trials{Digits: 2, Seed: 9}); other.Results[0] == fine.Results[0] {
		t.Error("another seed gave the same values")
	}
	if s := run(Trials{Digits: 4, Most: 3 * batch}); s.Stable || s.Trials != 3*batch {
		t.Errorf("stable to 4 digits after %d trials", s.Trials)
	}
	if s := run(Trials{Probability: 0.999, Most: 1000000, Digits: 1}); s.Trials%100000 != 0 {
		t.Errorf("batches of %d do not suit 99.9 %%", s.Trials) // 100/(1-p)
	}
	s := run(Trials{Digits: 1})
	near(t, "median", s.Quantile(0, 0.5), 0, 0.06)
	near(t, "95 % quantile", s.Quantile(0, 0.95), 2*1.645, 0.1)
	// 7.9.2: u = 0.00035 to 2 digits is 35e-5: δ = 0.5e-5. From the standard's example.
	near(t, "tolerance", numericalTolerance(0.00035, 2), 0.000005, 1e-12)
}

func TestSimulateRefuses(t *testing.T) {
	fine := func(_ *rand.Rand, y []float64) { y[0] = 1 }
	for name, c := range map[string]struct {
		results int
		trial   Trial
		t       Trials
	}{
		"no result":           {0, fine, Trials{}},
		"probability above 1": {1, fine, Trials{Probability: 1.5}},
		"probability of NaN":  {1, fine, Trials{Probability: math.NaN()}},
		"many digits":         {1, fine, Trials{Digits: 9}},
		"few trials":          {1, fine, Trials{Most: 10}},
		"infinite":            {1, func(_ *rand.Rand, y []float64) { y[0] = math.Inf(1) }, Trials{}},
		"not a number":        {1, func(_ *rand.Rand, y []float64) { y[0] = math.NaN() }, Trials{}},
	} {
		if s, err := Simulate(c.results, c.trial, c.t); err == nil {
			t.Errorf("%s: %+v", name, s)
		}
	}
	// What does not vary is stable at once.
	if s, err := Simulate(1, fine, Trials{}); err != nil || !s.Stable || s.Results[0] != (Distributed{1, 0, 1, 1, 1, 1}) {
		t.Errorf("%+v, %v", s, err)
	}
}
