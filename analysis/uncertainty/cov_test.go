package uncertainty

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"
)

func drawCov(t *rapid.T) Cov {
	part := rapid.OneOf(rapid.Just(0.), rapid.Float64Range(1e-3, 3))
	a, b := part.Draw(t, "major"), part.Draw(t, "minor")
	return Cov{RR: a * a, II: b * b}.Through(cmplx.Rect(1, rapid.Float64Range(-4, 4).Draw(t, "angle")))
}

func drawComplex(t *rapid.T, what string) complex128 {
	return cmplx.Rect(rapid.Float64Range(0.1, 10).Draw(t, what+" abs"), rapid.Float64Range(-4, 4).Draw(t, what+" arg"))
}

func equal(a, b Cov, tolerance float64) bool {
	return math.Abs(a.RR-b.RR) <= tolerance && math.Abs(a.RI-b.RI) <= tolerance && math.Abs(a.II-b.II) <= tolerance
}

// Through is J C Jᵀ with J of the Cauchy-Riemann equations (JCGM 102:2011, 6.2).
func TestThroughIsTheMatrixForm(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c, g := drawCov(t), drawComplex(t, "derivative")
		want, err := propagate(
			mat.NewDense(2, 2, []float64{real(g), -imag(g), imag(g), real(g)}),
			mat.NewSymDense(2, []float64{c.RR, c.RI, c.RI, c.II}))
		if err != nil {
			t.Fatal(err)
		}
		got := c.Through(g)
		if !equal(got, Cov{want.At(0, 0), want.At(0, 1), want.At(1, 1)}, 1e-9) {
			t.Fatalf("%v, want %v", got, mat.Formatted(want))
		}
		if !got.Valid() {
			t.Fatalf("%v is not valid", got)
		}
		if !equal(got.Through(1/g), c, 1e-9) {
			t.Fatalf("there and back: %v, want %v", got.Through(1/g), c)
		}
	})
}

func TestAxes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCov(t)
		major, minor, angle := c.Axes()
		if !(major >= minor && minor >= 0 && math.Abs(angle) <= math.Pi/2) || c.Standard() != major {
			t.Fatalf("axes %g, %g at %g", major, minor, angle)
		}
		back := Cov{RR: major * major, II: minor * minor}.Through(cmplx.Rect(1, angle))
		if !equal(back, c, 1e-9) {
			t.Fatalf("axes make %v, want %v", back, c)
		}
		if v := c.variance(math.Cos(angle), math.Sin(angle)); math.Abs(v-major*major) > 1e-9 {
			t.Fatalf("variance along the major axis %g, want %g", v, major*major)
		}
	})
}

// Samples of a known covariance through functions of z: first order holds to
// 3 % (20 000 samples: 1 % of a variance) while uncertainties are small.
func TestAgainstSamples(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	z := complex(0.7, -0.4)
	c := Cov{RR: 4e-6, RI: 1.5e-6, II: 1e-6}
	const n = 20000
	var logs, squares Cov
	var modulus float64
	for range n {
		a, b := rng.NormFloat64(), rng.NormFloat64()
		d := complex(2e-3*a, 0.75e-3*a+math.Sqrt(1e-6-0.75e-3*0.75e-3)*b)
		logs = logs.Add(Line(cmplx.Log((z + d) / z)))
		squares = squares.Add(Line((z+d)*(z+d) - z*z))
		m := cmplx.Abs(z+d) - cmplx.Abs(z)
		modulus += m * m / n
	}
	within := func(what string, got, want, scale float64) {
		t.Helper()
		if math.Abs(got-want) > 0.03*scale {
			t.Errorf("%s: %g from samples, %g by propagation", what, got, want)
		}
	}
	for what, pair := range map[string][2]Cov{
		"ln z": {logs.Scale(1. / n), c.Relative(z)},
		"z²":   {squares.Scale(1. / n), c.Through(2 * z)},
	} {
		scale := pair[1].RR + pair[1].II
		within(what, pair[0].RR, pair[1].RR, scale)
		within(what, pair[0].RI, pair[1].RI, scale)
		within(what, pair[0].II, pair[1].II, scale)
	}
	want := c.variance(real(z)/cmplx.Abs(z), imag(z)/cmplx.Abs(z))
	within("|z|", modulus, want, want)
}

func TestValid(t *testing.T) {
	for _, c := range []struct {
		cov  Cov
		want bool
	}{
		{Cov{}, true},
		{Circular(1), true},
		{Line(3 - 4i), true},
		{Cov{1, 0.5, 1}, true},
		{Cov{1, 1.1, 1}, false},
		{Cov{1, -1.1, 1}, false},
		{Cov{0, 0.1, 1}, false},
		{Cov{-1, 0, 1}, false},
		{Cov{1, 0, -1}, false},
		{Cov{math.NaN(), 0, 1}, false},
		{Cov{1, math.NaN(), 1}, false},
		{Cov{1, 0, math.Inf(1)}, false},
	} {
		if got := c.cov.Valid(); got != c.want {
			t.Errorf("%v.Valid() = %v", c.cov, got)
		}
	}
}

// variance is that of a real function of z with the gradient (∂/∂Re, ∂/∂Im)
// (JCGM 100:2008, 5.2.2).
func (c Cov) variance(dRe, dIm float64) float64 {
	return max(0, dRe*dRe*c.RR+2*dRe*dIm*c.RI+dIm*dIm*c.II)
}
