package level

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"halfturn/drivers"
	"halfturn/units"
)

func habitual() Rules {
	r := rules()
	r.DriveStep = 0.5
	r.Limits = drivers.LevelLimits{{UpTo: 50e6, Level: 13}, {UpTo: 200e6, Level: 8}, {UpTo: 1e9, Level: 4.2}}
	r.Attenuator = drivers.Attenuator{Levels: []units.DBm{-27, -17, -7, 3}, Hysteresis: 4}
	return r
}

// No drive is above what its frequency allows, off the steps, or, in a
// calibration, in the headroom.
func TestDriveFollowsTheLimit(t *testing.T) {
	r := habitual()
	sweepWith(planner(t, r), grid(3e6, 500e6, 60), rolledOff, none, func(f units.Hertz, s Setting, fill float64) {
		most := r.Limits.At(f)
		if n := float64(s.Drive) * 2; s.Drive > most-4 || n != math.Round(n) {
			t.Errorf("%s: drive %v, the limit is %v", f.Brief(), s.Drive, most)
		}
		if fill < 0.5 || fill > 0.9 {
			t.Errorf("%s: fill %.2f", f.Brief(), fill)
		}
	})
	// A balun may have it all: on the calibration's range, with too little signal.
	p := planner(t, r)
	for _, c := range []struct {
		f    units.Hertz
		want units.DBm
	}{{10e6, 13}, {100e6, 8}, {200e6, 8}, {300e6, 4}} {
		if s := p.Next(c.f, drivers.Window{}, &Precedent{Drive: 3, Range: 8, Amplitude: 0.1}); s.Drive != c.want {
			t.Errorf("%s: drive %v, want %v", c.f.Brief(), s.Drive, c.want)
		}
	}
	r.Limits[2].Level = -61
	if _, err := New(r); err == nil || !strings.Contains(err.Error(), "no drive is allowed at some frequencies") {
		t.Errorf("%v", err)
	}
}

// Whatever the signal does, a drive keeps to its limit and its steps.
func TestLimitsHoldAtEachFrequency(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := habitual()
		p := planner(t, r)
		f := units.Hertz(1e6)
		for range rapid.IntRange(1, 20).Draw(t, "steps") {
			f *= units.Hertz(rapid.Float64Range(1.001, 3).Draw(t, "ratio"))
			var cal *Precedent
			if rapid.Bool().Draw(t, "calibrated") {
				cal = &Precedent{
					Drive:     units.DBm(rapid.Float64Range(-60, 4).Draw(t, "drive")),
					Range:     rapid.SampledFrom(r.Ranges).Draw(t, "range"),
					Amplitude: units.Volts(rapid.Float64Range(1e-4, 4).Draw(t, "cal")),
				}
			}
			s := p.Next(f, drivers.Window{}, cal)
			for range 8 {
				if n := float64(s.Drive) * 2; s.Drive > r.Limits.At(f) || s.Drive < -60 || (n != math.Round(n) && s.Drive != r.Limits.At(f)) {
					t.Fatalf("%s: drive %v, limit %v", f.Brief(), s.Drive, r.Limits.At(f))
				}
				a := units.Volts(rapid.Float64Range(0, 4).Draw(t, "amplitude"))
				j := p.Judge(s, a, 2*a > s.Range, cal)
				if !j.Retake {
					p.Learn(f, s.Drive, a, cal)
					break
				}
				s = j.Next
			}
		}
	})
}

// The attenuator stays where the calibration had it, or where it was, while the
// fill is near enough to its aim.
func TestTheAttenuatorIsLeftAlone(t *testing.T) {
	const f, full = units.Hertz(10e6), units.Volts(0.8)
	// aimed is the amplitude at 0 dBm with which the aim is reached at a drive.
	aimed := func(drive units.DBm) units.Volts {
		return units.Volts(0.7/2) * full / units.Volts(units.DB(drive).Ratio())
	}
	for _, c := range []struct {
		name          string
		calibrated    units.DBm // its drive
		before, aimed units.DBm // the drive of the step before, and where the aim is
		want          units.DBm
	}{
		{"in the calibration's position anyway", 5, -10, 4, 4},
		{"just below it", 5, -10, 2.2, 3},
		{"just above it", 1, -10, 3.6, 2.5},
		{"too far above it", 1, -10, 6, 6},
		{"too far below it", 5, -10, 1, 1},
		{"too far from the calibration's, near the last one", -15, 5, 2.2, 3},
		{"near both: the calibration's counts", 1, 5, 3.4, 2.5},
	} {
		p := planner(t, habitual())
		cal := &Precedent{Drive: c.calibrated, Range: full, Amplitude: aimed(c.aimed) * units.Volts(units.DB(c.calibrated).Ratio())}
		p.Learn(f/1.1, c.before, cal.Amplitude*units.Volts(units.DB(c.before-c.calibrated).Ratio()), cal)
		if got := p.Next(f, drivers.Window{}, cal); got.Drive != c.want || got.Range != full {
			t.Errorf("%s: %v on %v, want %v", c.name, got.Drive, got.Range, c.want)
		}
	}
}

// A planner that is told of the committed steps again goes on as it would have.
func TestHabitsAreRelearned(t *testing.T) {
	g := grid(3e6, 500e6, 40)
	type step struct {
		f units.Hertz
		s Setting
	}
	var whole []step
	sweepWith(planner(t, habitual()), g, rolledOff, none, func(f units.Hertz, s Setting, _ float64) { whole = append(whole, step{f, s}) })
	for at := 1; at < len(g); at++ {
		p := planner(t, habitual())
		for _, s := range whole[:at] {
			p.Learn(s.f, s.s.Drive, rolledOff(s.f)*units.Volts(units.DB(s.s.Drive).Ratio()), nil)
		}
		i := at
		sweepWith(p, g[at:], rolledOff, none, func(f units.Hertz, s Setting, _ float64) {
			if s != whole[i].s {
				t.Errorf("resumed at %d: %s is %+v, and was %+v", at, f.Brief(), s, whole[i].s)
			}
			i++
		})
	}
}
