package simbench

import (
	"math"
	"math/cmplx"
	"slices"
	"testing"

	"halfturn/units"
)

// plainBench is a bench with RF on, without clock offset, and with whole
// cycles in the record, so that a plain DFT is exact.
func plainBench(s *Scenario, f units.Hertz, level units.DBm, full units.Volts, what Fixture) *bench {
	s.Generator.ClockOffset = 0
	b := newBench(s, SCPI99)
	b.fixture = what
	b.generator = generatorState{frequency: f, level: level, on: true}
	b.scope.ranges = [channels]units.Volts{full, full}
	b.scope.points = maxPoints
	return b
}

// dft is the phasor at f, volts peak.
func dft(record []int16, f units.Hertz, interval, step float64) complex128 {
	var sum complex128
	for n, c := range record {
		_, cycles := math.Modf(float64(f) * interval * float64(n))
		sum += complex(float64(c)*step, 0) * cmplx.Rect(1, -2*math.Pi*cycles)
	}
	return sum * complex(2/float64(len(record)), 0)
}

func load(t testing.TB, name string) *Scenario {
	t.Helper()
	s, err := Load(name)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestCaptureShowsWhatPhysicsSays(t *testing.T) {
	for _, c := range []struct {
		name string
		f    units.Hertz
		lev  units.DBm
		full units.Volts
		what Fixture
	}{
		{"cable, low", 5.05e6, 0, 0.8, FitCalibrationCable},
		{"cable, top of the band", 203.35e6, 13, 1.6, FitCalibrationCable},
		{"balun, low", 1.05e6, 0, 1.6, FitBalun},
		{"balun, middle", 100.15e6, 3, 0.8, FitBalun},
		{"balun, above the sample rate", 617.35e6, 13, 0.16, FitBalun},
		{"swapped", 30.05e6, 0, 0.8, FitSwapped},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := load(t, "good-balun")
			b := plainBench(s, c.f, c.lev, c.full, c.what)
			want := s.atConverter(c.f, c.lev, c.what, b.scope.ranges)
			b.acquire()
			step := float64(c.full) / codes
			// Converter noise and rounding, over the record: five standard deviations.
			sigma := math.Hypot(math.Hypot(0.003*float64(c.full), 60e-6), step/math.Sqrt(12))
			u := 5 * sigma * math.Sqrt(2./maxPoints)
			var p [2]complex128
			for i := range p {
				p[i] = dft(b.record[i], c.f, b.scope.interval, step)
				if d := cmplx.Abs(p[i]) - cmplx.Abs(want[i][0]); math.Abs(d) > u {
					t.Errorf("arm %d: %g V, physics %g V, allowed ±%g V", i+1, cmplx.Abs(p[i]), cmplx.Abs(want[i][0]), u)
				}
			}
			got, exact := p[1]/p[0], want[1][0]/want[0][0]
			allowed := u * (1/cmplx.Abs(p[0]) + 1/cmplx.Abs(p[1]))
			if d := cmplx.Phase(got / exact); math.Abs(d) > allowed {
				t.Errorf("phase of arm 2 against arm 1 is off by %g rad, allowed %g", d, allowed)
			}
			// And the harmonic, which is as large as the scenario says.
			h := dft(b.record[0], 2*c.f, b.scope.interval, step)
			if d := cmplx.Abs(h) - cmplx.Abs(want[0][1]); math.Abs(d) > u {
				t.Errorf("second harmonic %g V, physics %g V", cmplx.Abs(h), cmplx.Abs(want[0][1]))
			}
		})
	}
}

// De-embedding what the captures show gives the truth: the channels' delays,
// poles and range gains cancel.
func TestRatioOfCapturesIsTheTruth(t *testing.T) {
	s := load(t, "good-balun")
	f, full := units.Hertz(150.05e6), units.Volts(0.8)
	ratio := func(what Fixture) (r complex128) {
		b := plainBench(s, f, 6, full, what)
		for range 20 {
			b.acquire()
			r += dft(b.record[1], f, b.scope.interval, 1) / dft(b.record[0], f, b.scope.interval, 1)
		}
		return r / 20
	}
	got, want := ratio(FitBalun)/ratio(FitCalibrationCable), s.Truth(f).Ratio
	// 0.8 V range, about 0.3 V signals, 2.4 mV noise, 20 captures: 5 u is 2e-4·3.
	if cmplx.Abs(got-want) > 6e-4 {
		t.Errorf("ratio %v, truth %v", got, want)
	}
}

