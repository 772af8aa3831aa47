package choke

import (
	"fmt"
	"math"
	"math/cmplx"

	"halfturn/analysis/balance"
	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// Impedance is the common-mode impedance of the winding at one frequency,
// Z_c = R + jX. U fields are expanded uncertainties, k = 2, of the larger side
// of the interval.
type Impedance struct {
	Frequency units.Hertz

	// Bounded: r is too close to -1 to tell Z_c from infinity. Only AtLeast
	// is a figure then; the others are not a number, with infinite uncertainty.
	Bounded bool
	// AtLeast is a lower bound of |Z_c|, set whether Bounded or not.
	AtLeast units.Ohms

	Z   complex128      // Z_c, Ω
	Cov uncertainty.Cov // standard, of Z, Ω², to first order

	R, UR                 units.Ohms
	X, UX                 units.Ohms
	Magnitude, UMagnitude units.Ohms
}

// circle is sqrt(-2 ln 0.05): the radius, in standard uncertainties, within
// which 95 % of the values of a circular normal distribution are.
const circle = 2.4477

// At is the impedance of the winding at the frequency of res (design formula
// 7), with its uncertainty through the holomorphic derivative (JCGM 102:2011,
// 6.2)
//
//	dZ_c/dr = -Z_L/(1 + r)².
//
// That is the first order. Since Z_c + Z_L = Z_L/(1 + r), a deviation δ of r
// moves Z_c by the first order over 1 + δ/(1 + r), exactly. With U the
// expanded uncertainty of r in the direction where it is largest, and
// ρ = U/|1 + r|, the larger side of an interval is therefore the first order
// over 1 - ρ, and this is what is stated: the first order where Z_c is well
// known, growing past all bounds toward ρ = 1.
//
// From ρ = 1 on, |1 + r| ≤ U, the value 1 + r = 0 is within the uncertainty
// and an infinite Z_c with it: the impedance is Bounded. The bound is
//
//	|Z_c| = |Z_L| |r|/|1 + r| ≥ |Z_L| (|r| - U2)/(|1 + r| + U),
//
// or 0 where U2 reaches |r|. U2 is the radius of the circle that holds 95 % of
// the errors of r, 2.45 standard uncertainties (JCGM 102:2011, 6.5): around
// r = 0 an error in any direction makes |r| larger, and not in one only.
// Errors: a load or a result that cannot be used.
func At(res balance.Result, load balance.Load) (Impedance, error) {
	if err := load.Validate(); err != nil {
		return Impedance{}, fmt.Errorf("choke: %w", err)
	}
	if err := checkResult(&res); err != nil {
		return Impedance{}, err
	}
	return at(&res, load), nil
}

func at(res *balance.Result, load balance.Load) Impedance {
	r, zl := res.Ratio, load.Impedance(res.Frequency)
	s, u := cmplx.Abs(1+r), uncertainty.Coverage*res.Cov.Standard()
	u2 := circle * res.Cov.Standard()
	z := Impedance{Frequency: res.Frequency, Bounded: s <= u}
	z.AtLeast = units.Ohms(cmplx.Abs(zl) * max(0, cmplx.Abs(r)-u2) / (s + u))
	if z.Bounded {
		nan, inf := units.Ohms(math.NaN()), units.Ohms(math.Inf(1))
		z.Z = cmplx.NaN()
		z.Cov = uncertainty.Circular(math.Inf(1))
		z.R, z.X, z.Magnitude = nan, nan, nan
		z.UR, z.UX, z.UMagnitude = inf, inf, inf
		return z
	}
	z.Z = -zl * r / (1 + r)
	z.Cov = res.Cov.Through(-zl / ((1 + r) * (1 + r)))
	expanded := func(variance float64) float64 {
		return uncertainty.Coverage * math.Sqrt(variance) / (1 - u/s)
	}
	z.R, z.UR = units.Ohms(real(z.Z)), units.Ohms(expanded(z.Cov.RR))
	z.X, z.UX = units.Ohms(imag(z.Z)), units.Ohms(expanded(z.Cov.II))

	// With the expanded uncertainties a along Z and b across it, |Z| can be
	// larger by hypot(|Z| + a, b) - |Z|: a itself where |Z| is well above its
	// uncertainty, and still right at Z = 0, where a modulus has no derivative.
	m, along := cmplx.Abs(z.Z), z.Cov
	if m > 0 {
		along = z.Cov.Through(cmplx.Conj(z.Z) / complex(m, 0))
	}
	a, b := expanded(along.RR), expanded(along.II)
	z.Magnitude, z.UMagnitude = units.Ohms(m), units.Ohms(math.Hypot(m+a, b)-m)
	return z
}
