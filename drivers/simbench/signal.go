package simbench

import (
	"math"
	"math/cmplx"

	"halfturn/units"
)

// harmonics is how many components of the source are followed: the
// fundamental, the second and the third.
const harmonics = 3

// openCircuit is the source's components at its harmonics as open-circuit
// volts peak, for a level set in dBm into 50 Ω. The level error is smooth over
// frequency; the phases of the harmonics are drawn once from the seed.
func (s *Scenario) openCircuit(f units.Hertz, level units.DBm) [harmonics]complex128 {
	e := s.Generator.LevelError
	err := e.Offset +
		e.Tilt*units.DB(math.Log10(float64(f)/100e6)) +
		e.Ripple*units.DB(math.Sin(2*math.Pi*float64(f/e.RipplePeriod))) +
		e.Per10dB*units.DB(level/10)
	// Twice the matched voltage, and peak for rms.
	peak := 2 * math.Sqrt2 * float64(level.Add(err).VoltsRMS())
	phase := func(n uint64) float64 { return 2 * math.Pi * unit(mix(s.Seed, 'h', n)) }
	return [harmonics]complex128{
		complex(peak, 0),
		cmplx.Rect(peak*s.Generator.Harmonics.Second.Ratio(), phase(2)),
		cmplx.Rect(peak*s.Generator.Harmonics.Third.Ratio(), phase(3)),
	}
}

// response is a channel's transfer from input to converter at f:
// H = g e^(-j2πfτ) / ((1 + jf/p1)(1 + jf/p2)).
func (c *Channel) response(f units.Hertz) complex128 {
	pole := func(p units.Hertz) complex128 { return complex(1, float64(f/p)) }
	h := cmplx.Rect(c.Gain.Ratio(), -2*math.Pi*float64(f)*float64(c.Delay))
	return h / (pole(c.Poles[0]) * pole(c.Poles[1]))
}

// rangeGain is the gain of a range of a channel, and offset its zero error as
// a part of the range. Both are drawn from the seed, within the largest.
func (s *Scenario) rangeGain(channel int, full units.Volts) float64 {
	draw := 2*unit(mix(s.Seed, 'g', uint64(channel), bitsOf(full))) - 1
	return (s.Scope.RangeGainError * units.DB(draw)).Ratio()
}

func (s *Scenario) offset(channel int, full units.Volts) float64 {
	return s.Scope.Offset * (2*unit(mix(s.Seed, 'o', uint64(channel), bitsOf(full))) - 1)
}

// contact is what each arm's connectors multiply by when so many things have
// been fitted before: amplitude and phase are drawn from the seed, of a normal
// distribution.
func (s *Scenario) contact(fittings uint64) (c [2]complex128) {
	for arm := range c {
		draw := newSource(mix(s.Seed, 'c', fittings, uint64(arm)))
		amplitude := s.Connector.Amplitude * units.DB(draw.normal())
		phase := float64(s.Connector.Phase) * draw.normal()
		c[arm] = cmplx.Rect(amplitude.Ratio(), phase*math.Pi/180)
	}
	return c
}

// atConverter is what each channel's converter sees of each harmonic, volts
// peak, with a source phase of 0.
func (s *Scenario) atConverter(f units.Hertz, level units.DBm, what Fixture, full [channels]units.Volts) (v [channels][harmonics]complex128) {
	source := s.openCircuit(f, level)
	driven := s.driven(f, what, cmplx.Abs(source[0]))
	for h := range harmonics {
		at := f * units.Hertz(h+1)
		a := driven.solve(at, what)
		for i, at0 := range [...]complex128{a.channel[0], a.channel[1], a.reference} {
			if at0 != 0 {
				v[i][h] = source[h] * at0 * s.channel(i).response(at) * complex(s.rangeGain(i, full[i]), 0)
			}
		}
	}
	return v
}

// channel is that of an arm or of the reference; a fourth is like that.
func (s *Scenario) channel(i int) *Channel {
	if i < reference {
		return &s.Scope.Channels[i]
	}
	return &s.Reference.Channel
}
