package choke

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"halfturn/analysis/balance"
	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// leastPoints is what Fit asks for: two frequencies would do for three
// elements, but leave hardly anything to tell by whether they fit.
const leastPoints = 3

// Every arm ratio is fitted with a little more than its own uncertainty, far
// below what any scope resolves: a standard uncertainty of floor, so that
// computed ratios, which have none, can be fitted too; and slender of the
// variance it has, so that a covariance without width in some direction does
// not outweigh everything else.
const (
	floor   = 1e-9
	slender = 1e-6
)

// Fit fits L ∥ R ∥ C to the arm ratios of at least three frequencies, in any
// order, by weighted complex least squares:
//
//	minimise Σ eᵢᵀ Cᵢ⁻¹ eᵢ,   eᵢ = (Re, Im)(rᵢ - r(fᵢ; L, R, C)),   r = -1/(1 + Z_L/Z_c),
//
// Cᵢ being Result.Cov. The arm ratio is fitted, and not Z_c, since it is what
// carries the uncertainty: its errors are near normal and their covariance
// does not depend on the winding, whereas those of Z_c are skewed where r is
// near -1 and without bound where Z_c cannot be told from infinity. Such a
// point still says, with its full weight, that the admittance is no larger than
// so much; left out, as it would have to be from a fit of Z_c, it would leave
// the others with a bias.
//
// Method: Levenberg-Marquardt over 1/L, 1/R and C, which are not let below 0.
// In these the admittance is linear, Z_L/Z_c = -(1 + r)/r, so that ordinary
// linear least squares gives the starting values.
//
// The errors are taken as independent from frequency to frequency, as noise is,
// and those of the model are smaller than those of a point then. Where an
// uncertainty is stated that is much the same error at all frequencies, such as
// a skew or a connector, AnyCorrelation is for it.
//
// ErrUndetermined: the elements cannot be told apart, or L cannot be told from
// infinite because 1/L is not larger than its expanded uncertainty. R and C may
// remain untold, see Model. ErrNotConverged: no end after 100 iterations.
func Fit(results []balance.Result, load balance.Load, opts ...Option) (Model, error) {
	var o options
	for _, option := range opts {
		o = option(o)
	}
	if err := load.Validate(); err != nil {
		return Model{}, fmt.Errorf("choke: %w", err)
	}
	if len(results) < leastPoints {
		return Model{}, fmt.Errorf("choke: %w: %d frequencies with a result, %d are needed", ErrUndetermined, len(results), leastPoints)
	}
	p, model, err := newProblem(results, load)
	if err != nil {
		return Model{}, err
	}
	x, err := p.start()
	if err == nil {
		x, err = p.minimise(x)
	}
	if err != nil {
		return Model{}, err
	}
	if err := p.state(&model, x, o); err != nil {
		return Model{}, err
	}
	return model, nil
}

// Option changes how Fit states uncertainties.
type Option func(options) options

type options struct{ anyCorrelation bool }

// AnyCorrelation makes the uncertainties of the model hold whatever the
// correlation of the errors between frequencies is, one common error among
// them. They are an upper bound then: a thousand points tell no more than a
// few. ChiSquare may come out far below 1.
func AnyCorrelation() Option {
	return func(o options) options {
		o.anyCorrelation = true
		return o
	}
}

// vector holds something of each of the three elements, made dimensionless by
// the load resistance R_L and the middle frequency ω0:
// R_L/(ω0 L), R_L/R and R_L ω0 C.
type vector [3]float64

// sample is one frequency of the fit.
type sample struct {
	ratio complex128
	cov   uncertainty.Cov
	basis [3]complex128 // Z_L/Z_c is their sum, each times its element
}

type problem struct {
	samples []sample
	// scale turns a dimensionless element into 1/L, 1/R or C.
	scale vector
}

// newProblem also fills in what of the model is known before the fit.
func newProblem(results []balance.Result, load balance.Load) (*problem, Model, error) {
	model := Model{From: units.Hertz(math.Inf(1)), Points: len(results), DegreesOfFreedom: 2*len(results) - 3}
	logs := 0.0
	for i := range results {
		res := &results[i]
		if err := checkResult(res); err != nil {
			return nil, model, err
		}
		if at(res, load).Bounded {
			model.Bounded++
		}
		model.From, model.To = min(model.From, res.Frequency), max(model.To, res.Frequency)
		logs += math.Log(2 * math.Pi * float64(res.Frequency))
	}
	middle, rl := math.Exp(logs/float64(len(results))), float64(load.Resistance)
	p := &problem{
		samples: make([]sample, len(results)),
		scale:   vector{middle / rl, 1 / rl, 1 / (rl * middle)},
	}
	for i := range results {
		res := &results[i]
		z := load.Impedance(res.Frequency) / complex(rl, 0)
		x := 2 * math.Pi * float64(res.Frequency) / middle
		p.samples[i] = sample{
			ratio: res.Ratio,
			cov:   res.Cov.Add(uncertainty.Circular(floor*floor + slender*(res.Cov.RR+res.Cov.II))),
			basis: [3]complex128{z * complex(0, -1/x), z, z * complex(0, x)},
		}
	}
	return p, model, nil
}

