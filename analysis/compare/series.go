package compare

import (
	"cmp"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"

	"halfturn/analysis/balance"
	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// Series is what more than two runs say together: a batch of baluns, or one
// balun measured again and again.
type Series struct {
	Runs       []int64   // IDs, in the order given
	Hours      []float64 // of each run's start, since the earliest
	Steps      []SeriesStep
	Band       [Quantities]SeriesBand
	From, To   units.Hertz
	PassedOver int  // frequencies at which a run has no result
	Shared     bool // all runs have the same calibration taken out
}

// SeriesStep is one frequency of a series.
type SeriesStep struct {
	Frequency units.Hertz
	Results   []balance.Result // of each run
	Spread    [Quantities]Scatter
}

// Scatter is the runs' spread of one quantity at one frequency, in the
// quantity's unit. Where the imbalance of a run cannot well be told from none,
// its logarithm is no figure to take a mean of: the spread of the rejection is
// then found in the imbalance and turned into dB afterwards. Where no run's can,
// there is none, and Measured is false.
type Scatter struct {
	Measured  bool
	Mean      float64
	SD        float64 // sample standard deviation of the runs
	Explained float64 // the same as the runs' uncertainties let expect

	Slope  float64 // per hour; 0 for a series too short for that, see Series.Timed
	USlope float64 // expanded, k = 2
	Drifts bool    // for certain, the other steps considered

	// common is the part of the runs' variance that holds over the whole band.
	common float64

	chi2 float64 // Σ (deviation/standard uncertainty)²
	line float64 // the same about the line of the drift
	// t and its degrees of freedom: slope over its standard uncertainty, from
	// the runs' uncertainties and from the scatter about the line.
	byNoise, byScatter float64
	uNoise, uScatter   float64
}

// SeriesBand is what the steps say together of one quantity.
type SeriesBand struct {
	Compared int
	Largest  int // index of the step of the largest standard deviation; -1 for none
	// Exceeds: the spread is more than the runs' uncertainties explain.
	Exceeds bool
	// Ratio is the spread over what the uncertainties explain, over the band,
	// as a root of mean squares.
	Ratio        float64
	Drifting     int // steps that drift for certain
	LargestDrift int // index of the step of the largest drift, among those if there are any; -1 for none
}

// Spread states mean, standard deviation and drift of three or more runs at
// the frequencies of the coarsest of them within the span of all.
//
// Whether the spread exceeds what the uncertainties explain is a chi-square
// test of all steps of a quantity together, Σ (x_i - x̄)²/u_i² with x̄ weighted
// by 1/u_i², at Significance shared evenly by the quantities. What a shared
// calibration contributes moves all runs alike and is left out of u_i. Errors
// as those of Pair, and ErrFewRuns.
func Spread(runs []*Run, o Options) (*Series, error) {
	if len(runs) < 3 {
		return nil, fmt.Errorf("%w: a spread wants three or more, not %d", ErrFewRuns, len(runs))
	}
	list, frequencies, err := prepare(runs, o)
	if err != nil {
		return nil, err
	}
	s := &Series{Shared: true}
	first := runs[0].Started
	for _, run := range runs {
		if run.Started.Before(first) {
			first = run.Started
		}
	}
	for _, run := range runs {
		s.Runs = append(s.Runs, run.ID)
		s.Hours = append(s.Hours, run.Started.Sub(first).Hours())
		s.Shared = s.Shared && run.Calibration == runs[0].Calibration
	}
	states := make([]state, len(runs))
	for _, f := range frequencies {
		ok := true
		for i := range list {
			if states[i], ok = list[i].state(f, o); !ok {
				break
			}
		}
		if !ok {
			s.PassedOver++
			continue
		}
		step := SeriesStep{Frequency: f}
		for i := range states {
			step.Results = append(step.Results, states[i].result)
		}
		for q := range Quantities {
			step.Spread[q] = s.scatter(q, states, o)
		}
		s.Steps = append(s.Steps, step)
	}
	if len(s.Steps) == 0 {
		return nil, fmt.Errorf("%w: none of the %d where the runs meet is measured in all of them", ErrNoCommonFrequency, len(frequencies))
	}
	s.From, s.To = s.Steps[0].Frequency, s.Steps[len(s.Steps)-1].Frequency
	s.decide()
	return s, nil
}

// scatter is the spread of one quantity at one frequency.
func (s *Series) scatter(q Quantity, states []state, o Options) Scatter {
	n := len(states)
	cov := make([]uncertainty.Cov, n)
	x := make([]complex128, n)
	var common, total float64
	gains := rangesDiffer(states)
	for i := range states {
		if !q.known(&states[i].result) {
			return Scatter{}
		}
		sh := states[i].shares(q)
		apart := states[i].apart(q, s.Shared, o)
		cov[i] = states[i].own(q).Add(apart)
		if !s.Shared {
			cov[i] = cov[i].Add(states[i].calibrated(q))
		}
		if gains {
			cov[i] = cov[i].Add(uncertainty.Circular(sq(o.rangeGain(states[i].dut.Frequency)) * (norm2(sh[0]) + norm2(sh[1]))))
		}
		common += q.size(apart)
		total += q.size(cov[i])
		x[i] = states[i].offset(q)
		if q == PhaseBalance { // on one sheet with the first
			x[i] = x[0] + complex(math.Remainder(real(x[i]-x[0]), 360), 0)
		}
	}
	value, variance := make([]float64, n), make([]float64, n)
	inImbalance := q == CommonModeRejection && !rejections(x, cov, value, variance)
	if q != CommonModeRejection || inImbalance {
		along := complex128(1)
		if h := weighted(x, cov); inImbalance && h != 0 {
			along = cmplx.Conj(h) / complex(cmplx.Abs(h), 0)
		}
		for i := range states {
			value[i] = real(along * x[i])
			variance[i] = cov[i].Through(along).RR
		}
	}
	c := spread(value, variance)
	c.common = over(common, total)
	if s.Timed() {
		c.drift(value, variance, s.Hours)
	}
	if inImbalance {
		c.toRejection()
	}
	return c
}

// rejections are those of imbalances g and their variances, in dB; false where
// one of them is too near to its uncertainty to have a logarithm.
func rejections(g []complex128, cov []uncertainty.Cov, value, variance []float64) bool {
	const clear = 4 // standard uncertainties from none
	for i := range g {
		relative := cov[i].Relative(g[i])
		if !(sq(clear)*max(relative.RR, relative.II) < 1) {
			return false
		}
		value[i], variance[i] = -20*math.Log10(cmplx.Abs(g[i])), sq(inDB)*relative.RR
	}
	return true
}

// rangesDiffer says whether a range's gain stays in the differences of runs.
func rangesDiffer(states []state) bool {
	for i := range states {
		s := &states[i]
		if s.dut.RangesDiffer || s.dut.Range != states[0].dut.Range || s.cal.Range != states[0].cal.Range {
			return true
		}
	}
	return false
}

// weighted is the mean of x by inverse variances.
func weighted(x []complex128, cov []uncertainty.Cov) complex128 {
	var sum complex128
	var weight float64
	for i := range x {
		v := cov[i].RR + cov[i].II
		if v == 0 {
			return x[i] // exact
		}
		sum += x[i] / complex(v, 0)
		weight += 1 / v
	}
	return sum / complex(weight, 0)
}

// rounding is what values without noise differ by that are the same.
const rounding = 1e-12

// spread is mean, standard deviation and chi-square of values.
func spread(value, variance []float64) Scatter {
	s := Scatter{Measured: true}
	n := float64(len(value))
	var centre, weight float64
	for i, v := range value {
		s.Mean += v / n
		s.Explained += variance[i] / n
		centre += v / variance[i]
		weight += 1 / variance[i]
	}
	if centre /= weight; !finite(centre) { // a value that is exact
		centre = s.Mean
	}
	for i, v := range value {
		s.SD += sq(v-s.Mean) / (n - 1)
		if d := v - centre; math.Abs(d) > rounding*(1+math.Abs(centre)) {
			s.chi2 += sq(d) / variance[i]
		}
	}
	s.SD, s.Explained = math.Sqrt(s.SD), math.Sqrt(s.Explained)
	return s
}

// shortest is the least time in hours from the first run of a series to its
// last for a drift to be stated: taken to an hour, what a few minutes show is
// scatter many times enlarged.
const shortest = 0.1

// Timed says whether the series is long enough for a drift per hour.
func (s *Series) Timed() bool { return slices.Max(s.Hours) >= shortest }

// drift fits a straight line against time by least squares: b = Σ (t - t̄) x /
// Σ (t - t̄)². Its uncertainty is found from the runs' uncertainties and, since
// runs may scatter more than those explain, from the scatter about the line
// with n - 2 degrees of freedom (JCGM 100:2008, H.3 for the line, G.3 for few
// values). Series.decide chooses between the two.
func (s *Scatter) drift(value, variance, hours []float64) {
	n := float64(len(value))
	var mean, sxx, noise float64
	for _, t := range hours {
		mean += t / n
	}
	for i, t := range hours {
		sxx += sq(t - mean)
		s.Slope += (t - mean) * value[i]
		noise += sq(t-mean) * variance[i]
	}
	if s.Slope /= sxx; math.Abs(s.Slope) <= rounding {
		s.Slope = 0
	}
	s.uNoise = math.Sqrt(noise) / sxx
	var residual float64
	for i, t := range hours {
		e := sq(value[i] - s.Mean - s.Slope*(t-mean))
		residual += e
		s.line += over(e, variance[i])
	}
	s.uScatter = math.Sqrt(residual / (n - 2) / sxx)
	s.byNoise, s.byScatter = over(s.Slope, s.uNoise), over(s.Slope, s.uScatter)
}

// toRejection turns figures of an imbalance into those of its inverse in dB.
func (s *Scatter) toRejection() {
	if !(s.Mean > s.SD && s.Mean > s.Explained) {
		s.Measured = false
		return
	}
	inRejection := inDB / s.Mean
	s.Mean = -20 * math.Log10(s.Mean)
	s.SD *= inRejection
	s.Explained *= inRejection
	s.Slope *= -inRejection
	s.uNoise *= inRejection
	s.uScatter *= inRejection
}

// decide weighs the spread and the drift of all steps.
func (s *Series) decide() {
	n := float64(len(s.Runs))
	byScatter := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: n - 2}
	type candidate struct {
		step int
		q    Quantity
		p    float64
	}
	var all []candidate
	for q := range Quantities {
		b := &s.Band[q]
		b.Largest, b.LargestDrift = -1, -1
		var chi2, line, common, common2 float64
		for i := range s.Steps {
			if c := &s.Steps[i].Spread[q]; c.Measured {
				b.Compared++
				chi2 += c.chi2
				line += c.line
				common += c.common
				common2 += sq(c.common)
				if b.Largest < 0 || c.SD > s.Steps[b.Largest].Spread[q].SD {
					b.Largest = i
				}
			}
		}
		if b.Compared == 0 {
			continue
		}
		steps := float64(b.Compared)
		// So many independent steps are worth as much as these.
		independent := sq(steps) / (steps + sq(common) - common2)
		b.Ratio = math.Sqrt(chi2 / steps / (n - 1))
		b.Exceeds = beyond(chi2/steps, n-1, independent)
		explained := !beyond(line/steps, n-2, independent)
		for i := range s.Steps {
			c := &s.Steps[i].Spread[q]
			if !c.Measured || c.Slope == 0 {
				continue
			}
			p := outside(c.byNoise)
			c.USlope = uncertainty.Coverage * c.uNoise
			if !explained {
				c.USlope = uncertainty.Coverage * max(c.uNoise, c.uScatter*uncertainty.FewValues(n-2))
				p = max(p, 2*byScatter.Survival(math.Abs(c.byScatter)))
			}
			all = append(all, candidate{i, q, p})
		}
	}
	slices.SortFunc(all, func(a, b candidate) int { return cmp.Compare(a.p, b.p) })
	for k, c := range all {
		if c.p > Significance/float64(len(all)-k) { // Holm, as in decide
			break
		}
		s.Steps[c.step].Spread[c.q].Drifts = true
		s.Band[c.q].Drifting++
	}
	for _, c := range all {
		b := &s.Band[c.q]
		at := &s.Steps[c.step].Spread[c.q]
		if b.LargestDrift >= 0 {
			l := &s.Steps[b.LargestDrift].Spread[c.q]
			if l.Drifts && !at.Drifts || l.Drifts == at.Drifts && math.Abs(l.Slope) >= math.Abs(at.Slope) {
				continue
			}
		}
		b.LargestDrift = c.step
	}
}

// beyond says whether chance makes the mean over the steps of a chi-square so
// large in fewer cases than one quantity's share of Significance.
//
// What holds over the whole band of a run makes the steps' chi-squares go
// together. With ρ_i the part of the variance that does, cov(Q_i, Q_j) = 2 dof
// ρ_i ρ_j, and the mean is distributed about as that of N²/(N + (Σρ)² - Σρ²)
// independent ones (Welch and Satterthwaite; JCGM 100:2008, G.4).
func beyond(mean, dof, independent float64) bool {
	if math.IsInf(mean, 1) {
		return true
	}
	return dof > 0 && mean > dof &&
		mathext.GammaIncRegComp(dof*independent/2, mean*independent/2) < Significance/float64(Quantities)
}
