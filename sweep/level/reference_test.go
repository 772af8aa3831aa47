package level

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"halfturn/units"
)

func referenceRules() Rules {
	return Rules{Aim: 0.7, Min: 0.5, Max: 0.9, Headroom: 6, MinDrive: -60, MaxDrive: 13,
		Ranges: []units.Volts{0.016, 0.04, 0.08, 0.16, 0.4, 0.8, 1.6, 4, 8}}
}

// In a calibration the range leaves room for the headroom, and a balun run with
// no more drive than that keeps it.
func TestReferenceLeavesHeadroom(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := referenceRules()
		reference := NewReference(r)
		at0 := units.Volts(rapid.Float64Range(0.02, 0.6).Draw(t, "peak at 0 dBm"))
		drive := units.DBm(rapid.Float64Range(-20, 7).Draw(t, "drive"))
		peak := func(d units.DBm) units.Volts { return at0 * units.Volts(units.DB(d).Ratio()) }
		reference.Learn(drive-3, peak(drive-3))
		reference.Begin()
		full := reference.Next(drive, 0)
		if fill := float64(2 * peak(drive) / full); fill > r.Max*(-r.Headroom).Ratio()*(1+1e-9) {
			t.Errorf("calibration: fill %g of %v", fill, full)
		}
		more := drive + units.DBm(rapid.Float64Range(-6, float64(r.Headroom)-1e-6).Draw(t, "more"))
		if got := reference.Next(more, full); got != full {
			t.Errorf("balun at %v: %v, calibrated at %v on %v", more, got, drive, full)
		}
	})
}

func TestReferenceJudges(t *testing.T) {
	reference := NewReference(referenceRules())
	for name, c := range map[string]struct {
		full, amplitude, want units.Volts
	}{
		"good":             {0.4, 0.08, 0.4},
		"nothing seen":     {0.4, 0, 0.4},
		"beyond headroom":  {0.4, 0.15, 0.8},
		"a little empty":   {0.4, 0.03, 0.4},
		"very empty":       {1.6, 0.01, 0.08},
		"on the least one": {0.016, 0.0001, 0.016},
	} {
		reference.Begin()
		if got := reference.Judge(c.full, 0, c.amplitude, 0); got != c.want {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
	if next, err := reference.Larger(4); err != nil || next != 8 {
		t.Errorf("%v, %v", next, err)
	}
	if _, err := reference.Larger(8); err == nil {
		t.Error("there is nothing larger than the largest")
	}
	var none *Reference
	none.Begin()
	none.Learn(0, 1)
	if none.Next(0, 0) != 0 || none.Judge(0, 0, 1, 0) != 0 {
		t.Error("a bench without a reference has a range for it")
	}
	reference.Begin()
	// Without anything known the level into 50 Ω is counted on.
	if got := reference.Next(0, 0); math.Abs(float64(got)-1.6) > 1e-12 {
		t.Errorf("at first %v", got)
	}
}
