package compare

import (
	"fmt"
	"math"
	"math/cmplx"
	"sort"

	"halfturn/analysis/balance"
	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// sameFrequency is the relative difference up to which two frequencies are
// one, as in package balance.
const sameFrequency = 1e-9

// same says whether two frequencies are one.
func same(a, b units.Hertz) bool {
	return math.Abs(float64(a-b)) <= sameFrequency*float64(max(a, b))
}

// sampled is a run that can be read between its steps.
type sampled struct {
	*Run
	curve *balance.Calibration // through the readable steps; nil where there are too few
}

func sample(run *Run) (*sampled, error) {
	s := &sampled{Run: run}
	var points []balance.Point
	for i := range run.Steps {
		f := run.Steps[i].Point.Frequency
		switch {
		case !(f > 0) || math.IsInf(float64(f), 0):
			return nil, fmt.Errorf("run %d: step at %v: a frequency must be above 0 Hz", run.ID, f)
		case i > 0 && !(f > run.Steps[i-1].Point.Frequency):
			return nil, fmt.Errorf("run %d: its steps are not in ascending frequency: %v comes after %v", run.ID, f, run.Steps[i-1].Point.Frequency)
		}
		if run.Steps[i].readable() {
			points = append(points, run.Steps[i].Point)
		}
	}
	if len(points) > 1 {
		var err error
		if s.curve, err = balance.NewCalibration(points); err != nil {
			return nil, fmt.Errorf("run %d cannot be read between its steps: %w", run.ID, err)
		}
	}
	return s, nil
}

// readable says whether the step's logarithm can be drawn a curve through.
func (r *Reading) readable() bool {
	return r.Measured && r.Point.Amplitude[1] > 0 &&
		cmplx.Abs(r.Point.Ratio) > uncertainty.Coverage*r.Point.Cov.Standard()
}

// at reads the run at f: its step there, or between its two neighbours by the
// rules of balance.Calibration.At, which adds the uncertainty of doing so. It
// does not reach across a step that is not measurable.
func (s *sampled) at(f units.Hertz) (p balance.Point, between, ok bool) {
	n := len(s.Steps)
	i := sort.Search(n, func(i int) bool { return s.Steps[i].Point.Frequency >= f })
	for _, j := range []int{i - 1, i} {
		if j >= 0 && j < n && same(s.Steps[j].Point.Frequency, f) {
			p = s.Steps[j].Point
			p.Frequency = f
			return p, false, s.Steps[j].Measured
		}
	}
	if i == 0 || i == n || s.curve == nil || !s.Steps[i-1].readable() || !s.Steps[i].readable() {
		return p, true, false
	}
	p, err := s.curve.At(f)
	return p, true, err == nil
}

// inside counts the steps of a span.
func (s *sampled) inside(from, to units.Hertz) int {
	return len(s.frequencies(from, to))
}

func (s *sampled) frequencies(from, to units.Hertz) []units.Hertz {
	var list []units.Hertz
	for i := range s.Steps {
		f := s.Steps[i].Point.Frequency
		if f >= from && f <= to || same(f, from) || same(f, to) {
			list = append(list, f)
		}
	}
	return list
}

// grid is where runs are compared: the frequencies of the coarsest run within
// the span that all have. A finer run is read at them, or between its steps.
func grid(runs []*sampled) ([]units.Hertz, error) {
	from, to := units.Hertz(0), units.Hertz(math.Inf(1))
	for _, s := range runs {
		if len(s.Steps) == 0 {
			return nil, fmt.Errorf("run %d has no step: %w", s.ID, ErrNoCommonFrequency)
		}
		first, last := s.Steps[0].Point.Frequency, s.Steps[len(s.Steps)-1].Point.Frequency
		if first > to && !same(first, to) || last < from && !same(last, from) {
			return nil, fmt.Errorf("%w: run %d covers %s to %s, nothing of which the others reach",
				ErrNoCommonFrequency, s.ID, first.Brief(), last.Brief())
		}
		from, to = max(from, first), min(to, last)
	}
	var coarsest *sampled
	for _, s := range runs {
		if n := s.inside(from, to); n > 0 && (coarsest == nil || n < coarsest.inside(from, to)) {
			coarsest = s
		}
	}
	if coarsest == nil {
		return nil, fmt.Errorf("%w: no run has a step from %s to %s", ErrNoCommonFrequency, from.Brief(), to.Brief())
	}
	return coarsest.frequencies(from, to), nil
}

// state is a run at one frequency: as read, its calibration, and the results.
type state struct {
	dut, cal balance.Point
	result   balance.Result
	between  bool // not a step of the run
}

// state reads a run and its calibration at f; false where there is no result.
func (s *sampled) state(f units.Hertz, o Options) (state, bool) {
	dut, between, ok := s.at(f)
	if !ok {
		return state{}, false
	}
	cal, err := s.CalibrationAt(f)
	if err != nil {
		return state{}, false
	}
	result, err := balance.Evaluate(dut, cal, s.Load, o.evaluate()...)
	return state{dut, cal, result, between}, err == nil
}
