package balance

import (
	"errors"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"halfturn/analysis/phasor"
	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// three draws captures of three channels: each begins at a phase of its own and
// has a level of its own; p are the phasors of both arms and the reference,
// sigma the rms noise of a sample in each.
func three(rng *rand.Rand, p [3]complex128, sigma [3]float64, samples, captures int, drift float64) []phasor.Pair {
	pairs := make([]phasor.Pair, captures)
	for k := range pairs {
		start := cmplx.Rect(1+drift*rng.NormFloat64(), 2*math.Pi*rng.Float64())
		var v [3]complex128
		var c [3]uncertainty.Cov
		for i := range v {
			variance := 2 * sigma[i] * sigma[i] / float64(samples)
			u := math.Sqrt(variance)
			v[i] = start*p[i] + complex(u*rng.NormFloat64(), u*rng.NormFloat64())
			c[i] = uncertainty.Circular(variance)
		}
		pairs[k] = phasor.Pair{
			P: [2]complex128{v[0], v[1]}, Cov: [2]uncertainty.Cov{c[0], c[1]}, N: samples, Frequency: 30e6, Condition: 1,
			Sigma:     [2]units.Volts{units.Volts(sigma[0]), units.Volts(sigma[1])},
			Reference: phasor.Tone{P: v[2], Held: c[2], Sigma: units.Volts(sigma[2]), N: samples},
		}
	}
	return pairs
}

// Without noise the transmissions come out as they are, and the arm ratio is
// theirs. Tolerance: what 1e-12 of noise and double precision leave.
func TestReferenceWithoutNoise(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		part := func(name string) complex128 {
			return cmplx.Rect(rapid.Float64Range(0.01, 2).Draw(t, name), rapid.Float64Range(-math.Pi, math.Pi).Draw(t, name+" phase"))
		}
		p := [3]complex128{part("arm 1"), part("arm 2"), part("reference")}
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		e, err := Combine(30e6, three(rng, p, [3]float64{1e-12, 1e-12, 1e-12}, 1000, rapid.IntRange(1, 9).Draw(t, "captures"), 0.1))
		if err != nil {
			t.Fatal(err)
		}
		for arm, got := range e.Reference.Transmission {
			if want := p[arm] / p[2]; cmplx.Abs(got-want) > 1e-9*cmplx.Abs(want) {
				t.Errorf("arm %d: %v, want %v", arm+1, got, want)
			}
		}
		if r := e.Reference.Transmission[1] / e.Reference.Transmission[0]; cmplx.Abs(r-e.Ratio) > 1e-12*cmplx.Abs(r) {
			t.Errorf("ratio %v, of the transmissions %v", e.Ratio, r)
		}
	})
}

