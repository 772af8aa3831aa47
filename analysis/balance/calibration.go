package balance

import (
	"fmt"
	"math"
	"math/cmplx"
	"sort"

	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// Calibration is a calibration run, ready to be read at any frequency inside
// its span.
type Calibration struct {
	points []Point
	curves [curves][]float64 // at each point
}

// What is interpolated, each against frequency.
const (
	logRatio   = iota // ln|R|
	phaseRatio        // arg R, unwrapped, rad
	logArm1           // ln of the amplitude per drive, each arm
	logArm2
	logReferred   // ln|t1|, arm 1 against the phase reference
	phaseReferred // arg t1, unwrapped, rad
	curves
)

// NewCalibration takes the measured steps of a calibration run, in ascending
// frequency, at least one.
func NewCalibration(points []Point) (*Calibration, error) {
	if len(points) == 0 {
		return nil, fmt.Errorf("a calibration needs at least one measured step")
	}
	c := &Calibration{points: append([]Point(nil), points...)}
	for i := range c.curves {
		c.curves[i] = make([]float64, len(points))
	}
	for i := range points {
		p := &points[i]
		if i > 0 && !(p.Frequency > points[i-1].Frequency) {
			return nil, fmt.Errorf("calibration steps are not in ascending frequency: %v comes after %v", p.Frequency, points[i-1].Frequency)
		}
		if err := p.check("calibration"); err != nil {
			return nil, err
		}
		abs := cmplx.Abs(p.Ratio)
		if !(abs > uncertainty.Coverage*p.Cov.Standard()) || !(p.Amplitude[1] > 0) {
			return nil, fmt.Errorf("calibration at %s: arm 2 reads nothing above its uncertainty; see to the cable and calibrate again", p.Frequency.Brief())
		}
		c.curves[logRatio][i] = math.Log(abs)
		c.curves[phaseRatio][i] = cmplx.Phase(p.Ratio)
		if i > 0 {
			c.curves[phaseRatio][i] = c.curves[phaseRatio][i-1] + cmplx.Phase(p.Ratio/points[i-1].Ratio)
		}
		for arm := range p.Amplitude {
			c.curves[logArm1+arm][i] = math.Log(float64(p.Amplitude[arm])) - logDrive(p.Drive)
		}
		if p.Reference.Read() {
			t := p.Reference.Transmission[0]
			c.curves[logReferred][i], c.curves[phaseReferred][i] = math.Log(cmplx.Abs(t)), cmplx.Phase(t)
			if i > 0 && points[i-1].Reference.Read() {
				c.curves[phaseReferred][i] = c.curves[phaseReferred][i-1] + cmplx.Phase(t/points[i-1].Reference.Transmission[0])
			}
		}
	}
	return c, nil
}

// logDrive is the natural logarithm of the amplitude that a drive gives, up to
// a constant.
func logDrive(l units.DBm) float64 { return float64(l) * math.Ln10 / 20 }

// check refuses a point that no measurement can have given.
func (p *Point) check(run string) error {
	finite := func(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
	switch {
	case !finite(float64(p.Frequency)) || p.Frequency <= 0:
		return fmt.Errorf("%s step at %v: a frequency must be above 0 Hz", run, p.Frequency)
	case cmplx.IsNaN(p.Ratio) || cmplx.IsInf(p.Ratio) || !p.Cov.Valid():
		return fmt.Errorf("%s step at %s: the arm ratio is %v with covariance %v, not a measurement", run, p.Frequency.Brief(), p.Ratio, p.Cov)
	case !finite(float64(p.Drive)):
		return fmt.Errorf("%s step at %s: the drive is %v", run, p.Frequency.Brief(), p.Drive)
	case !(p.Amplitude[0] > 0) || !(p.Amplitude[1] >= 0) || !finite(float64(p.Amplitude[0]+p.Amplitude[1])):
		return fmt.Errorf("%s step at %s: amplitudes of %v and %v cannot be used", run, p.Frequency.Brief(), p.Amplitude[0], p.Amplitude[1])
	case !(p.UAmplitude[0] >= 0) || !(p.UAmplitude[1] >= 0) || !(math.Abs(p.RAmplitude) <= 1+1e-9):
		return fmt.Errorf("%s step at %s: the uncertainties of the amplitudes, %v and %v, cannot be used", run, p.Frequency.Brief(), p.UAmplitude[0], p.UAmplitude[1])
	}
	for arm, t := range p.Reference.Transmission {
		if p.Reference.Read() && (cmplx.IsNaN(t) || cmplx.IsInf(t) || t == 0 && (arm == 0 || p.Ratio != 0) || !p.Reference.Cov[arm].Valid()) {
			return fmt.Errorf("%s step at %s: arm %d against the reference is %v with covariance %v, not a measurement", run, p.Frequency.Brief(), arm+1, t, p.Reference.Cov[arm])
		}
	}
	return nil
}

// Span is the lowest and the highest frequency covered.
func (c *Calibration) Span() (from, to units.Hertz) {
	return c.points[0].Frequency, c.points[len(c.points)-1].Frequency
}

// sameFrequency is the relative difference up to which two commanded
// frequencies are one.
const sameFrequency = 1e-9

// At is the calibration at f. A step at f itself is given as it was measured.
// Between two steps, ln|R|, the unwrapped phase and the log amplitudes per
// drive are taken on a straight line against linear frequency: what differs
// between the channels is first of all a delay, whose phase is proportional to
// f, and roll-off, which is smooth in f; on a logarithmic scale a delay would
// be curved.
//
// The covariance goes linearly from one neighbour's to the other's, which
// bounds that of the interpolated value whatever correlation the two have, and
// so is never below the smaller of them. The variance of the interpolation
// itself is added: the error of a straight line is (f - f1)(f2 - f)|d²y/df²|/2,
// with the larger second difference at either neighbour for the derivative. It
// counts as a standard uncertainty and not as a bound, for a few steps hardly
// know how much a curve bends between them. With two steps only there is no
// second difference, and the whole difference takes its place.
//
// Drive and Range are those of the nearer neighbour. Errors:
// ErrOutsideCalibration; ErrCoarseCalibration where the phase, or with a phase
// reference that against it, moves by more than a quarter turn between the neighbours, so that it may as well have gone
// the other way round.
func (c *Calibration) At(f units.Hertz) (Point, error) {
	n := len(c.points)
	i := sort.Search(n, func(i int) bool { return c.points[i].Frequency >= f })
	for _, j := range []int{i - 1, i} {
		if j >= 0 && j < n && math.Abs(float64(c.points[j].Frequency-f)) <= sameFrequency*float64(f) {
			p := c.points[j]
			p.Frequency = f
			return p, nil
		}
	}
	if i == 0 || i == n {
		from, to := c.Span()
		return Point{}, fmt.Errorf("%s is %w, %s to %s", f.Brief(), ErrOutsideCalibration, from.Brief(), to.Brief())
	}
	a, b := &c.points[i-1], &c.points[i]
	phase := c.curves[phaseRatio]
	if turn := math.Abs(phase[i] - phase[i-1]); turn > math.Pi/2 {
		return Point{}, fmt.Errorf("%w at %s: the phase moves by %.0f° between its steps at %s and %s; calibrate over the same plan",
			ErrCoarseCalibration, f.Brief(), turn*180/math.Pi, a.Frequency.Brief(), b.Frequency.Brief())
	}

	referred := a.Reference.Read() && b.Reference.Read()
	if turn := math.Abs(c.curves[phaseReferred][i] - c.curves[phaseReferred][i-1]); referred && turn > math.Pi/2 {
		return Point{}, fmt.Errorf("%w at %s: the phase against the reference moves by %.0f° between its steps at %s and %s; calibrate over the same plan",
			ErrCoarseCalibration, f.Brief(), turn*180/math.Pi, a.Frequency.Brief(), b.Frequency.Brief())
	}

	t := float64((f - a.Frequency) / (b.Frequency - a.Frequency))
	var value, variance [curves]float64
	for q := range value {
		value[q] = (1-t)*c.curves[q][i-1] + t*c.curves[q][i]
		bound := t * (1 - t) * c.bend(c.curves[q], i)
		variance[q] = bound * bound
	}
	// ln R is one smooth function of frequency: where one part of it happens
	// to have its inflection, the other still tells how it bends.
	bends := uncertainty.Circular(variance[logRatio] + variance[phaseRatio])
	p := *a
	if t > 0.5 {
		p = *b
	}
	p.Frequency = f
	p.RangesDiffer = a.RangesDiffer || b.RangesDiffer || a.Range != b.Range || a.ReferenceRange != b.ReferenceRange
	p.AttenuatorsDiffer = a.AttenuatorsDiffer || b.AttenuatorsDiffer || a.Attenuator != b.Attenuator
	p.Captures, p.Samples = min(a.Captures, b.Captures), min(a.Samples, b.Samples)
	mix := func(x, y float64) float64 { return (1-t)*x + t*y }

	p.Ratio = cmplx.Rect(math.Exp(value[logRatio]), value[phaseRatio])
	relative := a.Cov.Relative(a.Ratio).Scale(1 - t).Add(b.Cov.Relative(b.Ratio).Scale(t)).
		Add(bends)
	p.Cov = relative.Through(p.Ratio)
	for arm := range p.Amplitude {
		amplitude := math.Exp(value[logArm1+arm] + logDrive(p.Drive))
		p.Amplitude[arm] = units.Volts(amplitude)
		p.UAmplitude[arm] = units.Volts(amplitude * math.Sqrt(
			mix(sq(float64(a.UAmplitude[arm]/a.Amplitude[arm])), sq(float64(b.UAmplitude[arm]/b.Amplitude[arm])))+variance[logArm1+arm]))
		p.Sigma[arm] = units.Volts(math.Sqrt(mix(sq(float64(a.Sigma[arm])), sq(float64(b.Sigma[arm])))))
	}
	p.RAmplitude = mix(a.RAmplitude, b.RAmplitude)
	if !referred {
		p.Reference = Reference{}
		return p, nil
	}
	r := &p.Reference
	r.Transmission[0] = cmplx.Rect(math.Exp(value[logReferred]), value[phaseReferred])
	r.Transmission[1] = p.Ratio * r.Transmission[0]
	own := uncertainty.Circular(variance[logReferred] + variance[phaseReferred])
	for arm, more := range [2]uncertainty.Cov{own, own.Add(bends)} {
		relative := a.Reference.Cov[arm].Relative(a.Reference.Transmission[arm]).Scale(1 - t).
			Add(b.Reference.Cov[arm].Relative(b.Reference.Transmission[arm]).Scale(t)).Add(more)
		r.Cov[arm] = relative.Through(r.Transmission[arm])
	}
	r.Sigma = units.Volts(math.Sqrt(mix(sq(float64(a.Reference.Sigma)), sq(float64(b.Reference.Sigma)))))
	return p, nil
}

func sq(x float64) float64 { return x * x }

// bend is h²|d²y/df²|/2 of curve y in the interval of width h that ends at point i:
// a straight line is off by t(1-t) times that, t going from 0 to 1 over it.
func (c *Calibration) bend(y []float64, i int) float64 {
	x := func(j int) float64 { return float64(c.points[j].Frequency) }
	n, h := len(y), x(i)-x(i-1)
	if n == 2 {
		return math.Abs(y[1] - y[0])
	}
	largest := 0.0
	for j := max(1, i-1); j <= min(n-2, i); j++ { // the middle one of three
		slopes := (y[j+1]-y[j])/(x(j+1)-x(j)) - (y[j]-y[j-1])/(x(j)-x(j-1))
		largest = max(largest, math.Abs(slopes/(x(j+1)-x(j-1)))) // half the second derivative
	}
	return largest * h * h
}
