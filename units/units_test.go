package units

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.9g, want %.9g ± %g", what, got, want, tolerance)
	}
}

// By the definition of dBm, 0 dBm is 1 mW: V = sqrt(P R). The powers are those
// of ten; the voltages follow by hand with R = 50 Ω.
func TestDBmAndVolts(t *testing.T) {
	for _, c := range []struct {
		level DBm
		power float64 // watts
		rms   Volts
	}{
		{0, 1e-3, 0.2236068},   // sqrt(0.05): 223.6 mV
		{10, 10e-3, 0.7071068}, // sqrt(0.5): 1 V peak
		{13, 19.952623e-3, 0.9988149},
		{20, 100e-3, 2.2360680},
		{30, 1, 7.0710678},
		{-10, 1e-4, 0.0707107},
		{-107, 1.9952623e-14, 9.9881494e-7}, // 1 µV to 0.12 %
	} {
		v := float64(c.level.VoltsRMS())
		near(t, c.level.String()+" in volts", v, float64(c.rms), 1e-6*float64(c.rms))
		near(t, c.level.String()+" in watts", v*v/50, c.power, 1e-7*c.power)
		near(t, c.rms.String()+" in dBm", float64(DBmOfVoltsRMS(c.rms)), float64(c.level), 5e-6)
	}
}

// 20 log10 of a ratio of amplitudes: 6.02 dB for 2, 20 dB for 10.
func TestDBAndRatio(t *testing.T) {
	for _, c := range []struct{ ratio, db float64 }{
		{1, 0}, {2, 6.020599913}, {0.5, -6.020599913}, {10, 20}, {math.Sqrt2, 3.010299957}, {1e-5, -100},
	} {
		near(t, "dB", float64(DBOfRatio(c.ratio)), c.db, 1e-9)
		near(t, "ratio", DB(c.db).Ratio(), c.ratio, 1e-9*c.ratio)
	}
	if got := DBOfRatio(0); !math.IsInf(float64(got), -1) {
		t.Errorf("a ratio of 0 is %v", got)
	}
}

func TestAdd(t *testing.T) {
	if got := DBm(13).Add(-20); got != -7 {
		t.Errorf("13 dBm - 20 dB is %v", got)
	}
	// Twice the power is 3.01 dB more, twice the voltage 6.02 dB.
	near(t, "twice the voltage", float64(DBm(0).Add(DBOfRatio(2)).VoltsRMS()), 2*float64(DBm(0).VoltsRMS()), 1e-12)
}

func TestLevelsRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := rapid.Float64Range(-300, 300).Draw(t, "level")
		if got := float64(DBmOfVoltsRMS(DBm(l).VoltsRMS())); math.Abs(got-l) > 1e-11 {
			t.Fatalf("%v dBm came back as %v", l, got)
		}
		if got := float64(DBOfRatio(DB(l).Ratio())); math.Abs(got-l) > 1e-11 {
			t.Fatalf("%v dB came back as %v", l, got)
		}
	})
}
