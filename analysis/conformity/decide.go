package conformity

import (
	"math"

	"halfturn/analysis/balance"
)

// Decide compares one result with the limits at its frequency, by their rule. The limits' band is no matter here: the widest passing band needs
// decisions outside of it too.
//
// Rejection is decided as imbalance, its inverse, whose uncertainty is
// symmetric where that of a rejection in dB near r = -1 is not.
func (l Limits) Decide(r balance.Result) Decision { return l.DecideBy(l.Rule, r) }

// DecideBy is Decide by a rule of the caller's.
func (l Limits) DecideBy(rule Rule, r balance.Result) Decision {
	l = l.At(r.Frequency)
	var d Decision
	for i := range quantities {
		q := &quantities[i]
		if value, u, limit := q.compare(&l, &r); !math.IsNaN(limit) {
			*q.verdict(&d) = rule.decide(q.size(value), u, limit)
		}
	}
	d.Verdict = worst(d.AmplitudeBalance, d.PhaseBalance, d.CommonModeRejection, d.InsertionLoss)
	return d
}

// Unmeasured is the decision where there is no result at all. Decide never
// gives it: there, a verdict comes from one of the quantities.
func Unmeasured() Decision { return Decision{Verdict: NotMeasurable} }

// decide is the non-binary statement of ILAC-G8:09/2019, 4.2.3, with guard
// band w = u around the upper limit of value: pass below limit - u, conditional
// pass up to limit, conditional fail up to limit + u, fail above. The two
// conditional zones need an uncertainty that is no larger than the limit;
// with a larger one nothing but a proven fail can be told.
func decide(value, u, limit float64) Verdict {
	switch {
	case math.IsNaN(value) || math.IsNaN(u) || u < 0:
		return NotMeasurable
	case value > limit+u:
		return Fail
	case u > limit:
		return NotMeasurable
	case value < limit-u:
		return Pass
	case value <= limit:
		return ConditionalPass
	default:
		return ConditionalFail
	}
}

// severity orders verdicts. A proven fail anywhere fails the whole, whatever
// is unknown elsewhere. Short of that, what could not be measured leaves the
// whole undecided, and says less than a conditional fail does.
var severity = map[Verdict]int{
	NotLimited:      0,
	Pass:            1,
	ConditionalPass: 2,
	ConditionalFail: 3,
	NotMeasurable:   4,
	Fail:            5,
}

func worst(verdicts ...Verdict) Verdict {
	w := NotLimited
	for _, v := range verdicts {
		if severity[v] > severity[w] {
			w = v
		}
	}
	return w
}

// ExitCode is that of a command that ends with the verdict: 0 inside the
// limits or without any, 3 fail, 4 undecided.
func (v Verdict) ExitCode() int {
	switch v {
	case Pass, NotLimited:
		return 0
	case Fail:
		return 3
	default:
		return 4
	}
}