// A common phase in each capture changes nothing; what the reference's channel
// is multiplied by divides the transmissions, and cancels with a calibration.
func TestReferenceInvariances(t *testing.T) {
	load := Load{Resistance: 100, Capacitance: 15e-12, Source: 50}
	rapid.Check(t, func(t *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 2))
		captures := rapid.IntRange(1, 12).Draw(t, "captures")
		sigma := rapid.Float64Range(1e-3, 0.3).Draw(t, "σ")
		factor := cmplx.Rect(rapid.Float64Range(0.1, 10).Draw(t, "factor"), rapid.Float64Range(-math.Pi, math.Pi).Draw(t, "turn"))
		cable := three(rng, [3]complex128{0.3, 0.29i, 1}, [3]float64{sigma, sigma, sigma}, 1000, captures, 0.05)
		balun := three(rng, [3]complex128{0.2, -0.21i, 0.8}, [3]float64{sigma, sigma, sigma}, 1000, captures, 0.05)
		evaluate := func(scale complex128, turn bool) Result {
			var p [2]Point
			for run, pairs := range [2][]phasor.Pair{balun, cable} {
				changed := append([]phasor.Pair(nil), pairs...)
				for k := range changed {
					c := &changed[k]
					c.Reference.P *= scale
					c.Reference.Held = c.Reference.Held.Through(scale)
					if turn {
						z := cmplx.Rect(1, 2*math.Pi*rng.Float64())
						c.P[0], c.P[1], c.Reference.P = c.P[0]*z, c.P[1]*z, c.Reference.P*z
					}
				}
				e, err := Combine(30e6, changed)
				if err != nil {
					t.Fatal(err)
				}
				p[run] = Point{Estimate: e, Range: [2]units.Volts{1, 1}, ReferenceRange: 4}
			}
			r, err := Evaluate(p[0], p[1], load)
			if err != nil {
				t.Fatal(err)
			}
			return r
		}
		want := evaluate(1, false)
		for what, got := range map[string]Result{"turned": evaluate(1, true), "scaled": evaluate(factor, false)} {
			for arm := range got.Transmission {
				a, b := got.Transmission[arm], want.Transmission[arm]
				if cmplx.Abs(a.Value-b.Value) > 1e-9*cmplx.Abs(b.Value) || math.Abs(float64(a.UGain-b.UGain)) > 1e-7*float64(b.UGain) || math.Abs(float64(a.UPhase-b.UPhase)) > 1e-7*float64(b.UPhase) {
					t.Errorf("%s, arm %d: %+v, want %+v", what, arm+1, a, b)
				}
			}
			if d := math.Abs(float64(got.InsertionLoss - want.InsertionLoss)); d > 1e-8 {
				t.Errorf("%s: insertion loss off by %g dB", what, d)
			}
		}
		if !want.Referred {
			t.Error("not referred")
		}
	})
}

// With a strong reference an arm below the noise reaches the bound of a known
// phase, var ln|t| = var arg t = σ²/(N K A²) (design formula 2 for one phasor),
// and no (1 + 1/SNR) of an arm that has to find it. 3000 trials: 2 % standard
// of a variance; accepted are 6 %.
func TestReferenceReachesTheBound(t *testing.T) {
	const trials, captures, samples = 3000, 64, 1000
	p, sigma := [3]complex128{0.035, -0.035, 1}, [3]float64{0.5, 0.5, 1e-3} // signal power of an arm: 1.2 of its noise in a capture
	rng := rand.New(rand.NewPCG(5, 3))
	along, across, stated := 0.0, 0.0, 0.0
	for range trials {
		e, err := Combine(30e6, three(rng, p, sigma, samples, captures, 0))
		if err != nil {
			t.Fatal(err)
		}
		d := e.Reference.Transmission[0]/p[0] - 1
		along += real(d) * real(d) / trials
		across += imag(d) * imag(d) / trials
		stated += e.Reference.Cov[0].RR / real(p[0]*p[0]) / trials
	}
	bound := 2 * sigma[0] * sigma[0] / (samples * captures * real(p[0]*p[0]))
	for what, v := range map[string]float64{"along": along, "across": across} {
		if v > 1.06*bound || v < 0.94*bound {
			t.Errorf("%s: variance %.4g, bound %.4g", what, v, bound)
		}
	}
	if stated < 0.94*bound || stated > 1.3*bound { // enlarged where the captures happen to scatter
		t.Errorf("stated %.4g, bound %.4g", stated, bound)
	}
}

