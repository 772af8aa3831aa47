package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"halfturn/drivers/simbench"
	"halfturn/internal/testbench"
	"halfturn/sweep/journal"
)

// The answers of a small choke: what is asked for on the command line is in
// the text, the page and the JSON.
func TestChokeBudgetAndFixtureAreShown(t *testing.T) {
	t.Parallel()
	server := testbench.Simulated(t, "too-little-ferrite", simbench.Options{})
	bench := benchFile(t, server.GeneratorAddress(), server.ScopeAddress(), 12)
	store := storeOf(bench)
	server.FitForCalibration()
	must(t, 0, "calibrate", "-c", bench, "--yes")
	out, _ := must(t, 0, "calibrate", "-c", bench, "--yes")
	for _, want := range []string{"decides the limits", "skew", "against calibration 1", "drift"} {
		if !strings.Contains(out, want) {
			t.Errorf("the second calibration does not say %q:\n%s", want, out)
		}
	}
	server.FitForMeasurement()
	out, _ = must(t, 3, "measure", "-c", bench, "--yes", "--sleeves", "2")
	for _, want := range []string{"\nChoke\n  |Z_c| ", "with its 2 sleeves", "bring 30 MHz", "least probability of conformity"} {
		if !strings.Contains(out, want) {
			t.Errorf("measure does not say %q:\n%s", want, out)
		}
	}

	// The number is kept with the run, and another overrides it.
	out, _ = must(t, 0, "show", "latest", "--store", store)
	if !strings.Contains(out, "with its 2 sleeves") {
		t.Error("the number of sleeves was not kept")
	}
	out, _ = must(t, 0, "show", "latest", "--store", store, "--sleeves", "5")
	if !strings.Contains(out, "with its 5 sleeves") {
		t.Error("--sleeves of show does not override")
	}

	out, _ = must(t, 0, "show", "latest", "--store", store, "--budget", "100 MHz", "--monte-carlo")
	for _, want := range []string{"Uncertainty budget of step", "Phase balance at", "crosstalk", "Monte Carlo (JCGM 101:2008)", "95 % interval"} {
		if !strings.Contains(out, want) {
			t.Errorf("the budget does not say %q:\n%s", want, out)
		}
	}

	out, _ = must(t, 0, "show", "latest", "--store", store, "--json")
	var shown struct {
		Choke struct {
			Sleeves    int
			Impedances []map[string]any
			Bands      []map[string]any
		}
		Budgets []map[string]any
		Fixture map[string]any
		Summary struct {
			Probability map[string]any `json:"least_probability_of_conformity"`
		}
		Run struct{ Rule string }
	}
	if err := json.Unmarshal([]byte(out), &shown); err != nil {
		t.Fatal(err)
	}
	if shown.Choke.Sleeves != 2 || len(shown.Choke.Impedances) != 12 || len(shown.Choke.Bands) != 8 || len(shown.Budgets) == 0 ||
		shown.Fixture["proof"] == nil || shown.Summary.Probability["quantity"] == "" || !strings.Contains(shown.Run.Rule, "ILAC-G8") {
		t.Errorf("%+v", shown)
	}

	page := filepath.Join(t.TempDir(), "page.html")
	must(t, 0, "report", "latest", "--store", store, "--out", page)
	text, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"<h2>Choke</h2>", "<h2>Uncertainty budget</h2>", "<h2>Fixture, by its calibration</h2>", "2, as measured"} {
		if !bytes.Contains(text, []byte(want)) {
			t.Errorf("the page does not have %q", want)
		}
	}
}

