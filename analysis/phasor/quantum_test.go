package phasor

import (
	"fmt"
	"math"
	"testing"

	"halfturn/units"
)

// A dead channel says nothing within a good part of a step.
func TestDeadChannel(t *testing.T) {
	for _, n := range []int{leastSamples, 400, 10_000} {
		var records [2]Record
		for arm, code := range [2]int16{0, 1234} {
			codes := make([]int16, n)
			for k := range codes {
				codes[k] = code
			}
			records[arm] = Record{Codes: codes, VoltsPerCode: 0.01, Low: -2048, High: 2047}
		}
		for _, fit := range []func() (Pair, error){
			func() (Pair, error) { return Fit(&records, 1, 0.213) },
			func() (Pair, error) { return FitShared(&records, 1, 0.213, 50) },
		} {
			p, err := fit()
			if err != nil {
				t.Fatal(err)
			}
			for arm := range p.P {
				if abs(p.P[arm]) > 1e-12 || p.PeakToPeak[arm] != 0 || p.UFrequency != 0 {
					t.Errorf("%d samples, arm %d: %+v", n, arm+1, p)
				}
				if floor := 0.01 / math.Sqrt(12); float64(p.Sigma[arm]) < floor*(1-1e-12) {
					t.Errorf("%d samples: sigma %v below step/√12 = %v", n, p.Sigma[arm], floor)
				}
				// Up to half a code of amplitude hides there: even over that
				// disc, a standard deviation of a quarter code.
				if u := math.Sqrt(p.Cov[arm].RR); u < 0.2*0.01 || u > 0.5*0.01 {
					t.Errorf("%d samples: uncertainty %v of a step of 0.01", n, u)
				}
			}
			if la, phase := p.RatioVariance(); n == 400 && !(la > 1 && phase > 1) {
				t.Errorf("ratio of nothing known to %v, %v", la, phase)
			}
		}
	}
	if la, phase := new(Pair).RatioVariance(); !math.IsInf(la, 1) || !math.IsInf(phase, 1) {
		t.Errorf("ratio of zeros known to %v, %v", la, phase)
	}
}

// With little or no noise the errors are those of rounding, and repeat. The
// stated uncertainties hold all the same, over random phases and offsets:
// where the sample rate is a small multiple of the frequency, or almost, or
// has nothing in common with it; for signals of less than a step up to
// thousands of them. The root of mean square error over stated variance of
// both parts is at most 1.35 (pairs of opposite phases may share their error),
// and not needlessly small once noise of half a
// code takes over.
func TestRoundingErrorsAreStated(t *testing.T) {
	const trials = 60
	for _, nu := range []float64{1.0 / 4, 1.0 / 10, 3.0 / 8, 7.0 / 20, 0.2 + 1e-6, 1 / math.Sqrt(7), 0.003137} {
		for _, n := range []int{400, 2000} {
			if underRace && n > 1000 {
				continue
			}
			r := newTrial(n, 5)
			r.tune(nu)
			var records [2]Record
			for arm := range records {
				records[arm] = Record{Codes: make([]int16, n), VoltsPerCode: 1, Low: math.MinInt16, High: math.MaxInt16}
			}
			for _, sigma := range []float64{0, 0.15, 0.3, 0.5} {
				for _, amplitude := range []float64{0.2, 1, 10, 90, 1000} {
					seen, stated := 0.0, 0.0
					for range trials {
						var truth [2]complex128
						for arm := range truth {
							truth[arm] = r.noise.phase() * complex(amplitude, 0)
							r.fill(records[arm].Codes, truth[arm], r.noise.Float64(), sigma)
						}
						p, err := Fit(&records, 1, units.Hertz(nu))
						if err != nil {
							t.Fatal(err)
						}
						for arm := range truth {
							seen += math.Pow(abs(p.P[arm]-truth[arm]), 2)
							stated += p.Cov[arm].RR + p.Cov[arm].II
						}
					}
					got := math.Sqrt(seen / stated)
					// 240 parts of random phase tell a root mean square to 5 %.
					if got > 1.35 || sigma == 0.5 && got < 0.85 {
						t.Errorf("%s: error %.2f of the stated one",
							fmt.Sprintf("%.6f cycles a sample, %d samples, noise %v codes, amplitude %v codes", nu, n, sigma, amplitude), got)
					}
				}
			}
		}
	}
}

func TestRepeats(t *testing.T) {
	for _, c := range []struct{ nu, slip, want float64 }{
		{0.25, 1e6, 4},
		{-0.3, 1e6, 10},
		{7.0 / 20, 1e6, 20},
		{0.2 + 1e-6, 1e6, 5 * (1 + 1)}, // the phases slip by one code
		{0.2 + 1e-6, 1e2, 5 * (1 + 1e-4)},
		{0.001, 1, 1 * (1 + 0.001)}, // next to 0: one slow phase
	} {
		if got := repeats(c.nu, c.slip); math.Abs(got-c.want) > 1e-6*c.want {
			t.Errorf("repeats(%v, %v) = %v, want %v", c.nu, c.slip, got, c.want)
		}
	}
}
