package conformity

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"halfturn/units"
)

func linear(from, to float64, n int) []float64 {
	f := make([]float64, n)
	for i := range f {
		f[i] = from + (to-from)*float64(i)/float64(n-1)
	}
	return f
}

func logarithmic(from, to float64, n int) []float64 {
	f := make([]float64, n)
	for i := range f {
		f[i] = from * math.Pow(to/from, float64(i)/float64(n-1))
	}
	return f
}

func join(parts ...[]float64) (all []float64) {
	for _, p := range parts {
		all = append(all, p...)
	}
	return all
}

func TestHoles(t *testing.T) {
	for _, c := range []struct {
		name     string
		mhz      []float64
		from, to units.Hertz // of the hole, MHz; 0 for none
	}{
		{"logarithmic", logarithmic(10, 100, 40), 0, 0},
		{"linear", linear(10, 100, 40), 0, 0},
		{"linear over two decades", linear(1, 100, 100), 0, 0},
		{"few steps", []float64{10, 12, 90, 100}, 0, 0}, // no telling what is usual
		{"segments far apart", join(linear(10, 20, 20), linear(80, 100, 20)), 20, 80},
		{"the same, coarser", join(linear(10, 20, 4), linear(85, 100, 4)), 20, 85},
		{"one step in the middle of a hole", join(linear(10, 20, 20), []float64{45}, linear(80, 100, 20)), 20, 45},
		{"logarithmic segments", join(logarithmic(10, 30, 15), logarithmic(60, 100, 15)), 30, 60},
		{"two holes", join(linear(10, 12, 10), linear(40, 42, 10), linear(98, 100, 10)), 12, 40},
		{"one stretch finer than the rest", join(logarithmic(10, 50, 8), linear(51, 55, 200), logarithmic(60, 100, 5)), 0, 0},
		{"two steps missing", join(linear(10, 50, 40), linear(53, 100, 46)), 0, 0},
		{"many short segments", join(linear(10, 12, 5), linear(20, 22, 5), linear(40, 42, 5), linear(60, 62, 5), linear(80, 82, 5), linear(98, 100, 5)), 22, 40},
		{"a hole that ends outside", join(linear(5, 8, 20), linear(30, 100, 100)), 8, 30},
		{"a hole wholly outside", join(linear(1, 2, 20), linear(9, 100, 100)), 0, 0},
	} {
		phase := make([]float64, len(c.mhz))
		results, decisions := steps(band, c.mhz, phase)
		s := Summarise(band, results, decisions)
		if math.Abs(float64(s.HoleFrom-c.from*1e6)) > 1 || math.Abs(float64(s.HoleTo-c.to*1e6)) > 1 {
			t.Errorf("%s: %v to %v, want %v to %v MHz", c.name, s.HoleFrom, s.HoleTo, float64(c.from), float64(c.to))
		}
		want := Pass
		if c.to > 0 {
			want = NotMeasurable
		}
		if s.Verdict != want {
			t.Errorf("%s: %q, want %q", c.name, s.Verdict, want)
		}
		if c.to > 0 && s.PassFrom < c.to*1e6-1 && s.PassTo > c.from*1e6+1 {
			t.Errorf("%s: passes from %v to %v, across the hole", c.name, s.PassFrom, s.PassTo)
		}
	}
	mhz := join(linear(10, 20, 20), linear(80, 100, 20))
	phase := make([]float64, len(mhz))
	phase[3] = 9
	results, decisions := steps(band, mhz, phase)
	if s := Summarise(band, results, decisions); s.Verdict != Fail {
		t.Errorf("a fail beside a hole: %q", s.Verdict)
	}
}

// More steps where there are steps already never make a hole, nor mend one;
// and a sweep of one spacing has none.
func TestHolesProperties(t *testing.T) {
	count := func(mhz []float64) (n int) {
		f := make([]units.Hertz, len(mhz))
		for i := range mhz {
			f[i] = units.Hertz(mhz[i] * 1e6)
		}
		for _, is := range holes(f, 10e6, 100e6) {
			if is {
				n++
			}
		}
		return n
	}
	rapid.Check(t, func(t *rapid.T) {
		low := rapid.Float64Range(11, 40).Draw(t, "low")
		high := low * rapid.Float64Range(1.6, 2.3).Draw(t, "ratio")
		n := rapid.IntRange(8, 60).Draw(t, "steps")
		spacing := rapid.SampledFrom([]func(float64, float64, int) []float64{linear, logarithmic}).Draw(t, "spacing")
		if whole := spacing(10, 100, n); count(whole) != 0 {
			t.Fatalf("%d holes in %v", count(whole), whole)
		}
		if count(join(logarithmic(10, low, 40), logarithmic(high, 100, 40))) != 1 {
			t.Fatalf("no hole from %g to %g", low, high)
		}
		times := rapid.IntRange(2, 9).Draw(t, "finer")
		if count(join(logarithmic(10, low, 40*times), logarithmic(high, 100, 40*times))) != 1 {
			t.Fatalf("finer steps mend the hole from %g to %g", low, high)
		}
		at := rapid.IntRange(0, n-2).Draw(t, "at")
		even := spacing(10, 100, n)
		finer := join(even[:at], linear(even[at], even[at+1], 50*times), even[min(at+2, n):])
		if count(finer) != 0 {
			t.Fatalf("finer steps from %g make a hole", even[at])
		}
	})
}
