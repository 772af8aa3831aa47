package choke

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"halfturn/analysis/balance"
	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// Source is where a prediction takes the winding's impedance from.
type Source string

const (
	Measured     Source = "measured"     // at a step, from its own arm ratio
	Interpolated Source = "interpolated" // between two steps
	Fitted       Source = "fitted"       // at a step where Z_c is Bounded and the model knows r better
	Extrapolated Source = "extrapolated" // from the model, below the lowest step
)

// extrapolation is how far below the lowest step predictions go. A ferrite
// keeps its inductance downward, but nothing was measured there.
const extrapolation = 10

// sameFrequency is the relative difference up to which a frequency is that of
// a step.
const sameFrequency = 1e-9

// Winding is a measured winding of a number of like sleeves.
type Winding struct {
	Sleeves    int
	Load       balance.Load
	Impedances []Impedance // Z_c at each step, in ascending frequency
	Model      Model

	steps []step
}

// step is the arm ratio that is held for true at a measured frequency, and how
// it differs from the model's.
type step struct {
	frequency units.Hertz
	ratio     complex128
	cov       uncertainty.Cov
	off       complex128
	source    Source
}

// NewWinding takes the results of a run, in any order and without the steps
// that have none, what its arms saw, and the number of sleeves that were on
// the line, all of the same kind. The options are those of Fit. Errors: those of
// Fit, and two results at one frequency.
func NewWinding(results []balance.Result, load balance.Load, sleeves int, opts ...Option) (*Winding, error) {
	if sleeves < 1 || sleeves > maxSleeves {
		return nil, fmt.Errorf("choke: %d sleeves on the line: the number must be between 1 and %d", sleeves, maxSleeves)
	}
	model, err := Fit(results, load, opts...)
	if err != nil {
		return nil, err
	}
	sorted := slices.Clone(results)
	slices.SortFunc(sorted, func(a, b balance.Result) int {
		return int(math.Copysign(1, float64(a.Frequency-b.Frequency)))
	})
	w := &Winding{Sleeves: sleeves, Load: load, Model: model}
	for i := range sorted {
		res := &sorted[i]
		if i > 0 && same(res.Frequency, sorted[i-1].Frequency) {
			return nil, fmt.Errorf("choke: two results at %v; give one run", res.Frequency)
		}
		z := at(res, load)
		s := step{frequency: res.Frequency, ratio: res.Ratio, cov: res.Cov, source: Measured}
		fitted, fittedCov := model.Ratio(res.Frequency, load)
		if z.Bounded && fittedCov.Standard() < res.Cov.Standard() {
			s.ratio, s.cov, s.source = fitted, fittedCov, Fitted
		}
		s.off = s.ratio - fitted
		w.Impedances = append(w.Impedances, z)
		w.steps = append(w.steps, s)
	}
	return w, nil
}

func same(f, g units.Hertz) bool {
	return math.Abs(float64(f-g)) <= sameFrequency*float64(f)
}

// Span is from the lowest to the highest frequency that predictions are made
// for: the measured ones, and a decade below them.
func (w *Winding) Span() (from, to units.Hertz) {
	return w.lowest() / extrapolation, w.highest()
}

func (w *Winding) lowest() units.Hertz  { return w.steps[0].frequency }
func (w *Winding) highest() units.Hertz { return w.steps[len(w.steps)-1].frequency }

// ratio is the arm ratio as it is, within Span. Between two steps the
// deviation from the model goes on a straight line against log frequency, and
// so does the covariance, which bounds that of the interpolated value whatever
// correlation the neighbours have.
func (w *Winding) ratio(f units.Hertz) (complex128, uncertainty.Cov, Source) {
	i := sort.Search(len(w.steps), func(i int) bool { return w.steps[i].frequency >= f })
	for j := max(0, i-1); j <= min(i, len(w.steps)-1); j++ {
		if s := &w.steps[j]; same(f, s.frequency) {
			return s.ratio, s.cov, s.source
		}
	}
	r, cov := w.Model.Ratio(f, w.Load)
	if i == 0 {
		return r, cov, Extrapolated
	}
	a, b := &w.steps[i-1], &w.steps[i]
	t := math.Log(float64(f/a.frequency)) / math.Log(float64(b.frequency/a.frequency))
	r += complex(1-t, 0)*a.off + complex(t, 0)*b.off
	return r, a.cov.Scale(1 - t).Add(b.cov.Scale(t)), Interpolated
}