func TestReferenceIsLost(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 4))
	sigma := [3]float64{1e-3, 1e-3, 1e-3}
	if _, err := Combine(30e6, three(rng, [3]complex128{0.3, -0.3, 0}, sigma, 1000, 4, 0)); !errors.Is(err, ErrNoReference) {
		t.Errorf("got %v", err)
	}
	if _, err := Combine(30e6, three(rng, [3]complex128{0, 0, 0.3}, sigma, 1000, 4, 0)); !errors.Is(err, ErrNoSignal) {
		t.Errorf("silent arms: got %v", err)
	}
	if _, err := Combine(30e6, three(rng, [3]complex128{0, 0.3, 0.3}, sigma, 1000, 4, 0)); !errors.Is(err, ErrNoArm1) {
		t.Errorf("silent arm 1: got %v", err)
	}
	mixed := three(rng, [3]complex128{0.3, -0.3, 0.3}, sigma, 1000, 4, 0)
	mixed[2].Reference = phasor.Tone{}
	if _, err := Combine(30e6, mixed); err == nil {
		t.Error("captures with and without a reference were combined")
	}
	// A broken arm 2 is a result.
	cable, err := Combine(30e6, three(rng, [3]complex128{0.3, 0.3, 0.3}, sigma, 1000, 4, 0))
	if err != nil {
		t.Fatal(err)
	}
	broken, err := Combine(30e6, three(rng, [3]complex128{0.3, 0, 0.3}, sigma, 1000, 4, 0))
	if err != nil {
		t.Fatal(err)
	}
	r, err := Evaluate(Point{Estimate: broken, ReferenceRange: 1}, Point{Estimate: cable, ReferenceRange: 1}, netlistLoad)
	if err != nil || r.Transmission[1].Gain > -40 || math.Abs(float64(r.Transmission[0].UGain)) > 0.1 {
		t.Errorf("%+v, %v", r.Transmission, err)
	}
}

// splitter is a circuit with a third channel, and what errs there.
type splitter struct {
	*circuit
	channel complex128
	full    [2]units.Volts // range, by run
}

type splitFaults struct {
	*faults
	repeat, harmonics [2]complex128 // by run
	converter         [2]float64
	skew              float64
	into, from        [2]complex128 // crosstalk from the reference into each arm, and back
}

func (s *splitter) draw(b uncertainty.Budget, rng *rand.Rand) *splitFaults {
	one := func(n uncertainty.Name) complex128 {
		if e := b.Entry(n); e != nil {
			return e.Draw(rng, s.f)
		}
		return 0
	}
	x := &splitFaults{faults: s.circuit.draw(b, rng), skew: real(one(uncertainty.SkewDrift))}
	for i := range 2 {
		x.repeat[i], x.harmonics[i] = one(uncertainty.RunRepeatability), one(uncertainty.Harmonics)
		x.converter[i] = real(one(uncertainty.NonLinearity))
		x.into[i], x.from[i] = one(uncertainty.Crosstalk), one(uncertainty.Crosstalk)
	}
	return x
}

func (s *splitter) read(run int, x *splitFaults) (p [3]complex128) {
	arms := s.circuit.read(run, x.faults)
	ref := complex(s.level(run, x.faults), 0) * s.channel
	p = [3]complex128{arms[0] + x.into[0]*ref, arms[1] + x.into[1]*ref, ref + x.from[0]*arms[0] + x.from[1]*arms[1]}
	p[2] *= (1 + x.repeat[run]) * (1 + x.harmonics[run])
	if run == 0 {
		p[2] *= cmplx.Rect(1, -2*math.Pi*float64(s.f)*(x.skew+mostLead*x.clock))
	}
	p[2] += p[2] / complex(cmplx.Abs(p[2]), 0) * complex(x.converter[run]*float64(s.full[run])/2, 0)
	return p
}

// points are both runs without noise.
func (s *splitter) points(x *splitFaults) [2]Point {
	var points [2]Point
	for run := range points {
		v := s.read(run, x)
		p := point(s.f, v[0], v[1], s.drive[run], 0)
		p.Range, p.ReferenceRange = s.ranges[run], s.full[run]
		p.Reference = Reference{Transmission: [2]complex128{v[0] / v[2], v[1] / v[2]}, Amplitude: units.Volts(cmplx.Abs(v[2]))}
		points[run] = p
	}
	return points
}

func split(f units.Hertz) *splitter {
	s := &splitter{circuit: at(f), channel: cmplx.Rect(0.6, 0.9)}
	s.ranges[0] = s.ranges[1]
	most := 2 * cmplx.Abs(s.channel) * math.Pow(10, float64(max(s.drive[0], s.drive[1]))/20) / 0.8
	s.full = [2]units.Volts{units.Volts(most), units.Volts(most)}
	return s
}

