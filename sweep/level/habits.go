package level

import (
	"math"

	"halfturn/units"
)

// unswitched is the drive d, or the nearest one that leaves the generator's
// attenuator where it should be: where the calibration had it at this
// frequency, so that what its steps are off cancels, or else where it was at
// the step before. A position that takes the fill further from the aim than
// half the way, in dB, to what is accepted is given up, for most is accepted
// to be wrong by the other half.
func (p *Planner) unswitched(g gain, d units.DBm, full units.Volts, most units.DBm, cal *Precedent) units.DBm {
	if p.rules.Attenuator.IsZero() {
		return d
	}
	if cal != nil {
		if in, ok := p.within(cal.Drive, g, d, full, most); ok {
			return in
		}
	}
	if p.lasted {
		if in, ok := p.within(p.last, g, d, full, most); ok {
			return in
		}
	}
	return d
}

// within is the drive nearest to d that has the attenuator's position of
// another one; ok is false where it would not do.
func (p *Planner) within(other units.DBm, g gain, d units.DBm, full units.Volts, most units.DBm) (units.DBm, bool) {
	r := &p.rules
	from, below := r.Attenuator.Span(other)
	if d >= from && d < below {
		return d, true
	}
	step := units.DBm(r.DriveStep)
	if step == 0 {
		step = 1e-3 // dB; finer than any level is made
	}
	const hair = 1e-3 // of a step, beyond all rounding
	in := p.roundDown(below - hair*step)
	if d < from {
		in = p.roundDown(from + (1-hair)*step)
	}
	if in < from || in >= below || in > most {
		return d, false
	}
	fill := p.fill(g, in, full)
	return in, fill >= math.Sqrt(r.Min*r.Aim) && fill <= math.Sqrt(r.Aim*r.Max)
}
