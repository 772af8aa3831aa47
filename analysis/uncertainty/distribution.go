package uncertainty

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
)

// Distribution is what is known of a quantity besides its size. The value of a
// normal one is its standard uncertainty, that of any other its half-width.
type Distribution string

// JCGM 101:2008, table 1 and 6.4, says when to assign which.
const (
	Normal      Distribution = "normal"
	Rectangular Distribution = "rectangular"
	Triangular  Distribution = "triangular"
	// Arcsine is U-shaped: a sinusoid of unknown phase. A complex quantity of
	// known magnitude and unknown phase has it in both parts, uncorrelated.
	Arcsine Distribution = "arcsine"
	// Disc is that of a complex quantity of which a largest magnitude is known
	// and nothing else.
	Disc Distribution = "disc"
)

var distributions = []Distribution{Normal, Rectangular, Triangular, Arcsine, Disc}

// Standard is the standard uncertainty of a quantity, or of each part of a
// complex one, whose value is 1.
func (d Distribution) Standard() float64 {
	switch d {
	case Normal:
		return 1
	case Rectangular:
		return 1 / math.Sqrt(3) // JCGM 101:2008, 6.4.2.3
	case Triangular:
		return 1 / math.Sqrt(6) // 6.4.5.3
	case Arcsine:
		return 1 / math.Sqrt2 // 6.4.6.3
	case Disc:
		return 1. / 2 // mean of x² over the unit disc is 1/4
	}
	return math.NaN()
}

// draw is one value of a real quantity whose value is 1.
func (d Distribution) draw(rng *rand.Rand) float64 {
	switch d {
	case Normal:
		return rng.NormFloat64()
	case Rectangular:
		return 2*rng.Float64() - 1
	case Triangular:
		return rng.Float64() - rng.Float64()
	case Arcsine:
		return math.Sin(2 * math.Pi * rng.Float64())
	}
	return math.NaN()
}

// ring is one value of a complex quantity of unknown phase whose value is 1.
func (d Distribution) ring(rng *rand.Rand) complex128 {
	magnitude := 1.0
	switch d {
	case Normal:
		return complex(rng.NormFloat64(), rng.NormFloat64())
	case Disc:
		magnitude = math.Sqrt(rng.Float64())
	}
	sin, cos := math.Sincos(2 * math.Pi * rng.Float64())
	return complex(magnitude*cos, magnitude*sin)
}

// check says what is wrong with the distribution of an entry of this shape.
func (d Distribution) check(s shape) error {
	allowed := s.distributions()
	for _, a := range allowed {
		if d == a {
			return nil
		}
	}
	var names []string
	for _, a := range allowed {
		names = append(names, string(a))
	}
	wanted := strings.Join(names[:len(names)-1], ", ") + " or " + names[len(names)-1]
	switch {
	case d == "":
		return fmt.Errorf("distribution is missing: say %s", wanted)
	case contains(distributions, d):
		return fmt.Errorf("distribution is %s, which this entry cannot have: say %s", d, wanted)
	}
	return fmt.Errorf("distribution is %q, which is not known: say %s", string(d), wanted)
}

func contains(all []Distribution, d Distribution) bool {
	for _, a := range all {
		if a == d {
			return true
		}
	}
	return false
}
