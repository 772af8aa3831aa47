package balance

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"halfturn/analysis/phasor"
	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// bench draws phasors as fits of noisy records give them: per part a variance
// of 2σ²/N (Cramér-Rao bound of a known frequency, design formula 2), and a
// start phase of its own for each capture.
type bench struct {
	amplitude float64 // of arm 1, volts peak
	ratio     complex128
	sigma     [2]float64
	samples   int

	jitter complex128 // standard deviations of ln|R| and arg R from capture to capture
	drift  float64    // relative standard deviation of the level from capture to capture
}

func (b *bench) pairs(rng *rand.Rand, captures int) []phasor.Pair {
	pairs := make([]phasor.Pair, captures)
	for k := range pairs {
		p := &pairs[k]
		s := cmplx.Rect(b.amplitude*(1+b.drift*rng.NormFloat64()), 2*math.Pi*rng.Float64())
		r := b.ratio * cmplx.Exp(complex(real(b.jitter)*rng.NormFloat64(), imag(b.jitter)*rng.NormFloat64()))
		p.P = [2]complex128{s, s * r}
		p.N, p.Frequency, p.Condition = b.samples, 30e6, 1
		for i := range p.P {
			variance := 2 * b.sigma[i] * b.sigma[i] / float64(b.samples)
			u := math.Sqrt(variance)
			p.P[i] += complex(u*rng.NormFloat64(), u*rng.NormFloat64())
			p.Sigma[i] = units.Volts(b.sigma[i])
			p.Cov[i] = uncertainty.Circular(variance)
		}
	}
	return pairs
}

// bound is the least variance of ln|R| and of arg R from K captures:
// (2σ²/(NK))(1/A1² + 1/A2²) (design formula 2, Cramér-Rao).
func (b *bench) bound(captures int) float64 {
	second := b.amplitude * cmplx.Abs(b.ratio)
	return 2 / float64(b.samples*captures) *
		(b.sigma[0]*b.sigma[0]/(b.amplitude*b.amplitude) + b.sigma[1]*b.sigma[1]/(second*second))
}

// phasorSNR is that of one capture's phasors, both arms together.
func (b *bench) phasorSNR() float64 {
	second := b.amplitude * cmplx.Abs(b.ratio)
	return float64(b.samples) / 4 * (b.amplitude*b.amplitude/(b.sigma[0]*b.sigma[0]) + second*second/(b.sigma[1]*b.sigma[1]))
}

// The variance over 4000 trials has a relative standard deviation of
// sqrt(2/4000) = 2.2 %; amplitude and phase together 1.6 %. Accepted is 1.05
// of the bound, times (1 + 1/SNR) of one capture's phasors where the phase of
// each capture must be found below the noise, and three of these 1.6 %.
// Seeded, so the outcome is always the same.
func TestCombineReachesTheBound(t *testing.T) {
	const trials = 4000
	for _, c := range []struct {
		name     string
		snr      float64 // of a sample in dB, A²/2 over σ²
		captures int
		samples  int
		ratio    complex128
		sigma2   float64 // noise of channel 2 over that of channel 1
	}{
		{"60 dB, 4 captures", 60, 4, 10000, -1, 1},
		{"60 dB, 1 capture", 60, 1, 10000, -1, 1},
		{"20 dB, unequal noise", 20, 4, 1000, cmplx.Rect(0.7, 3), 3},
		{"0 dB, 4 captures", 0, 4, 10000, cmplx.Rect(1.1, -3.1), 1},
		{"0 dB, 2 captures of a short record", 0, 2, 256, -1, 1},
		{"-20 dB, 16 captures", -20, 16, 10000, -1, 1},
		{"-36 dB, 64 captures, phasors at 0.6 and 0.3 of their noise", -36, 64, 10000, -1, 1.5},
	} {
		t.Run(c.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(1, 2))
			sigma := 1 / math.Sqrt(2*math.Pow(10, c.snr/10))
			b := bench{amplitude: 1, ratio: c.ratio, sigma: [2]float64{sigma, c.sigma2 * sigma}, samples: c.samples}
			var logs, phases, stated float64 // sums of squares; of standard uncertainties
			for range trials {
				e, err := Combine(30e6, b.pairs(rng, c.captures))
				if err != nil {
					t.Fatal(err)
				}
				d := cmplx.Log(e.Ratio / c.ratio)
				logs += real(d) * real(d)
				phases += imag(d) * imag(d)
				relative := e.Cov.Relative(e.Ratio)
				stated += math.Sqrt((relative.RR + relative.II) / 2)
			}
			bound := b.bound(c.captures) * (1 + 1/b.phasorSNR())
			found := (logs + phases) / 2 / trials
			t.Logf("variance of ln|R| %.3f, of the phase %.3f, stated u %.3f of the bound; variance of the bound above the noise %.3f; phasor SNR %.3g",
				logs/trials/bound, phases/trials/bound, stated/trials/math.Sqrt(bound), found/b.bound(c.captures), b.phasorSNR())
			if found > 1.05*1.048*bound {
				t.Errorf("variance %.3g, bound %.3g", found, bound)
			}
			if u := stated / trials; u < 0.97*math.Sqrt(found) || u > 1.3*math.Sqrt(found) {
				t.Errorf("stated standard uncertainty %.3g on average, found %.3g", u, math.Sqrt(found))
			}
		})
	}
}

