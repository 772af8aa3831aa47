package level

import (
	"fmt"
	"math"

	"halfturn/units"
)

// Reference chooses the range of the phase reference's channel. It samples a split
// of the generator's signal, so that it reads a part of the drive which hardly
// changes from one frequency to the next; a balun run keeps the calibration's
// range wherever its drive allows. Its state is what Learn was told, as with
// the Planner. A nil Reference is that of a bench without a reference: its range is 0.
type Reference struct {
	rules   Rules
	past    gain // of the last step that was learned
	present gain // as seen in this step
}

// NewReference goes by the same rules as the Planner.
func NewReference(rules Rules) *Reference {
	return &Reference{rules: rules, past: matched, present: matched}
}

// Begin begins a step.
func (r *Reference) Begin() {
	if r != nil {
		r.present = r.past
	}
}

// poorFill is where a smaller range is worth a retake.
const poorFill = 0.1

// Next is the range at a drive. calibrated is the calibration's at that
// frequency, 0 in a calibration run, which leaves room for as much more drive
// as it leaves the balun.
func (r *Reference) Next(drive units.DBm, calibrated units.Volts) units.Volts {
	if r == nil {
		return 0
	}
	most := r.rules.Max
	if calibrated == 0 {
		most *= (-r.rules.Headroom).Ratio()
	}
	for _, full := range r.rules.Ranges {
		if full >= calibrated && r.fill(drive, full) <= most {
			return full
		}
	}
	return r.rules.Ranges[len(r.rules.Ranges)-1]
}

func (r *Reference) fill(drive units.DBm, full units.Volts) float64 {
	return math.Pow(10, (float64(r.present)+float64(drive))/20) / float64(full)
}

// Judge looks at the reference in a first capture: its peak amplitude, 0 where
// nothing is seen, and gives the range for a retake, or the same where none is
// needed.
func (r *Reference) Judge(full units.Volts, drive units.DBm, amplitude, calibrated units.Volts) units.Volts {
	if r == nil || !(amplitude > 0) {
		return full
	}
	r.present = gainOf(2*amplitude, drive)
	if next := r.Next(drive, calibrated); next > full || r.fill(drive, full) < poorFill {
		return next
	}
	return full
}

// Larger is the range after one that clipped. The error says that there is none.
func (r *Reference) Larger(full units.Volts) (units.Volts, error) {
	for _, next := range r.rules.Ranges {
		if next > full {
			return next, nil
		}
	}
	return 0, fmt.Errorf("the reference clips on its largest range, %s: put an attenuator between splitter and scope", full.Brief())
}

// Learn tells how large the reference was in a step.
func (r *Reference) Learn(drive units.DBm, amplitude units.Volts) {
	if r != nil && amplitude > 0 {
		r.past = gainOf(2*amplitude, drive)
	}
}

// ReferenceRange is that of the reference's channel in the calibration; 0 without a
// calibration.
func (cal *Precedent) ReferenceRange() units.Volts {
	if cal == nil {
		return 0
	}
	return cal.Reference
}
