package balance

import (
	"math"
	"sort"

	"halfturn/units"
)

// Nearest is the calibrated step whose frequency is nearest to f by ratio,
// whether or not f is inside the calibrated span.
func (c *Calibration) Nearest(f units.Hertz) Point {
	i := sort.Search(len(c.points), func(i int) bool { return c.points[i].Frequency >= f })
	if i == len(c.points) || (i > 0 && ratioApart(c.points[i-1].Frequency, f) < ratioApart(c.points[i].Frequency, f)) {
		i--
	}
	return c.points[i]
}

func ratioApart(a, b units.Hertz) float64 { return math.Abs(math.Log(float64(a / b))) }
