package check

import (
	"testing"
	"time"

	"halfturn/drivers"
	"halfturn/drivers/dialect"
	"halfturn/drivers/simbench"
	"halfturn/sweep/level"
	"halfturn/units"
)

// The time of the sweep has each click of band and attenuator in it.
func TestSweepTimeKnowsOfClicks(t *testing.T) {
	r := newRig(t, "good-balun", simbench.Options{}, nil)
	b := r.bench(t)
	b.Generator.Habits = drivers.Habits{
		Bands:      drivers.Bands{Edges: []units.Hertz{16e6, 64e6}, Settle: time.Hour},
		Attenuator: drivers.Attenuator{Levels: []units.DBm{-7, 3}, Hysteresis: 2, Settle: time.Minute},
	}
	s := &session{Bench: b, now: time.Now, report: &Report{MaxDrive: 13}, lasts: map[drivers.Window]lasting{}}
	defer s.close()
	var err error
	if s.generator, err = dialect.OpenGenerator(t.Context(), b.Generator); err != nil {
		t.Fatal(err)
	}
	if s.scope, err = dialect.OpenScope(t.Context(), b.Bench.Scope); err != nil {
		t.Fatal(err)
	}
	if s.planner, err = level.New(s.rules(s.scope.Abilities().Windows)); err != nil {
		t.Fatal(err)
	}
	// From 3 MHz to 300 MHz: all at the start, two edges, the attenuator once.
	got := s.sweepTime([]Point{{Frequency: 3e6, Drive: -3}, {Frequency: 200e6, Drive: 4}})
	if want := 3*time.Hour + 2*time.Minute + time.Duration(len(b.Plan.Frequencies()))*s.settling(); got != want {
		t.Errorf("%v, want %v", got, want)
	}
}

// A generator with all habits passes the check, at a drive that each frequency allows.
func TestAGeneratorWithHabits(t *testing.T) {
	r := newRig(t, "stepped-generator", simbench.Options{}, func(s *simbench.Scenario) {
		s.Generator.Level.To = []simbench.LevelLimit{{UpTo: 200e6, Level: 13}, {UpTo: 1e9, Level: -25}}
	})
	b := r.bench(t)
	b.Generator.Dialect = "stepped-generator"
	b.Generator.Habits.Drive.To = drivers.LevelLimits{{UpTo: 200e6, Level: 13}, {UpTo: 1e9, Level: -25}}
	report, text := run(t, b)
	if !report.Works || report.Drive != -25 || r.highest != -25 {
		t.Errorf("works %v at %v, at most %g dBm\n%s", report.Works, report.Drive, r.highest, text)
	}
}