// How often the expanded uncertainty holds the truth, in 2000 seeded trials
// each (standard deviation of a frequency near 0.95: 0.005), and that noise
// that is only noise is not blown up. jitter is real scatter of the ratio from
// capture to capture, in units of the noise of one.
func TestCombineCoverage(t *testing.T) {
	const trials, sigma = 2000, 0.05
	for _, c := range []struct {
		captures       int
		along, across  float64 // jitter
		least, largest float64 // coverage, amplitude and phase alike
		widest         float64 // mean standard uncertainty over the true one
	}{
		// Noise alone.
		{1, 0, 0, 0.94, 0.97, 1.01},
		{2, 0, 0, 0.94, 0.98, 1.35},
		{3, 0, 0, 0.94, 0.98, 1.25},
		{4, 0, 0, 0.94, 0.98, 1.25},
		{16, 0, 0, 0.94, 0.98, 1.12},
		{64, 0, 0, 0.94, 0.98, 1.06},
		// Scatter as large as the noise: hard to see in few captures.
		{2, 1, 1, 0.89, 0.98, 1.7},
		{4, 1, 1, 0.90, 0.98, 1.4},
		{16, 1, 1, 0.93, 0.98, 1.12},
		// Scatter far above the noise, which then rests on few values.
		{2, 10, 10, 0.93, 0.98, 2.2},
		{3, 10, 10, 0.93, 0.98, 1.6},
		{4, 10, 10, 0.93, 0.98, 1.7},
		{16, 10, 10, 0.93, 0.98, 1.12},
		{4, 0, 4, 0.92, 0.98, 1.7}, // in phase only
		{64, 4, 0, 0.93, 0.98, 1.06},
	} {
		t.Run(fmt.Sprintf("%d captures, jitter %g and %g", c.captures, c.along, c.across), func(t *testing.T) {
			rng := rand.New(rand.NewPCG(3, 4))
			b := bench{amplitude: 1, ratio: cmplx.Rect(0.9, 3), sigma: [2]float64{sigma, sigma}, samples: 1000}
			one := math.Sqrt(b.bound(1))
			b.jitter = complex(c.along*one, c.across*one)
			var inAlong, inAcross, u float64
			for range trials {
				e, err := Combine(30e6, b.pairs(rng, c.captures))
				if err != nil {
					t.Fatal(err)
				}
				d, relative := cmplx.Log(e.Ratio/b.ratio), e.Cov.Relative(e.Ratio)
				if math.Abs(real(d)) <= uncertainty.Coverage*math.Sqrt(relative.RR) {
					inAlong += 1. / trials
				}
				if math.Abs(imag(d)) <= uncertainty.Coverage*math.Sqrt(relative.II) {
					inAcross += 1. / trials
				}
				u += math.Sqrt(relative.II/(b.bound(c.captures)*(1+c.across*c.across))) / trials
			}
			t.Logf("covered: amplitude %.3f, phase %.3f; u %.2f of the true one", inAlong, inAcross, u)
			for _, in := range []float64{inAlong, inAcross} {
				if in < c.least || in > c.largest {
					t.Errorf("covered %.3f, accepted %g to %g", in, c.least, c.largest)
				}
			}
			if u > c.widest {
				t.Errorf("u is %.2f of the true one on average, accepted %g", u, c.widest)
			}
		})
	}
}

