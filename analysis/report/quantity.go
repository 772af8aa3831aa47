package report

import (
	"math"
	"math/cmplx"

	"halfturn/analysis/balance"
	"halfturn/analysis/conformity"
)

// reading is one quantity at one step.
type reading struct {
	v, u    float64
	lo, hi  float64 // the interval that v ± u spans; hi may be +Inf for a rejection
	bounded bool    // only lo is known
}

func symmetric(v, u float64) reading { return reading{v: v, u: u, lo: v - u, hi: v + u} }

// quantity is one of the figures a report states at every step.
type quantity struct {
	key     string // as in CSV and JSON, with the unit
	name    string
	unit    string // as written behind a number, with its space
	read    func(*Step) reading
	verdict func(conformity.Decision) conformity.Verdict
	limit   func(conformity.Limits) (float64, bool)
	// bound says on which side the limit lies: +1 it is the largest value, -1
	// the smallest, 0 the largest magnitude.
	bound int
	worst func(conformity.Summary) int
	title string // of its worst value in the summary
	exact func(*Truth) float64
}

func limitOf[Q ~float64](q *Q) (float64, bool) {
	if q == nil {
		return 0, false
	}
	return float64(*q), true
}

var amplitudeBalance = quantity{
	key: "amplitude_balance_db", name: "amplitude balance", unit: " dB",
	read: func(s *Step) reading {
		return symmetric(float64(s.Result.AmplitudeBalance), float64(s.Result.UAmplitudeBalance))
	},
	verdict: func(d conformity.Decision) conformity.Verdict { return d.AmplitudeBalance },
	limit:   func(l conformity.Limits) (float64, bool) { return limitOf(l.AmplitudeBalance) },
	worst:   func(s conformity.Summary) int { return s.WorstAmplitudeBalance },
	title:   "worst amplitude balance",
	exact:   func(t *Truth) float64 { return float64(t.AmplitudeBalance) },
}

var phaseBalance = quantity{
	key: "phase_balance_deg", name: "phase balance", unit: "°",
	read: func(s *Step) reading {
		return symmetric(float64(s.Result.PhaseBalance), float64(s.Result.UPhaseBalance))
	},
	verdict: func(d conformity.Decision) conformity.Verdict { return d.PhaseBalance },
	limit:   func(l conformity.Limits) (float64, bool) { return limitOf(l.PhaseBalance) },
	worst:   func(s conformity.Summary) int { return s.WorstPhaseBalance },
	title:   "worst phase balance",
	exact:   func(t *Truth) float64 { return float64(t.PhaseBalance) },
}

var commonModeRejection = quantity{
	key: "common_mode_rejection_db", name: "common-mode rejection", unit: " dB",
	read: func(s *Step) reading {
		r := reading{
			v:       float64(s.Result.CommonModeRejection),
			lo:      float64(s.Result.CommonModeRejectionLow),
			hi:      math.Inf(1),
			bounded: s.Result.UImbalance >= s.Result.Imbalance,
		}
		if !r.bounded {
			r.hi = -20 * math.Log10(s.Result.Imbalance-s.Result.UImbalance)
		}
		return r
	},
	verdict: func(d conformity.Decision) conformity.Verdict { return d.CommonModeRejection },
	limit:   func(l conformity.Limits) (float64, bool) { return limitOf(l.CommonModeRejection) },
	bound:   -1,
	worst:   func(s conformity.Summary) int { return s.WorstCommonModeRejection },
	title:   "least common-mode rejection",
	exact:   func(t *Truth) float64 { return float64(t.CommonModeRejection) },
}

var insertionLoss = quantity{
	key: "insertion_loss_db", name: "insertion loss", unit: " dB",
	read: func(s *Step) reading {
		return symmetric(float64(s.Result.InsertionLoss), float64(s.Result.UInsertionLoss))
	},
	verdict: func(d conformity.Decision) conformity.Verdict { return d.InsertionLoss },
	limit:   func(l conformity.Limits) (float64, bool) { return limitOf(l.InsertionLoss) },
	bound:   +1,
	worst:   func(s conformity.Summary) int { return s.WorstInsertionLoss },
	title:   "largest insertion loss",
	exact:   func(t *Truth) float64 { return float64(t.InsertionLoss) },
}

