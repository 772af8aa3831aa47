// Package phasor finds the complex amplitude of a sinusoid of known frequency
// in sampled records: IEEE Std 1057 three-parameter fits, and fits of both
// channels with one shared frequency.
//
//	phasor.go    this page: what goes in and what comes out
//	fit.go       Fit: both channels at a frequency that is held
//	shared.go    FitShared: the frequency is fitted too
//	beside.go    Pair.Beside: the phase reference, at the frequency of the arms' fit
//	harmonics.go Harmonics: second and third, from one record
//	tones.go     least squares of a sum of sinusoids, Gauss-Newton for frequencies
//	project.go   the passes over the samples: where the time goes
//	matrix.go    small matrices on the stack
//	kernel.go    closed forms of the sums that need no samples; Condition
//	quantum.go   what rounding to codes does to an uncertainty
//
// The frequency may lie above half the sample rate: only its alias, which is
// known, matters to the fit. It imports units and analysis/uncertainty.
package phasor

import (
	"errors"
	"math"

	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

var (
	// ErrClipped: samples at the converter's rails.
	ErrClipped = errors.New("clipped")
	// ErrDegenerate: the frequency falls on, or too near to, a multiple of
	// half the sample rate, or the record is too short to tell sine, cosine
	// and offset apart.
	ErrDegenerate = errors.New("frequency cannot be fitted at this sample rate")
	// ErrOffFrequency: the fitted frequency differs from the commanded one by
	// more than the clock tolerance.
	ErrOffFrequency = errors.New("signal is not at the commanded frequency")
	// ErrRecord: a record that cannot be used at all: empty, unequal lengths,
	// scaling or rails without meaning.
	ErrRecord = errors.New("unusable record")
)

// Record is what one channel sampled: volts = (code - Zero) · VoltsPerCode.
// Codes at or beyond Low or High are the converter's rails.
type Record struct {
	Codes        []int16
	VoltsPerCode units.Volts
	Zero         float64
	Low, High    int16
}

// Pair is the fit of one capture: both channels at one frequency.
type Pair struct {
	Frequency  units.Hertz        // at which the fit was made
	UFrequency units.Hertz        // standard uncertainty; 0 where the frequency was held
	P          [2]complex128      // phasor of each arm, volts peak, at the time of sample 0: v(t) = Re(P e^{j2πft})
	Offset     [2]units.Volts     // mean of each channel
	Sigma      [2]units.Volts     // rms residual with N-p degrees of freedom, at least step/√12
	Cov        [2]uncertainty.Cov // of each phasor, V²; includes what UFrequency does to it
	Slope      [2]complex128      // change of each phasor per change of the fitted frequency, V/Hz; 0 where it was held
	N          int                // samples in each channel
	Condition  float64            // of the columns [cos sin 1]; see the function Condition
	PeakToPeak [2]units.Volts     // largest minus smallest sample
	Reference  Tone               // of the channel that Beside fitted; zero without one
}

// Held is the covariance of the phasor of one arm (0 or 1) given the
// frequency. These are independent between the arms, while Cov also holds the
// part that an error of the frequency turns in both arms alike.
func (p *Pair) Held(arm int) uncertainty.Cov {
	u2 := float64(p.UFrequency) * float64(p.UFrequency)
	return addOuter(p.Cov[arm], p.Slope[arm], -u2)
}

// RatioVariance is the variance of ln|P2/P1| (in Np²) and of arg(P2/P1) (in
// rad²) by the law of propagation, to first order. The error of the frequency
// cancels but for the difference of the relative slopes: it must not be
// counted once per arm, as adding Cov of both arms would. For whole cycles
// and a noise that hides the steps of the converter both are
// (2/N)(σ1²/|P1|² + σ2²/|P2|²), the Cramér-Rao bound. +Inf where a phasor is 0.
func (p *Pair) RatioVariance() (logAmplitude, phase float64) {
	if p.P[0] == 0 || p.P[1] == 0 {
		return math.Inf(1), math.Inf(1)
	}
	var c uncertainty.Cov
	for arm, v := range p.P {
		h := turn(p.Held(arm), 1/v)
		c.RR += h.RR
		c.II += h.II
	}
	c = addOuter(c, p.Slope[1]/p.P[1]-p.Slope[0]/p.P[0], float64(p.UFrequency)*float64(p.UFrequency))
	return c.RR, c.II
}

// turn is the covariance of z·w for a covariance c of z and an exact w.
func turn(c uncertainty.Cov, w complex128) uncertainty.Cov {
	a, b := real(w), imag(w)
	return uncertainty.Cov{
		RR: a*a*c.RR - 2*a*b*c.RI + b*b*c.II,
		RI: a*b*(c.RR-c.II) + (a*a-b*b)*c.RI,
		II: b*b*c.RR + 2*a*b*c.RI + a*a*c.II,
	}
}

// addOuter adds u2 times the outer product of slope with itself.
func addOuter(c uncertainty.Cov, slope complex128, u2 float64) uncertainty.Cov {
	a, b := real(slope), imag(slope)
	return uncertainty.Cov{RR: c.RR + u2*a*a, RI: c.RI + u2*a*b, II: c.II + u2*b*b}
}
