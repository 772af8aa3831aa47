package uncertainty

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
)

// Trial draws the inputs of a measurement model once and writes its results
// into results.
type Trial func(rng *rand.Rand, results []float64)

// Trials says how a simulation is to be made. The zero value is a good one.
type Trials struct {
	Seed        uint64
	Probability float64 // of the coverage intervals; 0 is 0.95
	Digits      int     // significant digits of the standard uncertainty that are to be stable, 1 or 2 as a rule; 0 is 1
	Most        int     // trials at most; 0 is 1 000 000
}

// batch is M of JCGM 101:2008, 7.9.4 b: at least 10⁴ trials, and 100/(1-p).
const batch = 10000

// Simulated is the outcome of a simulation.
type Simulated struct {
	Trials int
	// Stable tells whether the results were stable to the digits wanted
	// (JCGM 101:2008, 7.9.4) before Trials.Most was reached.
	Stable  bool
	Results []Distributed

	probability float64
	values      [][]float64 // of each result, in the order drawn
	sorted      [][]float64
}

// Distributed is one result of a simulation.
type Distributed struct {
	Mean, Standard float64 // JCGM 101:2008, 7.6
	// Low to High is the probabilistically symmetric coverage interval
	// (7.7.2), ShortestLow to ShortestHigh the shortest one (7.7.3). They
	// differ where the distribution is lopsided.
	Low, High                 float64
	ShortestLow, ShortestHigh float64
}

// Simulate propagates distributions by the Monte Carlo method (JCGM 101:2008,
// clause 7; for several results JCGM 102:2011, clause 7) with the adaptive
// number of trials of 7.9: batches of 10⁴ until, for every result, twice the
// standard deviation of the mean, of the standard uncertainty and of both ends
// of the interval, averaged over the batches, is inside the numerical
// tolerance. The same seed gives the same values.
func Simulate(results int, trial Trial, t Trials) (*Simulated, error) {
	if t.Probability == 0 {
		t.Probability = 0.95
	}
	if t.Digits == 0 {
		t.Digits = 1
	}
	if t.Most == 0 {
		t.Most = 1000000
	}
	switch {
	case results < 1:
		return nil, fmt.Errorf("monte carlo: a model with %d results has nothing to simulate", results)
	case !(t.Probability > 0 && t.Probability < 1):
		return nil, fmt.Errorf("monte carlo: probability is %g: it must be between 0 and 1", t.Probability)
	case t.Digits < 1 || t.Digits > 4:
		return nil, fmt.Errorf("monte carlo: digits is %d: 1 to 4 can be had", t.Digits)
	}
	size := max(batch, int(math.Ceil(100/(1-t.Probability))))
	if t.Most < size {
		return nil, fmt.Errorf("monte carlo: most is %d: %d trials are the fewest at a probability of %g", t.Most, size, t.Probability)
	}
	rng := rand.New(rand.NewPCG(t.Seed, 0x9e3779b97f4a7c15))
	s := &Simulated{probability: t.Probability, values: make([][]float64, results), sorted: make([][]float64, results)}
	out, watch := make([]float64, results), make([][4]spread, results)
	for s.Trials+size <= t.Most && !s.Stable {
		for i := range s.values {
			s.values[i] = slices.Grow(s.values[i], size)[:s.Trials+size]
			s.sorted[i] = slices.Grow(s.sorted[i], size)[:s.Trials+size]
		}
		for k := s.Trials; k < s.Trials+size; k++ {
			trial(rng, out)
			for i, v := range out {
				s.values[i][k] = v
			}
		}
		s.Results = s.Results[:0]
		for i := range s.values {
			last := s.sorted[i][s.Trials:] // this batch
			copy(last, s.values[i][s.Trials:])
			d, err := distributed(last, t.Probability)
			if err != nil {
				return nil, fmt.Errorf("monte carlo: result %d: %w", i+1, err)
			}
			for q, v := range [4]float64{d.Mean, d.Standard, d.Low, d.High} {
				watch[i][q].add(v)
			}
			s.Results = append(s.Results, d)
		}
		s.Trials += size
		s.Stable = stable(watch, t.Digits)
	}
	if s.Trials == size { // Results are of the one batch there is
		return s, nil
	}
	for i := range s.sorted {
		d, err := distributed(s.sorted[i], t.Probability)
		if err != nil {
			return nil, fmt.Errorf("monte carlo: result %d: %w", i+1, err)
		}
		s.Results[i] = d
	}
	return s, nil
}

