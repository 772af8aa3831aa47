package phasor

import "math"

// quantumVariance is the variance of rounding to whole codes, in codes²: the
// step is 1, the error even between ±½ (JCGM 100:2008, F.2.2.1).
const quantumVariance = 1.0 / 12

// quantisation is the variance, in codes², that rounding to codes adds to the
// real and to the imaginary part of a phasor of the given amplitude in codes,
// beyond what the residual variance of the fit tells.
//
// The residual's σ²/n supposes errors that are independent from sample to
// sample. Rounding errors are so only where noise of about half a code or
// more runs over the steps. Without it they repeat wherever the signal
// repeats, and no number of samples averages them out. What remains is taken
// as that of so many independent errors as the record has distinct ones:
//
//   - at most n, the samples;
//   - at most q·(1 + s), when f/rate lies close to p/q: the record has q
//     phases, and each slips over s = 2π·amplitude·n·|f/rate - p/q| codes;
//   - at most 3 + 16·amplitude: a sine sampled at all phases crosses
//     4·amplitude steps in a cycle, and its fundamental is off by
//     Σ (2/πm) J1(2πm·amplitude) sin(2πm·offset), m = 1, 2, …, the series of
//     the rounding staircase; with J1² ≈ 1/(2π²·m·amplitude) on average its
//     first term has the variance 1/(π⁴·amplitude), that of 1/6 over
//     16·amplitude. The 3 is for a signal that crosses no step at all.
//
// Noise of variance d lowers that term by e^{-4π²d} (characteristic function
// of the normal distribution), so that a noise of half a code leaves 5e-5 of it.
func quantisation(amplitude, residualVariance, nu float64, n int) float64 {
	dither := max(0, residualVariance-quantumVariance)
	left := math.Exp(-4 * math.Pi * math.Pi * dither)
	if left < 1e-9 {
		return 0
	}
	slip := 2 * math.Pi * max(1, amplitude) * float64(n)
	distinct := min(3+16*amplitude, float64(n), repeats(nu, slip))
	return left * 2 * quantumVariance / distinct
}

// repeats is the least of q·(1 + slip·|nu - p/q|) over the convergents p/q of
// the continued fraction of nu.
func repeats(nu, slip float64) float64 {
	nu = math.Abs(nu)
	least := math.Inf(1)
	p0, q0, p, q := 0.0, 1.0, 1.0, 0.0
	for rest := nu; q < least; rest = 1 / rest {
		whole := math.Floor(rest)
		p0, q0, p, q = p, q, whole*p+p0, whole*q+q0
		least = min(least, q*(1+slip*math.Abs(nu-p/q)))
		if rest -= whole; rest < 1e-12 {
			break
		}
	}
	return least
}