func TestNoiseWithoutSignal(t *testing.T) {
	for _, c := range []struct {
		name string
		on   bool
		what Fixture
	}{{"RF off", false, FitBalun}, {"nothing in the fixture", true, FitNothing}} {
		s := load(t, "good-balun")
		b := plainBench(s, 30e6, 13, 1.6, c.what)
		b.generator.on = c.on
		b.acquire()
		step := 1.6 / codes
		for i, record := range b.record[:reference] {
			var sum, squares float64
			for _, v := range record {
				sum += float64(v)
				squares += float64(v) * float64(v)
			}
			mean := sum / float64(len(record))
			sigma := math.Sqrt(squares/float64(len(record))-mean*mean) * step
			// Rounding adds step²/12 to noise that is not small against the step.
			want := math.Sqrt(math.Pow(0.003*1.6, 2) + math.Pow(60e-6, 2) + step*step/12)
			if math.Abs(sigma/want-1) > 5/math.Sqrt(2*float64(len(record))) {
				t.Errorf("%s: noise of arm %d is %g V, want %g V", c.name, i+1, sigma, want)
			}
			if off := s.offset(i, 1.6) * 1.6; math.Abs(mean*step-off) > 5*want/math.Sqrt(float64(len(record))) {
				t.Errorf("%s: offset of arm %d is %g V, want %g V", c.name, i+1, mean*step, off)
			}
		}
	}
}

func TestClippingStopsAtTheRails(t *testing.T) {
	b := plainBench(load(t, "good-balun"), 10.05e6, 13, 0.4, FitCalibrationCable)
	b.acquire()
	for i, record := range b.record[:reference] {
		if low, high := slices.Min(record), slices.Max(record); low != railLow || high != railHigh {
			t.Errorf("arm %d: codes from %d to %d", i+1, low, high)
		}
	}
	b.scope.ranges = [channels]units.Volts{8, 8}
	b.acquire()
	for i, record := range b.record[:reference] {
		if low, high := slices.Min(record), slices.Max(record); low == railLow || high == railHigh {
			t.Errorf("arm %d: rails reached on 8 V", i+1)
		}
	}
}

func TestClockOffsetTurnsThePhase(t *testing.T) {
	s := load(t, "good-balun")
	f := units.Hertz(100.1e6)
	b := plainBench(s, f, 0, 0.8, FitBalun)
	s.Generator.ClockOffset = 40
	b.acquire()
	half := maxPoints / 2
	first := dft(b.record[0][:half], f, b.scope.interval, 1)
	second := dft(b.record[0][half:], f, b.scope.interval, 1)
	// Half a record is 10 µs, in which 40 ppm of 100.1 MHz make 0.04004 cycles.
	_, whole := math.Modf(float64(f) * b.scope.interval * float64(half))
	got := cmplx.Phase(second/first*cmplx.Rect(1, -2*math.Pi*whole)) / (2 * math.Pi)
	if math.Abs(got-0.04004) > 2e-4 {
		t.Errorf("%g cycles, want 0.04004", got)
	}
}

// Each setting, and sending one again, starts the same captures anew; nothing
// else does.
func TestCapturesAreDeterministic(t *testing.T) {
	take := func(b *bench) []int16 { b.acquire(); return slices.Clone(b.record[0]) }
	s := load(t, "good-balun")
	b := plainBench(s, 30e6, 0, 0.8, FitBalun)
	first, second := take(b), take(b)
	if slices.Equal(first, second) {
		t.Error("two captures are alike")
	}
	again := plainBench(load(t, "good-balun"), 30e6, 0, 0.8, FitBalun)
	if !slices.Equal(take(again), first) || !slices.Equal(take(again), second) {
		t.Error("another bench of the same seed and settings gives other captures")
	}
	_ = b.change(func() error { b.generator.level = 0; return nil })
	if !slices.Equal(take(b), first) {
		t.Error("sending a setting again does not start anew")
	}
	for _, c := range []struct {
		what   string
		change func()
	}{
		{"frequency", func() { b.generator.frequency = 30.0001e6 }},
		{"level", func() { b.generator.level = 0.1 }},
		{"range", func() { b.scope.ranges[1] = 1.6 }},
		{"window", func() { b.scope.interval = 4e-9 }},
		{"fixture", func() { b.fixture = FitSwapped }},
	} {
		was, gen, fix := b.scope, b.generator, b.fixture
		_ = b.change(func() error { c.change(); return nil })
		if noiseAlike(take(b), first) {
			t.Errorf("another %s gives the same captures", c.what)
		}
		_ = b.change(func() error { b.scope, b.generator, b.fixture = was, gen, fix; return nil })
		if !slices.Equal(take(b), first) {
			t.Errorf("setting the %s back does not bring the first capture back", c.what)
		}
	}
	other := load(t, "good-balun")
	other.Seed++
	if slices.Equal(take(plainBench(other, 30e6, 0, 0.8, FitBalun)), first) {
		t.Error("the seed does not matter")
	}
}

// noiseAlike says whether two records start at the same phase with the same noise.
func noiseAlike(a, b []int16) bool { return slices.Equal(a[:40], b[:40]) }

func BenchmarkSynthesis(b *testing.B) {
	bn := plainBench(load(b, "good-balun"), 30e6, 0, 0.8, FitBalun)
	b.ReportAllocs()
	for b.Loop() {
		bn.acquire()
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/(2*maxPoints), "ns/sample/channel")
}