// stable is step i of JCGM 101:2008, 7.9.4.
func stable(watch [][4]spread, digits int) bool {
	for i := range watch {
		tolerance := numericalTolerance(watch[i][1].mean, digits)
		for q := range watch[i] {
			if w := &watch[i][q]; w.n < 2 || 2*w.ofMean() > tolerance {
				return false
			}
		}
	}
	return true
}

// numericalTolerance is δ of JCGM 101:2008, 7.9.2: half of the last of the
// significant digits of u.
func numericalTolerance(u float64, digits int) float64 {
	if u == 0 {
		return 0
	}
	return math.Pow(10, math.Floor(math.Log10(u))-float64(digits-1)) / 2
}

// spread is the running mean and sum of squares of one figure of the batches.
type spread struct{ n, mean, squares float64 }

func (s *spread) add(v float64) {
	s.n++
	d := v - s.mean
	s.mean += d / s.n
	s.squares += d * (v - s.mean)
}

// ofMean is the standard deviation of the mean.
func (s *spread) ofMean() float64 { return math.Sqrt(s.squares / (s.n * (s.n - 1))) }

// distributed sorts values and sums them up.
func distributed(values []float64, probability float64) (Distributed, error) {
	slices.Sort(values)
	n := len(values)
	if math.IsNaN(values[0]) || math.IsInf(values[0], 0) || math.IsInf(values[n-1], 0) {
		return Distributed{}, fmt.Errorf("the model has no finite value for some of the inputs drawn")
	}
	var s spread
	for _, v := range values {
		s.add(v)
	}
	d := Distributed{Mean: s.mean, Standard: math.Sqrt(s.squares / (s.n - 1))}
	q := int(math.Round(probability * float64(n))) // 7.7.1
	q = min(max(q, 1), n-1)
	r := (n - q + 1) / 2
	d.Low, d.High = values[r-1], values[r-1+q] // counted from 1 there
	best := 0
	for i := 1; i+q < n; i++ {
		if values[i+q]-values[i] < values[best+q]-values[best] {
			best = i
		}
	}
	d.ShortestLow, d.ShortestHigh = values[best], values[best+q]
	return d, nil
}

// Cov is the covariance of results i and j, taken as real and imaginary part
// (JCGM 102:2011, 7.6).
func (s *Simulated) Cov(i, j int) Cov {
	a, b := &s.Results[i], &s.Results[j]
	var c Cov
	for k := range s.Trials {
		x, y := s.values[i][k]-a.Mean, s.values[j][k]-b.Mean
		c = c.Add(Cov{x * x, x * y, y * y})
	}
	return c.Scale(1 / float64(s.Trials-1))
}

// Ellipse is the factor k by which the ellipse of results i and j's standard
// uncertainties is to be enlarged to hold both at once with the probability of
// the simulation (JCGM 102:2011, 7.7.2): 2.45 for normal ones at 95 %. It is 0
// where one of the two does not vary or follows from the other.
func (s *Simulated) Ellipse(i, j int) float64 {
	c := s.Cov(i, j)
	major, minor, angle := c.Axes()
	if !(minor > 1e-9*major) {
		return 0
	}
	turn := cmplx.Rect(1, -angle)
	squares := make([]float64, s.Trials)
	for k := range squares {
		z := turn * complex(s.values[i][k]-s.Results[i].Mean, s.values[j][k]-s.Results[j].Mean)
		x, y := real(z)/major, imag(z)/minor
		squares[k] = x*x + y*y
	}
	slices.Sort(squares)
	return math.Sqrt(squares[min(s.Trials, int(math.Ceil(s.probability*float64(s.Trials))))-1])
}

// Quantile is the value of result i that the given part of the trials does not exceed.
func (s *Simulated) Quantile(i int, part float64) float64 {
	k := int(math.Ceil(part*float64(s.Trials))) - 1
	return s.sorted[i][min(max(k, 0), s.Trials-1)]
}
