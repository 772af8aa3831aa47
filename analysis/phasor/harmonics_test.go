package phasor

import (
	"math"
	"testing"

	"halfturn/units"
)

// distorted samples a fundamental and its harmonics, amplitudes in codes.
func distorted(r *noise, n int, nu, sigma float64, amplitudes ...float64) Record {
	codes := make([]int16, n)
	start := r.Float64()
	for k := range codes {
		v := sigma*r.NormFloat64() + 3
		for i, a := range amplitudes {
			_, cos := sincosTurns(float64(i+1) * (nu*float64(k) + start))
			v += a * cos
		}
		codes[k] = int16(math.RoundToEven(v))
	}
	return Record{Codes: codes, VoltsPerCode: 0.01, Low: math.MinInt16, High: math.MaxInt16}
}

// Amplitudes come out within their uncertainty, which is what the scatter
// shows, folded or not and with cycles that are not whole.
func TestHarmonics(t *testing.T) {
	const trials = 400
	r := newNoise(12)
	for _, c := range []struct {
		n  int
		nu float64
	}{{1000, 0.0537}, {1000, 0.3112}, {400, 1.4321}, {137, 0.081}, {60, 0.0403}} {
		var off [2]float64
		var squares [2]float64
		for range trials {
			record := distorted(r, c.n, c.nu, 2, 1000, 40, 25)
			h, err := Harmonics(&record, 1e6, units.Hertz(c.nu*1e6))
			if err != nil {
				t.Fatal(err)
			}
			for i, want := range [2]float64{0.40, 0.25} {
				if h[i].Order != 2+i || !h[i].Determinable {
					t.Fatalf("%d samples, %v cycles a sample: %+v", c.n, c.nu, h)
				}
				d := (float64(h[i].Amplitude) - want) / float64(h[i].U)
				off[i] += d
				squares[i] += d * d
			}
		}
		for i := range off {
			mean, square := off[i]/trials, squares[i]/trials
			// 400 trials: 0.05 for the mean, 7 % for the mean square; phases
			// against the columns make U, a mean of two parts, less sharp.
			if math.Abs(mean) > 0.25 || square < 0.75 || square > 1.3 {
				t.Errorf("%d samples, %v cycles a sample, order %d: mean %.2f, mean square %.2f uncertainties", c.n, c.nu, 2+i, mean, square)
			}
		}
	}
}

// The same figures as gonum's QR of all seven columns gives.
func TestHarmonicsAreLeastSquares(t *testing.T) {
	record := distorted(newNoise(13), 301, 0.0437, 1, 900, 30, 10)
	h, err := Harmonics(&record, 1, 0.0437)
	if err != nil {
		t.Fatal(err)
	}
	x, residual, gram := direct(record.Codes, 0.0437, 2*0.0437, 3*0.0437)
	for i := range h {
		near(t, "amplitude", float64(h[i].Amplitude), 0.01*math.Hypot(x[3+2*i], x[4+2*i]), 1e-9)
		near(t, "uncertainty", float64(h[i].U), 0.01*math.Sqrt(residual/(301-7)/gram.At(3+2*i, 3+2*i)), 0.02)
	}
}

func TestHarmonicsThatCannotBeTold(t *testing.T) {
	r := newNoise(14)
	for _, c := range []struct {
		name string
		nu   float64
		want [2]bool
	}{
		{"all apart", 0.0821, [2]bool{true, true}},
		{"3f on half the rate", 1.0 / 6, [2]bool{true, false}},
		{"3f next to half the rate", 1.0/6 + 0.0002, [2]bool{true, false}},
		{"3f on the fundamental, 2f on half the rate", 0.25, [2]bool{false, false}},
		{"2f on the fundamental, 3f on 0", 1.0 / 3, [2]bool{false, false}},
		{"2f on 3f", 0.2, [2]bool{false, false}},
		{"2f on 3f, above the sample rate", 1.4, [2]bool{false, false}},
		{"two cycles from there", 0.2 + 0.002, [2]bool{true, true}},
	} {
		record := distorted(r, 1000, c.nu, 1, 1000, 30, 20)
		h, err := Harmonics(&record, 1, units.Hertz(c.nu))
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		for i := range h {
			if h[i].Determinable != c.want[i] || h[i].Order != 2+i {
				t.Errorf("%s: %+v, want %v", c.name, h, c.want)
			}
			if !h[i].Determinable && (h[i].Amplitude != 0 || h[i].U != 0) {
				t.Errorf("%s: a number that is none: %+v", c.name, h[i])
			}
		}
	}
	// Seven parameters and five degrees of freedom take twelve samples.
	for n, want := range map[int]bool{8: false, 11: false, 12: true} {
		record := distorted(r, n, 0.13, 1, 1000, 30, 20)
		h, err := Harmonics(&record, 1, 0.13)
		if err != nil || h[0].Determinable != want || h[1].Determinable != want {
			t.Errorf("%d samples: %+v, %v", n, h, err)
		}
	}
}
