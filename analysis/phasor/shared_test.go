package phasor

import (
	"errors"
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"

	"halfturn/units"
)

// The frequency is found wherever the tolerance lets it be, and the phasors
// with it, at all record lengths and both sides of half the sample rate.
func TestSharedFrequencyIsFound(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(60, 1500).Draw(t, "samples")
		const rate = units.Hertz(500e6)
		f := rate * units.Hertz(rapid.Float64Range(0.1, 3.5).Draw(t, "cycles per sample"))
		tolerance := units.PPM(rapid.Float64Range(0, 2000).Draw(t, "tolerance"))
		off := rapid.Float64Range(-1, 1).Draw(t, "part of it") * float64(tolerance) * 1e-6
		truth := f * units.Hertz(1+off)
		cycles := math.Abs(alias(rate, f)) * float64(n)
		if reach := float64(f) * float64(tolerance) * 1e-6 / float64(rate) * float64(n); min(cycles, float64(n)/2-cycles) < reach+3 {
			t.Skip("next to a multiple of half the sample rate")
		}
		r := newNoise(rapid.Uint64().Draw(t, "seed"))
		p := [2]complex128{r.phase() * 90, r.phase() * 60}
		records := captureOf(r, n, rate, truth, p, [2]float64{3, 1}, 1, 2)
		got, err := FitShared(&records, rate, f, tolerance)
		if err != nil {
			t.Fatal(err)
		}
		if got.UFrequency == 0 {
			t.Fatal("the frequency was held")
		}
		if d := math.Abs(float64((got.Frequency - truth) / got.UFrequency)); d > 5 {
			t.Fatalf("%v is %.1f uncertainties of %v from %v", got.Frequency, d, got.UFrequency, truth)
		}
		for arm := range p {
			if d := abs(got.P[arm]-p[arm]) / math.Sqrt(got.Cov[arm].RR+got.Cov[arm].II); d > 5 {
				t.Fatalf("phasor %v of %v: %.1f uncertainties", got.P[arm], p[arm], d)
			}
		}
	})
}

// A signal that is not where it was commanded is told, be it next to the
// frequency, on one of the side lobes of the record's resolution or far out.
func TestOffFrequency(t *testing.T) {
	const n, rate, f = 2000, units.Hertz(500e6), units.Hertz(71e6)
	r := newNoise(4)
	for _, cycles := range []float64{0.3, 0.7, 0.9, 1, 1.2, 1.43, 1.8, 2, 2.3} { // over the record
		for _, sign := range []float64{-1, 1} {
			truth := f + units.Hertz(sign*cycles)*rate/n
			records := captureOf(r, n, rate, truth, [2]complex128{100 * r.phase(), 95 * r.phase()}, [2]float64{1, 1}, 1, 0)
			// The tolerance lets through 0.02 cycles over the record.
			p, err := FitShared(&records, rate, f, units.PPM(0.02*float64(rate)/n/float64(f)*1e6))
			if !errors.Is(err, ErrOffFrequency) || p != (Pair{}) {
				t.Errorf("%v cycles off: %v, %+v", sign*cycles, err, p)
			}
			// One that allows for it finds the signal.
			p, err = FitShared(&records, rate, f, units.PPM(1.001*cycles*float64(rate)/n/float64(f)*1e6))
			if err != nil || math.Abs(float64((p.Frequency-truth)/p.UFrequency)) > 5 {
				t.Errorf("%v cycles off, allowed: %v, %v, want %v", sign*cycles, err, p.Frequency, truth)
			}
		}
	}
}

// A clock within the tolerance of a weak signal passes, trial after trial.
func TestOffFrequencyIsNotRaisedByNoise(t *testing.T) {
	const n, rate, trials = 400, units.Hertz(1), 1500
	r := newTrial(n, 9)
	records := [2]Record{}
	for arm := range records {
		records[arm] = Record{Codes: make([]int16, n), VoltsPerCode: 1, Low: math.MinInt16, High: math.MaxInt16}
	}
	r.tune(0.231)
	held, shared := 0, 0
	for _, amplitude := range []float64{0, 2, 4, 6, 10} { // noise of 10 codes
		for range trials / 5 {
			for arm := range records {
				r.fill(records[arm].Codes, r.noise.phase()*complex(amplitude, 0), 0, 10)
			}
			p, err := FitShared(&records, rate, 0.231, 20)
			if err != nil {
				t.Fatalf("amplitude %v: %v", amplitude, err)
			}
			switch {
			case p.UFrequency == 0:
				held++
				if want, _ := Fit(&records, rate, 0.231); p != want {
					t.Fatalf("held, but not what Fit gives: %+v, want %+v", p, want)
				}
			default:
				shared++
				if span := float64(p.UFrequency) * n; span > weakSpan {
					t.Fatalf("frequency taken with %v cycles of uncertainty over the record", span)
				}
			}
		}
	}
	if held < trials/4 || shared < trials/4 {
		t.Errorf("%d held, %d shared: the amplitudes try one side only", held, shared)
	}
}

// No signal, and a signal far from the commanded frequency, look alike: the
// frequency is held and the phasors are within their uncertainty of nothing.
func TestNothingThere(t *testing.T) {
	const n, rate, f = 2000, units.Hertz(500e6), units.Hertz(71e6)
	r := newNoise(5)
	for _, p := range [][2]complex128{{}, {100, -100}} {
		records := captureOf(r, n, rate, 1.7*f, p, [2]float64{1, 1}, 1, 0)
		got, err := FitShared(&records, rate, f, 20)
		if err != nil || got.UFrequency != 0 || got.Frequency != f {
			t.Fatalf("%v, %+v", err, got)
		}
		for arm := range got.P {
			if u := math.Sqrt(got.Cov[arm].RR + got.Cov[arm].II); abs(got.P[arm]) > 4*u {
				t.Errorf("arm %d: %v, uncertainty %v", arm+1, got.P[arm], u)
			}
		}
	}
}

// A broken arm does not spoil the frequency that the other one tells.
func TestOneArmOnly(t *testing.T) {
	const n, rate, f = 1000, units.Hertz(500e6), units.Hertz(71e6)
	for arm := range 2 {
		var p [2]complex128
		p[arm] = 90
		records := captureOf(newNoise(6), n, rate, f*(1+20e-6), p, [2]float64{1, 1}, 1, 0)
		got, err := FitShared(&records, rate, f, 50)
		if err != nil || got.UFrequency == 0 {
			t.Fatalf("%v, %+v", err, got)
		}
		if d := math.Abs(float64((got.Frequency - f*(1+20e-6)) / got.UFrequency)); d > 4 {
			t.Errorf("arm %d alone: frequency off by %.1f uncertainties", arm+1, d)
		}
		if a := abs(got.P[1-arm]); a > 0.3 {
			t.Errorf("dead arm reads %v", a)
		}
	}
}

func ExamplePair_RatioVariance() {
	records := captureOf(newNoise(8), 1000, 500e6, 30e6, [2]complex128{80, -80}, [2]float64{1, 1}, 1, 0)
	pair, err := FitShared(&records, 500e6, 30e6, 50)
	if err != nil {
		fmt.Println(err)
		return
	}
	_, phase := pair.RatioVariance()
	alone := pair.Cov[0].II/real(pair.P[0]*pair.P[0]) + pair.Cov[1].II/real(pair.P[1]*pair.P[1])
	fmt.Printf("u(phase difference) = %.3f°, not %.3f° as from both phases alone\n",
		math.Sqrt(phase)/degree, math.Sqrt(alone)/degree)
	// Output: u(phase difference) = 0.048°, not 0.076° as from both phases alone
}
