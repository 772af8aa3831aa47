package conformity

import (
	"math"
	"sort"

	"halfturn/units"
)

const (
	// A gap between two steps is a hole if it is this many times as wide as
	// others, and takes up this part of the band. Common practice: sweeps in
	// segments have steps that differ by less, or many of each kind.
	muchWider = 5
	largePart = 0.05
)

// holes tells for each pair of neighbours among the frequencies f, in ascending
// order, whether a large part of the band from from to to, or of a band as wide,
// lies between them without a step though the sweep is much finer elsewhere, as
// where it is made of segments far apart. Frequencies may be spaced linearly or
// logarithmically: a gap must be much wider than others by either measure, and a
// large part of the band by one of them.
func holes(f []units.Hertz, from, to units.Hertz) []bool {
	hole := make([]bool, len(f))
	linear := newGaps(f, func(f units.Hertz) float64 { return float64(f) })
	logarithmic := newGaps(f, func(f units.Hertz) float64 { return math.Log(float64(f)) })
	for k := range linear.width {
		low, high := f[k], f[k+1]
		if low < to && high > from { // in the band: only what is in it
			low, high = max(low, from), min(high, to)
		}
		part := max(float64((high-low)/(to-from)), math.Log(float64(high/low))/math.Log(float64(to/from)))
		hole[k] = part > largePart && high > low && linear.wide(k) && logarithmic.wide(k)
	}
	return hole
}

// gaps are the widths between neighbouring steps by one measure.
type gaps struct {
	width  []float64
	sorted []float64 // ascending
}

func newGaps(f []units.Hertz, measure func(units.Hertz) float64) *gaps {
	var g gaps
	for k := 1; k < len(f); k++ {
		g.width = append(g.width, measure(f[k])-measure(f[k-1]))
	}
	g.sorted = append(g.sorted, g.width...)
	sort.Float64s(g.sorted)
	return &g
}

// wide tells whether gap k is much wider than the two on either side of it, or
// than all but two of the sweep with at least four finer ones: a coarse stretch
// beside a fine one has more gaps of its kind than that.
func (g *gaps) wide(k int) bool {
	n, much := len(g.width), g.width[k]/muchWider
	if k >= 2 && k+2 < n && max(g.width[k-2], g.width[k-1], g.width[k+1], g.width[k+2]) < much {
		return true
	}
	finer := sort.SearchFloat64s(g.sorted, much)
	const alike, fewest = 2, 4
	return finer >= fewest && n-finer-1 <= alike
}

// widestHole sets HoleFrom and HoleTo, and gives NotMeasurable if there is a
// hole in the band.
func (s *Summary) widestHole(hole []bool, f []units.Hertz, from, to units.Hertz) Verdict {
	widest := units.Hertz(1)
	for k, is := range hole {
		if is && f[k] < to && f[k+1] > from && f[k+1]/f[k] > widest {
			widest, s.HoleFrom, s.HoleTo = f[k+1]/f[k], f[k], f[k+1]
		}
	}
	if s.HoleTo == 0 {
		return NotLimited
	}
	return NotMeasurable
}
