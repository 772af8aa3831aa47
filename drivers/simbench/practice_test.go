package simbench

import (
	"math"
	"math/cmplx"
	"slices"
	"testing"

	"halfturn/units"
)

const degree = math.Pi / 180

// asRead is the ratio that the scope shows, without noise.
func asRead(s *Scenario, f units.Hertz, what Fixture) complex128 {
	v := s.atConverter(f, 0, what, [channels]units.Volts{8, 8})
	return v[1][0] / v[0][0]
}

// Source of the facts below: common practice.

func TestCableReadsZeroDegrees(t *testing.T) {
	s := load(t, "common-practice")
	for f := units.Hertz(10e6); f <= 200e6; f += 5e6 {
		if p := cmplx.Phase(asRead(s, f, FitCalibrationCable)) / degree; math.Abs(p) > 0.5 {
			t.Errorf("%v: %g°", f, p)
		}
	}
}

func TestChokeBalunAtLowFrequencies(t *testing.T) {
	s := load(t, "common-practice")
	phase := func(f units.Hertz) float64 { return 180 + cmplx.Phase(-asRead(s, f, FitBalun))/degree }
	if p := phase(5e6); math.Abs(p-187) > 1 {
		t.Errorf("5 MHz: %.2f°, practice has about 187°", p)
	}
	if p := phase(1e6); math.Abs(p-180) < 25 {
		t.Errorf("1 MHz: %.2f°, practice has it far from 180°", p)
	}
	for f := units.Hertz(10e6); f <= 200e6; f += 5e6 {
		if p := phase(f); math.Abs(p-180) > 4 {
			t.Errorf("%v: %.2f°, practice has it settled", f, p)
		}
	}
}

// 500 MHz itself is a multiple of half the sample rate of every window in
// whole nanoseconds; a hair beside it is what can be sampled.
func TestHundredMegahertzScopeStillShowsFiveHundred(t *testing.T) {
	s := load(t, "common-practice")
	f, full := units.Hertz(499.85e6), units.Volts(0.16)
	for _, ch := range s.Scope.Channels {
		if at100, at500 := cmplx.Abs(ch.response(100e6)), cmplx.Abs(ch.response(500e6)); math.Abs(20*math.Log10(at100)+3) > 0.2 || at500 > 0.12 {
			t.Errorf("not a 100 MHz scope: %g at 100 MHz, %g at 500 MHz", at100, at500)
		}
	}
	read := func(level units.DBm, what Fixture) (r complex128, clipped bool) {
		b := plainBench(s, f, level, full, what)
		b.acquire()
		for _, record := range b.record[:reference] {
			clipped = clipped || slices.Max(record) == railHigh || slices.Min(record) == railLow
		}
		return dft(b.record[1], f, b.scope.interval, 1) / dft(b.record[0], f, b.scope.interval, 1), clipped
	}
	balun, clipped := read(13, FitBalun)
	cable, clippedToo := read(13, FitCalibrationCable)
	if clipped || clippedToo {
		t.Fatal("clipped at +13 dBm")
	}
	truth := s.Truth(f).Ratio
	// One capture each of 50 mV and 70 mV at 0.5 mV noise: 0.02° standard.
	if d := cmplx.Phase(balun/cable/truth) / degree; math.Abs(d) > 0.15 {
		t.Errorf("at +13 dBm the phase is off by %.3f°", d)
	}
}