// Amplitudes with the noise power taken out: mean error over 2000 seeded trials
// within 4 standard deviations of the mean plus 0.2 % of the amplitude (the
// root of an unbiased power is not unbiased); 2 u covers 93 % or more, and u is
// within 0.96 to 1.25 of the scatter on average.
func TestCombineAmplitudes(t *testing.T) {
	const trials = 2000
	for _, c := range []struct {
		name     string
		sigma    float64
		captures int
		drift    float64
	}{
		{"strong", 0.01, 4, 0},
		{"at the noise", 0.7, 8, 0},
		{"phasors at 1.4 and 1.1 of their noise", 35, 64, 0},
		{"level drifts by 1 %", 0.01, 8, 0.01},
	} {
		t.Run(c.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(5, 6))
			b := bench{amplitude: 1, ratio: -0.8, sigma: [2]float64{c.sigma, c.sigma}, samples: 10000, drift: c.drift}
			truth := [2]float64{1, 0.8}
			var mean, square, covered, u [2]float64
			var r float64
			for range trials {
				e, err := Combine(30e6, b.pairs(rng, c.captures))
				if err != nil {
					t.Fatal(err)
				}
				for i := range mean {
					d := float64(e.Amplitude[i]) - truth[i]
					mean[i] += d / trials
					square[i] += d * d / trials
					u[i] += float64(e.UAmplitude[i]) / trials
					if math.Abs(d) <= uncertainty.Coverage*float64(e.UAmplitude[i]) {
						covered[i] += 1. / trials
					}
				}
				r += e.RAmplitude / trials
			}
			t.Logf("mean error %.2g and %.2g, covered %.3f and %.3f, u over scatter %.3f and %.3f, correlation %.2f", mean[0], mean[1], covered[0], covered[1],
				u[0]/math.Sqrt(square[0]), u[1]/math.Sqrt(square[1]), r)
			for i := range mean {
				if math.Abs(mean[i]) > 4*math.Sqrt(square[i]/trials)+0.002*truth[i] {
					t.Errorf("arm %d: mean error %g with a scatter of %g", i+1, mean[i], math.Sqrt(square[i]))
				}
				if ratio := u[i] / math.Sqrt(square[i]); ratio < 0.96 || ratio > 1.25 {
					t.Errorf("arm %d: u is %.3f of the scatter", i+1, ratio)
				}
				if covered[i] < 0.93 {
					t.Errorf("arm %d: covered %.3f", i+1, covered[i])
				}
			}
			if drifts := c.drift > 0; drifts && r < 0.8 || !drifts && math.Abs(r) > 0.4 {
				t.Errorf("correlation of the amplitudes %.2f", r)
			}
		})
	}
}

// 20 000 steps of noise alone: the false alarm probability of 3e-6 lets 0.06
// through on average, and 3 or more with a probability below 1e-4.
func TestCombineNoSignal(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	b := bench{sigma: [2]float64{1e-3, 3e-3}, samples: 1000}
	alarms := 0
	for i := range 20000 {
		_, err := Combine(30e6, b.pairs(rng, 1+i%16))
		if err == nil || errors.Is(err, ErrNoArm1) {
			alarms++
		} else if !errors.Is(err, ErrNoSignal) {
			t.Fatal(err)
		}
	}
	if alarms > 2 {
		t.Errorf("%d of 20000 steps without a signal gave a number", alarms)
	}
	_, err := Combine(30e6, b.pairs(rng, 4))
	if !errors.Is(err, ErrNoSignal) || strings.Contains(err.Error(), "\n") || !strings.Contains(err.Error(), "30 MHz") {
		t.Errorf("message %q", err)
	}
	if _, err := Combine(30e6, make([]phasor.Pair, 2)); !errors.Is(err, ErrNoSignal) {
		t.Errorf("channels that read exactly nothing: %v", err)
	}
}

