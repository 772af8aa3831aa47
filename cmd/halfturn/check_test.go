package main

import (
	"encoding/json"
	"os"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"halfturn/drivers/simbench"
	"halfturn/drivers/simbench/device"
	"halfturn/internal/testbench"
)

func TestCheckAGoodBench(t *testing.T) {
	t.Parallel()
	server := testbench.Simulated(t, "good-balun", simbench.Options{})
	bench := benchFile(t, server.GeneratorAddress(), server.ScopeAddress(), 20)
	server.FitForCalibration()
	out, errs := must(t, 0, "check", "-c", bench, "--yes")
	for _, want := range []string{"the calibration cable", "This bench measures from 100 kHz to 1 GHz", "sweep of 20 steps", "All works.", "Next: halfturn calibrate -c " + bench} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is not in\n%s", want, out)
		}
	}
	if errs != "" {
		t.Error(errs)
	}
	// What it says of the bench holds: the calibration goes through.
	must(t, 0, "calibrate", "-c", bench, "--yes")
}

func TestCheckAsJSON(t *testing.T) {
	t.Parallel()
	server := testbench.Simulated(t, "broken-arm", simbench.Options{})
	bench := benchFile(t, server.GeneratorAddress(), server.ScopeAddress(), 20)
	server.FitForMeasurement()
	type report struct {
		Drive    float64 `json:"drive_dbm"`
		Works    bool
		Findings []struct{ Part, What, Status, Said, Sent, Came, LookUp string }
		Reach    *struct {
			Points []map[string]any
		}
	}
	var broken, good report
	out, errs := must(t, 1, "check", "-c", bench, "--yes", "--json")
	if err := json.Unmarshal([]byte(out), &broken); err != nil {
		t.Fatal(err)
	}
	if broken.Works || broken.Drive != -10 || broken.Reach != nil || !strings.Contains(errs, "does not do all that it should") {
		t.Errorf("%+v\n%s", broken, errs)
	}
	failed := 0
	for _, f := range broken.Findings {
		if f.Status == "fail" {
			failed++
			if f.What != "arms" || f.Sent == "" || f.Came == "" {
				t.Errorf("%+v", f)
			}
		}
	}
	if failed != 1 {
		t.Errorf("%d findings failed", failed)
	}
	server.FitForCalibration()
	out, _ = must(t, 0, "check", "-c", bench, "--yes", "--json")
	if err := json.Unmarshal([]byte(out), &good); err != nil {
		t.Fatal(err)
	}
	if !good.Works || good.Reach == nil || len(good.Reach.Points) != 5 {
		t.Errorf("%+v", good)
	}
	for _, key := range []string{"frequency_hz", "u_amplitude_balance_db", "noise_phase_balance_deg", "rejection_db", "captures"} {
		if _, ok := good.Reach.Points[0][key].(float64); !ok {
			t.Errorf("%s: %v", key, good.Reach.Points[0])
		}
	}
}

// The uncertainty that a check expects is the one that a measurement has, at
// the drive and on the range that it takes.
func TestCheckExpectsWhatIsMeasured(t *testing.T) {
	t.Parallel()
	server := testbench.Simulated(t, "good-balun", simbench.Options{})
	bench := benchFile(t, server.GeneratorAddress(), server.ScopeAddress(), 21)
	server.FitForCalibration()
	out, _ := must(t, 0, "check", "-c", bench, "--yes", "--json")
	var checked struct {
		Reach struct{ Points []map[string]any }
	}
	if err := json.Unmarshal([]byte(out), &checked); err != nil {
		t.Fatal(err)
	}
	must(t, 0, "calibrate", "-c", bench, "--yes")
	server.FitForMeasurement()
	must(t, 0, "measure", "-c", bench, "--yes")
	out, _ = must(t, 0, "show", "2", "--json", "--store", storeOf(bench))
	var shown struct{ Steps []map[string]any }
	if err := json.Unmarshal([]byte(out), &shown); err != nil {
		t.Fatal(err)
	}
	compared := 0
	for _, p := range checked.Reach.Points {
		for _, step := range shown.Steps {
			if p["frequency_hz"] != step["frequency_hz"] {
				continue
			}
			compared++
			// The balun is not the ideal one, and ranges may be chosen one apart.
			for _, key := range []string{"u_amplitude_balance_db", "u_phase_balance_deg"} {
				want, got := step[key].(float64), p[key].(float64)
				if got < 0.8*want || got > 1.25*want {
					t.Errorf("%v Hz: %s is %g, %g was expected", p["frequency_hz"], key, want, got)
				}
			}
		}
	}
	if compared != 5 {
		t.Errorf("%d of 5 frequencies compared", compared)
	}
}

// Cautions are shown and Enter is asked for; wrong configuration is exit 2.
func TestCheckAsksAndRefuses(t *testing.T) {
	t.Parallel()
	server := testbench.Simulated(t, "good-balun", simbench.Options{})
	bench := benchFile(t, server.GeneratorAddress(), server.ScopeAddress(), 20)
	_, errs := must(t, exitNotDone, "check", "-c", bench)
	if !strings.Contains(errs, "scope inputs are earth-referenced") || !strings.Contains(errs, "Put the calibration cable into the fixture") || !strings.Contains(errs, "nothing was measured") {
		t.Error(errs)
	}
	if _, errs := must(t, exitUsage, "check"); !strings.Contains(errs, "-c FILE") {
		t.Error(errs)
	}
	text, err := os.ReadFile(bench)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(bench, []byte(strings.Replace(string(text), "balun: 20 dBm", "balun: -70 dBm", 1)), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, errs := must(t, exitUsage, "check", "-c", bench, "--yes"); !strings.Contains(errs, "no drive is allowed") {
		t.Error(errs)
	}
}

// An interrupt in the middle leaves RF off.
func TestCheckIsInterrupted(t *testing.T) {
	t.Parallel()
	if runtime.GOOS == "windows" {
		t.Skip("no interrupt can be sent to a process there")
	}
	server := testbench.Simulated(t, "good-balun", simbench.Options{})
	server.FitForCalibration()
	bench := benchFile(t, server.GeneratorAddress(), server.ScopeAddress(), 20)
	server.Interfere(simbench.Scope, device.FromNth("INITiate", 1, device.Late(20*time.Millisecond)))
	cmd := child("check", "-c", bench, "--yes")
	var errs strings.Builder
	cmd.Stderr = &errs
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	waitFor(t, func() bool { return ask(t, server.GeneratorAddress(), ":OUTPut?") == "1" })
	if err := cmd.Process.Signal(syscall.SIGINT); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait()
	if code := cmd.ProcessState.ExitCode(); code != 1 || !strings.Contains(errs.String(), "given up") {
		t.Errorf("exit %d: %s", code, errs.String())
	}
	if rf := ask(t, server.GeneratorAddress(), ":OUTPut?"); rf != "0" {
		t.Errorf("RF is %s after the interrupt", rf)
	}
}