func TestShippedScenariosAreWhatTheySay(t *testing.T) {
	names := Names()
	want := []string{"broken-arm", "cable-left-in", "common-practice", "good-balun", "rf-cable-off", "stepped-generator", "swapped-pair", "too-little-ferrite", "with-reference"}
	if !slices.Equal(names, want) {
		t.Fatalf("shipped: %q", names)
	}
	// worst balance between two frequencies
	worst := func(s *Scenario, from, to units.Hertz) (amplitude, phase float64) {
		for f := from; f <= to; f *= 1.02 {
			r := s.Truth(f)
			amplitude = max(amplitude, math.Abs(float64(r.AmplitudeBalance)))
			phase = max(phase, math.Abs(float64(r.PhaseBalance)))
		}
		return amplitude, phase
	}
	good := load(t, "good-balun")
	if a, p := worst(good, 10e6, 300e6); a > 0.4 || p > 2.5 {
		t.Errorf("good-balun: %.2f dB, %.2f°: not well inside 0.5 dB and 3°", a, p)
	}
	little := load(t, "too-little-ferrite")
	if _, p := worst(little, 30e6, 45e6); p < 5 {
		t.Errorf("too-little-ferrite: %.2f° from 30 MHz to 45 MHz", p)
	}
	if a, p := worst(little, 55e6, 300e6); a > 0.5 || p > 4 {
		t.Errorf("too-little-ferrite: %.2f dB, %.2f° above 55 MHz", a, p)
	}
	for f := units.Hertz(30e6); f <= 300e6; f *= 1.1 {
		if d := cmplx.Abs(load(t, "swapped-pair").Truth(f).Ratio*good.Truth(f).Ratio - 1); d > 0.05 {
			t.Errorf("%v: swapped ratio is not near the inverse: off by %g", f, d)
		}
		if a := float64(load(t, "broken-arm").Truth(f).AmplitudeBalance); a > -6 {
			t.Errorf("%v: broken arm at %g dB", f, a)
		}
		if r := load(t, "cable-left-in").Truth(f).Ratio; cmplx.Abs(r-1) > 1e-12 {
			t.Errorf("%v: cable left in reads %v", f, r)
		}
		off := load(t, "rf-cable-off").Truth(f)
		if !cmplx.IsNaN(off.Ratio) || !math.IsNaN(float64(off.InsertionLoss)) || off.Voltages != [2]complex128{} {
			t.Errorf("%v: without a signal the truth is %+v", f, off)
		}
	}
	for _, name := range names {
		v := load(t, name).atConverter(10e6, 13, FitCalibrationCable, [channels]units.Volts{8, 8})
		if p := cmplx.Abs(v[0][0]); p < 0.2 || p > 4 {
			t.Errorf("%s: %g V peak at 10 MHz and +13 dBm", name, p)
		}
	}
}

// 0 dBm into a matched 50 Ω is 223.6 mV rms; the open circuit has twice that.
func TestSourceLevel(t *testing.T) {
	s := netlist()
	if got := cmplx.Abs(s.openCircuit(30e6, 0)[0]); math.Abs(got-2*math.Sqrt2*math.Sqrt(0.05)) > 1e-12 {
		t.Errorf("0 dBm: %g V peak open circuit", got)
	}
	s.Generator.LevelError = LevelError{Offset: 0.5, Tilt: 1, Ripple: 0.25, RipplePeriod: 40e6, Per10dB: 0.1}
	// 10 MHz is a decade below 100 MHz and a quarter of the ripple: 0.5 - 1 + 0.25 - 0.2 dB.
	got := 20 * math.Log10(cmplx.Abs(s.openCircuit(10e6, -20)[0])/(2*math.Sqrt2*math.Sqrt(0.05)))
	if math.Abs(got-(-20.45)) > 1e-9 {
		t.Errorf("-20 dBm with its errors: %g dBm", got)
	}
	s.Generator.Harmonics = Harmonics{-30, -40}
	v := s.openCircuit(10e6, 0)
	if d := 20 * math.Log10(cmplx.Abs(v[1])/cmplx.Abs(v[0])); math.Abs(d+30) > 1e-9 {
		t.Errorf("second harmonic at %g dBc", d)
	}
	if d := 20 * math.Log10(cmplx.Abs(v[2])/cmplx.Abs(v[0])); math.Abs(d+40) > 1e-9 {
		t.Errorf("third harmonic at %g dBc", d)
	}
}
