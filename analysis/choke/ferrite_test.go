package choke

import (
	"math"
	"math/cmplx"
	"testing"

	"halfturn/analysis/balance"
	"halfturn/units"
)

const mu0 = 4e-7 * math.Pi // H/m, to 1e-9 of CODATA 2018

// ferriteImpedance is that of a straight conductor through a sleeve of ferrite
// of inner diameter a, outer diameter b, length h in metres and complex
// relative permeability mu = μ' - jμ”:
//
//	Z = jω μ0 (μ' - jμ'') h/(2π) ln(b/a)
//
// Source: E. C. Snelling, Soft Ferrites: Properties and Applications, 2nd ed.
// 1988: Z = jωL0(μ' - jμ”) with L0 = μ0 h ln(b/a)/2π of the air-filled sleeve
// (from memory, chapter not looked up).
func ferriteImpedance(f units.Hertz, mu complex128, a, b, h float64) complex128 {
	return complex(0, 2*math.Pi*float64(f)*mu0*h/(2*math.Pi)*math.Log(b/a)) * mu
}

// debye is a permeability with a single relaxation at fr:
// μ = 1 + χ/(1 + jf/fr), χ = μi - 1.
func debye(f, fr units.Hertz, chi float64) complex128 {
	return 1 + complex(chi, 0)/complex(1, float64(f/fr))
}

// Handbooks give the inductance of a core with one turn as
//
//	0.0046 μ h log10(OD/ID) µH, h in cm; 0.0117 μ h log10(OD/ID) µH, h in inches
//
// Source: ARRL Handbook and others (from memory). Tolerance: half of the last
// digit printed.
func TestFerriteHandbook(t *testing.T) {
	const f, mu, a, b = 1e6, 800, 14e-3, 28e-3
	for _, c := range []struct{ h, constant, digit float64 }{
		{0.01, 0.0046, 0.0001},
		{0.0254, 0.0117, 0.0001},
	} {
		l := imag(ferriteImpedance(f, mu, a, b, c.h)) / (2 * math.Pi * f)
		if got := l * 1e6 / (mu * math.Log10(b/a)); math.Abs(got-c.constant) > c.digit/2 {
			t.Errorf("length %g m: constant %.6f, handbook %g", c.h, got, c.constant)
		}
	}
}

// The same from Ampère's law, by summing the flux of 1 A over the section:
// Φ = ∫ μ0 μ/(2πρ) h dρ. Tolerance: that of the midpoint rule.
func TestFerriteAmpere(t *testing.T) {
	const f, mu, a, b, h = 3e6, 250, 6e-3, 17e-3, 0.028
	const n = 10000
	flux := 0.0
	for i := range n {
		radius := (a + (b-a)*(float64(i)+0.5)/n) / 2
		flux += mu0 * mu / (2 * math.Pi * radius) * h * (b - a) / 2 / n
	}
	want := complex(0, 2*math.Pi*f*flux)
	if z := ferriteImpedance(f, mu, a, b, h); cmplx.Abs(z/want-1) > 1e-7 {
		t.Errorf("%v, want %v", z, want)
	}
}

// A single relaxation is exactly L ∥ R with L = χ L0 and R = 2π fr L, in series
// with L0, the inductance of the sleeve's own space, which is 1/χ of L.
func TestDebyeIsLParallelR(t *testing.T) {
	const chi, a, b, h = 799, 6e-3, 17e-3, 12 * 0.028
	const fr = 4e6
	l0 := mu0 * h / (2 * math.Pi) * math.Log(b/a)
	m := Model{L: units.Henries(chi * l0), R: units.Ohms(2 * math.Pi * fr * chi * l0)}
	for _, f := range grid(1e4, 1e9, 10) {
		z := ferriteImpedance(f, debye(f, fr, chi), a, b, h)
		air := complex(0, 2*math.Pi*float64(f)*l0)
		if off := cmplx.Abs((z-air)/m.Impedance(f) - 1); off > 1e-12 {
			t.Errorf("%v: off by %g", f, off)
		}
	}
}

// The fit finds the sleeve's L and R in the ratios of such a ferrite. With the
// sleeve's own space left out they are exact; with it, L comes out within a
// few 1/χ, the share of L0, and the scatter says that the winding is no exact
// L ∥ R ∥ C.
func TestFitDebye(t *testing.T) {
	const chi, a, b, h = 799, 6e-3, 17e-3, 12 * 0.028
	const fr = 4e6
	l := chi * mu0 * h / (2 * math.Pi) * math.Log(b/a)
	for _, c := range []struct{ space, tolerance float64 }{{0, 1e-6}, {1, 4. / chi}} {
		var results []balance.Result
		for _, f := range grid(1e6, 100e6, 20) {
			z := ferriteImpedance(f, debye(f, fr, chi)-complex(1-c.space, 0), a, b, h)
			results = append(results, balance.Result{Frequency: f, Ratio: ratioOf(z, f, netlistLoad), Cov: circular(1e-5)(f)})
		}
		m, err := Fit(results, netlistLoad)
		if err != nil {
			t.Fatal(err)
		}
		if relative(float64(m.L), l) > c.tolerance || relative(float64(m.R), 2*math.Pi*fr*l) > 10*c.tolerance {
			t.Errorf("space %v: L %.5g R %.5g, want %.5g and %.5g", c.space, float64(m.L), float64(m.R), l, 2*math.Pi*fr*l)
		}
		if m.Enlarged != (c.space > 0) {
			t.Errorf("space %v: chi-square %v, enlarged %v", c.space, m.ChiSquare, m.Enlarged)
		}
	}
}