// sums are those of a weighted least-squares problem with residuals e and
// derivatives J of the modelled quantity.
type sums struct {
	normal    [3][3]float64 // Jᵀ C⁻¹ J
	gradient  vector        // Jᵀ C⁻¹ e: downhill
	chiSquare float64       // eᵀ C⁻¹ e
}

func (s *sums) add(e complex128, j *[3]complex128, cov uncertainty.Cov) {
	det := cov.RR*cov.II - cov.RI*cov.RI
	rr, ri, ii := cov.II/det, -cov.RI/det, cov.RR/det
	product := func(a, b complex128) float64 {
		return real(a)*(rr*real(b)+ri*imag(b)) + imag(a)*(ri*real(b)+ii*imag(b))
	}
	for k := range j {
		for l := 0; l <= k; l++ {
			s.normal[k][l] += product(j[k], j[l])
			s.normal[l][k] = s.normal[k][l]
		}
		s.gradient[k] += product(j[k], e)
	}
	s.chiSquare += product(e, e)
}

// start is ordinary linear least squares of Z_L/Z_c = -(1 + r)/r, whose
// derivative is 1/r²; its elements below 0 are set to 0.
func (p *problem) start() (vector, error) {
	var s sums
	for i := range p.samples {
		a := &p.samples[i]
		if a.ratio == 0 {
			continue // an infinite admittance
		}
		s.add(-(1+a.ratio)/a.ratio, &a.basis, a.cov.Through(1/(a.ratio*a.ratio)))
	}
	x, err := s.solve(0, [3]bool{})
	for k := range x {
		x[k] = max(0, x[k])
	}
	return x, err
}

// at is the problem at elements x. None is below 0, so that the real part of
// Z_c is not either and 1 + Z_L/Z_c is never 0.
func (p *problem) at(x vector) sums {
	var s sums
	for i := range p.samples {
		p.samples[i].addTo(&s, x)
	}
	return s
}

func (a *sample) addTo(s *sums, x vector) {
	var w complex128
	for k, b := range a.basis {
		w += complex(x[k], 0) * b
	}
	r := -1 / (1 + w)
	j := a.basis
	for k := range j {
		j[k] *= r * r
	}
	s.add(a.ratio-r, &j, a.cov)
}

// minimise goes from x to the least chi-square. An element at 0 whose gradient
// points below is held there for the iteration.
func (p *problem) minimise(x vector) (vector, error) {
	const (
		iterations = 100
		// Done when a nearly undamped step is a millionth of the standard
		// uncertainty.
		small    = 1e-12
		damped   = 1.0
		hopeless = 1e12
	)
	damping := 1e-3
	here := p.at(x)
	dof := float64(2*len(p.samples) - len(x))
	for range iterations {
		var held [3]bool
		for k := range x {
			held[k] = x[k] == 0 && here.gradient[k] <= 0
		}
		step, err := here.solve(damping, held)
		if err != nil {
			return x, err
		}
		next := x
		for k := range next {
			next[k] = max(0, x[k]+step[k])
			step[k] = next[k] - x[k]
		}
		if damping <= damped && here.size(step) <= small*max(1, here.chiSquare/dof) {
			return next, nil
		}
		if there := p.at(next); there.chiSquare <= here.chiSquare {
			x, here = next, there
			damping /= 10
		} else if damping *= 10; damping > hopeless {
			break
		}
	}
	return x, fmt.Errorf("choke: %w in %d frequencies; leave out steps that stick out, or check that a balun was measured", ErrNotConverged, len(p.samples))
}

// size is stepᵀ N step: the square of a step in standard uncertainties.
func (s *sums) size(step vector) float64 {
	size := 0.0
	for k := range step {
		for l := range step {
			size += step[k] * s.normal[k][l] * step[l]
		}
	}
	return size
}