// Prediction is what the balun would be with Sleeves sleeves of the same kind.
// Result.InsertionLoss is not predicted and is not a number. Where the ratio
// cannot be told, which takes far fewer sleeves than there are and a Z_c that
// is hardly known, none of the Result is.
type Prediction struct {
	Sleeves int
	Source  Source
	balance.Result
}

// WithSleeves predicts the balun with more sleeves (fewer where negative) at
// every measured frequency: n times the sleeves have n times the common-mode
// impedance (design formula 7), as long as all of them see the same current,
// which on a line short against the wavelength they do. With
// k = (Sleeves + more)/Sleeves the new arm ratio is
//
//	r' = -k Z_c/(k Z_c + Z_L) = k r/(1 + (1 - k) r),   dr'/dr = k/(1 + (1 - k) r)²,
//
// in which Z_L has cancelled. r is the measured one, or where Z_c is Bounded
// that of the Model if it has the smaller uncertainty, as Source says.
func (w *Winding) WithSleeves(more int) ([]Prediction, error) {
	k, err := w.factor(more)
	if err != nil {
		return nil, err
	}
	predictions := make([]Prediction, len(w.steps))
	for i := range w.steps {
		predictions[i] = w.predict(w.steps[i].frequency, k, true)
		predictions[i].Sleeves = w.Sleeves + more
	}
	return predictions, nil
}

// Predict is WithSleeves at any frequency within Span.
func (w *Winding) Predict(f units.Hertz, more int) (Prediction, error) {
	k, err := w.factor(more)
	if err != nil {
		return Prediction{}, err
	}
	if from, to := w.Span(); !(f >= from && f <= to) {
		return Prediction{}, fmt.Errorf("choke: no prediction at %v: it is made from %s to %s", f, from.Brief(), to.Brief())
	}
	p := w.predict(f, k, true)
	p.Sleeves = w.Sleeves + more
	return p, nil
}

// factor is k.
func (w *Winding) factor(more int) (float64, error) {
	if more < 1-w.Sleeves || more > maxSleeves-w.Sleeves {
		return 0, fmt.Errorf("choke: %+d sleeves to the %d there are: the number must stay between 1 and %d", more, w.Sleeves, maxSleeves)
	}
	return float64(w.Sleeves+more) / float64(w.Sleeves), nil
}

// predict leaves out the uncertainty where it is not wanted: the nominal result.
func (w *Winding) predict(f units.Hertz, k float64, uncertain bool) Prediction {
	r, cov, source := w.ratio(f)
	scaled, scaledCov, ok := scale(r, cov, k)
	if !ok {
		scaled, scaledCov = complex(math.NaN(), math.NaN()), uncertainty.Circular(math.Inf(1))
	} else if !uncertain {
		scaledCov = uncertainty.Cov{}
	}
	return Prediction{Source: source, Result: stateRatio(f, scaled, scaledCov)}
}

// scale is r' and its covariance. Not ok: its denominator is 0 within its
// expanded uncertainty.
func scale(r complex128, cov uncertainty.Cov, k float64) (complex128, uncertainty.Cov, bool) {
	d := 1 + complex(1-k, 0)*r
	u := math.Abs(1-k) * uncertainty.Coverage * cov.Standard()
	if norm2(d) <= u*u {
		return 0, uncertainty.Cov{}, false
	}
	return complex(k, 0) * r / d, cov.Through(complex(k, 0) / (d * d)), true
}

// stateRatio states the balances and the rejection of arm ratio r. A cable's
// are those of a balun of the opposite ratio.
func stateRatio(f units.Hertz, r complex128, cov uncertainty.Cov) balance.Result {
	result := balance.Cable(balance.Point{Estimate: balance.Estimate{Frequency: f, Ratio: -r, Cov: cov}})
	result.Ratio = r
	result.InsertionLoss, result.UInsertionLoss = units.DB(math.NaN()), units.DB(math.Inf(1))
	return result
}
