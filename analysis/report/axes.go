package report

import (
	"math"

	"gonum.org/v1/plot"

	"halfturn/units"
)

// xRange is the span of all frequencies; false where there are none.
func (c *chart) xRange() (from, to float64, ok bool) {
	from, to = math.Inf(1), math.Inf(-1)
	see := func(x float64) { from, to = min(from, x), max(to, x) }
	for _, t := range c.traces {
		for _, q := range t.points {
			see(q.x)
		}
	}
	for _, list := range [2][]float64{c.missing, c.also} {
		for _, x := range list {
			see(x)
		}
	}
	if from > to {
		return 0, 0, false
	}
	if to/from < 1+1e-9 { // one frequency: stand it in the middle
		return from / 1.25, to * 1.25, true
	}
	return from, to, true
}

// yRange holds every value and limit, and of the intervals as much as does
// not squeeze the values.
func (c *chart) yRange() (lo, hi float64) {
	if c.ceil > c.floor {
		return c.floor, c.ceil
	}
	lo, hi = math.Inf(1), math.Inf(-1)
	see := func(y float64) { lo, hi = min(lo, y), max(hi, y) }
	for _, t := range c.traces {
		for _, q := range t.points {
			see(q.y)
		}
	}
	for _, l := range c.limits {
		see(l.y)
		see(l.y + l.rise)
	}
	if c.zero {
		see(0)
	}
	if lo > hi {
		return 0, 1
	}
	wlo, whi := lo, hi
	for _, t := range c.traces {
		for _, q := range t.points {
			if t.band {
				wlo, whi = min(wlo, q.lo), max(whi, q.hi)
			}
		}
	}
	if c.logarithmic {
		return logarithmicRange(lo, hi, wlo, whi)
	}
	least := max(1e-3, 1e-6*max(math.Abs(lo), math.Abs(hi)))
	spare := max(0.3*(hi-lo), least)
	lo, hi = max(wlo, lo-spare), min(whi, hi+spare)
	if short := c.least - (hi - lo); short > 0 {
		lo, hi = lo-short/2, hi+short/2
	}
	pad := max(0.07*(hi-lo), least)
	room := pad
	for _, l := range c.limits {
		if l.label != "" && max(l.y, l.y+l.rise) > hi-pad { // for its label
			room = 0.12 * (hi - lo)
		}
	}
	return lo - pad, hi + room
}

// logarithmicRange holds the values from lo to hi, and of the intervals from
// wlo to whi a factor of 2 at most; a third of a decade at least, and some air.
func logarithmicRange(lo, hi, wlo, whi float64) (float64, float64) {
	if !(lo > 0) {
		return 1, 10
	}
	lo, hi = max(wlo, lo/2), min(whi, 2*hi)
	if hi < 2*lo {
		lo, hi = lo/math.Sqrt2, hi*math.Sqrt2
	}
	air := math.Pow(hi/lo, 0.07)
	return lo / air, hi * air
}

// frequencyTicks marks a log axis at 1, 2 and 5 of each decade, the powers of
// ten alone over many decades, or in even steps where the span is short.
func frequencyTicks(from, to float64) []plot.Tick {
	decades := math.Log10(to / from)
	if decades < 0.7 {
		return linearTicks(from, to, 5, func(v, step float64) string {
			if step/v < 0.01 {
				return units.Hertz(math.Round(v/step) * step).String()
			}
			return units.Hertz(v).Brief()
		})
	}
	var ticks []plot.Tick
	for d := math.Floor(math.Log10(from)); d <= math.Ceil(math.Log10(to)); d++ {
		for m := 1.0; m < 10; m++ {
			v := m * math.Pow(10, d)
			if v < from*(1-1e-9) || v > to*(1+1e-9) {
				continue
			}
			t := plot.Tick{Value: min(max(v, from), to)}
			if m == 1 || decades <= 2.2 && (m == 2 || m == 5) {
				t.Label = units.Hertz(v).Brief()
			}
			ticks = append(ticks, t)
		}
	}
	return ticks
}

// valueTicks marks the axis of the values.
func (c *chart) valueTicks(from, to float64) []plot.Tick {
	if c.logarithmic {
		return logarithmicTicks(from, to)
	}
	return valueTicks(from, to)
}

// logarithmicTicks marks 1, 2 and 5 of each decade, or the decades alone where
// there are many.
func logarithmicTicks(from, to float64) []plot.Tick {
	decades := math.Log10(to / from)
	if decades < 0.7 {
		return valueTicks(from, to)
	}
	var ticks []plot.Tick
	for d := math.Floor(math.Log10(from)); d <= math.Ceil(math.Log10(to)); d++ {
		for m := 1.0; m < 10; m++ {
			v := m * math.Pow(10, d)
			if v < from || v > to {
				continue
			}
			t := plot.Tick{Value: v}
			if m == 1 || decades <= 2.2 && (m == 2 || m == 5) {
				t.Label = rounded(v, max(0, -int(d)))
			}
			ticks = append(ticks, t)
		}
	}
	return ticks
}

func valueTicks(from, to float64) []plot.Tick {
	return linearTicks(from, to, 5, func(v, step float64) string {
		return rounded(v, max(0, int(math.Ceil(-math.Log10(step)-1e-9))))
	})
}

// linearTicks puts about n ticks at multiples of 1, 2 or 5 times a power of ten.
func linearTicks(from, to float64, n int, label func(v, step float64) string) []plot.Tick {
	raw := (to - from) / float64(n)
	step := math.Pow(10, math.Floor(math.Log10(raw)))
	for _, m := range []float64{2, 5, 10} {
		if step < raw {
			step = m * math.Pow(10, math.Floor(math.Log10(raw)))
		}
	}
	var ticks []plot.Tick
	for k := math.Ceil(from / step); k*step <= to; k++ {
		ticks = append(ticks, plot.Tick{Value: k * step, Label: label(k*step, step)})
	}
	return ticks
}
