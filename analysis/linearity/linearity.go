// Package linearity tells from steps taken at two drives whether anything in
// the chain depends on the level, and whether that is the scope or the balun:
// a ratio that moves with the drive is no property of two equal arms.
//
//	[]Point of a calibration ──Cable──▶ Report
//	[]Point of a balun, and of its calibration ──Balun──▶ Report
//
// What can be told apart. The arm ratio: the generator feeds both arms, so
// that its errors of level cancel; the calibration cable is copper, so that
// whatever moves its ratio is the scope; what moves a balun's ratio by more
// than the calibration shows at the same fill is the balun, which means its
// ferrite. The harmonics: what both arms of the cable show alike is the
// generator's or that of two channels alike, and nobody can tell which; what
// one arm of the cable shows alone is its channel's; what a balun shows
// beyond that is the balun's.
//
// It is pure like all of analysis and stands beside fixture. U fields are
// expanded uncertainties, k = 2.
package linearity

import (
	"math"
	"math/cmplx"
	"sort"

	"halfturn/analysis/balance"
	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// Level is what a step reads at one drive.
type Level struct {
	Drive    units.DBm
	Fill     [2]float64     // by arm
	Code     [2]units.Volts // of one step of each channel's converter; needed of the lower level only
	Estimate balance.Estimate
	Remark   string // why there is no estimate; empty where there is one or none was asked for
}

// Measured says whether there is an arm ratio.
func (l *Level) Measured() bool { return l.Estimate.Captures > 0 && l.Remark == "" }

// Asked says whether the level was to be taken.
func (l *Level) Asked() bool { return l.Estimate.Captures > 0 || l.Remark != "" }

// Harmonic is one multiple of the fundamental as one channel reads it.
type Harmonic struct {
	Ratio float64 // its amplitude over the fundamental's
	U     float64 // standard uncertainty, of the real and of the imaginary part; 0: not determinable
}

// Determinable says whether the record tells anything about it: an alias that
// falls onto another line does not.
func (h Harmonic) Determinable() bool { return h.U > 0 }

// standsOut is the amplitude over the standard uncertainty of each part that
// noise alone exceeds once in 10 000 times (Rayleigh: exp(-x²/2)), since a run
// has hundreds of harmonics.
const standsOut = 4.2919

// Seen says whether it stands out of the noise.
func (h Harmonic) Seen() bool { return h.Determinable() && h.Ratio > standsOut*h.U }

// Below is how far it is below the fundamental, with the expanded uncertainty.
// Meaningful where it is Seen.
func (h Harmonic) Below() (below, u units.DB) {
	return -units.DBOfRatio(h.Ratio), units.DB(20 / math.Ln10 * uncertainty.Coverage * h.U / h.Ratio)
}

// AtLeast is how far it is below the fundamental at the least.
func (h Harmonic) AtLeast() units.DB {
	return -units.DBOfRatio(h.Ratio + uncertainty.Coverage*h.U)
}

// Harmonics is the second and the third harmonic of each arm: [arm][order - 2].
type Harmonics [2][2]Harmonic

// Point is one frequency taken at two drives on the same ranges.
type Point struct {
	Frequency units.Hertz
	Range     [2]units.Volts
	High, Low Level
	Harmonics Harmonics // at the higher drive
}

// Verdict says what depends on the level.
type Verdict string

// The verdicts, of a step and of a run.
const (
	NotTaken       Verdict = ""                 // no second level was asked for
	Linear         Verdict = "linear"           // nothing beyond the uncertainty
	ScopeNonLinear Verdict = "scope non-linear" // the calibration shows it too
	BalunNonLinear Verdict = "balun non-linear" // ferrite: the calibration does not show it
	BothNonLinear  Verdict = "scope and balun non-linear"
	Untold         Verdict = "cannot be told" // whether it is the one or the other, or anything at all
)

// Change is what raising the drive from the lower level to the higher one does
// to an arm ratio.
type Change struct {
	Gain        units.DB
	UGain       units.DB
	Phase       units.Degrees
	UPhase      units.Degrees
	Chance      float64 // of at least so much from noise alone
	Significant bool    // among all the steps of the run, at 5 %

	z   complex128 // Np and rad
	cov uncertainty.Cov
}

// Known says whether there is a change at all.
func (c *Change) Known() bool { return c.cov != (uncertainty.Cov{}) }

// Step is what one frequency tells.
type Step struct {
	Frequency units.Hertz
	Drive     [2]units.DBm // higher, lower
	Change    Change       // of the arm ratio as read
	// Scope is the calibration's own change, put to this step's fill, and Rest
	// what it leaves of Change; zero where the calibration tells nothing.
	// Neither is there for a calibration run.
	Scope, Rest Change
	Verdict     Verdict
	Why         string
	// Distortion is the second and third harmonic of the arm that shows more.
	Distortion [2]Distortion
}

// Source is where a harmonic comes from.
type Source string

// The sources.
const (
	NoSource             Source = ""        // the harmonic is not determinable
	NothingSeen          Source = "nothing" // it is not above the noise
	FromScope            Source = "scope"
	FromGeneratorOrScope Source = "generator or scope" // both arms of the calibration cable show it alike
	FromBalun            Source = "balun"
	Unknown              Source = "cannot be told" // no calibration to compare with
)

// Distortion is one harmonic of the arm in which it is larger.
type Distortion struct {
	Order    int
	Arm      int // 1 or 2
	Harmonic Harmonic
	Source   Source
}

// Report is what a run's steps at two drives tell together.
type Report struct {
	Steps   []Step
	Verdict Verdict // of the arm ratios
	// Largest is the index in Steps of the largest change, in its own
	// uncertainty; -1 where there is none.
	Largest int
	// Worst is the strongest harmonic of each order over the run, with its
	// index in Steps; At is -1 where none could be determined.
	Worst [2]struct {
		Distortion
		At int
	}
	Told int // steps with a verdict other than Untold
}

// Drop is the difference of the two drives in the first step that has both.
func (r *Report) Drop() units.DB {
	if len(r.Steps) == 0 {
		return 0
	}
	return units.DB(r.Steps[0].Drive[0] - r.Steps[0].Drive[1])
}

// falseAlarm is the probability that a linear run has a step called anything
// else, shared evenly among its steps (Bonferroni).
const falseAlarm = 0.05

// Cable judges a calibration run: what depends on the level is the scope.
func Cable(points []Point) Report {
	level := falseAlarm / float64(max(1, len(points)))
	r := Report{}
	for i := range points {
		p := &points[i]
		s, ok := begin(p, level)
		switch {
		case !ok:
		case s.Change.Significant:
			s.Verdict, s.Why = ScopeNonLinear, "the cable is copper and the generator feeds both arms"
		default:
			s.Verdict = Linear
		}
		for k := range s.Distortion {
			s.Distortion[k] = cableDistortion(p, k)
		}
		r.Steps = append(r.Steps, s)
	}
	r.conclude()
	return r
}

// near is how far, as a part of the frequency, a step of the calibration may
// be from a balun's: a channel's non-linearity does not change within it.
// Common practice.
const near = 0.1

// Balun judges a balun's run against its calibration's points; of the latter
// the one that is nearest in frequency counts. Both in rising order.
func Balun(points, calibration []Point) Report {
	level := falseAlarm / float64(max(1, len(points)))
	passes := mostPassed(points, calibration)
	r := Report{}
	for i := range points {
		p := &points[i]
		s, ok := begin(p, level)
		c := nearest(calibration, p.Frequency)
		if ok {
			s.judge(p, c, level)
		}
		for k := range s.Distortion {
			s.Distortion[k] = balunDistortion(p, c, k, passes, level)
		}
		r.Steps = append(r.Steps, s)
	}
	r.conclude()
	return r
}

// begin compares both levels of a step; false where they tell nothing.
func begin(p *Point, level float64) (Step, bool) {
	s := Step{Frequency: p.Frequency, Drive: [2]units.DBm{p.High.Drive, p.Low.Drive}, Verdict: Untold}
	switch {
	case !p.High.Measured():
		s.Why = "no arm ratio at the higher drive"
	case !p.Low.Measured():
		s.Why = p.Low.Remark
		if s.Why == "" {
			s.Why = "no arm ratio at the lower drive"
		}
	default:
		z, cov, ok := p.change()
		if !ok {
			s.Why = "an arm ratio that is lost in its own uncertainty"
			break
		}
		s.Change = newChange(z, cov, level)
		return s, true
	}
	return s, false
}

// change is ln(R of the higher drive / R of the lower one).
func (p *Point) change() (complex128, uncertainty.Cov, bool) {
	h, l := &p.High.Estimate, &p.Low.Estimate
	for _, e := range []*balance.Estimate{h, l} {
		if !(cmplx.Abs(e.Ratio) > uncertainty.Coverage*e.Cov.Standard()) || !e.Cov.Valid() {
			return 0, uncertainty.Cov{}, false
		}
	}
	cov := h.Cov.Relative(h.Ratio).Add(l.Cov.Relative(l.Ratio))
	for arm, code := range p.Low.Code {
		for _, e := range []*balance.Estimate{h, l} {
			cov = cov.Add(uncertainty.Circular(rounding(e.Amplitude[arm], e.Sigma[arm], code)))
		}
	}
	return cmplx.Log(h.Ratio / l.Ratio), cov, true
}

// rounding is the variance of an amplitude, relative to it, from rounding to
// codes, which no number of captures averages out where noise is less than a
// code. Rounding adds the sawtooth Σ ±sin(2πnx)/(πn) to x in codes, of which
// each term makes 2/(πn) J1(2πnA) of a sine of amplitude A and is lowered by
// exp(-2π²n²σ²) by noise of σ. The Bessel function swings between
// ±sqrt(2/(π·2πnA)), so that the distribution of a term is an arcsine's.
func rounding(amplitude, sigma, code units.Volts) float64 {
	a, s := float64(amplitude/code), float64(sigma/code)
	if !(code > 0) || !(a > 0) {
		return 0
	}
	noise := max(0, s*s-1./12) // what the residual has besides the rounding
	variance := 0.0
	for n := 1.0; n <= 4; n++ {
		swing := 2 / (math.Pi * n) / (math.Pi * math.Sqrt(n*a)) * math.Exp(-2*math.Pi*math.Pi*n*n*noise)
		variance += swing * swing / 2
	}
	return variance / (a * a)
}

// judge puts a change down to the scope or to the balun.
func (s *Step) judge(p, c *Point, level float64) {
	var why string
	scope, cov, ok := complex128(0), uncertainty.Cov{}, false
	shown := false // by the calibration, at its own fill
	switch {
	case c == nil || !c.Low.Asked():
		why = "the calibration has no second drive near this frequency"
	case c.Range != p.Range:
		why = "the calibration was on another range"
	case !c.High.Measured() || !c.Low.Measured():
		why = "the calibration has no arm ratio at one of its drives"
	default:
		if scope, cov, ok = c.change(); ok {
			shown = chance(scope, cov) < level
			scope, cov, ok = atFill(c, p, scope, cov)
		}
		if !ok {
			why = "the calibration's change cannot be put to this fill"
		}
	}
	if !ok {
		s.Verdict, s.Why = Linear, why
		if s.Change.Significant {
			s.Verdict = Untold
		}
		return
	}
	s.Scope = newChange(scope, cov, level)
	s.Rest = newChange(s.Change.z-scope, s.Change.cov.Add(cov), level)
	switch {
	case s.Rest.Significant && shown:
		s.Verdict, s.Why = BothNonLinear, "the calibration shows a part of it at the same fill"
	case s.Rest.Significant:
		s.Verdict, s.Why = BalunNonLinear, "the calibration does not show it at the same fill"
	case shown:
		s.Verdict, s.Why = ScopeNonLinear, "the calibration shows it at the same fill"
	case s.Change.Significant:
		s.Verdict, s.Why = Untold, "the calibration is too noisy to say whether it shows the same"
	default:
		s.Verdict = Linear
	}
}

// atFill is the calibration's change z put to the fill of p. A channel whose gain
// changes with the square of the amplitude, as the leading odd term of any
// smooth characteristic makes it, adds S to ln R in proportion to the change
// of its fill², so that with s the balun's over the calibration's in each arm
//
//	s2 S2 - s1 S1 = (s1 + s2)/2 (S2 - S1) + (s2 - s1)(S1 + S2)/2
//
// S2 - S1 is what the calibration's ratio shows. (S1 + S2)/2 is common to both
// channels and not told from the generator's error of level, so that the
// second term is an allowance, and with it the whole of what this law moves,
// since it is a law and no measurement. Both are of rectangular distribution.
func atFill(c, p *Point, z complex128, cov uncertainty.Cov) (complex128, uncertainty.Cov, bool) {
	var s [2]float64
	common := -float64(c.High.Drive-c.Low.Drive) * neper
	for arm := range s {
		s[arm] = swing(p, arm) / swing(c, arm)
		common += math.Log(float64(c.High.Estimate.Amplitude[arm]/c.Low.Estimate.Amplitude[arm])) / 2
	}
	mean, apart := (s[0]+s[1])/2, math.Abs(s[1]-s[0])
	allowance := apart*math.Abs(common) + math.Abs(mean-1)*cmplx.Abs(z)
	if math.IsNaN(allowance) || math.IsInf(allowance, 0) {
		return 0, cov, false
	}
	cov = cov.Scale(mean * mean).Add(uncertainty.Circular(allowance * allowance / 3))
	return z * complex(mean, 0), cov, true
}

func swing(p *Point, arm int) float64 {
	h, l := p.High.Fill[arm], p.Low.Fill[arm]
	return h*h - l*l
}

// nearest is the calibration's point at f, or the next best within near; nil
// where there is none.
func nearest(points []Point, f units.Hertz) *Point {
	above := sort.Search(len(points), func(i int) bool { return points[i].Frequency >= f })
	var best *Point
	for i := max(above-1, 0); i < min(above+1, len(points)); i++ {
		p := &points[i]
		if best == nil || math.Abs(float64(p.Frequency-f)) < math.Abs(float64(best.Frequency-f)) {
			best = p
		}
	}
	if best == nil || math.Abs(float64(best.Frequency-f)) > near*float64(f) {
		return nil
	}
	return best
}

// conclude sums the steps up.
func (r *Report) conclude() {
	var scope, balun, untold, linear bool
	r.Largest = -1
	r.Worst[0].At, r.Worst[1].At = -1, -1
	least := 2.0
	for i := range r.Steps {
		s := &r.Steps[i]
		scope = scope || s.Verdict == ScopeNonLinear || s.Verdict == BothNonLinear
		balun = balun || s.Verdict == BalunNonLinear || s.Verdict == BothNonLinear
		untold = untold || s.Verdict == Untold && s.Change.Significant
		linear = linear || s.Verdict == Linear
		if s.Verdict != Untold {
			r.Told++
		}
		if s.Change.Known() && s.Change.Chance < least {
			least, r.Largest = s.Change.Chance, i
		}
		for k, d := range s.Distortion {
			worst := &r.Worst[k]
			if d.Source == NoSource {
				continue
			}
			if worst.At < 0 || stronger(d, worst.Distortion) {
				worst.Distortion, worst.At = d, i
			}
		}
	}
	switch {
	case len(r.Steps) == 0:
		r.Verdict = NotTaken
	case scope && balun:
		r.Verdict = BothNonLinear
	case balun:
		r.Verdict = BalunNonLinear
	case scope:
		r.Verdict = ScopeNonLinear
	case untold || !linear:
		r.Verdict = Untold
	default:
		r.Verdict = Linear
	}
}

// neper is one dB in nepers.
const neper = math.Ln10 / 20

func newChange(z complex128, cov uncertainty.Cov, level float64) Change {
	c := Change{
		Gain: units.DB(real(z) / neper), UGain: units.DB(uncertainty.Coverage * math.Sqrt(cov.RR) / neper),
		Phase: units.Degrees(imag(z) * 180 / math.Pi), UPhase: units.Degrees(uncertainty.Coverage * math.Sqrt(cov.II) * 180 / math.Pi),
		z: z, cov: cov,
	}
	c.Chance = chance(z, cov)
	c.Significant = c.Chance < level
	return c
}

// least is the standard uncertainty below which a float64 ratio of two fits
// says nothing: a covariance without extent is taken as this.
const least = 1e-12

// chance is the probability of at least z from noise of covariance c: χ² with
// 2 degrees of freedom, exp(-z C⁻¹ z/2).
func chance(z complex128, c uncertainty.Cov) float64 {
	c = c.Add(uncertainty.Circular(least * least))
	det := c.RR*c.II - c.RI*c.RI
	x, y := real(z), imag(z)
	return math.Exp(-(x*x*c.II - 2*x*y*c.RI + y*y*c.RR) / det / 2)
}