// Every entry's share in each arm's magnitude and phase, and in insertion loss,
// is that of the circuit with just that error in it, to 10 %; the entries of the
// generator's level have none, though the drives differ. As
// TestSharesAreThoseOfTheCircuit.
func TestReferenceSharesAreThoseOfTheCircuit(t *testing.T) {
	s := split(100e6)
	s.choke *= 20
	clean := s.points(&splitFaults{faults: &faults{}})
	truth, err := Evaluate(clean[0], clean[1], s.load)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range uncertainty.Defaults() {
		e.Value, e.Phase = e.Value/10, e.Phase/10
		b := uncertainty.Budget{e}
		_, shares, err := EvaluateWith(clean[0], clean[1], s.load, b, RangeGain(0))
		if err != nil {
			t.Fatal(err)
		}
		lists := [5][]Share{shares.Gain[0], shares.Phase[0], shares.Gain[1], shares.Phase[1], shares.InsertionLoss}
		if e.Name == uncertainty.LevelLinearity || e.Name == uncertainty.LevelRepeatability || e.Name == uncertainty.AttenuatorStep {
			for i, list := range lists {
				if len(list) > 0 {
					t.Errorf("%s has a share in result %d: %+v", e.Name, i+1, list)
				}
			}
		}
		rng := rand.New(rand.NewPCG(33, 34))
		const trials = 1500
		var square [5]float64
		for range trials {
			p := s.points(s.draw(b, rng))
			r, err := Evaluate(p[0], p[1], s.load)
			if err != nil {
				t.Fatal(err)
			}
			off := [5]float64{4: float64(r.InsertionLoss - truth.InsertionLoss)}
			for arm := range r.Transmission {
				z := cmplx.Log(r.Transmission[arm].Value / truth.Transmission[arm].Value)
				off[2*arm], off[2*arm+1] = real(z)*20/math.Ln10, imag(z)*180/math.Pi
			}
			for i, d := range off {
				square[i] += d * d / trials
			}
		}
		for i, list := range lists {
			stated := 0.0
			for _, share := range list {
				stated = share.Standard
			}
			if found := math.Sqrt(square[i]); math.Abs(stated-found) > 0.1*found+2e-4 {
				t.Errorf("%s, result %d: stated %.4g, found %.4g", e.Name, i+1, stated, found)
			}
		}
	}
}

