package linearity

import "math"

// channelsDiffer is how much the two channels may differ in how they pass a
// harmonic against its fundamental, as a ratio: 1 dB. Common practice.
const channelsDiffer = 1.122

// differ is the probability below which two arms' harmonics are called
// different; it is small since a run has hundreds of them.
const differ = 1e-4

// cableDistortion tells the scope's harmonics from the generator's: the latter
// reach both arms of the cable alike. k is the order less 2.
func cableDistortion(p *Point, k int) Distortion {
	d := larger(p, k)
	if d.Harmonic.Seen() {
		d.Source = cableSource(p, k)
	}
	return d
}

// cableSource is where a harmonic of the calibration comes from.
func cableSource(p *Point, k int) Source {
	one, two := p.Harmonics[0][k], p.Harmonics[1][k]
	if !one.Determinable() || !two.Determinable() {
		return FromGeneratorOrScope
	}
	if one.Ratio < two.Ratio {
		one, two = two, one
	}
	if unlikely(one.Ratio-channelsDiffer*two.Ratio, one.U, channelsDiffer*two.U) < differ {
		return FromScope
	}
	return FromGeneratorOrScope
}

// balunDistortion tells a balun's harmonics from those that the calibration
// shows, see expected. Of the two arms the one with the more striking excess
// counts, else the one with the larger harmonic.
func balunDistortion(p, c *Point, k int, passes [2]float64, level float64) Distortion {
	d := larger(p, k)
	if !d.Harmonic.Seen() {
		return d
	}
	alike := func(arm int) bool {
		return c != nil && c.Range == p.Range && c.Harmonics[arm][k].Determinable() && c.High.Measured() && p.High.Measured()
	}
	if !alike(d.Arm - 1) {
		d.Source = Unknown
		return d
	}
	d.Source = cableSource(c, k)
	striking := level / 4 // two arms, two orders
	for arm := range p.Harmonics {
		b := p.Harmonics[arm][k]
		if !alike(arm) || !b.Seen() {
			continue
		}
		e := expected(p, c, arm, k, passes[arm])
		if chance := unlikely(b.Ratio-e.Ratio, b.U, e.U); chance < striking {
			striking = chance
			d.Arm, d.Harmonic, d.Source = arm+1, b, FromBalun
		}
	}
	return d
}

// expected is the most that scope and generator together would show in the
// balun's run, from what they show in the calibration. A harmonic of order n
// rises against its fundamental with the (n-1)th power of the amplitude: the
// scope's with the fill, the generator's with the drive, unless it keeps its
// ratio over a step attenuator. A linear balun lets the generator's harmonic
// through better than the fundamental at most by the ratio of the most that it
// passes anywhere to what it passes here.
func expected(p, c *Point, arm, k int, passes float64) Harmonic {
	power := float64(k + 1)
	fill := p.High.Fill[arm] / c.High.Fill[arm]
	drive := math.Pow(10, float64(p.High.Drive-c.High.Drive)/20)
	generator := max(1, math.Pow(drive, power)) * max(1, passes/passed(p, c, arm))
	scale := max(generator, math.Pow(fill, power))
	h := c.Harmonics[arm][k]
	return Harmonic{Ratio: scale * h.Ratio, U: scale * h.U}
}

// passed is an arm's amplitude in the balun's run over that with the cable, at
// the same drive.
func passed(p, c *Point, arm int) float64 {
	return float64(p.High.Estimate.Amplitude[arm]/c.High.Estimate.Amplitude[arm]) *
		math.Pow(10, float64(c.High.Drive-p.High.Drive)/20)
}

// mostPassed is the largest of passed over the run, by arm.
func mostPassed(points, calibration []Point) (most [2]float64) {
	for i := range points {
		p := &points[i]
		c := nearest(calibration, p.Frequency)
		if c == nil || !p.High.Measured() || !c.High.Measured() {
			continue
		}
		for arm := range most {
			most[arm] = max(most[arm], passed(p, c, arm))
		}
	}
	return most
}

// larger is the harmonic of the arm that shows more of it.
func larger(p *Point, k int) Distortion {
	d := Distortion{Order: k + 2}
	for arm := range p.Harmonics {
		h := p.Harmonics[arm][k]
		if h.Determinable() && (d.Arm == 0 || h.Ratio > d.Harmonic.Ratio) {
			d.Arm, d.Harmonic, d.Source = arm+1, h, NothingSeen
		}
	}
	return d
}

// stronger compares two harmonics by what is known of them: one that is seen
// counts more than one that is not.
func stronger(a, b Distortion) bool {
	if a.Harmonic.Seen() != b.Harmonic.Seen() {
		return a.Harmonic.Seen()
	}
	return a.Harmonic.Ratio > b.Harmonic.Ratio
}

// unlikely is the probability that two amplitudes differ by so much from noise
// of standard uncertainties u and v in each part alone: the Rayleigh tail,
// which is above the normal one. 1 where there is no excess.
func unlikely(excess, u, v float64) float64 {
	if !(excess > 0) {
		return 1
	}
	return math.Exp(-excess * excess / (u*u + v*v) / 2)
}