// A disturbance that differs from capture to capture and from arm to arm is
// not a signal, however far it is above the residual noise.
func TestCombineCapturesDisagree(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 10))
	numbers := 0
	const trials = 500
	for range trials {
		b := bench{sigma: [2]float64{1e-3, 1e-3}, samples: 1000}
		pairs := b.pairs(rng, 16)
		for k := range pairs {
			for i := range pairs[k].P {
				pairs[k].P[i] += complex(rng.NormFloat64(), rng.NormFloat64())
			}
		}
		if e, err := Combine(30e6, pairs); err == nil && e.Cov.Standard() < cmplx.Abs(e.Ratio)/4 {
			numbers++
		}
	}
	if numbers > trials/100 {
		t.Errorf("%d of %d made a ratio with less than 25 %% of uncertainty", numbers, trials)
	}
}

func TestCombineBrokenArm(t *testing.T) {
	const trials = 500
	for _, captures := range []int{1, 4, 64} {
		rng := rand.New(rand.NewPCG(11, 12))
		b := bench{amplitude: 0.1, sigma: [2]float64{1e-3, 2e-3}, samples: 1000}
		covered := 0.0
		for range trials {
			e, err := Combine(30e6, b.pairs(rng, captures))
			if err != nil {
				t.Fatal(err)
			}
			// 0 inside the expanded uncertainty in both directions.
			if math.Abs(real(e.Ratio)) <= 2*math.Sqrt(e.Cov.RR) {
				covered += 0.5 / trials
			}
			if math.Abs(imag(e.Ratio)) <= 2*math.Sqrt(e.Cov.II) {
				covered += 0.5 / trials
			}
			want := 2e-3 * math.Sqrt(2/1000./float64(captures)) / 0.1
			if u := e.Cov.Standard(); captures == 1 && math.Abs(u/want-1) > 0.05 {
				t.Fatalf("u %g, want %g within 5 %%", u, want)
			}
		}
		if covered < 0.93 || covered > 0.99 {
			t.Errorf("%d captures: 0 covered in %.3f of the cases", captures, covered)
		}

		// Now arm 1 is the silent one.
		swapped := b.pairs(rng, captures)
		for k := range swapped {
			p := &swapped[k]
			p.P[0], p.P[1] = p.P[1], p.P[0]
			p.Cov[0], p.Cov[1] = p.Cov[1], p.Cov[0]
		}
		if _, err := Combine(30e6, swapped); !errors.Is(err, ErrNoArm1) || errors.Is(err, ErrNoSignal) {
			t.Errorf("%d captures, arm 1 silent: %v", captures, err)
		}
	}
}

func TestCombineWithoutNoise(t *testing.T) {
	b := bench{amplitude: 0.3, ratio: cmplx.Rect(0.93, 3.1), samples: 1000}
	e, err := Combine(30e6, b.pairs(rand.New(rand.NewPCG(1, 1)), 4))
	if err != nil {
		t.Fatal(err)
	}
	if d := cmplx.Abs(e.Ratio - b.ratio); d > 1e-14 || !e.Cov.Valid() || e.Cov.Standard() > 1e-13 {
		t.Errorf("ratio off by %g, covariance %v", d, e.Cov)
	}
	if math.Abs(float64(e.Amplitude[0])-0.3) > 1e-14 || math.Abs(float64(e.Amplitude[1])-0.279) > 1e-14 {
		t.Errorf("amplitudes %v", e.Amplitude)
	}
}

