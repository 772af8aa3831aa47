// Package phasor finds the complex amplitude of a sinusoid of known frequency
// in sampled records: IEEE Std 1057 three-parameter fits, and fits of both
// channels with one shared frequency.
package phasor

import (
	"errors"

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
	Sigma      [2]units.Volts     // rms residual with N-p degrees of freedom
	Cov        [2]uncertainty.Cov // of each phasor, V², from the residual
	N          int                // samples in each channel
	Condition  float64            // of the columns [cos sin 1], each scaled to unit length
	PeakToPeak [2]units.Volts     // largest minus smallest sample
}