// A calibration run has no balun to state results of. It shows the cable's
// ratio as read, which the fixture and the scope make differ from +1.

var gainMismatch = quantity{
	key: "gain_mismatch_db", name: "gain mismatch", unit: " dB",
	read: func(s *Step) reading {
		c := balance.Cable(s.Point)
		return symmetric(float64(c.AmplitudeBalance), float64(c.UAmplitudeBalance))
	},
	verdict: func(conformity.Decision) conformity.Verdict { return conformity.NotLimited },
	limit:   func(conformity.Limits) (float64, bool) { return 0, false },
	title:   "largest gain mismatch",
	exact:   func(t *Truth) float64 { return 20 * math.Log10(cmplx.Abs(t.Ratio)) },
}

var phaseDifference = quantity{
	key: "phase_difference_deg", name: "phase difference", unit: "°",
	read: func(s *Step) reading {
		c := balance.Cable(s.Point)
		return symmetric(float64(c.PhaseBalance), float64(c.UPhaseBalance))
	},
	verdict: func(conformity.Decision) conformity.Verdict { return conformity.NotLimited },
	limit:   func(conformity.Limits) (float64, bool) { return 0, false },
	title:   "largest phase difference",
	exact:   func(t *Truth) float64 { return cmplx.Phase(t.Ratio) * 180 / math.Pi },
}

func (in *Input) quantities() []quantity {
	if in.calibrates() {
		return []quantity{gainMismatch, phaseDifference}
	}
	return []quantity{amplitudeBalance, phaseBalance, commonModeRejection, insertionLoss}
}

// at reads the quantity; false where it is not measurable: no arm ratio, a
// figure that is not a number, or an uncertainty larger than the limit.
func (q quantity) at(s *Step) (reading, bool) {
	if !s.Measured || s.Decision == conformity.Unmeasured() || q.verdict(s.Decision) == conformity.NotMeasurable {
		return reading{}, false
	}
	r := q.read(s)
	if r.bounded {
		return r, finite(r.lo)
	}
	return r, finite(r.v) && finite(r.u) && finite(r.lo)
}

// text writes a reading with its uncertainty.
func (q quantity) text(r reading) string {
	if q.bound < 0 {
		return rejection(r.v, r.lo, r.bounded)
	}
	return withU(r.v, r.u, q.unit)
}

// textAt writes what the quantity is at a step.
func (q quantity) textAt(s *Step) string {
	if r, ok := q.at(s); ok {
		return q.text(r)
	}
	return notMeasurable
}

// cellAt writes what the quantity is at a step for a table whose heading has
// the unit; none where it is not measurable.
func (q quantity) cellAt(s *Step, none string) string {
	if r, ok := q.at(s); ok {
		return withoutUnits(q.text(r), q.unit)
	}
	return none
}

// severity orders readings from harmless to worst.
func (q quantity) severity(r reading) float64 {
	switch {
	case q.bound > 0:
		return r.v
	case q.bound < 0 && r.bounded:
		return -r.lo
	case q.bound < 0:
		return -r.v
	}
	return math.Abs(r.v)
}

// worstIn is the position in steps of the worst reading: the one that the
// summary names, or in a calibration the largest found; -1 for none.
func (q quantity) worstIn(in *Input) int {
	if q.worst != nil {
		i := q.worst(in.Summary)
		if i < 0 || i >= len(in.Steps) {
			return -1
		}
		if _, ok := q.at(&in.Steps[i]); !ok {
			return -1
		}
		return i
	}
	found, largest := -1, math.Inf(-1)
	for i := range in.Steps {
		if r, ok := q.at(&in.Steps[i]); ok && q.severity(r) > largest {
			found, largest = i, q.severity(r)
		}
	}
	return found
}
