package phasor

import "math"

// sample is what a record is made of: converter codes, or plain numbers.
type sample interface{ int16 | float64 }

// block is how many samples share one table of sines and cosines. 128 keeps
// the tables in the nearest cache and the turning from block to block rare.
const (
	block = 128
	half  = block / 2
)

// tables holds the sines and cosines of half a block, counted from its
// centre: entry j is at j+½ samples. The other half follows by symmetry.
type tables struct {
	nu         float64
	cos, sin   [half]float64
	kcos, ksin [half]float64 // times j+½
}

// set fills the tables by doubling: six products deep, so accurate to a few ulp.
func (t *tables) set(nu float64) {
	t.nu = nu
	t.sin[0], t.cos[0] = math.Sincos(math.Pi * nu)
	for have := 1; have < half; have *= 2 {
		s, c := sincosTurns(nu * float64(have))
		for j := range have {
			t.cos[have+j] = t.cos[j]*c - t.sin[j]*s
			t.sin[have+j] = t.sin[j]*c + t.cos[j]*s
		}
	}
	for j := range half {
		k := float64(j) + 0.5
		t.kcos[j], t.ksin[j] = k*t.cos[j], k*t.sin[j]
	}
}

// sincosTurns is the sine and cosine of an angle in turns; whole turns are
// taken off before π makes them inexact.
func sincosTurns(turns float64) (sin, cos float64) {
	return math.Sincos(2 * math.Pi * (turns - math.RoundToEven(turns)))
}

// moments are what one pass over a record yields, k counted from its centre.
type moments struct {
	zeroth complex128 // Σ y e^{-j2πnu·k}
	first  complex128 // Σ k y e^{-j2πnu·k}; only from withFirst
}

// project computes the moments of y at the tables' frequency. In each block
// the sums run against the tables, with no chain of dependent products; the
// block's sums are then turned to the block's place. withFirst asks for the
// first moment too, which costs half as much again.
func project[T sample](y []T, t *tables, withFirst bool) (m moments) {
	var tail [block]T // zeros add nothing
	centre := float64(block-len(y)) / 2
	s, c := sincosTurns(-t.nu * centre)
	place := complex(c, s)
	s, c = sincosTurns(-t.nu * block)
	advance := complex(c, s)
	for len(y) > 0 {
		b := &tail
		if len(y) >= block {
			b, y = (*[block]T)(y), y[block:]
		} else {
			copy(tail[:], y)
			y = nil
		}
		if withFirst {
			zeroth, first := firstOf(b, t)
			m.zeroth += zeroth * place
			m.first += (complex(centre, 0)*zeroth + first) * place
		} else {
			m.zeroth += zerothOf(b, t) * place
		}
		place *= advance
		centre += block
	}
	return m
}

// zerothOf is Σ y e^{-j2πnu·k} over one block, k from its centre. Samples at
// equal distances from the centre share a cosine and, but for the sign, a sine.
func zerothOf[T sample](y *[block]T, t *tables) complex128 {
	var even0, odd0, even1, odd1 float64
	for j := 0; j < half; j += 2 {
		after, before := float64(y[half+j]), float64(y[half-1-j])
		even0 += (after + before) * t.cos[j]
		odd0 += (after - before) * t.sin[j]
		after, before = float64(y[half+j+1]), float64(y[half-2-j])
		even1 += (after + before) * t.cos[j+1]
		odd1 += (after - before) * t.sin[j+1]
	}
	return complex(even0+even1, -(odd0 + odd1))
}

// firstOf is zerothOf and Σ k y e^{-j2πnu·k}.
func firstOf[T sample](y *[block]T, t *tables) (zeroth, first complex128) {
	var even, odd, keven, kodd float64
	for j := range half {
		after, before := float64(y[half+j]), float64(y[half-1-j])
		sum, difference := after+before, after-before
		even += sum * t.cos[j]
		odd += difference * t.sin[j]
		keven += difference * t.kcos[j]
		kodd += sum * t.ksin[j]
	}
	return complex(even, -odd), complex(keven, -kodd)
}

// survey is what the codes say before any frequency is known. The sums are exact.
type survey struct {
	min, max       int16
	total, squares int64
}

func surveyOf(codes []int16) survey {
	s := survey{min: math.MaxInt16, max: math.MinInt16}
	for _, y := range codes {
		s.min, s.max = min(s.min, y), max(s.max, y)
		s.total += int64(y)
		s.squares += int64(y) * int64(y)
	}
	return s
}
