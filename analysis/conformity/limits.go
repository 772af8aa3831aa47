package conformity

import (
	"errors"
	"fmt"
	"math"

	"halfturn/units"
)

// None tells whether no quantity is limited anywhere, as in a run made without
// limits.
func (l Limits) None() bool {
	if !l.values().none() {
		return false
	}
	if l.Segments != nil {
		for i := range *l.Segments {
			if !(*l.Segments)[i].none() {
				return false
			}
		}
	}
	return true
}

// values are the limits outside of the segments.
func (l *Limits) values() Values {
	return Values{l.AmplitudeBalance, l.PhaseBalance, l.CommonModeRejection, l.InsertionLoss}
}

// Validate says what is wrong with limits, one line for each key.
func (l Limits) Validate() error {
	var errs []error
	wrong := func(format string, a ...any) { errs = append(errs, fmt.Errorf("limits: "+format, a...)) }
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
	if err := l.Rule.Validate(); err != nil {
		wrong("rule: %v", err)
	}
	l.values().validate("", wrong)
	if l.Segments != nil {
		l.validateSegments(wrong)
	}
	return errors.Join(errs...)
}

func usable(v float64) bool { return v > 0 && !math.IsInf(v, 0) }

// validate says what is wrong with each value; at comes before the key.
func (v Values) validate(at string, wrong func(format string, a ...any)) {
	if v := v.AmplitudeBalance; v != nil && !usable(float64(*v)) {
		wrong("%samplitude_balance is %v: it is the largest deviation allowed, above 0 dB", at, *v)
	}
	if v := v.PhaseBalance; v != nil && !(usable(float64(*v)) && *v < 180) {
		wrong("%sphase_balance is %v: it is the largest deviation from half a turn, above 0° and below 180°", at, *v)
	}
	if v := v.CommonModeRejection; v != nil && !usable(float64(*v)) {
		wrong("%scommon_mode_rejection is %v: it is the least rejection allowed, above 0 dB", at, *v)
	}
	if v := v.InsertionLoss; v != nil && !usable(float64(*v)) {
		wrong("%sinsertion_loss is %v: it is the largest loss allowed, above 0 dB", at, *v)
	}
}

// validateSegments checks each segment, their order, and that they leave no
// part of the band without any limit.
func (l Limits) validateSegments(wrong func(format string, a ...any)) {
	reached := l.From // up to here the band has a limit
	for i := range *l.Segments {
		s := &(*l.Segments)[i]
		at := fmt.Sprintf("segments[%d].", i)
		if !usable(float64(s.From)) || !usable(float64(s.To)) || s.From > s.To {
			wrong("%sfrom is %v and to is %v: both are needed, above 0 Hz, and the lower one first", at, s.From, s.To)
			return
		}
		if i > 0 && s.From < (*l.Segments)[i-1].To {
			wrong("%sfrom is %v, and the segment before it ends at %v: segments go up in frequency and do not overlap", at, s.From, (*l.Segments)[i-1].To)
			return
		}
		if s.none() {
			wrong("%snone of amplitude_balance, phase_balance, common_mode_rejection and insertion_loss is given", at[:len(at)-1]+": ")
		}
		s.validate(at, wrong)
		s.End.validate(at+"end.", wrong)
		if v, e := s.Values, s.End; e.AmplitudeBalance != nil && v.AmplitudeBalance == nil || e.PhaseBalance != nil && v.PhaseBalance == nil ||
			e.CommonModeRejection != nil && v.CommonModeRejection == nil || e.InsertionLoss != nil && v.InsertionLoss == nil {
			wrong("%send limits what the segment's beginning does not: give both", at)
		}
		if l.values().none() && s.From > reached && reached < l.To {
			wrong("%sfrom is %v, and nothing is limited from %v up to there: close the gap, or give a limit for the whole band", at, s.From, reached)
		}
		reached = max(reached, s.To)
	}
	if l.values().none() && reached < l.To && len(*l.Segments) > 0 {
		wrong("segments end at %v, and nothing is limited from there up to %v", reached, l.To)
	}
}
