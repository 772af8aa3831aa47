package phasor

import (
	"errors"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"halfturn/units"
)

// noisySine is a record of a sine of so many codes peak.
func noisySine(rng *rand.Rand, n int, cycles, amplitude, phase, noise float64) Record {
	r := Record{Codes: make([]int16, n), VoltsPerCode: 2e-3, Zero: 1, Low: -128, High: 127}
	for i := range r.Codes {
		r.Codes[i] = int16(math.Round(1 + amplitude*math.Cos(2*math.Pi*cycles*float64(i)+phase) + noise*rng.NormFloat64()))
	}
	return r
}

// A channel beside the arms comes out as an arm does. Tolerances: the two count
// half a degree of freedom differently where the frequency is fitted, of 4000.
func TestBesideIsLikeAnArm(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 1))
	const rate, f, n = units.Hertz(500e6), units.Hertz(31.3e6), 4000
	arms := [2]Record{
		noisySine(rng, n, float64(f/rate)*(1+3e-6), 90, 0.4, 1.5),
		noisySine(rng, n, float64(f/rate)*(1+3e-6), 80, 3.3, 1.5),
	}
	for name, fit := range map[string]func() (Pair, error){
		"held":   func() (Pair, error) { return Fit(&arms, rate, f) },
		"shared": func() (Pair, error) { return FitShared(&arms, rate, f, 50) },
	} {
		pair, err := fit()
		if err != nil {
			t.Fatal(err)
		}
		for arm := range arms {
			if err := pair.Beside(&arms[arm], rate); err != nil {
				t.Fatal(err)
			}
			r := &pair.Reference
			scale := cmplx.Abs(pair.P[arm])
			if d := cmplx.Abs(r.P - pair.P[arm]); d > 1e-9*scale || r.N != n {
				t.Errorf("%s: %v, the arm has %v", name, r.P, pair.P[arm])
			}
			if d := cmplx.Abs(r.Slope - pair.Slope[arm]); d > 1e-9*cmplx.Abs(pair.Slope[arm]) {
				t.Errorf("%s: slope %v, the arm has %v", name, r.Slope, pair.Slope[arm])
			}
			if math.Abs(float64(r.Sigma/pair.Sigma[arm])-1) > 1e-3 || math.Abs(r.Held.RR/pair.Held(arm).RR-1) > 1e-3 {
				t.Errorf("%s: σ %v and %v, the arm has %v and %v", name, r.Sigma, r.Held, pair.Sigma[arm], pair.Held(arm))
			}
		}
	}
}

func TestBesideRefuses(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 2))
	arms := [2]Record{noisySine(rng, 1000, 0.0617, 90, 0, 1), noisySine(rng, 1000, 0.0617, 90, 3, 1)}
	pair, err := Fit(&arms, 1e6, 61.7e3)
	if err != nil {
		t.Fatal(err)
	}
	short, loud, flat := arms[0], noisySine(rng, 1000, 0.0617, 126, 0, 0), arms[0]
	short.Codes = short.Codes[:999]
	flat.VoltsPerCode = 0
	for _, c := range []struct {
		r    *Record
		want error
	}{{&short, ErrRecord}, {&loud, ErrClipped}, {&flat, ErrRecord}} {
		if err := pair.Beside(c.r, 1e6); !errors.Is(err, c.want) || pair.Reference.N != 0 {
			t.Errorf("got %v, want %v; %+v", err, c.want, pair.Reference)
		}
	}
}

func BenchmarkBeside(b *testing.B) {
	rng := rand.New(rand.NewPCG(4, 3))
	arms := [2]Record{noisySine(rng, 10000, 0.0617, 90, 0, 1), noisySine(rng, 10000, 0.0617, 90, 3, 1)}
	pair, err := Fit(&arms, 1e6, 61.7e3)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	b.SetBytes(2 * 10000)
	for b.Loop() {
		if err := pair.Beside(&arms[0], 1e6); err != nil {
			b.Fatal(err)
		}
	}
}
