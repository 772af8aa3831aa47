package simbench

import (
	"math"
	"math/cmplx"
	"testing"

	"halfturn/units"
)

// Connectors that are made anew multiply each arm by something else, of the
// scenario's standard deviations; the same fitting of the same seed by the same.
func TestConnectorsRepeatAsTheScenarioSays(t *testing.T) {
	s := load(t, "good-balun")
	if c := s.contact(7); c != [2]complex128{1, 1} {
		t.Errorf("a scenario without a word of connectors has %v", c)
	}
	s.Connector = Connector{Amplitude: 0.02, Phase: 0.1}
	const n = 20000
	var amplitude, phase [2]float64
	var together float64
	for fitting := range uint64(n) {
		c := s.contact(fitting)
		if again := s.contact(fitting); again != c {
			t.Fatalf("fitting %d is %v and %v", fitting, c, again)
		}
		for arm, v := range c {
			amplitude[arm] += math.Pow(float64(units.DBOfRatio(cmplx.Abs(v))), 2) / n
			phase[arm] += math.Pow(cmplx.Phase(v)*180/math.Pi, 2) / n
		}
		together += cmplx.Phase(c[0]) * cmplx.Phase(c[1]) * math.Pow(180/math.Pi, 2) / n
	}
	// A standard deviation from n values is uncertain by 1/sqrt(2n): five of those, 2.5 %.
	for arm := range amplitude {
		if a, p := math.Sqrt(amplitude[arm]), math.Sqrt(phase[arm]); math.Abs(a/0.02-1) > 0.025 || math.Abs(p/0.1-1) > 0.025 {
			t.Errorf("arm %d: %g dB and %g°, want 0.02 dB and 0.1°", arm+1, a, p)
		}
	}
	if math.Abs(together) > 5*0.1*0.1/math.Sqrt(n) {
		t.Errorf("the arms go together by %g square degrees", together)
	}
}

// What is fitted again reads otherwise by just what the connectors do; captures
// without a fitting between them do not, and the exact values stay.
func TestAFittingMovesTheRatio(t *testing.T) {
	f, full := units.Hertz(30.05e6), units.Volts(0.8)
	s := load(t, "good-balun")
	truth := s.Truth(f)
	s.Connector = Connector{Amplitude: 1, Phase: 5}
	if s.Truth(f) != truth {
		t.Error("the exact values follow the connectors")
	}
	b := plainBench(s, f, 0, full, FitBalun)
	ratio := func() (r complex128) {
		for range 10 {
			b.acquire()
			r += dft(b.record[1], f, b.scope.interval, 1) / dft(b.record[0], f, b.scope.interval, 1) / 10
		}
		return r
	}
	first := ratio()
	was := b.contact
	if again := ratio(); cmplx.Abs(again/first-1) > 1e-3 {
		t.Errorf("%v and %v without a fitting", first, again)
	}
	for range 3 {
		b.fit(FitBalun)
		want := first * (b.contact[1] / b.contact[0]) / (was[1] / was[0])
		// 2.4 mV of noise on signals of 0.2 V and more, 10 captures of 10 000: below 1e-4 each.
		if got := ratio(); cmplx.Abs(got/want-1) > 1e-3 {
			t.Errorf("%v after a fitting, want %v", got, want)
		}
		if cmplx.Abs(want/first-1) < 1e-3 {
			t.Errorf("the fitting moved nothing")
		}
	}
}
