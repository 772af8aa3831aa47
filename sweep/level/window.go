package level

import (
	"fmt"
	"math"

	"halfturn/analysis/phasor"
	"halfturn/drivers"
	"halfturn/units"
)

const (
	// fewestCycles of the signal in a record.
	fewestCycles = 5
	// clearance in cycles over the record between the signal and anything
	// that it could be mistaken for: n cycles apart, at most 1/(πn) of one
	// leaks into the fit of the other.
	clearance = 8
	// worstCondition of the fit's columns; 1 is ideal.
	worstCondition = 1.5
)

// Place finds the window to sample f with, and the frequency to command: f
// itself wherever some window allows it. Where the sample rates that exist all
// divide 2f, which is what round numbers do, f is moved up by as little as
// makes it measurable, a few cycles over the record.
//
// A window must keep the signal apart from multiples of half the sample rate;
// it should keep the aliases of the second and third harmonic (f near a third
// or a quarter of a multiple of the rate) off the signal, which would bend the
// phasor unseen. The shortest such window with the most samples is taken: the
// clocks drift apart least in it.
func (p *Planner) Place(f units.Hertz) (units.Hertz, drivers.Window, error) {
	if w, ok := p.window(f, true); ok {
		return f, w, nil
	}
	if moved, w, ok := p.move(f); ok {
		return moved, w, nil
	}
	if w, ok := p.window(f, false); ok {
		return f, w, nil
	}
	return 0, drivers.Window{}, fmt.Errorf("%s cannot be sampled: no window of the scope holds %d cycles of it", f.Brief(), fewestCycles)
}

func (p *Planner) window(f units.Hertz, strict bool) (best drivers.Window, ok bool) {
	for _, w := range p.rules.Windows {
		if !p.suits(f, w, strict) {
			continue
		}
		if !ok || w.Samples > best.Samples || (w.Samples == best.Samples && w.Span() < best.Span()) {
			best, ok = w, true
		}
	}
	return best, ok
}

// move tries the same few-cycle steps on every window, the smallest first.
func (p *Planner) move(f units.Hertz) (units.Hertz, drivers.Window, bool) {
	best := units.Hertz(math.Inf(1))
	var window drivers.Window
	for _, w := range p.rules.Windows {
		step := 1 / float64(w.Span())
		for n := 1.0; n <= 4*clearance; n++ {
			moved := f + units.Hertz(n*step)
			if moved < best && moved < f*1.01 && p.suits(moved, w, true) {
				best, window = moved, w
				break
			}
		}
	}
	return best, window, !math.IsInf(float64(best), 1)
}

func (p *Planner) suits(f units.Hertz, w drivers.Window, strict bool) bool {
	span := float64(w.Span())
	if float64(f)*span < fewestCycles {
		return false
	}
	// The scope's own rate may be off, which moves the aliases.
	margin := clearance + float64(f)*span*float64(p.rules.ClockTolerance)*1e-6
	if away(2*f, w.Rate)*span < margin || phasor.Condition(w.Rate, w.Samples, f) > worstCondition {
		return false
	}
	if strict && (away(3*f, w.Rate)*span < margin || away(4*f, w.Rate)*span < margin) {
		return false
	}
	return true
}

// away is the distance in hertz between f and the nearest multiple of rate.
func away(f, rate units.Hertz) float64 {
	return math.Abs(math.Remainder(float64(f), float64(rate)))
}
