package simbench

import (
	"math"
	"math/cmplx"
)

// The converter has 8 bits.
const (
	codes    = 256
	railLow  = -128
	railHigh = 127
)

// wave is what one converter is given: harmonics in volts peak, noise and
// offset in volts, and its step.
type wave struct {
	tones  [harmonics]complex128
	offset float64
	sigma  float64
	step   float64 // volts a code
	cubic  float64 // part of a value at half the range that its channel loses
}

// anew is after how many samples the rotation starts from an exact phase
// again, so that rounding cannot add up.
const anew = 256

// synthesise samples both channels. cycles is the fundamental's cycles per
// sample, start its phase at sample 0 in radians. Cost: one complex rotation
// for both channels, and a multiplication and an addition for each of cosine
// and sine of each harmonic and channel, and three for what a channel bends. No
// allocation.
func synthesise(into *[2][]int16, waves *[2]wave, cycles, start float64, noise *source) {
	// Volts are put in codes once, here. re·cos + im·sin with im negated is
	// Re(tone·e^jφ).
	var c [2][2 * harmonics]float64
	var offset, sigma, bend [2]float64
	for i, w := range waves {
		for h, tone := range w.tones {
			c[i][2*h], c[i][2*h+1] = real(tone)/w.step, -imag(tone)/w.step
		}
		offset[i], sigma[i] = w.offset/w.step, w.sigma/w.step
		bend[i] = w.cubic / (codes / 2 * codes / 2)
	}
	turn := cmplx.Rect(1, 2*math.Pi*cycles)
	tr, ti := real(turn), imag(turn)
	one, two := into[0], into[1][:len(into[0])]
	a, b := c[0], c[1]
	r := *noise
	for from := 0; from < len(one); from += anew {
		to := min(from+anew, len(one))
		whole := float64(from) * cycles
		x, y := cosSin(2*math.Pi*(whole-math.Floor(whole)) + start)
		for n := from; n < to; n++ {
			x2, y2 := x*x-y*y, 2*x*y
			x3, y3 := x2*x-y2*y, x2*y+y2*x
			u := a[0]*x + a[1]*y + a[2]*x2 + a[3]*y2 + a[4]*x3 + a[5]*y3
			v := b[0]*x + b[1]*y + b[2]*x2 + b[3]*y2 + b[4]*x3 + b[5]*y3
			one[n] = code(u - bend[0]*u*u*u + offset[0] + sigma[0]*r.normal())
			two[n] = code(v - bend[1]*v*v*v + offset[1] + sigma[1]*r.normal())
			x, y = x*tr-y*ti, x*ti+y*tr
		}
	}
	*noise = r
}

// synthesiseOne is synthesise for one channel more.
func synthesiseOne(into []int16, w *wave, cycles, start float64, noise *source) {
	var a [2 * harmonics]float64
	for h, tone := range w.tones {
		a[2*h], a[2*h+1] = real(tone)/w.step, -imag(tone)/w.step
	}
	offset, sigma, bend := w.offset/w.step, w.sigma/w.step, w.cubic/(codes/2*codes/2)
	turn := cmplx.Rect(1, 2*math.Pi*cycles)
	r := *noise
	for from := 0; from < len(into); from += anew {
		to := min(from+anew, len(into))
		whole := float64(from) * cycles
		z := cmplx.Rect(1, 2*math.Pi*(whole-math.Floor(whole))+start)
		for n := from; n < to; n++ {
			z2 := z * z
			z3 := z2 * z
			u := a[0]*real(z) + a[1]*imag(z) + a[2]*real(z2) + a[3]*imag(z2) + a[4]*real(z3) + a[5]*imag(z3)
			into[n] = code(u - bend*u*u*u + offset + sigma*r.normal())
			z *= turn
		}
	}
	*noise = r
}

func cosSin(phase float64) (cos, sin float64) {
	sin, cos = math.Sincos(phase)
	return cos, sin
}

// code rounds and stops at the rails.
func code(v float64) int16 { return int16(math.Floor(max(railLow, min(v, railHigh)) + 0.5)) }
