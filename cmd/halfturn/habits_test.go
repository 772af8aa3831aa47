package main

import (
	"bytes"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"halfturn/cmd/halfturn/setup"
	"halfturn/drivers"
	"halfturn/units"
)

// What simulate prints for a generator with habits is read as these habits.
func TestSimulatePrintsHabits(t *testing.T) {
	t.Parallel()
	var out, errs bytes.Buffer
	if code := run(t.Context(), []string{"simulate", "-c", "stepped-generator"}, strings.NewReader("quit\n"), &out, &errs); code != 0 {
		t.Fatalf("exit %d, %s", code, errs.String())
	}
	_, lines, _ := strings.Cut(out.String(), "In a bench file:\n\n")
	lines, _, _ = strings.Cut(lines, "\n\n")
	c, err := setup.Parse("printed", []byte(lines+`
  name: test
  fixture: none
  load: {resistance: 100 Ω, capacitance: 15 pF}
  max_drive: {generator: 13 dBm, balun: 20 dBm}
plan: {from: 10 MHz, to: 100 MHz, points: 2}
`))
	if err != nil {
		t.Fatalf("%v\n%s", err, lines)
	}
	want := drivers.Habits{
		Drive: drivers.DriveHabits{To: drivers.LevelLimits{{UpTo: 200e6, Level: 13}, {UpTo: 400e6, Level: 10}, {UpTo: 1e9, Level: 7}}, Step: 0.5},
		Bands: drivers.Bands{Edges: []units.Hertz{16e6, 64e6, 256e6}, Settle: 40 * time.Millisecond},
		Attenuator: drivers.Attenuator{
			Levels: []units.DBm{-47, -37, -27, -17, -7, 3}, Hysteresis: 4, Settle: 25 * time.Millisecond,
		},
	}
	if diff := cmp.Diff(want, c.Bench.Generator.Habits); diff != "" || c.Bench.Generator.Dialect != "scpi99-generator" {
		t.Errorf("%s\n%s", diff, lines)
	}
}
