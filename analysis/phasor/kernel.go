package phasor

import (
	"math"

	"halfturn/units"
)

// Times are counted in samples from the centre of the record, k = -(n-1)/2 …
// (n-1)/2, so that sums of odd functions vanish. Frequencies nu are in cycles
// per sample.

// alias is the frequency in cycles per sample, taken to within half a cycle;
// exact but for the last division, however far f lies above rate.
func alias(rate, f units.Hertz) float64 {
	return math.Remainder(float64(f), float64(rate)) / float64(rate)
}

// dirichlet is Σ cos(2π·nu·k) = sin(nh)/sin(h), h = π·nu.
func dirichlet(n int, nu float64) float64 {
	s, whole := sinTurn(nu)
	if math.Abs(s)*float64(n) < 1e-6 {
		return nearWhole(n, whole) * float64(n)
	}
	return math.Sin(float64(n)*math.Pi*nu) / s
}

// sinTurn is sin(π·nu) and the whole number nearest to nu.
func sinTurn(nu float64) (s, whole float64) {
	whole = math.RoundToEven(nu)
	s = math.Sin(math.Pi * (nu - whole))
	if math.Mod(whole, 2) != 0 {
		s = -s
	}
	return s, whole
}

// nearWhole is the sign of the kernel where nu is a whole number: k runs over
// half-integers when n is even, so that an odd number of turns changes it.
func nearWhole(n int, whole float64) float64 {
	if n%2 == 0 && math.Mod(whole, 2) != 0 {
		return -1
	}
	return 1
}

// kernels are the sums Σ cos(xk), Σ k sin(xk) and Σ k² cos(xk), x = 2π·nu: the
// Dirichlet kernel f(x), -f' and -f”. With f = sin(nh)/sin(h), h = x/2, the
// derivatives by h follow from f·sin(h) = sin(nh):
//
//	f' = (n cos(nh) - f cos(h))/sin(h)
//	f” = -(n²-1) f - 2 f' cos(h)/sin(h)
//
// They lose ε/(nh)² next to a whole nu, where no fit is made but where whole
// values themselves occur (a frequency minus itself) and take the limit.
func kernels(n int, nu float64) (k0, k1, k2 float64) {
	m := float64(n)
	s, whole := sinTurn(nu)
	if math.Abs(s)*m < 1e-6 {
		sign := nearWhole(n, whole)
		return sign * m, 0, sign * m * (m*m - 1) / 12
	}
	sn, cn := math.Sincos(m * math.Pi * nu)
	c := math.Cos(math.Pi * nu)
	f := sn / s
	f1 := (m*cn - f*c) / s
	f2 := -(m*m-1)*f - 2*f1*c/s
	return f, -f1 / 2, -f2 / 4
}

// MaxCondition is where the fits refuse: about 0.6 cycles of the alias in the
// record, or 0.2 cycles away from half the sample rate.
const MaxCondition = 3

// Condition is the condition number of the columns [cos sin 1] of the
// three-parameter fit, each divided by the length that it has over whole
// cycles (√(n/2), √(n/2), √n). It is 1 for whole cycles, does not depend on
// where time begins, grows as the record covers less than about a cycle of
// the alias, and is +Inf where f is a multiple of half the sample rate or
// where an argument makes no sense. Dividing each column by its own length
// instead would hide that near half the sample rate one of them vanishes.
//
// In closed form from the Dirichlet kernel D(f) = Σcos(2πfk/rate)/n: the
// squares of the singular values are 1 - D(2f) and the eigenvalues of
// [1+D(2f), √2·D(f); √2·D(f), 1].
func Condition(rate units.Hertz, samples int, f units.Hertz) float64 {
	if !(rate > 0) || math.IsInf(float64(rate), 0) || !(f > 0) || math.IsInf(float64(f), 0) || samples < 3 {
		return math.Inf(1)
	}
	return condition(samples, alias(rate, f))
}

func condition(n int, nu float64) float64 {
	d1 := dirichlet(n, nu) / float64(n)
	d2 := dirichlet(n, 2*nu) / float64(n)
	centre, radius := 1+d2/2, math.Hypot(d2/2, math.Sqrt2*d1)
	least := min(1-d2, centre-radius)
	most := max(1-d2, centre+radius)
	if !(least > 1e-12) { // rounding: the columns cannot be told apart
		return math.Inf(1)
	}
	return math.Sqrt(most / least)
}
