package setup

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"halfturn/drivers"
	"halfturn/units"
)

// withHabits is the valid bench with more lines under its generator.
func withHabits(t testing.TB, lines string) string {
	return edited(t, "    time_limit: 2 s\n", "    time_limit: 2 s\n"+lines)
}

func TestHabits(t *testing.T) {
	c := parsed(t, withHabits(t, `    drive:
      to: [{up_to: 300 MHz, level: 10 dBm}, {up_to: 1 GHz, level: 6 dBm}]
      step: 0.5 dB
    bands: {edges: [16 MHz, 64 MHz], settle: 80 ms}
    attenuator: {levels: [-7 dBm, 3 dBm], hysteresis: 2 dB, settle: 50 ms}
`))
	want := drivers.Habits{
		Drive:      drivers.DriveHabits{To: drivers.LevelLimits{{UpTo: 300e6, Level: 10}, {UpTo: 1e9, Level: 6}}, Step: 0.5},
		Bands:      drivers.Bands{Edges: []units.Hertz{16e6, 64e6}, Settle: 80 * time.Millisecond},
		Attenuator: drivers.Attenuator{Levels: []units.DBm{-7, 3}, Hysteresis: 2, Settle: 50 * time.Millisecond},
	}
	if diff := cmp.Diff(want, c.Bench.Generator.Habits); diff != "" {
		t.Error(diff)
	}
}

func TestHabitsThatCannotBe(t *testing.T) {
	for _, c := range []struct{ lines, says string }{
		{"    drive: {to: [{up_to: 300 MHz, level: 10 dBm}, {up_to: 200 MHz, level: 6 dBm}]}\n",
			"bench.yaml:8: bench.generator.drive.to[1].up_to: is 200 MHz after 300 MHz: the frequencies must ascend"},
		{"    drive: {to: 7 dBm}\n", "bench.yaml:8: bench.generator.drive.to: a list is wanted here"},
		{"    drive: {step: -1 dB}\n", "bench.yaml:8: bench.generator.drive.step: is -1 dB: it must be above 0 dB"},
		{"    bands: {edges: [16 MHz, 16 MHz], settle: 1 s}\n", "bench.generator.bands.edges: holds 16 MHz after 16 MHz: they must ascend"},
		{"    bands: {edges: [16 MHz]}\n", "bench.generator.bands.settle: is 0s: how long"},
		{"    bands: {settle: 1 s}\n", "bench.generator.bands.edges: is missing"},
		{"    attenuator: {levels: [3 dBm, -7 dBm], hysteresis: 2 dB}\n", "bench.generator.attenuator.levels: holds -7 dBm after 3 dBm: they must ascend"},
		{"    attenuator: {levels: [-7 dBm, 3 dBm], hysteresis: 10 dB}\n", "bench.generator.attenuator.hysteresis: is 10 dB, and 3 dBm follows -7 dBm"},
		{"    attenuator: {hysteresis: 2 dB}\n", "bench.generator.attenuator.levels: is missing"},
		{"    attenuator: {level: [3 dBm]}\n", `bench.generator.attenuator.level: there is no such key, did you mean "levels"?`},
	} {
		_, err := Parse("bench.yaml", []byte(withHabits(t, c.lines)))
		if err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s%v\nwant %q", c.lines, err, c.says)
		}
	}
}

// Habits say something only together, so that no variable names one.
func TestHabitsComeFromTheFile(t *testing.T) {
	quiet(t)
	t.Setenv("HALFTURN_BENCH_GENERATOR_DRIVE_STEP", "1 dB")
	if _, err := Load("example", nil); err == nil || !strings.Contains(err.Error(), "HALFTURN_BENCH_GENERATOR_DRIVE_STEP") {
		t.Errorf("%v", err)
	}
}
