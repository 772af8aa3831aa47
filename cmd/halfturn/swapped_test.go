package main

import (
	"database/sql"
	"encoding/json"
	"math"
	"math/cmplx"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"halfturn/drivers/simbench"
	"halfturn/internal/testbench"
	"halfturn/units"
)

// runShown is what the tests of this file read of `show --json`.
type runShown struct {
	Run struct {
		Kind    string
		Verdict string
	}
	Steps []struct {
		Frequency float64 `json:"frequency_hz"`
		Amplitude float64 `json:"amplitude_balance_db"`
		Phase     float64 `json:"phase_balance_deg"`
	}
	Swapped *struct {
		Straight    int64
		Significant bool
		Steps       []exchangedShown
		Warnings    []string
	}
	Linearity *struct {
		Verdict string
		Steps   []struct {
			Drive     []float64 `json:"drive_dbm"`
			Harmonics []struct{ Source string }
		}
	}
}

type exchangedShown struct {
	Frequency  float64 `json:"frequency_hz"`
	Amplitude  float64 `json:"amplitude_balance_db"`
	UAmplitude float64 `json:"u_amplitude_balance_db"`
	Phase      float64 `json:"phase_balance_deg"`
	UPhase     float64 `json:"u_phase_balance_deg"`
	Gain       float64 `json:"asymmetry_gain_db"`
	UGain      float64 `json:"u_asymmetry_gain_db"`
	Turn       float64 `json:"asymmetry_phase_deg"`
	UTurn      float64 `json:"u_asymmetry_phase_deg"`
}

// near holds a step to exact values. U is two standard uncertainties; more
// than four are one step in 16 000.
func (s *exchangedShown) near(t *testing.T, amplitude, phase float64) {
	t.Helper()
	if math.Abs(s.Amplitude-amplitude) > 2*s.UAmplitude || math.Abs(s.Phase-phase) > 2*s.UPhase {
		t.Errorf("%g Hz: amplitude balance %g dB, exactly %g dB; phase balance %g°, exactly %g°", s.Frequency, s.Amplitude, amplitude, s.Phase, phase)
	}
}

func shown(t *testing.T, store, run string) (s runShown) {
	t.Helper()
	out, _ := must(t, 0, "show", run, "--json", "--store", store)
	if err := json.Unmarshal([]byte(out), &s); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return s
}

// exchange calibrates twice, measures the scenario's balun as run 3 and once
// more with its arms exchanged as run 4; it returns what the latter printed.
func exchange(t *testing.T, scenario *simbench.Scenario) (bench, out string) {
	t.Helper()
	server := testbench.Serve(t, scenario, simbench.Options{})
	bench = benchFile(t, server.GeneratorAddress(), server.ScopeAddress(), 12)
	server.FitForCalibration()
	must(t, 0, "calibrate", "-c", bench, "--yes")
	must(t, 0, "calibrate", "-c", bench, "--yes")
	// Whether the balun passes is not what these tests are about.
	measure := func(args ...string) string {
		code, out, errs := halfturn(t, append([]string{"measure", "-c", bench, "--yes"}, args...)...)
		if code == exitNotDone || code == exitUsage {
			t.Fatalf("exit %d\n%s\n%s", code, out, errs)
		}
		return out
	}
	server.FitForMeasurement()
	measure("--calibration", "1", "--label", "winding 1")
	server.Fit(simbench.FitSwapped)
	return bench, measure("--swapped", "3")
}

