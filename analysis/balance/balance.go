// Package balance turns the phasors of one step into the arm ratio, takes the
// calibration cable's ratio out, and states the results of a balun.
//
//	[]phasor.Pair ──Combine──▶ Estimate   one step: arm ratio as read, amplitudes
//	[]Point ──NewCalibration──▶ At(f)     the calibration run at any frequency inside it
//	Point, Point, Load ──Evaluate──▶ Result
//	  and a Budget ──EvaluateWith──▶ Result and the Shares of each error in it
//	               ──Simulate──▶ the same by the Monte Carlo method
//
// Fitted and CheckKind tell from arm ratios what is in the fixture.
package balance

import (
	"errors"

	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

var (
	// ErrNoSignal: nothing above the noise at the commanded frequency.
	ErrNoSignal = errors.New("no signal")
	// ErrNoArm1: arm 2 has a signal and arm 1 has none, so that there is
	// no arm ratio.
	ErrNoArm1 = errors.New("no signal in arm 1")
	// ErrNoReference: the captures have a phase reference, and it reads no
	// more than noise while the arms read a signal.
	ErrNoReference = errors.New("no signal in the reference channel")
	// ErrOutsideCalibration: the calibration does not cover the frequency.
	ErrOutsideCalibration = errors.New("outside the calibrated span")
	// ErrCoarseCalibration: the calibration has no step at the frequency, and
	// its neighbours are too far apart to interpolate between.
	ErrCoarseCalibration = errors.New("calibration too coarse")
	// ErrNotDifferential: the arms cannot be told from being alike.
	ErrNotDifferential = errors.New("no difference between the arms")
)

// Estimate is what the captures of one step say together.
type Estimate struct {
	Frequency  units.Hertz     // commanded
	Ratio      complex128      // arm ratio as read: phasor of arm 2 over phasor of arm 1
	Cov        uncertainty.Cov // standard uncertainty of Ratio, type A
	Amplitude  [2]units.Volts  // volts peak of each arm, noise power taken out
	UAmplitude [2]units.Volts  // standard uncertainty
	RAmplitude float64         // correlation of the two: about 0 from noise, toward 1 where the level drifts
	Sigma      [2]units.Volts  // rms noise of one sample
	Captures   int
	Samples    int       // in each channel of one capture
	Reference  Reference // zero without one
}

// Reference is what a phase reference, a channel that samples a split of the
// generator's signal, adds to an Estimate.
type Reference struct {
	// Transmission is each arm's phasor over the reference's, as read; the
	// second over the first is the arm ratio.
	Transmission [2]complex128
	Cov          [2]uncertainty.Cov // standard uncertainties, type A; noise of the reference is in both
	Amplitude    units.Volts        // volts peak of the reference, noise power taken out
	Sigma        units.Volts        // rms noise of one sample
}

// Read tells whether there is one.
func (r *Reference) Read() bool { return r.Amplitude > 0 }

// Point is one step as the analysis needs it: the estimate and the settings
// under which it was taken.
type Point struct {
	Estimate
	Drive units.DBm
	Range [2]units.Volts // full scale peak to peak
	// ReferenceRange is that of the reference's channel; 0 without one.
	ReferenceRange units.Volts
	// RangesDiffer: interpolated between calibration steps of different ranges.
	RangesDiffer bool
	// Attenuator is how many steps of the generator's attenuator were in; 0
	// where it has none. AttenuatorsDiffer: interpolated between calibration
	// steps of different positions.
	Attenuator        int
	AttenuatorsDiffer bool
}

// Load is what one arm sees, R ∥ C, and the generator's source resistance.
type Load struct {
	Resistance  units.Ohms
	Capacitance units.Farads
	Source      units.Ohms
}

// Transmission is that of one arm against the phase reference, of the
// calibration cable taken out and compared with a lossless 1:1 balun in the same
// fixture, as insertion loss is: (t_balun/t_calibration)/K, K of
// Load.TransmissionK. For a lossless balun that is +1 for arm 1 and -1 for arm
// 2, turned by how much longer the balun's way is than the cable's.
//
// U fields are expanded uncertainties, k = 2, with the larger side as in Result.
type Transmission struct {
	Value  complex128
	Cov    uncertainty.Cov // standard, of Value
	Gain   units.DB        // 20 log10|Value|; -Inf dB for a Value of exactly 0
	UGain  units.DB
	Phase  units.Degrees // arg Value
	UPhase units.Degrees
}

// Result is what is known of the balun at one frequency. U fields are
// expanded uncertainties, k = 2.
//
// UAmplitudeBalance and UPhaseBalance are the larger side of the interval where
// they are large, and become +Inf dB and 180° where a ratio of 0 lies inside of it. A rejection is
// +Inf dB for an imbalance of exactly 0; an amplitude balance is -Inf dB for a
// ratio of exactly 0, as a broken arm without noise reads.
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
	CommonModeRejectionLow units.DB // what is assured: one-sided lower bound, 95 %
	InsertionLoss          units.DB
	UInsertionLoss         units.DB

	// Transmission of each arm; zero without a phase reference. With one it is
	// what insertion loss is worked out from, and not the drive.
	Transmission [2]Transmission
	Referred     bool // there is one
	// LossByDrive is insertion loss as the drive tells it, as without a
	// reference. It differs by the errors of the generator's level, and where the
	// splitter is not a source of Load.Source.
	LossByDrive units.DB

	// RangesDiffer: the balun was not measured on the calibration's ranges;
	// the uncertainties contain RangeGain.
	RangesDiffer bool
	// AttenuatorsDiffer: nor with the generator's attenuator in its position;
	// the uncertainty of insertion loss contains AttenuatorStep.
	AttenuatorsDiffer bool
}
