// Package balance turns the phasors of one step into the arm ratio, takes the
// calibration cable's ratio out, and states the results of a balun.
package balance

import (
	"errors"

	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

var (
	// ErrNoSignal: nothing above the noise at the commanded frequency.
	ErrNoSignal = errors.New("no signal")
	// ErrOutsideCalibration: the calibration does not cover the frequency.
	ErrOutsideCalibration = errors.New("outside the calibrated span")
)

// Estimate is what the captures of one step say together.
type Estimate struct {
	Frequency  units.Hertz     // commanded
	Ratio      complex128      // arm ratio as read: phasor of arm 2 over phasor of arm 1
	Cov        uncertainty.Cov // standard uncertainty of Ratio, type A
	Amplitude  [2]units.Volts  // volts peak of each arm, noise power taken out
	UAmplitude [2]units.Volts  // standard uncertainty
	Sigma      [2]units.Volts  // rms noise of one sample
	Captures   int
	Samples    int // in each channel of one capture
}

// Point is one step as the analysis needs it: the estimate and the settings
// under which it was taken.
type Point struct {
	Estimate
	Drive units.DBm
	Range [2]units.Volts // full scale peak to peak
}

// Load is what one arm sees, R ∥ C, and the generator's source resistance.
type Load struct {
	Resistance  units.Ohms
	Capacitance units.Farads
	Source      units.Ohms
}

// Result is what is known of the balun at one frequency. U fields are
// expanded uncertainties, k = 2.
type Result struct {
	Frequency units.Hertz
	Ratio     complex128      // r, fixture taken out; ideal -1
	Cov       uncertainty.Cov // standard, of Ratio

	AmplitudeBalance  units.DB
	UAmplitudeBalance units.DB
	PhaseBalance      units.Degrees // deviation from 180°
	UPhaseBalance     units.Degrees

	// Imbalance is |(1 + r)/(1 - r)|, what common-mode rejection is the
	// inverse of; the uncertainty is stated here since rejection itself is
	// one-sided near r = -1.
	Imbalance              float64
	UImbalance             float64
	CommonModeRejection    units.DB // 20 log10 of 1/Imbalance
	CommonModeRejectionLow units.DB // of 1/(Imbalance + UImbalance): what is assured
	InsertionLoss          units.DB
	UInsertionLoss         units.DB
}