// Every code that is stored is in the export, and reads as it was taken.
func TestExportWithCaptures(t *testing.T) {
	t.Parallel()
	server := testbench.Simulated(t, "good-balun", simbench.Options{})
	bench := benchFile(t, server.GeneratorAddress(), server.ScopeAddress(), 3)
	server.FitForCalibration()
	must(t, 0, "calibrate", "-c", bench, "--yes")
	out, _ := must(t, 0, "export", "1", "--store", storeOf(bench), "--format", "json", "--captures")
	var exported struct {
		Steps []struct {
			Index    int
			Captured []struct {
				Rate   float64 `json:"rate_hz"`
				Traces []struct {
					VoltsPerCode float64 `json:"volts_per_code"`
					Codes        []int16
				}
			}
		}
	}
	if err := json.Unmarshal([]byte(out), &exported); err != nil {
		t.Fatal(err)
	}
	store, err := journal.OpenReadOnly(t.Context(), storeOf(bench))
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	if len(exported.Steps) != 3 {
		t.Fatalf("%d steps", len(exported.Steps))
	}
	for _, s := range exported.Steps {
		captures, err := store.Captures(t.Context(), 1, s.Index)
		if err != nil {
			t.Fatal(err)
		}
		if len(captures) == 0 || len(captures) != len(s.Captured) {
			t.Fatalf("step %d: %d captures, %d exported", s.Index, len(captures), len(s.Captured))
		}
		for i, c := range captures {
			for arm, trace := range c.Traces {
				got := s.Captured[i].Traces[arm]
				if s.Captured[i].Rate != float64(c.Rate) || got.VoltsPerCode != float64(trace.VoltsPerCode) || len(got.Codes) != len(trace.Codes) {
					t.Fatalf("step %d, capture %d, arm %d differs", s.Index, i, arm+1)
				}
				for n := range trace.Codes {
					if got.Codes[n] != trace.Codes[n] {
						t.Fatalf("step %d, capture %d, arm %d, sample %d: %d, want %d", s.Index, i, arm+1, n, got.Codes[n], trace.Codes[n])
					}
				}
			}
		}
	}
}

func TestAskingAmissIsOneLine(t *testing.T) {
	t.Parallel()
	server := testbench.Simulated(t, "good-balun", simbench.Options{})
	bench := benchFile(t, server.GeneratorAddress(), server.ScopeAddress(), 4)
	store := storeOf(bench)
	server.FitForCalibration()
	must(t, 0, "calibrate", "-c", bench, "--yes")
	server.FitForMeasurement()
	must(t, 0, "measure", "-c", bench, "--yes")
	for _, c := range []struct {
		code int
		says string
		args []string
	}{
		{2, "--budget: \"30\" is not a frequency: the unit is missing", []string{"show", "2", "--store", store, "--budget", "30"}},
		{2, "--budget is 0 Hz", []string{"show", "2", "--store", store, "--budget", "0 Hz"}},
		{2, "--monte-carlo needs a frequency", []string{"show", "2", "--store", store, "--monte-carlo"}},
		{2, "--sleeves is -1", []string{"report", "2", "--store", store, "--sleeves", "-1"}},
		{2, "--sleeves is 5000", []string{"measure", "-c", bench, "--yes", "--sleeves", "5000"}},
		{2, "--captures goes with --format json", []string{"export", "2", "--store", store, "--captures"}},
		{1, "there is no budget at 2 GHz", []string{"show", "2", "--store", store, "--budget", "2 GHz"}},
		{1, "run 1 is a calibration", []string{"show", "1", "--store", store, "--budget", "30 MHz"}},
	} {
		code, _, errs := halfturn(t, c.args...)
		if code != c.code || !strings.Contains(errs, c.says) || strings.Count(strings.TrimSpace(errs), "\n") != 0 {
			t.Errorf("%v: exit %d, want %d and %q:\n%s", c.args, code, c.code, c.says, errs)
		}
	}
}

// The rule is that of the limits, and named.
func TestRuleOfDecisionIsApplied(t *testing.T) {
	server := testbench.Simulated(t, "common-practice", simbench.Options{})
	bench := benchFile(t, server.GeneratorAddress(), server.ScopeAddress(), 6)
	server.FitForCalibration()
	must(t, 0, "calibrate", "-c", bench, "--yes")
	server.FitForMeasurement()
	for rule, want := range map[string]struct {
		code int
		says string
	}{"simple": {0, "Simple acceptance (JCGM 106:2012"}, "guarded": {3, "Guarded acceptance (JCGM 106:2012"}, "non-binary": {4, "ILAC-G8:09/2019, 4.2.3"}} {
		t.Setenv("HALFTURN_LIMITS_RULE", rule)
		out, _ := must(t, want.code, "measure", "-c", bench, "--yes")
		if !strings.Contains(out, want.says) {
			t.Errorf("%s: %q is not in\n%s", rule, want.says, out)
		}
	}
}
