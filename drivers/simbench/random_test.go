package simbench

import (
	"math"
	"testing"
)

// Moments of the standard normal distribution: 0, 1, 0, 3; and its tail
// beyond 1, 2 and 4. Tolerances are five standard deviations of each sample
// figure for n draws.
func TestNormalIsNormal(t *testing.T) {
	const n = 4_000_000
	s := newSource(9)
	var m1, m2, m3, m4 float64
	var beyond [5]int
	for range n {
		x := s.normal()
		m1 += x
		m2 += x * x
		m3 += x * x * x
		m4 += x * x * x * x
		for k := range beyond {
			if math.Abs(x) > float64(k) {
				beyond[k]++
			}
		}
	}
	within := func(what string, got, want, variance float64) {
		if math.Abs(got-want) > 5*math.Sqrt(variance/n) {
			t.Errorf("%s %g, want %g", what, got, want)
		}
	}
	within("mean", m1/n, 0, 1)
	within("second moment", m2/n, 1, 2)
	within("third moment", m3/n, 0, 15)
	within("fourth moment", m4/n, 3, 96)
	for k, count := range beyond {
		p := math.Erfc(float64(k) / math.Sqrt2)
		within("tail", float64(count)/n, p, p*(1-p)+1e-12)
	}
}

func TestMixDependsOnOrderAndValue(t *testing.T) {
	seen := map[uint64][]uint64{}
	for a := range uint64(200) {
		for b := range uint64(200) {
			h := mix(a, b)
			if other, found := seen[h]; found {
				t.Fatalf("mix(%d, %d) is mix(%v)", a, b, other)
			}
			seen[h] = []uint64{a, b}
		}
	}
	if u := unit(math.MaxUint64); u >= 1 {
		t.Errorf("unit reaches %g", u)
	}
}

func BenchmarkNormal(b *testing.B) {
	s := newSource(1)
	for b.Loop() {
		s.normal()
	}
}