// Noise of every channel and all of the budget's errors drawn: what is stated
// holds the truth in 95 % of the cases. 1500 trials: 0.6 % standard. An entry
// that is not normal is narrower than its variance says, hence up to 98 %.
func TestReferenceCoverage(t *testing.T) {
	const trials = 1500
	for _, c := range []struct {
		name     string
		f        units.Hertz
		sigma    [3]float64 // rms noise of a sample over the amplitude of arm 1, calibration
		captures int
		drift    float64 // of the level from capture to capture
		budget   bool
	}{
		{"60 dB, noise alone", 30e6, [3]float64{7e-4, 7e-4, 7e-4}, 4, 0, false},
		{"60 dB, all errors", 30e6, [3]float64{7e-4, 7e-4, 7e-4}, 4, 0, true},
		{"60 dB, all errors, high frequency", 300e6, [3]float64{7e-4, 7e-4, 7e-4}, 4, 0, true},
		{"60 dB, a level that drifts", 30e6, [3]float64{7e-4, 7e-4, 7e-4}, 4, 0.05, false},
		{"0 dB in the arms, noise alone", 30e6, [3]float64{0.7, 0.7, 0.01}, 16, 0, false},
		{"arms far below the noise", 100e6, [3]float64{8, 8, 0.01}, 64, 0, false},
		{"a noisy reference", 100e6, [3]float64{1e-3, 1e-3, 1}, 8, 0, true},
	} {
		t.Run(c.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(43, 44))
			s := split(c.f)
			var b uncertainty.Budget
			if c.budget {
				b = uncertainty.Defaults()
			}
			clean := s.points(&splitFaults{faults: &faults{}})
			truth, err := Evaluate(clean[0], clean[1], s.load)
			if err != nil {
				t.Fatal(err)
			}
			scale := float64(clean[1].Amplitude[0])
			var in [5]int
			var u Result
			for range trials {
				x := s.draw(b, rng)
				var p [2]Point
				for run := range p {
					sigma := c.sigma
					for i := range sigma {
						sigma[i] *= scale
					}
					e, err := Combine(c.f, three(rng, s.read(run, x), sigma, 1000, c.captures, c.drift))
					if err != nil {
						t.Fatal(err)
					}
					p[run] = Point{Estimate: e, Drive: s.drive[run], Range: s.ranges[run], ReferenceRange: s.full[run]}
				}
				if u, err = Evaluate(p[0], p[1], s.load, Budget(b)); err != nil {
					t.Fatal(err)
				}
				for arm := range u.Transmission {
					got, want := &u.Transmission[arm], &truth.Transmission[arm]
					if math.Abs(float64(got.Gain-want.Gain)) <= float64(got.UGain) {
						in[2*arm]++
					}
					if math.Abs(math.Remainder(float64(got.Phase-want.Phase), 360)) <= float64(got.UPhase) {
						in[2*arm+1]++
					}
				}
				if math.Abs(float64(u.InsertionLoss-truth.InsertionLoss)) <= float64(u.UInsertionLoss) {
					in[4]++
				}
			}
			t.Logf("arm 1 %.3f and %.3f, arm 2 %.3f and %.3f, insertion loss %.3f; U %.2g dB, %.2g°", float64(in[0])/trials, float64(in[1])/trials,
				float64(in[2])/trials, float64(in[3])/trials, float64(in[4])/trials, float64(u.Transmission[0].UGain), float64(u.Transmission[0].UPhase))
			for i, n := range in {
				if p := float64(n) / trials; p < 0.93 || p > 0.985 {
					t.Errorf("result %d holds the truth in %.4f of the cases", i+1, p)
				}
			}
		})
	}
}

// Between two steps of a calibration the transmission follows a delay exactly,
// and an interval too wide to tell its turns is refused.
func TestReferenceIsInterpolated(t *testing.T) {
	const delay = 3e-9
	against := func(f units.Hertz) Point {
		t1 := cmplx.Rect(0.4, -2*math.Pi*float64(f)*delay)
		p := point(f, t1, t1*cmplx.Rect(0.98, -float64(f)*4e-10), 0, 1e-4)
		p.Range, p.ReferenceRange = [2]units.Volts{1, 1}, 2
		p.Reference = Reference{Transmission: [2]complex128{t1, t1 * p.Ratio}, Amplitude: 1,
			Cov: [2]uncertainty.Cov{uncertainty.Circular(1e-9), uncertainty.Circular(1e-9)}}
		return p
	}
	points := []Point{against(10e6), against(30e6), against(50e6), against(70e6)}
	c, err := NewCalibration(points)
	if err != nil {
		t.Fatal(err)
	}
	got, err := c.At(37e6)
	if err != nil {
		t.Fatal(err)
	}
	want := against(37e6)
	for arm := range got.Reference.Transmission {
		if d := cmplx.Abs(got.Reference.Transmission[arm] - want.Reference.Transmission[arm]); d > 1e-9 {
			t.Errorf("arm %d off by %g", arm+1, d)
		}
	}
	if u := got.Reference.Cov[0].Standard(); u < 2.9e-5 || u > 4e-5 || got.ReferenceRange != 2 {
		t.Errorf("uncertainty %g, range %v", u, got.ReferenceRange)
	}
	wide, err := NewCalibration([]Point{against(10e6), against(200e6)})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := wide.At(100e6); !errors.Is(err, ErrCoarseCalibration) {
		t.Errorf("got %v", err)
	}
}