// A fitted frequency makes both phasors uncertain across their direction; the
// ratio's uncertainty must not contain it.
func TestCombineFittedFrequency(t *testing.T) {
	b := bench{amplitude: 1, ratio: -1, sigma: [2]float64{0.01, 0.01}, samples: 1000}
	held := b.pairs(rand.New(rand.NewPCG(1, 1)), 4)
	fitted := append([]phasor.Pair(nil), held...)
	for k := range fitted {
		p := &fitted[k]
		p.UFrequency = 10
		for i := range p.P {
			p.Slope[i] = p.P[i] * complex(0, -1e-4) // turns by 1e-3 rad for the 10 Hz
			p.Cov[i] = p.Cov[i].Add(uncertainty.Line(p.Slope[i] * complex(float64(p.UFrequency), 0)))
		}
	}
	a, errA := Combine(30e6, held)
	c, errC := Combine(30e6, fitted)
	if errA != nil || errC != nil {
		t.Fatal(errA, errC)
	}
	if math.Abs(c.Cov.Standard()/a.Cov.Standard()-1) > 0.01 || cmplx.Abs(a.Ratio-c.Ratio) > 1e-9 {
		t.Errorf("held %v ± %v, fitted %v ± %v", a.Ratio, a.Cov, c.Ratio, c.Cov)
	}
}

