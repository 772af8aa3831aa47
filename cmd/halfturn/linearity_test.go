package main

import (
	"os"
	"strings"
	"testing"

	"halfturn/drivers/simbench"
	"halfturn/internal/testbench"
)

// A calibration that read nothing is no success, whatever the run's state.
func TestACalibrationWithoutARatioFails(t *testing.T) {
	t.Parallel()
	s := scenario(t, "good-balun")
	s.Scope.Noise.OfRange = 0.2 // clips at any drive
	server := testbench.Serve(t, s, simbench.Options{})
	bench := benchFile(t, server.GeneratorAddress(), server.ScopeAddress(), 3)
	server.FitForCalibration()
	code, out, errs := halfturn(t, "calibrate", "-c", bench, "--yes")
	if code != exitNotDone || !strings.Contains(errs, "has no measured step") || strings.Contains(out, "Next:") {
		t.Errorf("exit %d\n%s\n%s", code, out, errs)
	}
}

// From the bench file to what `show` says: a channel that bends is put down to
// the scope, ferrite that follows the level to the balun.
func TestLinearityIsPutDown(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		spoil        func(*simbench.Scenario)
		cable, balun string
	}{
		"good":         {func(*simbench.Scenario) {}, "linear", "linear"},
		"bent scope":   {func(s *simbench.Scenario) { s.Scope.Channels[1].Cubic = 0.05 }, "scope non-linear", "scope non-linear"},
		"soft ferrite": {func(s *simbench.Scenario) { s.Balun.Sleeve.Doubling = 3; s.Balun.Sleeves = 4 }, "linear", "balun non-linear"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s := scenario(t, "good-balun")
			s.Scope.Noise.OfRange = 0.002
			c.spoil(s)
			server := testbench.Serve(t, s, simbench.Options{})
			bench := benchFile(t, server.GeneratorAddress(), server.ScopeAddress(), 9)
			text, err := os.ReadFile(bench)
			if err != nil {
				t.Fatal(err)
			}
			text = []byte(strings.Replace(string(text), "spacing: logarithmic}", "spacing: logarithmic, captures: 8, linearity: {every: 2}}", 1))
			if err := os.WriteFile(bench, text, 0o600); err != nil {
				t.Fatal(err)
			}
			store := storeOf(bench)
			server.FitForCalibration()
			out, _ := must(t, 0, "calibrate", "-c", bench, "--yes")
			if !strings.Contains(out, "Linearity: "+c.cable+"\n") || !strings.Contains(out, "harmonic 3:") {
				t.Errorf("calibration: %s", out)
			}
			server.FitForMeasurement()
			if code, out, errs := halfturn(t, "measure", "-c", bench, "--yes"); code == exitNotDone || code == exitUsage || !strings.Contains(out, "Linearity: "+c.balun+"\n") {
				t.Errorf("exit %d\n%s\n%s", code, out, errs)
			}
			for run, want := range map[string]string{"1": c.cable, "2": c.balun} {
				l := shown(t, store, run).Linearity
				if l == nil || l.Verdict != want || len(l.Steps) != 5 {
					t.Fatalf("run %s: %+v", run, l)
				}
				for _, step := range l.Steps {
					if drop := step.Drive[0] - step.Drive[1]; drop < 5.99 || drop > 6.11 {
						t.Errorf("drives %v", step.Drive)
					}
				}
			}
		})
	}
}
