// Package conformity decides results against limits: by default after
// ILAC-G8:09/2019, 4.2.3, a non-binary statement with a guard band of the
// expanded uncertainty, on request by another Rule.
//
//	Limits.At ──Decide, DecideBy──▶ Decision   one step
//	Limits, []Decision ──Summarise──▶ Summary  the band
package conformity

import (
	"halfturn/units"
)

// Verdict is one of the words of ILAC-G8:09/2019, 4.2.3, or NotMeasurable.
type Verdict string

const (
	Pass            Verdict = "pass"
	ConditionalPass Verdict = "conditional pass"
	ConditionalFail Verdict = "conditional fail"
	Fail            Verdict = "fail"
	NotMeasurable   Verdict = "not measurable"
	NotLimited      Verdict = "" // no limit applies at this frequency
)

// Limits is what the balun must meet within its band. A nil limit is not
// applied. Segments take their place at the frequencies they are for; see At.
type Limits struct {
	Name                string         `json:"name" mapstructure:"name"`
	From                units.Hertz    `json:"from" mapstructure:"from"`
	To                  units.Hertz    `json:"to" mapstructure:"to"`
	AmplitudeBalance    *units.DB      `json:"amplitude_balance,omitempty" mapstructure:"amplitude_balance"`         // largest |amplitude balance|
	PhaseBalance        *units.Degrees `json:"phase_balance,omitempty" mapstructure:"phase_balance"`                 // largest |phase balance|
	CommonModeRejection *units.DB      `json:"common_mode_rejection,omitempty" mapstructure:"common_mode_rejection"` // smallest
	InsertionLoss       *units.DB      `json:"insertion_loss,omitempty" mapstructure:"insertion_loss"`               // largest
	Rule                Rule           `json:"rule,omitempty" mapstructure:"rule"`                                   // of decision; empty is NonBinary
	Segments            *Segments      `json:"segments,omitempty" mapstructure:"segments"`                           // nil: the same at every frequency
}
