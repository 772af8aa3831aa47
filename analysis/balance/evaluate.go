package balance

import (
	"fmt"
	"math"
	"math/cmplx"

	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// Deembed takes the fixture and the scope out: r = R_d/R_c, R_d being the
// balun's arm ratio as read and R_c that of the calibration cable, whose true
// ratio is +1. The two runs are independent:
// dr = dR_d/R_c - r dR_c/R_c (JCGM 102:2011, 6.2). R_c must not be 0.
func Deembed(dut, cal Estimate) (complex128, uncertainty.Cov) {
	r := dut.Ratio / cal.Ratio
	return r, dut.Cov.Through(1 / cal.Ratio).Add(cal.Cov.Through(r / cal.Ratio))
}

// Impedance is Z_L = R ∥ C, what one arm sees at f, in ohms.
func (l Load) Impedance(f units.Hertz) complex128 {
	r := float64(l.Resistance)
	return complex(r, 0) / complex(1, 2*math.Pi*float64(f)*r*float64(l.Capacitance))
}

// TransmissionK is (Z_L + 2 Z0)/(2 Z_L + Z0): the differential transmission of
// a lossless 1:1 balun in the fixture relative to the calibration cable, Z0
// being the generator's source resistance. The cable feeds both arms in
// parallel, Z_L/2, the balun feeds them in series, 2 Z_L.
func (l Load) TransmissionK(f units.Hertz) complex128 {
	z, z0 := l.Impedance(f), complex(float64(l.Source), 0)
	return (z + 2*z0) / (2*z + z0)
}

// Validate says what is wrong with the load, in one line.
func (l Load) Validate() error {
	switch {
	case !(l.Resistance > 0) || math.IsInf(float64(l.Resistance), 0):
		return fmt.Errorf("load: resistance is %v: an arm's load must be above 0 Ω", l.Resistance)
	case !(l.Capacitance >= 0) || math.IsInf(float64(l.Capacitance), 0):
		return fmt.Errorf("load: capacitance is %v: it cannot be negative", l.Capacitance)
	case !(l.Source > 0) || math.IsInf(float64(l.Source), 0):
		return fmt.Errorf("load: source is %v: the generator's source resistance must be above 0 Ω", l.Source)
	}
	return nil
}

// DefaultRangeGain is the standard uncertainty of a channel's gain on one range
// against its gain on another. Common practice: ±1.5 % of full scale on each,
// rectangular, hence 1.5 % · sqrt(2/3) = 1.22 %.
const DefaultRangeGain units.DB = 0.106

// Option changes how Evaluate works.
type Option func(options) options

type options struct {
	rangeGain units.DB
	budget    uncertainty.Budget
}

// RangeGain states the standard uncertainty of a channel's gain on one range
// against another, in place of DefaultRangeGain.
func RangeGain(u units.DB) Option {
	return func(o options) options {
		o.rangeGain = u
		return o
	}
}

// Budget adds the errors of the bench to those of type A; its RangeGain takes
// the place of the option RangeGain.
func Budget(b uncertainty.Budget) Option {
	return func(o options) options {
		o.budget = b
		return o
	}
}

// Evaluate states the results of the balun at one frequency from its step and
// the calibration there:
//
//	r                     = R_d/R_c
//	amplitude balance     = 20 log10|r| dB
//	phase balance         = arg(-r)
//	imbalance             = |(1 + r)/(1 - r)| = |Scs21|/|Sds21| (Bockelman and Eisenstadt, 1995)
//	common-mode rejection = 1/imbalance in dB
//	q1                    = (A1 balun/A1 calibration) 10^((drive_cal - drive_balun)/20)
//	T                     = q1 |1 - r|/2
//	insertion loss        = -20 log10(T/|K|) dB
//
// Where both runs have a phase reference, q1 is |t1 balun/t1 calibration|, t1
// being the transmission of arm 1 as read, and the drive does not enter; each
// arm's Transmission is (t_balun/t_calibration)/K. r is their ratio.
//
// Uncertainties are those of type A of both runs and those of the Budget, if
// one is given, propagated through every formula with their correlations; see
// budget.go. Where a channel's range differs between the runs, so that its gain
// does not cancel, RangeGain is added in magnitude and, by the same relative
// amount, in phase.
//
// Errors: steps of different frequency, figures that no measurement gives, an
// unusable load or budget, and ErrNotDifferential if r is +1 within its uncertainty.
func Evaluate(dut, cal Point, load Load, opts ...Option) (Result, error) {
	c, err := newChain(&dut, &cal, load, opts)
	if err != nil {
		return Result{}, err
	}
	return c.evaluate(), nil
}

// Cable states how far a calibration step is from an ideal cable behind ideal
// channels, whose arm ratio is +1: phase balance is then the deviation from 0°
// and the imbalance |(1 - R)/(1 + R)|. There is no insertion loss.
func Cable(cal Point) Result {
	result := Result{Frequency: cal.Frequency, Ratio: cal.Ratio, Cov: cal.Cov, RangesDiffer: cal.RangesDiffer}
	result.state(-cal.Ratio, cal.Ratio)
	return result
}

// state fills in all that follows from the ratio: r is near -1 for the ideal
// thing and opposite, -r, near +1. Both have the covariance r.Cov.
func (result *Result) state(r, opposite complex128) {
	result.AmplitudeBalance = units.DBOfRatio(cmplx.Abs(r))
	result.UAmplitudeBalance, result.UPhaseBalance = units.DB(math.Inf(1)), 180
	if r != 0 {
		result.PhaseBalance = degrees(cmplx.Phase(opposite))
		relative := result.Cov.Relative(r)
		radial := uncertainty.Coverage * math.Sqrt(relative.RR)
		across := uncertainty.Coverage * math.Sqrt(relative.II)
		// Within its uncertainty, -r must stay on its own side of zero to
		// have a logarithm and an angle.
		if radial < 1 && across < 1 {
			result.UAmplitudeBalance = inDB(radial)
			result.UPhaseBalance = degrees(math.Asin(across))
		}
	}
	result.imbalance(r)
}

// inDB is a relative expanded uncertainty u below 1 in dB. While u is small it
// is 8.686 u, which the truth exceeds as often to the one side as it should, and
// less often to the other by as much. From a half on it is the larger side, down
// to 1 - u, which goes to infinity where zero comes inside. Between them it
// changes with u²: the larger side for a small u would hold the truth in 97 %
// where 95 % are stated.
func inDB(u float64) units.DB {
	if u >= 1 {
		return units.DB(math.Inf(1))
	}
	large := min(1, 4*u*u)
	return units.DB(20 / math.Ln10 * ((1-large)*u - large*math.Log1p(-u)))
}

func degrees(rad float64) units.Degrees { return units.Degrees(rad * 180 / math.Pi) }

// assured is the probability with which the rejection is at least
// CommonModeRejectionLow.
const assured = 0.95

// imbalance sets m = |g|, g = (1 + r)/(1 - r), and rejection. With g' =
// 2/(1 - r)², U is how much larger |g| can be within the expanded
// uncertainties a along g and b across it, hypot(m + a, b) - m: it is a where
// m is well above its uncertainty, and goes on to hypot(a, b) at m = 0, where
// the linear law of propagation for a modulus has no derivative to work with.
//
// Near r = -1 that symmetric interval holds the truth more often than stated,
// since one of its ends is at zero where nothing can lie beyond. The assured
// rejection is therefore a bound of its own, uncertainty.AtMost.
func (result *Result) imbalance(r complex128) {
	g := (1 + r) / (1 - r)
	m := cmplx.Abs(g)
	cov := imbalanceCov(r, result.Cov)
	radial := cov
	if m > 0 {
		radial = cov.Through(cmplx.Conj(g) / complex(m, 0))
	}
	a := uncertainty.Coverage * math.Sqrt(radial.RR)
	b := uncertainty.Coverage * math.Sqrt(radial.II)
	result.Imbalance = m
	result.UImbalance = math.Hypot(m+a, b) - m
	result.CommonModeRejection = -units.DBOfRatio(m)
	result.CommonModeRejectionLow = -units.DBOfRatio(uncertainty.AtMost(g, cov, assured))
}

// imbalanceCov is the covariance of (1 + r)/(1 - r) where that of r is cov.
func imbalanceCov(r complex128, cov uncertainty.Cov) uncertainty.Cov {
	return cov.Through(2 / ((1 - r) * (1 - r)))
}

// TransmissionVariance is the share of one run's step in the variance of ln T.
// With α = 1/(1 - r), a relative error ε of arm i changes it by
// Re(α ε1 + (1 - α) ε2); the errors along the phasors are those of the
// amplitudes, with their correlation, and of those across only the difference
// counts, which is that of the arm ratio.
// With a phase reference they are those of the transmissions as read.
func (p *Estimate) TransmissionVariance(alpha complex128) float64 {
	if p.Reference.Read() {
		return p.referredVariance(alpha)
	}
	var u [2]float64
	for i, share := range [2]complex128{alpha, 1 - alpha} {
		if p.Amplitude[i] > 0 {
			u[i] = real(share) * float64(p.UAmplitude[i]/p.Amplitude[i])
		}
	}
	variance := u[0]*u[0] + u[1]*u[1] + 2*p.RAmplitude*u[0]*u[1]
	if p.Ratio != 0 {
		variance += sq(imag(alpha)) * p.Cov.Relative(p.Ratio).II
	}
	return max(0, variance)
}

// referredVariance is TransmissionVariance with ε1 and ε2 of the transmissions.
// What the two have in common follows from their covariances C1 and C2 and that
// of their difference, the error of ln R: (C1 + C2 - C_R)/2 is the symmetric part
// of E[ε1 ε2ᵀ]. The antisymmetric part counts with Im α only, and is 0 for a noise
// whose real and imaginary parts are alike.
func (p *Estimate) referredVariance(alpha complex128) float64 {
	if p.Ratio == 0 {
		return p.Reference.Cov[0].Relative(p.Reference.Transmission[0]).Through(alpha).RR
	}
	a, b := alpha, 1-alpha
	c1 := p.Reference.Cov[0].Relative(p.Reference.Transmission[0])
	c2 := p.Reference.Cov[1].Relative(p.Reference.Transmission[1])
	both := c1.Add(c2).Add(p.Cov.Relative(p.Ratio).Scale(-1)).Scale(0.5)
	common := real(a)*real(b)*both.RR - (real(a)*imag(b)+imag(a)*real(b))*both.RI + imag(a)*imag(b)*both.II
	return max(0, c1.Through(a).RR+c2.Through(b).RR+2*common)
}

// transmission states that of one arm from its value and covariance.
func transmission(value complex128, cov uncertainty.Cov) Transmission {
	t := Transmission{Value: value, Cov: cov, Gain: units.DBOfRatio(cmplx.Abs(value)), UGain: units.DB(math.Inf(1)), UPhase: 180}
	if value == 0 {
		return t
	}
	t.Phase = degrees(cmplx.Phase(value))
	relative := cov.Relative(value)
	radial := uncertainty.Coverage * math.Sqrt(relative.RR)
	across := uncertainty.Coverage * math.Sqrt(relative.II)
	if radial < 1 && across < 1 {
		t.UGain, t.UPhase = inDB(radial), degrees(math.Asin(across))
	}
	return t
}

func checkPoints(dut, cal *Point, load Load, o options) error {
	if err := dut.check("balun"); err != nil {
		return err
	}
	if err := cal.check("calibration"); err != nil {
		return err
	}
	switch {
	case math.Abs(float64(dut.Frequency-cal.Frequency)) > sameFrequency*float64(dut.Frequency):
		return fmt.Errorf("the balun's step is at %v and the calibration's at %v", dut.Frequency, cal.Frequency)
	case cal.Ratio == 0:
		return fmt.Errorf("calibration step at %s: arm 2 reads nothing", cal.Frequency.Brief())
	case !(o.rangeGain >= 0) || math.IsInf(float64(o.rangeGain), 0):
		return fmt.Errorf("range gain: a standard uncertainty cannot be %v", o.rangeGain)
	}
	if err := checkBudget(o.budget, dut, cal); err != nil {
		return err
	}
	return load.Validate()
}
