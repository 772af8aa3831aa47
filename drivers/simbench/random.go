package simbench

import (
	"math"
	"math/bits"
)

// mix hashes words into one; the order matters. Each word goes through the
// finaliser of SplitMix64 (Steele, Lea, Flood, "Fast splittable pseudorandom
// number generators", OOPSLA 2014; constants from memory).
func mix(words ...uint64) uint64 {
	h := uint64(0x9e3779b97f4a7c15)
	for _, w := range words {
		h += w + 0x9e3779b97f4a7c15
		h = (h ^ h>>30) * 0xbf58476d1ce4e5b9
		h = (h ^ h>>27) * 0x94d049bb133111eb
		h ^= h >> 31
	}
	return h
}

// unit makes a number in [0, 1) of a hash.
func unit(h uint64) float64 { return float64(h>>11) / (1 << 53) }

// bitsOf is the pattern of a quantity, to be hashed.
func bitsOf[Q ~float64](q Q) uint64 { return math.Float64bits(float64(q)) }

// source is xoshiro256++ (Blackman and Vigna, "Scrambled linear pseudorandom
// number generators", 2021; from memory): a few additions and rotations a
// word, without a call.
type source struct{ a, b, c, d uint64 }

func newSource(seed uint64) *source {
	return &source{mix(seed, 1), mix(seed, 2), mix(seed, 3), mix(seed, 4)}
}

func (s *source) next() uint64 {
	result := bits.RotateLeft64(s.a+s.d, 23) + s.a
	t := s.b << 17
	s.c ^= s.a
	s.d ^= s.b
	s.b ^= s.c
	s.a ^= s.d
	s.c ^= t
	s.d = bits.RotateLeft64(s.d, 45)
	return result
}

// The ziggurat of Marsaglia and Tsang ("The ziggurat method for generating
// random variables", Journal of Statistical Software, 2000): strips of equal
// area under e^(-x²/2), of which one random word picks one and a place in it.
const (
	strips    = 256
	tailStart = 3.6541528853610088 // x of the lowest strip's edge for 256 strips
	stripArea = 4.92867323399e-3   // of each
	perInt    = 1.0 / (1 << 53)    // a 53-bit integer as a part of 1
)

type strip struct {
	scale float64 // width, per integer
	inner uint64  // integers below it lie under the curve for certain
}

var (
	stripTable [strips]strip
	stripX     [strips + 1]float64 // edges, falling; [0] is the base strip's virtual width
	stripY     [strips + 1]float64 // e^(-x²/2) at the edges
)

func init() {
	density := func(x float64) float64 { return math.Exp(-x * x / 2) }
	stripX[0] = stripArea / density(tailStart)
	stripX[1] = tailStart
	for i := 2; i < strips; i++ {
		stripX[i] = math.Sqrt(-2 * math.Log(stripArea/stripX[i-1]+density(stripX[i-1])))
	}
	stripX[strips] = 0
	for i := range stripX {
		stripY[i] = density(stripX[i])
	}
	for i := range stripTable {
		stripTable[i] = strip{stripX[i] * perInt, uint64(stripX[i+1] / stripX[i] * (1 << 53))}
	}
}

// normal is a number of the standard normal distribution.
func (s *source) normal() float64 {
	word := s.next()
	i := word & (strips - 1)
	n := word >> 11
	x := float64(n) * stripTable[i].scale
	if n >= stripTable[i].inner {
		x = s.edge(i, x)
	}
	// Bit 8 is used for nothing else: it is the sign.
	return math.Float64frombits(math.Float64bits(x) | word&(1<<8)<<55)
}

// edge decides in the part of strip i that the curve crosses, and draws anew
// where the point lies above it.
func (s *source) edge(i uint64, x float64) float64 {
	for {
		if i == 0 {
			return s.tail()
		}
		if stripY[i]+unit(s.next())*(stripY[i+1]-stripY[i]) < math.Exp(-x*x/2) {
			return x
		}
		word := s.next()
		i = word & (strips - 1)
		n := word >> 11
		x = float64(n) * stripTable[i].scale
		if n < stripTable[i].inner {
			return x
		}
	}
}

// tail draws from beyond tailStart.
func (s *source) tail() float64 {
	for {
		x := -math.Log(1-unit(s.next())) / tailStart
		y := -math.Log(1 - unit(s.next()))
		if 2*y > x*x {
			return tailStart + x
		}
	}
}
