package phasor

import (
	"fmt"
	"math"

	"halfturn/units"
)

// Harmonic is one multiple of the fundamental in a record.
type Harmonic struct {
	Order        int
	Determinable bool        // false: no figure can be given, the others are zero
	Amplitude    units.Volts // volts peak; noise makes it read high by about U²/(2·Amplitude)
	U            units.Volts // standard uncertainty, of the real and of the imaginary part
}

// apart is how far, in cycles over the record, the aliases of two tones, or
// of a tone and 0 or half the sample rate, must lie from each other. At a
// whole cycle, long records have orthogonal columns.
const apart = 1

// Harmonics finds the second and third harmonic of a fundamental at f, in
// what a record holds besides the fundamental: least squares of all three and
// an offset, so that none leaks into another where the cycles are not whole.
// For the frequency of a shared fit, pass its Pair's Frequency.
//
// Sampling folds a harmonic to its alias. Where that comes within a cycle
// over the record of 0, of half the sample rate, of the fundamental's alias
// or of the other harmonic's, the harmonic is not determinable and no figure
// is given; likewise where the record is too short for seven parameters.
// Errors as for Fit.
func Harmonics(r *Record, rate, f units.Hertz) ([2]Harmonic, error) {
	found := [2]Harmonic{{Order: 2}, {Order: 3}}
	if r == nil {
		return found, fmt.Errorf("no record: %w", ErrRecord)
	}
	n := len(r.Codes)
	if err := checkFrequency(n, rate, f); err != nil {
		return found, err
	}
	ch, _, err := check(r)
	if err != nil {
		return found, err
	}
	p := problem[int16]{n: n, count: 1, tones: 1, channels: [2]channel[int16]{ch}}
	nu := [maxTones]float64{alias(rate, f)}
	folded := [2]float64{alias(rate, 2*f), alias(rate, 3*f)}
	for i, x := range folded {
		if tell(n, x, 0) && tell(n, x, 0.5) && tell(n, x, nu[0]) && tell(n, x, folded[1-i]) {
			found[i].Determinable = true
			nu[p.tones] = x
			p.tones++
		}
	}
	fitted, ok := p.at(nu)
	if !ok || p.freedom() < leastFreedom {
		found[0].Determinable, found[1].Determinable = false, false
		return found, nil
	}
	volts := math.Abs(float64(r.VoltsPerCode))
	tone := 1
	for i := range found {
		if !found[i].Determinable {
			continue
		}
		phasor, held, _ := fitted.phasorAt(0, tone, 0, 0)
		s := &fitted.channels[0]
		more := quantisation(abs(s.p[0]), s.variance, nu[0], n)
		found[i].Amplitude = units.Volts(abs(phasor) * volts)
		found[i].U = units.Volts(math.Sqrt((held.RR+held.II)/2+more) * volts)
		tone++
	}
	return found, nil
}

// tell says whether n samples tell the frequencies a and b, in cycles per
// sample, apart; a sampled sine at a is one at -a as well.
func tell(n int, a, b float64) bool {
	distance := min(math.Abs(math.Remainder(a-b, 1)), math.Abs(math.Remainder(a+b, 1)))
	return distance*float64(n) >= apart
}