// factorise gives the Cholesky factors of the normal matrix with a diagonal of
// 1 + damping, held elements decoupled, and the scale that the diagonal was
// brought to 1 by.
func (s *sums) factorise(damping float64, held [3]bool) (*mat.Cholesky, vector, error) {
	// With a condition beyond this one the elements are combinations of each
	// other, as with all points at the same frequency.
	const alike = 1e12
	var scale vector
	for k := range scale {
		scale[k] = 1 / math.Sqrt(s.normal[k][k])
	}
	n := mat.NewSymDense(3, nil)
	for k := range scale {
		n.SetSym(k, k, 1+damping)
		for l := range k {
			if !held[k] && !held[l] {
				n.SetSym(k, l, s.normal[k][l]*scale[k]*scale[l])
			}
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(n) || !(chol.Cond() < alike) {
		return nil, scale, fmt.Errorf("choke: %w: L, R and C have the same effect at these frequencies; measure over a wider span", ErrUndetermined)
	}
	return &chol, scale, nil
}

// solve is the step downhill, 0 for what is held.
func (s *sums) solve(damping float64, held [3]bool) (vector, error) {
	chol, scale, err := s.factorise(damping, held)
	if err != nil {
		return vector{}, err
	}
	b := mat.NewVecDense(3, nil)
	for k := range held {
		if !held[k] {
			b.SetVec(k, s.gradient[k]*scale[k])
		}
	}
	var x mat.VecDense
	if err := chol.SolveVecTo(&x, b); err != nil {
		return vector{}, fmt.Errorf("choke: %w: %v", ErrUndetermined, err)
	}
	var step vector
	for k := range step {
		step[k] = x.AtVec(k) * scale[k]
	}
	return step, nil
}

// state fills in the model from the elements found. Their covariance is the
// inverse of the normal matrix, with no element held: one that came out as 0
// might as well be a little larger.
func (p *problem) state(m *Model, x vector, o options) error {
	s := p.at(x)
	m.ChiSquare = s.chiSquare / float64(m.DegreesOfFreedom)
	m.Enlarged = uncertainty.Exceeds(m.ChiSquare, float64(m.DegreesOfFreedom))
	chol, scale, err := s.factorise(0, [3]bool{})
	if err != nil {
		return err
	}
	inverse := mat.NewSymDense(3, nil)
	if err := chol.InverseTo(inverse); err != nil {
		return fmt.Errorf("choke: %w: %v", ErrUndetermined, err)
	}
	if o.anyCorrelation {
		inverse = p.bound(x, inverse, scale)
	}
	enlarge := 1.0
	if m.Enlarged {
		enlarge = uncertainty.Scatter(m.ChiSquare, float64(m.DegreesOfFreedom))
	}
	var value, u vector // of 1/L, 1/R, C; u expanded
	for k := range x {
		value[k] = x[k] * p.scale[k]
		for l := range x {
			m.cov[k][l] = enlarge * inverse.At(k, l) * scale[k] * scale[l] * p.scale[k] * p.scale[l]
		}
		u[k] = uncertainty.Coverage * math.Sqrt(m.cov[k][k])
	}
	if !(value[0] > u[0]) {
		if m.Bounded == m.Points {
			return fmt.Errorf("choke: %w: r is too close to -1 at all of the %d frequencies; measure at lower ones", ErrUndetermined, m.Points)
		}
		return fmt.Errorf("choke: %w: its inductance is at least %.3g µH and may be infinite; measure at lower frequencies", ErrUndetermined, 1e6/(value[0]+u[0]))
	}
	m.L, m.UL = units.Henries(1/value[0]), units.Henries(ofInverse(value[0], u[0]))
	m.R, m.UR = units.Ohms(1/value[1]), units.Ohms(ofInverse(value[1], u[1]))
	m.C, m.UC = units.Farads(value[2]), units.Farads(u[2])
	m.RAtLeast = units.Ohms(1 / (value[1] + u[1]))
	m.CAtMost = units.Farads(value[2] + u[2])

	// d(1/v) = -dv/v² turns the sign once for L and once for R.
	correlation := func(k, l int) float64 { return inverse.At(k, l) / math.Sqrt(inverse.At(k, k)*inverse.At(l, l)) }
	m.CorrelationLR, m.CorrelationLC, m.CorrelationRC = correlation(0, 1), -correlation(0, 2), -correlation(1, 2)
	return nil
}

// bound is the covariance of the elements, brought to scale like inverse, that
// holds for any correlation between the samples. The elements are off by
// Σ aᵢ, the share aᵢ of sample i having the covariance Qᵢ = N⁻¹ Pᵢ N⁻¹, with Pᵢ
// its part of the normal matrix N. For any direction v and any sᵢ > 0
//
//	var(v·Σ aᵢ) ≤ (Σ σᵢ)² ≤ (Σ sᵢ) (Σ σᵢ²/sᵢ),   σᵢ² = vᵀ Qᵢ v,
//
// the first as with a correlation of 1 and the second by Cauchy and Schwarz, so
// that (Σ sᵢ) Σ Qᵢ/sᵢ is an upper bound. sᵢ² is the sum of the variances of aᵢ,
// each over that of its element, which keeps the bound near the least one.
func (p *problem) bound(x vector, inverse *mat.SymDense, scale vector) *mat.SymDense {
	total, sum := mat.NewSymDense(3, nil), 0.0
	var share mat.Dense
	part := mat.NewSymDense(3, nil)
	for i := range p.samples {
		var own sums
		p.samples[i].addTo(&own, x)
		for k := range scale {
			for l := range k + 1 {
				part.SetSym(k, l, own.normal[k][l]*scale[k]*scale[l])
			}
		}
		share.Product(inverse, part, inverse)
		s := 0.0
		for k := range scale {
			s += share.At(k, k) / inverse.At(k, k)
		}
		if s = math.Sqrt(s); !(s > 0) {
			continue // tells nothing of any element
		}
		sum += s
		for k := range scale {
			for l := range k + 1 {
				total.SetSym(k, l, total.At(k, l)+share.At(k, l)/s)
			}
		}
	}
	total.ScaleSym(sum, total)
	return total
}

// ofInverse is the expanded uncertainty of 1/v on its larger side, u being
// that of v: 1/(v - u) - 1/v.
func ofInverse(v, u float64) float64 {
	if u >= v {
		return math.Inf(1)
	}
	return u / (v * (v - u))
}