func scenario(t *testing.T, name string) *simbench.Scenario {
	t.Helper()
	s, err := simbench.Load(name)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// The whole job with arms that are alike: both runs pass, the balances change
// their sign, both together give the simulator's ratio without any
// calibration, and the calibration is found right.
func TestSwappedArms(t *testing.T) {
	t.Parallel()
	equal := scenario(t, "good-balun")
	equal.Arms[1] = equal.Arms[0]
	bench, out := exchange(t, equal)
	for _, want := range []string{"winding 1", "Straight and swapped together, runs 3 and 4", "fixture's own asymmetry", "not significant"} {
		if !strings.Contains(out, want) {
			t.Errorf("no %q in\n%s", want, out)
		}
	}
	store := storeOf(bench)
	straight, swapped := shown(t, store, "3"), shown(t, store, "4")
	if straight.Swapped != nil || swapped.Swapped == nil || swapped.Run.Kind != "swapped" || swapped.Run.Verdict != straight.Run.Verdict || swapped.Linearity != nil {
		t.Fatalf("straight %+v, swapped %+v", straight.Run, swapped.Run)
	}
	x := swapped.Swapped
	if x.Straight != 3 || x.Significant || len(x.Warnings) != 0 || len(x.Steps) != 12 {
		t.Errorf("%+v", x)
	}
	for i, s := range x.Steps {
		a, b := straight.Steps[i], swapped.Steps[i]
		if math.Abs(a.Amplitude+b.Amplitude) > 0.01 || math.Abs(a.Phase+b.Phase) > 0.1 {
			t.Errorf("%g Hz: straight %g dB %g°, swapped %g dB %g°", s.Frequency, a.Amplitude, a.Phase, b.Amplitude, b.Phase)
		}
		truth := equal.Truth(units.Hertz(s.Frequency))
		s.near(t, float64(truth.AmplitudeBalance), float64(truth.PhaseBalance))
	}

	// The list of runs says which straight run belongs to a swapped one, and the
	// page tells of both together.
	list, _ := must(t, 0, "runs", "--store", store)
	lines := strings.Split(strings.TrimSpace(list), "\n")
	if at := strings.Index(lines[0], "straight"); at < 0 || len(lines) != 5 || lines[4][at] != '3' || lines[3][at] != ' ' {
		t.Error(list)
	}
	file := filepath.Join(t.TempDir(), "report.html")
	must(t, 0, "report", "4", "--store", store, "--out", file)
	if page, err := os.ReadFile(file); err != nil || !strings.Contains(string(page), "<h2>Straight and swapped together, runs 3 and 4</h2>") {
		t.Errorf("%v: the page says nothing of both runs together", err)
	}

	for name, c := range map[string]struct {
		code int
		args []string
		want string
	}{
		"a calibration":     {exitUsage, []string{"--swapped", "1"}, "it is a calibration run"},
		"a swapped run":     {exitUsage, []string{"--swapped", "4"}, "it is a swapped run"},
		"other calibration": {exitUsage, []string{"--swapped", "3", "--calibration", "2"}, "with calibration 1, and this one with 2"},
		"other frequencies": {exitUsage, []string{"--swapped", "3", "--points", "7"}, "both need the same frequencies"},
		"no such run":       {exitNotDone, []string{"--swapped", "9"}, "9"},
		"no number":         {exitUsage, []string{"--swapped", "third"}, "is not a run"},
	} {
		code, _, errs := halfturn(t, append([]string{"measure", "-c", bench, "--yes"}, c.args...)...)
		if code != c.code || !strings.Contains(errs, c.want) || strings.Count(strings.TrimSpace(errs), "\n") != 0 {
			t.Errorf("%s: exit %d, %q; want %d and %q", name, code, errs, c.code, c.want)
		}
	}
}

// Arms that are not alike load the balun differently when they are exchanged,
// which no calibration cable shows: with r of the one and r' of the other way
// round, both runs together give -sqrt(r/r'), and the fixture r over that.
func TestSwappedArmsShowUnequalLoads(t *testing.T) {
	t.Parallel()
	unequal := scenario(t, "good-balun")
	unequal.Arms[1].Resistance = 115
	other := *unequal
	other.Fixture.Balun = simbench.FitSwapped
	bench, out := exchange(t, unequal)
	if !strings.Contains(out, "  significant: ") {
		t.Error(out)
	}
	x := shown(t, storeOf(bench), "4").Swapped
	if !x.Significant || len(x.Steps) != 12 {
		t.Fatalf("%+v", x)
	}
	for _, s := range x.Steps {
		f := units.Hertz(s.Frequency)
		r, reversed := unequal.Truth(f).Ratio, other.Truth(f).Ratio
		combined := cmplx.Log(cmplx.Sqrt(r / reversed))
		s.near(t, dB(real(combined)), degrees(imag(combined)))
		own := cmplx.Log(-r) - combined
		if math.Abs(s.Gain-dB(real(own))) > 2*s.UGain || math.Abs(s.Turn-degrees(imag(own))) > 2*s.UTurn {
			t.Errorf("%g Hz: asymmetry %g dB %g°, exactly %g dB %g°", s.Frequency, s.Gain, s.Turn, dB(real(own)), degrees(imag(own)))
		}
	}
}

func dB(nepers float64) float64       { return nepers * 20 / math.Ln10 }
func degrees(radians float64) float64 { return radians * 180 / math.Pi }

// A swapped run is shown also where its straight one does not go with it.
func TestASwappedRunAlone(t *testing.T) {
	t.Parallel()
	equal := scenario(t, "good-balun")
	bench, _ := exchange(t, equal)
	db, err := sql.Open("sqlite", storeOf(bench))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := db.Exec("UPDATE runs SET label = 'spoiled' WHERE run = 3"); err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	out, _ := must(t, 0, "show", "4", "--store", storeOf(bench))
	if !strings.Contains(out, "do not combine: ") || !strings.Contains(out, "exchanged") {
		t.Error(out)
	}
	out, _ = must(t, 0, "show", "4", "--json", "--store", storeOf(bench))
	if !json.Valid([]byte(out)) || !strings.Contains(out, `"swapped": {"why":`) {
		t.Error(out[max(0, len(out)-300):])
	}
}
