package conformity

import (
	"math"

	"halfturn/analysis/balance"
	"halfturn/analysis/uncertainty"
)

// quantity is one of the results that can be limited.
type quantity struct {
	name     string
	twoSided bool // the limit holds to both sides of zero
	// value, its expanded uncertainty, and the upper limit, NaN where there is
	// none. Without limits only the value is of use.
	compare func(l *Limits, r *balance.Result) (value, u, limit float64)
	verdict func(d *Decision) *Verdict
	worst   func(s *Summary) *int
}

var quantities = [...]quantity{
	{"amplitude balance", true,
		func(l *Limits, r *balance.Result) (float64, float64, float64) {
			return float64(r.AmplitudeBalance), float64(r.UAmplitudeBalance), limitOf(l.AmplitudeBalance)
		},
		func(d *Decision) *Verdict { return &d.AmplitudeBalance },
		func(s *Summary) *int { return &s.WorstAmplitudeBalance }},
	{"phase balance", true,
		func(l *Limits, r *balance.Result) (float64, float64, float64) {
			return float64(r.PhaseBalance), float64(r.UPhaseBalance), limitOf(l.PhaseBalance)
		},
		func(d *Decision) *Verdict { return &d.PhaseBalance },
		func(s *Summary) *int { return &s.WorstPhaseBalance }},
	{"common-mode rejection", false,
		func(l *Limits, r *balance.Result) (float64, float64, float64) {
			limit := math.NaN()
			if l.CommonModeRejection != nil {
				limit = 1 / l.CommonModeRejection.Ratio()
			}
			return r.Imbalance, r.UImbalance, limit
		},
		func(d *Decision) *Verdict { return &d.CommonModeRejection },
		func(s *Summary) *int { return &s.WorstCommonModeRejection }},
	{"insertion loss", false,
		func(l *Limits, r *balance.Result) (float64, float64, float64) {
			return float64(r.InsertionLoss), float64(r.UInsertionLoss), limitOf(l.InsertionLoss)
		},
		func(d *Decision) *Verdict { return &d.InsertionLoss },
		func(s *Summary) *int { return &s.WorstInsertionLoss }},
}

func limitOf[Q ~float64](limit *Q) float64 {
	if limit == nil {
		return math.NaN()
	}
	return float64(*limit)
}

// size is what an upper limit is compared with.
func (q *quantity) size(value float64) float64 {
	if q.twoSided {
		return math.Abs(value)
	}
	return value
}

// probability is that of meeting the limit; NaN without a limit or a measurement.
func (q *quantity) probability(l *Limits, r *balance.Result) float64 {
	value, u, limit := q.compare(l, r)
	if math.IsNaN(limit) {
		return math.NaN()
	}
	low := math.Inf(-1)
	if q.twoSided {
		low = -limit
	}
	return ProbabilityOf(value, u/uncertainty.Coverage, low, limit)
}

// Probability is the least probability of conformity of any limited quantity
// at the result's frequency, and which quantity that is; the Quantity is empty
// where nothing is limited or measured. Rejection is judged as imbalance.
func (l Limits) Probability(r balance.Result) Conformity {
	l = l.At(r.Frequency)
	c := Conformity{Frequency: r.Frequency}
	for i := range quantities {
		q := &quantities[i]
		if p := q.probability(&l, &r); !math.IsNaN(p) && (c.Quantity == "" || p < c.Probability) {
			c.Quantity, c.Probability = q.name, p
		}
	}
	return c
}
