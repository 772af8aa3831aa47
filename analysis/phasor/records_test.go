package phasor

import (
	"math"
	"math/rand/v2"

	"halfturn/units"
)

// noise is a seeded source of normal deviates and random phases.
type noise struct{ *rand.Rand }

func newNoise(seed uint64) *noise { return &noise{rand.New(rand.NewPCG(seed, 0x9e3779b97f4a7c15))} }

// phase is a random direction in the plane.
func (r *noise) phase() complex128 {
	s, c := math.Sincos(2 * math.Pi * r.Float64())
	return complex(c, s)
}

// capture16 samples two sinusoids of the given phasors, in volts, with normal
// noise of sigma volts, as 16-bit codes of 1/32768 V.
func capture16(r *noise, n int, rate, f units.Hertz, p [2]complex128, sigma float64) [2]Record {
	return captureOf(r, n, rate, f, p, [2]float64{sigma, sigma}, 1.0/32768, 0.013)
}

// captureOf rounds to codes of step volts; codes saturate at 16 bits.
func captureOf(r *noise, n int, rate, f units.Hertz, p [2]complex128, sigma [2]float64, step, offset float64) [2]Record {
	var records [2]Record
	nu := alias(rate, f)
	for arm := range records {
		codes := make([]int16, n)
		for k := range codes {
			sin, cos := sincosTurns(nu * float64(k))
			v := real(p[arm])*cos - imag(p[arm])*sin + offset
			if sigma[arm] > 0 {
				v += sigma[arm] * r.NormFloat64()
			}
			codes[k] = int16(max(math.MinInt16, min(math.MaxInt16, math.RoundToEven(v/step))))
		}
		records[arm] = Record{Codes: codes, VoltsPerCode: units.Volts(step), Low: math.MinInt16, High: math.MaxInt16}
	}
	return records
}
