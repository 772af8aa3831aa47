package phasor

import (
	"fmt"
	"math"

	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// Tone is the fit of one more channel of a capture at the frequency of its Pair.
type Tone struct {
	P     complex128      // phasor, volts peak, at the time of sample 0
	Sigma units.Volts     // rms residual with N-3 degrees of freedom, N-4 where the frequency was fitted, at least step/√12
	Held  uncertainty.Cov // of P given the frequency, V²
	Slope complex128      // change of P per change of the frequency, V/Hz; 0 where the pair's was held
	N     int             // samples; 0 for no tone
}

// Beside fits the record of one more channel, sampled with both arms, at the
// pair's frequency: least squares of [cos 2πft, sin 2πft, 1] as by Fit, and sets Reference.
// An error of that frequency turns
// all three phasors alike; Slope says by how much.
//
// Errors as for Fit.
func (p *Pair) Beside(r *Record, rate units.Hertz) error {
	if len(r.Codes) != p.N {
		return fmt.Errorf("the arms have %d samples, the reference has %d: %w", p.N, len(r.Codes), ErrRecord)
	}
	ch, _, err := check(r)
	if err != nil {
		return fmt.Errorf("the reference: %w", err)
	}
	one := problem[int16]{n: p.N, count: 1, tones: 1, channels: [2]channel[int16]{ch}}
	if p.UFrequency > 0 {
		one.free = 1 // for the slope alone: no step is taken
	}
	found, ok := one.at([maxTones]float64{alias(rate, p.Frequency)})
	if !ok {
		return fmt.Errorf("the reference: %v in %d samples at %v: %w", p.Frequency, p.N, rate, ErrDegenerate)
	}
	s, volts := &found.channels[0], float64(r.VoltsPerCode)
	phasor, held, slopes := found.phasorAt(0, 0, one.free, -float64(p.N-1)/2)
	more := quantisation(abs(phasor), s.variance, found.nu[0], p.N)
	held.RR += more
	held.II += more
	p.Reference = Tone{
		P:     phasor * complex(volts, 0),
		Sigma: units.Volts(math.Sqrt(s.variance) * math.Abs(volts)),
		Held:  turn(held, complex(volts, 0)),
		Slope: slopes[0] * complex(volts*2*math.Pi/float64(rate), 0),
		N:     p.N,
	}
	return nil
}
