package uncertainty

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"
)

// Rayleigh: 1 - exp(-ρ²/2σ²) within ρ of a circular variate about 0; one
// dimension: Φ differences; both to 1e-6.
func TestWithinClosedForms(t *testing.T) {
	for _, radius := range []float64{0.01, 0.3, 1, 2.5, 6} {
		if got, want := withinOf(0, Circular(1), radius), 1-math.Exp(-radius*radius/2); math.Abs(got-want) > 1e-6 {
			t.Errorf("Rayleigh within %g: %.9f, want %.9f", radius, got, want)
		}
		for _, thin := range []float64{0, 1e-6, 1e-3} {
			z := complex(0.7, 0)
			want := normalBelow(radius-0.7) - normalBelow(-radius-0.7)
			if got := withinOf(z, Cov{RR: 1, II: thin * thin}, radius); math.Abs(got-want) > 1e-6+thin {
				t.Errorf("a line, thickness %g, within %g: %.9f, want %.9f", thin, radius, got, want)
			}
		}
	}
	if withinOf(1, Cov{}, 1.1) != 1 || withinOf(1, Cov{}, 0.9) != 0 || withinOf(0, Circular(1), 0) != 0 {
		t.Error("an exact quantity is not where it is")
	}
}

// Against 200 000 draws, to four standard deviations of a frequency.
func TestWithinAgainstSamples(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for _, c := range []struct {
		mean   complex128
		cov    Cov
		radius float64
	}{
		{complex(1, 1), Circular(1), 1.5},
		{complex(0.5, -2), Cov{4, 1.5, 1}, 2},
		{complex(3, 0), Cov{0.04, 0, 9}, 3.1},
		{complex(0, 5), Cov{0.5, -0.4, 0.5}, 5},
	} {
		const n = 200000
		major, minor, angle := c.cov.Axes()
		inside := 0.0
		for range n {
			if cmplx.Abs(c.mean+cmplx.Rect(1, angle)*complex(major*rng.NormFloat64(), minor*rng.NormFloat64())) <= c.radius {
				inside += 1. / n
			}
		}
		if got := withinOf(c.mean, c.cov, c.radius); math.Abs(got-inside) > 4*0.5/math.Sqrt(n) {
			t.Errorf("%+v: %.5f, drawn %.5f", c, got, inside)
		}
	}
}

// The bound holds in 95 % of the cases (2000 trials: standard deviation 0.005)
// from half a standard uncertainty up, and in all below; in no fewer, whatever
// the shape and the direction of the errors.
func TestAtMostCoverage(t *testing.T) {
	const trials = 2000
	for _, cov := range []Cov{Circular(1), {1, 0, 0.25}, {1, 0.6, 1}, {1, 0, 0}} {
		for _, m := range []float64{0.4, 0.55, 1, 2, 4, 20} {
			for _, angle := range []float64{0, 0.7, math.Pi / 2} {
				if cov == Circular(1) && angle > 0 || cov != Circular(1) && (m == 0.55 || m == 4) {
					continue
				}
				rng := rand.New(rand.NewPCG(7, uint64(m*100)))
				major, minor, axis := cov.Axes()
				truth := cmplx.Rect(m, angle)
				holds := 0
				for range trials {
					z := truth + cmplx.Rect(1, axis)*complex(major*rng.NormFloat64(), minor*rng.NormFloat64())
					if AtMost(z, cov, 0.95) >= m {
						holds++
					}
				}
				name, part := fmt.Sprintf("%v, %g∠%.1f", cov, m, angle), float64(holds)/trials
				least, most := 0.935, 0.965
				switch {
				case m < major/2:
					least, most = 1, 1
				case cov != Circular(1):
					// Across the larger axis |z| hardly falls below the truth.
					least, most = 0.93, 1
				}
				if part < least || part > most {
					t.Errorf("%s: holds in %.4f, accepted %g to %g", name, part, least, most)
				}
			}
		}
	}
}

func TestAtMostProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCov(t)
		z := cmplx.Rect(rapid.Float64Range(0, 100).Draw(t, "abs"), rapid.Float64Range(-4, 4).Draw(t, "arg"))
		b95, b99 := AtMost(z, c, 0.95), AtMost(z, c, 0.99)
		s := c.Standard()
		switch {
		case math.IsNaN(b95) || b95 < s/2-1e-12:
			t.Fatalf("bound of %v with %v: %g", z, c, b95)
		case b99 < b95-1e-5*s:
			t.Fatalf("99 %% bound %g below the 95 %% one %g", b99, b95)
		case b95 > cmplx.Abs(z)+1.7*s:
			t.Fatalf("bound %g of %v further out than 1.7 standard uncertainties %g", b95, z, s)
		}
		turned := AtMost(z*1i, c.Through(1i), 0.95)
		if math.Abs(turned-b95) > 1e-5*s+1e-9 {
			t.Fatalf("turned by a quarter: %g, want %g", turned, b95)
		}
	})
	if AtMost(3+4i, Cov{}, 0.95) != 5 {
		t.Error("an exact quantity is not its own bound")
	}
}

func BenchmarkAtMost(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		AtMost(0.02, Cov{1e-4, 2e-5, 5e-5}, 0.95)
	}
}

// withinOf is within for any covariance.
func withinOf(mean complex128, c Cov, radius float64) float64 {
	major, minor, angle := c.Axes()
	mean *= cmplx.Rect(1, -angle)
	return within(real(mean), imag(mean), major, minor, radius)
}
