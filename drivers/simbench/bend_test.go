package simbench

import (
	"math"
	"math/cmplx"
	"testing"

	"halfturn/units"
)

// A channel that bends loses 3/4 of its cubic part times fill² of a sine's
// fundamental and shows 1/4 of it as a third harmonic (sin³ = 3/4 sin - 1/4
// sin 3x); the other channel and the exact values know nothing of it.
func TestABentChannel(t *testing.T) {
	const f, level, full = units.Hertz(5.05e6), units.DBm(-2), units.Volts(0.8)
	phasors := func(cubic float64) (first, third [2]float64, truth Truth) {
		s := load(t, "good-balun")
		s.Generator.Harmonics = Harmonics{-200, -200}
		s.Scope.Offset = 0
		s.Scope.Channels[1].Cubic = cubic
		b := plainBench(s, f, level, full, FitCalibrationCable)
		const captures = 10
		for range captures {
			b.acquire()
			for i := range first {
				step := float64(full) / codes
				first[i] += cmplx.Abs(dft(b.record[i], f, b.scope.interval, step)) / captures
				third[i] += cmplx.Abs(dft(b.record[i], 3*f, b.scope.interval, step)) / captures
			}
		}
		return first, third, s.Truth(f)
	}
	straight, _, exact := phasors(0)
	const cubic = 0.05
	bent, third, same := phasors(cubic)
	fill := 2 * straight[1] / float64(full)
	// 2.6 mV noise in 10 captures of 10 000 samples: 12 µV, of about 0.3 V.
	if got, want := bent[1]/straight[1], 1-0.75*cubic*fill*fill; math.Abs(got-want) > 3e-4 {
		t.Errorf("fundamental of %.4g, want %.4g", got, want)
	}
	if got, want := third[1]/straight[1], 0.25*cubic*fill*fill; math.Abs(got-want) > 3e-4 {
		t.Errorf("third harmonic of %.3g, want %.3g", got, want)
	}
	if math.Abs(bent[0]/straight[0]-1) > 3e-4 || third[0]/straight[0] > 3e-4 {
		t.Errorf("channel 1 moves by %.2g and shows %.2g", bent[0]/straight[0]-1, third[0]/straight[0])
	}
	if same != exact {
		t.Error("the exact values changed")
	}
}

// Ferrite that follows its voltage: toward small signals the ratio becomes the
// exact one, and at a higher level it is that of the same circuit with the
// larger inductance that its own voltage asks for.
func TestFerriteThatDependsOnTheLevel(t *testing.T) {
	const f = units.Hertz(2e6)
	full := [channels]units.Volts{8, 8}
	s := load(t, "too-little-ferrite")
	s.Balun.Sleeve.Doubling = 2
	ratio := func(s *Scenario, level units.DBm) complex128 {
		v := s.atConverter(f, level, FitBalun, full)
		return v[1][0] / v[0][0]
	}
	linear := *s
	linear.Balun.Sleeve.Doubling = 0
	if d := cmplx.Abs(ratio(s, -60) - ratio(&linear, 0)); d > 1e-3 {
		t.Errorf("at -60 dBm the ratio is off by %g", d)
	}
	if d := cmplx.Abs(ratio(s, 13) - ratio(&linear, 13)); d < 0.01 {
		t.Errorf("at 13 dBm the ratio moves by %g only", d)
	}
	peak := cmplx.Abs(s.openCircuit(f, 13)[0])
	driven := s.driven(f, FitBalun, peak)
	one := cmplx.Abs(driven.solve(f, FitBalun).sleeves) * peak / float64(s.Balun.Sleeves)
	want := float64(s.Balun.Sleeve.Inductance) * (1 + one/2)
	if got := float64(driven.Balun.Sleeve.Inductance); math.Abs(got/want-1) > 1e-9 {
		t.Errorf("inductance %g H at %g V, want %g H", got, one, want)
	}
	if s.Truth(f) != linear.Truth(f) {
		t.Error("the exact values are not those of small signals")
	}
	if s.driven(f, FitCalibrationCable, 1) != s {
		t.Error("the calibration cable has no ferrite")
	}
}