func TestCombineRefuses(t *testing.T) {
	good := func() []phasor.Pair {
		b := bench{amplitude: 1, ratio: -1, sigma: [2]float64{0.01, 0.01}, samples: 1000}
		return b.pairs(rand.New(rand.NewPCG(1, 1)), 3)
	}
	for name, spoil := range map[string]func([]phasor.Pair) []phasor.Pair{
		"no capture":          func([]phasor.Pair) []phasor.Pair { return nil },
		"not a number":        func(p []phasor.Pair) []phasor.Pair { p[1].P[0] = cmplx.NaN(); return p },
		"infinite":            func(p []phasor.Pair) []phasor.Pair { p[1].P[1] = cmplx.Inf(); return p },
		"negative variance":   func(p []phasor.Pair) []phasor.Pair { p[2].Cov[0].RR = -1; return p },
		"different in length": func(p []phasor.Pair) []phasor.Pair { p[2].N = 999; return p },
	} {
		_, err := Combine(30e6, spoil(good()))
		if err == nil || errors.Is(err, ErrNoSignal) || strings.Contains(err.Error(), "\n") || !strings.Contains(err.Error(), "30 MHz") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// drawBench is any bench whose arms both stand above the noise of a record.
func drawBench(t *rapid.T) (bench, []phasor.Pair) {
	b := bench{
		amplitude: math.Pow(10, rapid.Float64Range(-4, 1).Draw(t, "log amplitude")),
		ratio:     cmplx.Rect(math.Pow(10, rapid.Float64Range(-1, 1).Draw(t, "log ratio")), rapid.Float64Range(-math.Pi, math.Pi).Draw(t, "phase")),
		samples:   rapid.IntRange(100, 20000).Draw(t, "samples"),
	}
	for i := range b.sigma {
		b.sigma[i] = b.amplitude * math.Pow(10, rapid.Float64Range(-4, -1.2).Draw(t, "log noise"))
	}
	seed := rapid.Uint64().Draw(t, "seed")
	return b, b.pairs(rand.New(rand.NewPCG(seed, 0)), rapid.IntRange(1, 12).Draw(t, "captures"))
}

func mustCombine(t *rapid.T, pairs []phasor.Pair) Estimate {
	e, err := Combine(30e6, pairs)
	if err != nil {
		t.Fatal(err)
	}
	if !e.Cov.Valid() || !(e.UAmplitude[0] > 0) || !(e.UAmplitude[1] > 0) || math.Abs(e.RAmplitude) > 1 {
		t.Fatalf("no valid uncertainty: %+v", e)
	}
	return e
}

// near tells whether two ratios agree to 1e-11 and their uncertainties to 1e-6:
// rounding, multiplied by the ratio of signal and noise.
func near(t *rapid.T, what string, got complex128, gotCov uncertainty.Cov, want complex128, wantCov uncertainty.Cov) {
	if cmplx.Abs(got/want-1) > 1e-11 {
		t.Fatalf("%s: ratio %v, want %v", what, got, want)
	}
	scale := wantCov.RR + wantCov.II
	for _, d := range []float64{gotCov.RR - wantCov.RR, gotCov.RI - wantCov.RI, gotCov.II - wantCov.II} {
		if !(math.Abs(d) <= 1e-6*scale) {
			t.Fatalf("%s: covariance %v, want %v", what, gotCov, wantCov)
		}
	}
}

func TestCombineInvariances(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		_, pairs := drawBench(t)
		e := mustCombine(t, pairs)
		changed := func(change func(k int, p *phasor.Pair)) []phasor.Pair {
			c := append([]phasor.Pair(nil), pairs...)
			for k := range c {
				change(k, &c[k])
			}
			return c
		}

		turned := mustCombine(t, changed(func(k int, p *phasor.Pair) {
			w := cmplx.Rect(1, rapid.Float64Range(-10, 10).Draw(t, "start phase"))
			for i := range p.P {
				p.P[i], p.Cov[i] = p.P[i]*w, p.Cov[i].Through(w)
			}
		}))
		near(t, "start phases", turned.Ratio, turned.Cov, e.Ratio, e.Cov)

		scale := math.Pow(10, rapid.Float64Range(-3, 3).Draw(t, "log scale"))
		scaled := mustCombine(t, changed(func(_ int, p *phasor.Pair) {
			for i := range p.P {
				p.P[i], p.Cov[i] = p.P[i]*complex(scale, 0), p.Cov[i].Scale(scale*scale)
			}
		}))
		near(t, "common scale", scaled.Ratio, scaled.Cov, e.Ratio, e.Cov)
		if d := float64(scaled.Amplitude[0]/e.Amplitude[0])/scale - 1; math.Abs(d) > 1e-9 {
			t.Fatalf("amplitude does not scale: off by %g", d)
		}

		// A gain h of channel 2 multiplies the ratio by h.
		h := cmplx.Rect(math.Pow(10, rapid.Float64Range(-1, 1).Draw(t, "log gain")), rapid.Float64Range(-3, 3).Draw(t, "delay"))
		second := mustCombine(t, changed(func(_ int, p *phasor.Pair) {
			p.P[1], p.Cov[1] = p.P[1]*h, p.Cov[1].Through(h)
		}))
		near(t, "gain of channel 2", second.Ratio, second.Cov, e.Ratio*h, e.Cov.Through(h))

		// Arms exchanged: 1/R, and d(1/R) = -dR/R².
		swapped := mustCombine(t, changed(func(_ int, p *phasor.Pair) {
			p.P[0], p.P[1] = p.P[1], p.P[0]
			p.Cov[0], p.Cov[1] = p.Cov[1], p.Cov[0]
		}))
		near(t, "arms exchanged", swapped.Ratio, swapped.Cov, 1/e.Ratio, e.Cov.Through(1/(e.Ratio*e.Ratio)))

		// Order of the captures.
		reversed := mustCombine(t, changed(func(k int, p *phasor.Pair) { *p = pairs[len(pairs)-1-k] }))
		near(t, "captures reversed", reversed.Ratio, reversed.Cov, e.Ratio, e.Cov)
	})
}

func TestCombineAllocatesNothing(t *testing.T) {
	b := bench{amplitude: 1, ratio: -1, sigma: [2]float64{0.01, 0.01}, samples: 1000}
	pairs := b.pairs(rand.New(rand.NewPCG(1, 1)), 64)
	if n := testing.AllocsPerRun(100, func() {
		if _, err := Combine(30e6, pairs); err != nil {
			t.Fatal(err)
		}
	}); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func BenchmarkCombine(bm *testing.B) {
	for _, captures := range []int{4, 64} {
		bm.Run(fmt.Sprintf("captures=%d", captures), func(bm *testing.B) {
			b := bench{amplitude: 1, ratio: -1, sigma: [2]float64{0.01, 0.01}, samples: 10000}
			pairs := b.pairs(rand.New(rand.NewPCG(1, 1)), captures)
			bm.ReportAllocs()
			for bm.Loop() {
				if _, err := Combine(30e6, pairs); err != nil {
					bm.Fatal(err)
				}
			}
		})
	}
}
