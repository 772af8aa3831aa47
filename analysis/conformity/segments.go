package conformity

import (
	"math"

	"halfturn/units"
)

// Values are the limits of each quantity; a nil one is not applied.
type Values struct {
	AmplitudeBalance    *units.DB      `json:"amplitude_balance,omitempty" mapstructure:"amplitude_balance"`
	PhaseBalance        *units.Degrees `json:"phase_balance,omitempty" mapstructure:"phase_balance"`
	CommonModeRejection *units.DB      `json:"common_mode_rejection,omitempty" mapstructure:"common_mode_rejection"`
	InsertionLoss       *units.DB      `json:"insertion_loss,omitempty" mapstructure:"insertion_loss"`
}

// Segment is a stretch of frequencies, both ends included, with limits of its
// own. A limit that End gives too goes from the one to the other on a straight
// line against the logarithm of frequency.
type Segment struct {
	From   units.Hertz `json:"from" mapstructure:"from"`
	To     units.Hertz `json:"to" mapstructure:"to"`
	Values `mapstructure:",squash"`
	End    Values `json:"end,omitzero" mapstructure:"end"` // at To
}

// Segments are in ascending frequency and do not overlap.
type Segments []Segment

func (v Values) none() bool { return v == Values{} }

// at are the limits at f, inside the segment but for rounding.
func (s *Segment) at(f units.Hertz) Values {
	if s.End.none() || !(s.To > s.From) {
		return s.Values
	}
	t := math.Log(float64(f/s.From)) / math.Log(float64(s.To/s.From))
	t = min(max(t, 0), 1)
	return Values{
		AmplitudeBalance:    between(s.AmplitudeBalance, s.End.AmplitudeBalance, t),
		PhaseBalance:        between(s.PhaseBalance, s.End.PhaseBalance, t),
		CommonModeRejection: between(s.CommonModeRejection, s.End.CommonModeRejection, t),
		InsertionLoss:       between(s.InsertionLoss, s.End.InsertionLoss, t),
	}
}

func between[Q ~float64](a, b *Q, t float64) *Q {
	if a == nil || b == nil {
		return a
	}
	v := Q((1-t)*float64(*a) + t*float64(*b))
	return &v
}

// At are the limits that hold at f: those of the segment there, and where it
// has none or there is no segment, those of the whole. Where two segments
// meet, the stricter limit holds, as is usual for transition frequencies
// (CISPR 32:2015, annex A; from memory).
func (l Limits) At(f units.Hertz) Limits {
	if l.Segments == nil {
		return l
	}
	var v Values
	for i := range *l.Segments {
		s := &(*l.Segments)[i]
		if f < s.From*(1-edge) || f > s.To*(1+edge) {
			continue
		}
		here := s.at(f)
		v.AmplitudeBalance = stricter(v.AmplitudeBalance, here.AmplitudeBalance, false)
		v.PhaseBalance = stricter(v.PhaseBalance, here.PhaseBalance, false)
		v.CommonModeRejection = stricter(v.CommonModeRejection, here.CommonModeRejection, true)
		v.InsertionLoss = stricter(v.InsertionLoss, here.InsertionLoss, false)
	}
	l.Segments = nil
	l.AmplitudeBalance = or(v.AmplitudeBalance, l.AmplitudeBalance)
	l.PhaseBalance = or(v.PhaseBalance, l.PhaseBalance)
	l.CommonModeRejection = or(v.CommonModeRejection, l.CommonModeRejection)
	l.InsertionLoss = or(v.InsertionLoss, l.InsertionLoss)
	return l
}

func or[Q any](a, b *Q) *Q {
	if a != nil {
		return a
	}
	return b
}

// stricter is the smaller limit, or the larger one of a quantity whose limit is
// the least allowed.
func stricter[Q ~float64](a, b *Q, least bool) *Q {
	if a == nil || b != nil && (*b < *a) != least {
		return b
	}
	return a
}
