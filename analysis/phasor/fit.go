package phasor

import (
	"fmt"
	"math"

	"halfturn/units"
)

// leastFreedom is the fewest degrees of freedom of a residual that tells a
// noise; leastSamples leaves them to three parameters.
const (
	leastFreedom = 5
	leastSamples = 3 + leastFreedom
)

// Fit finds the phasors of both channels at the known frequency f: least
// squares of [cos 2πft, sin 2πft, 1], the three-parameter fit of IEEE Std
// 1057, t = 0 at sample 0. f may lie above half the sample rate. Nothing is
// allocated.
//
// Sigma is the residual's rms with N-3 degrees of freedom, but at least
// step/√12: the error of rounding to codes is there even where a record
// happens not to show it. Cov is Sigma²(XᵀX)⁻¹ plus what rounding errors
// leave when there is too little noise to average them (see quantisation).
// A dead channel, all codes equal, comes out as amplitude 0 with an
// uncertainty of a good part of a step, which is what its codes say.
//
// Errors: ErrRecord, ErrClipped (with the count and the arm), ErrDegenerate
// (with the figures).
func Fit(records *[2]Record, rate, f units.Hertz) (Pair, error) {
	c, err := open(records, rate, f)
	if err != nil {
		return Pair{}, err
	}
	return c.held()
}

// capture is both records, checked, as a problem of one tone.
type capture struct {
	problem[int16]
	records *[2]Record
	surveys [2]survey
	rate, f units.Hertz
}

func open(records *[2]Record, rate, f units.Hertz) (c capture, err error) {
	if records == nil {
		return c, fmt.Errorf("no records: %w", ErrRecord)
	}
	n := len(records[0].Codes)
	if len(records[1].Codes) != n {
		return c, fmt.Errorf("arm 1 has %d samples, arm 2 has %d: %w", n, len(records[1].Codes), ErrRecord)
	}
	if err := checkFrequency(n, rate, f); err != nil {
		return c, err
	}
	c = capture{records: records, rate: rate, f: f}
	c.n, c.count, c.tones = n, 2, 1
	for arm := range records {
		if c.channels[arm], c.surveys[arm], err = check(&records[arm]); err != nil {
			return c, fmt.Errorf("arm %d: %w", arm+1, err)
		}
	}
	return c, nil
}

// checkFrequency refuses what no record of n samples can be fitted at.
func checkFrequency(n int, rate, f units.Hertz) error {
	for _, v := range [...]struct {
		name  string
		value units.Hertz
	}{{"sample rate", rate}, {"frequency", f}} {
		if !(v.value > 0) || math.IsInf(float64(v.value), 0) {
			return fmt.Errorf("%s of %v: it must be above zero and finite: %w", v.name, v.value, ErrDegenerate)
		}
	}
	if n < leastSamples {
		return fmt.Errorf("%d samples, a fit takes at least %d: %w", n, leastSamples, ErrRecord)
	}
	if condition := Condition(rate, n, f); !(condition <= MaxCondition) {
		return fmt.Errorf("%v in %d samples at %v has a condition of %.3g, at most %d is accepted; take another sample rate or a longer record: %w",
			f, n, rate, condition, MaxCondition, ErrDegenerate)
	}
	return nil
}

// check looks a record over in one pass.
func check(r *Record) (c channel[int16], s survey, err error) {
	switch scale, zero := float64(r.VoltsPerCode), r.Zero; {
	case scale == 0 || math.IsNaN(scale) || math.IsInf(scale, 0) || math.IsNaN(zero) || math.IsInf(zero, 0):
		return c, s, fmt.Errorf("scaling of %v a code from code %g has no meaning: %w", r.VoltsPerCode, zero, ErrRecord)
	case r.Low >= r.High:
		return c, s, fmt.Errorf("rails at codes %d and %d leave nothing between them: %w", r.Low, r.High, ErrRecord)
	}
	s = surveyOf(r.Codes)
	if s.min <= r.Low || s.max >= r.High {
		clipped := 0
		for _, y := range r.Codes {
			if y <= r.Low || y >= r.High {
				clipped++
			}
		}
		return c, s, fmt.Errorf("%d of %d samples at the converter's rails: %w", clipped, len(r.Codes), ErrClipped)
	}
	return channel[int16]{
		y: r.Codes, total: float64(s.total), squares: float64(s.squares), floor: quantumVariance,
	}, s, nil
}

// held is the fit at c.f.
func (c *capture) held() (Pair, error) {
	c.free = 0
	found, ok := c.at([maxTones]float64{alias(c.rate, c.f)})
	if !ok {
		return Pair{}, fmt.Errorf("%v in %d samples at %v: %w", c.f, c.n, c.rate, ErrDegenerate)
	}
	return c.pair(&found, c.f), nil
}

// pair scales a fit at frequency f to volts and turns it to the time of sample 0.
func (c *capture) pair(found *fit, f units.Hertz) Pair {
	perHertz := 2 * math.Pi / float64(c.rate) // ω in radians per sample
	p := Pair{
		Frequency:  f,
		UFrequency: units.Hertz(math.Sqrt(found.cov[0][0]) / perHertz),
		N:          c.n,
		Condition:  condition(c.n, found.nu[0]),
	}
	for arm := range p.P {
		s, r := &found.channels[arm], &c.records[arm]
		volts := float64(r.VoltsPerCode)
		phasor, held, slopes := found.phasorAt(arm, 0, c.free, -float64(c.n-1)/2)
		more := quantisation(abs(phasor), s.variance, found.nu[0], c.n)
		held.RR += more
		held.II += more
		p.P[arm] = phasor * complex(volts, 0)
		p.Slope[arm] = slopes[0] * complex(volts*perHertz, 0)
		p.Cov[arm] = addOuter(turn(held, complex(volts, 0)), p.Slope[arm], float64(p.UFrequency)*float64(p.UFrequency))
		p.Offset[arm] = units.Volts((s.offset - r.Zero) * volts)
		p.Sigma[arm] = units.Volts(math.Sqrt(s.variance) * math.Abs(volts))
		p.PeakToPeak[arm] = units.Volts(float64(int(c.surveys[arm].max)-int(c.surveys[arm].min)) * math.Abs(volts))
	}
	return p
}

func abs(z complex128) float64 { return math.Hypot(real(z), imag(z)) }
