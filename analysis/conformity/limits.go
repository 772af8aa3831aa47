package conformity

import (
	"errors"
	"fmt"
	"math"

	"halfturn/units"
)

// None tells whether no quantity is limited, as in a run made without limits.
func (l Limits) None() bool {
	return l.AmplitudeBalance == nil && l.PhaseBalance == nil && l.CommonModeRejection == nil && l.InsertionLoss == nil
}

// Validate says what is wrong with limits, one line for each key.
func (l Limits) Validate() error {
	var errs []error
	wrong := func(format string, a ...any) { errs = append(errs, fmt.Errorf("limits: "+format, a...)) }
	usable := func(v float64) bool { return v > 0 && !math.IsInf(v, 0) }
	edge := func(key string, f units.Hertz) bool {
		switch {
		case f == 0:
			wrong("%s is missing: the band needs both ends", key)
		case !usable(float64(f)):
			wrong("%s is %v: a frequency must be above 0 Hz", key, f)
		default:
			return true
		}
		return false
	}
	from, to := edge("from", l.From), edge("to", l.To)
	if from && to && l.From > l.To {
		wrong("from is %v and to is %v: the band is upside down", l.From, l.To)
	}
	if l.None() {
		wrong("none of amplitude_balance, phase_balance, common_mode_rejection and insertion_loss is given: nothing to decide")
	}
	if v := l.AmplitudeBalance; v != nil && !usable(float64(*v)) {
		wrong("amplitude_balance is %v: it is the largest deviation allowed, above 0 dB", *v)
	}
	if v := l.PhaseBalance; v != nil && !(usable(float64(*v)) && *v < 180) {
		wrong("phase_balance is %v: it is the largest deviation from half a turn, above 0° and below 180°", *v)
	}
	if v := l.CommonModeRejection; v != nil && !usable(float64(*v)) {
		wrong("common_mode_rejection is %v: it is the least rejection allowed, above 0 dB", *v)
	}
	if v := l.InsertionLoss; v != nil && !usable(float64(*v)) {
		wrong("insertion_loss is %v: it is the largest loss allowed, above 0 dB", *v)
	}
	return errors.Join(errs...)
}
