package main

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"halfturn/drivers/simbench"
)

// windings is a simulated bench and its file, on which one balun after the
// other is measured against one calibration.
type windings struct {
	t        testing.TB
	scenario *simbench.Scenario
	bench    string
}

// newWindings calibrates; that is run 1.
func newWindings(t testing.TB, points int) *windings {
	t.Helper()
	scenario, err := simbench.Load("good-balun")
	if err != nil {
		t.Fatal(err)
	}
	w := &windings{t: t, scenario: scenario}
	w.on(func(s *simbench.Server) {
		w.bench = benchFile(t, s.GeneratorAddress(), s.ScopeAddress(), points)
		s.FitForCalibration()
		must(t, 0, "calibrate", "-c", w.bench, "--yes")
	})
	return w
}

// on serves the bench as it stands.
func (w *windings) on(do func(*simbench.Server)) {
	w.t.Helper()
	server, err := simbench.Serve(context.Background(), w.scenario, simbench.Options{})
	if err != nil {
		w.t.Fatal(err)
	}
	defer server.Close()
	do(server)
}

// measure takes runs of the balun as it is wound now.
func (w *windings) measure(runs int, args ...string) {
	w.t.Helper()
	w.on(func(s *simbench.Server) {
		s.FitForMeasurement()
		for range runs {
			code, out, errs := halfturn(w.t, append([]string{"measure", "-c", w.bench, "--yes",
				"--generator", s.GeneratorAddress(), "--scope", s.ScopeAddress()}, args...)...)
			if code != 0 && code != 3 && code != 4 {
				w.t.Fatalf("measure: exit %d\n%s\n%s", code, out, errs)
			}
		}
	})
}

func (w *windings) store() string { return storeOf(w.bench) }

// short winds a balun with too little ferrite: see too-little-ferrite.yaml.
func (w *windings) short() {
	w.scenario.Balun.Sleeves = 2
	w.scenario.Balun.Sleeve.Inductance = 2.4e-6
	w.scenario.Balun.Sleeve.Resistance = 740
	w.scenario.Balun.Sleeve.Capacitance = 1.4e-12
}

// compared is what --json prints.
type compared struct {
	Verdict *string
	Runs    []struct {
		ID          int64
		Baseline    string
		Calibration int64
	}
	Summary struct {
		Steps      int
		PassedOver int  `json:"passed_over"`
		Shared     bool `json:"shared_calibration"`
		Quantities map[string]struct {
			Verdict   string
			Compared  int
			Exceeding int
			Exceeds   bool `json:"exceeds_uncertainty"`
		}
	}
	Steps []map[string]any
}

func compareJSON(t testing.TB, code int, args ...string) (c compared) {
	t.Helper()
	out, _ := must(t, code, append([]string{"compare", "--json"}, args...)...)
	if err := json.Unmarshal([]byte(out), &c); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return c
}

// The whole of compare against one simulated bench: the same balun twice, a
// rewound one, the other way round, and a batch.
func TestCompare(t *testing.T) {
	t.Parallel()
	const points = 15
	w := newWindings(t, points)
	// The simulator repeats its noise; another number of captures is other noise.
	w.measure(1, "--label", "winding 1", "--captures", "4") // run 2
	w.measure(1, "--label", "winding 1", "--captures", "6") // 3
	w.short()
	w.measure(1, "--label", "two sleeves", "--captures", "5") // 4
	store := w.store()

	same := compareJSON(t, 0, "2", "3", "--store", store)
	if *same.Verdict != "unchanged" || same.Summary.Steps != points || !same.Summary.Shared || len(same.Steps) != points {
		t.Errorf("the same balun twice: %s, %+v", *same.Verdict, same.Summary)
	}
	differ := 0
	for _, step := range same.Steps {
		if step["change_phase_balance_deg"].(map[string]any)["difference"] != 0.0 {
			differ++
		}
	}
	if differ < points/2 {
		t.Errorf("only %d of %d steps differ at all: the two runs are not independent", differ, points)
	}

	must(t, 0, "baseline", "winding 1", "2", "--store", store)
	page := filepath.Join(t.TempDir(), "rewound.html")
	out, errs := must(t, 3, "compare", "winding 1", "latest", "--store", store, "--out", page, "--table")
	for _, want := range []string{"WORSE", "baseline “winding 1”", "two sleeves", "phase balance", "share calibration 1", "300 MHz"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is not in\n%s", want, out)
		}
	}
	if !strings.Contains(errs, page) {
		t.Errorf("stderr: %q", errs)
	}
	if text, err := os.ReadFile(page); err != nil || bytes.Count(text, []byte("<svg")) != 8 {
		t.Errorf("%d plots in the page, %v", bytes.Count(text, []byte("<svg")), err)
	}
	worse := compareJSON(t, 3, "winding 1", "4", "--store", store)
	if *worse.Verdict != "worse" || worse.Runs[0].Baseline != "winding 1" || worse.Summary.Quantities["phase_balance_deg"].Exceeding == 0 {
		t.Errorf("%+v", worse.Summary)
	}
	if better := compareJSON(t, 0, "4", "2", "--store", store); *better.Verdict != "better" {
		t.Errorf("the other way round: %s", *better.Verdict)
	}
	// What fitting anew may change hides what is smaller.
	if hidden := compareJSON(t, 0, "2", "4", "--store", store, "--refit", "20 dB"); *hidden.Verdict != "unchanged" {
		t.Errorf("within 20 dB: %s", *hidden.Verdict)
	}

	batch := compareJSON(t, 0, "2", "3", "4", "--store", store)
	if batch.Verdict != nil || !batch.Summary.Quantities["phase_balance_deg"].Exceeds {
		t.Errorf("a batch with an odd one: %+v", batch.Summary)
	}
}

// Five of the same spread by no more than their uncertainties explain; another
// grid and another calibration change nothing.
func TestCompareABatch(t *testing.T) {
	t.Parallel()
	w := newWindings(t, 12)
	for i := range 5 {
		w.measure(1, "--captures", fmt.Sprint(4+i)) // runs 2 to 6
	}
	batch := []string{"2", "3", "4", "5", "6", "--store", w.store()}
	c := compareJSON(t, 0, batch...)
	if len(c.Runs) != 5 || c.Summary.Steps != 12 {
		t.Errorf("%+v", c)
	}
	for name, q := range c.Summary.Quantities {
		if q.Exceeds || q.Compared == 0 {
			t.Errorf("%s: %+v", name, q)
		}
	}
	out, _ := must(t, 0, append([]string{"compare", "--out", filepath.Join(t.TempDir(), "batch.html"), "--table"}, batch...)...)
	if !strings.Contains(out, "ALIKE") || !strings.Contains(out, "5 runs") {
		t.Errorf("%s", out)
	}

	w.measure(1, "--points", "7", "--from", "20 MHz", "--to", "200 MHz") // run 7
	if c := compareJSON(t, 0, "2", "7", "--store", w.store()); c.Summary.Steps != 7 || c.Steps[0]["between"] != true && c.Steps[1]["between"] != true {
		t.Errorf("another grid: %+v", c.Summary)
	}
}

func TestCompareRefusals(t *testing.T) {
	t.Parallel()
	w := newWindings(t, 5)
	w.measure(1)
	w.measure(1, "--points", "3", "--from", "20 MHz", "--to", "30 MHz")
	w.measure(1, "--points", "3", "--from", "200 MHz", "--to", "290 MHz")
	store := w.store()
	must(t, 0, "baseline", "first", "2", "--store", store)
	must(t, 0, "baseline", "gone", "2", "--store", store)
	out, _ := must(t, 0, "baseline", "--store", store)
	if !strings.Contains(out, "first  2") || !strings.Contains(out, "gone   2") {
		t.Errorf("%s", out)
	}
	must(t, 0, "baseline", "--remove", "gone", "--store", store)
	for name, c := range map[string]struct {
		code int
		args []string
		says string
	}{
		"one run":                 {exitUsage, []string{"compare", "2"}, "a baseline and at least one run"},
		"twice the same":          {exitUsage, []string{"compare", "first", "2"}, "named twice"},
		"a calibration":           {exitUsage, []string{"compare", "1", "2"}, "run 1 is a calibration"},
		"against a calibration":   {exitUsage, []string{"compare", "2", "1"}, "is a calibration; a comparison"},
		"no frequency in common":  {exitNotDone, []string{"compare", "3", "4"}, "no frequency in common"},
		"no such run":             {exitNotDone, []string{"compare", "2", "99"}, "no such run: 99"},
		"no such baseline":        {exitUsage, []string{"compare", "second", "2"}, `no baseline "second"`},
		"a deleted baseline":      {exitUsage, []string{"compare", "gone", "3"}, `no baseline "gone"`},
		"refit without unit":      {exitUsage, []string{"compare", "2", "3", "--refit", "0.1"}, "refit"},
		"negative refit":          {exitUsage, []string{"compare", "2", "3", "--refit", "-1 dB"}, "standard uncertainty cannot be"},
		"a name like a run":       {exitUsage, []string{"baseline", "12", "2"}, "could be taken for a run"},
		"the name of the newest":  {exitUsage, []string{"baseline", "latest", "2"}, "could be taken for a run"},
		"an empty name":           {exitUsage, []string{"baseline", "", "2"}, "no name"},
		"a name with a bell":      {exitUsage, []string{"baseline", "ding\a", "2"}, "cannot be printed"},
		"a name too long":         {exitUsage, []string{"baseline", strings.Repeat("x", 100), "2"}, "at most 80"},
		"naming a calibration":    {exitUsage, []string{"baseline", "x", "1"}, "is a calibration"},
		"naming no run":           {exitNotDone, []string{"baseline", "x", "99"}, "no such run"},
		"a name alone":            {exitUsage, []string{"baseline", "x"}, "a name and a run"},
		"removing what is not":    {exitNotDone, []string{"baseline", "--remove", "second"}, "no such baseline"},
		"removing without a name": {exitUsage, []string{"baseline", "--remove"}, "one name"},
	} {
		code, out, errs := halfturn(t, append(c.args, "--store", store)...)
		if code != c.code || !strings.Contains(errs, c.says) || out != "" || strings.Count(errs, "\n") != 1 {
			t.Errorf("%s: exit %d, want %d and %q\n%s\n%s", name, code, c.code, c.says, errs, out)
		}
	}

	// The run that a baseline names was taken out of the store.
	db, err := sql.Open("sqlite", store)
	if err != nil {
		t.Fatal(err)
	}
	_, err = db.Exec("DELETE FROM steps WHERE run = 2; DELETE FROM runs WHERE run = 2")
	if err := errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
	code, _, errs := halfturn(t, "compare", "first", "3", "--store", store)
	if code != exitNotDone || !strings.Contains(errs, `baseline "first"`) || !strings.Contains(errs, "no such run: 2") || strings.Count(errs, "\n") != 1 {
		t.Errorf("exit %d\n%s", code, errs)
	}
	if out, _ := must(t, 0, "baseline", "--store", store); !strings.Contains(out, "cannot be read") {
		t.Error(out)
	}
}

// A calibration of its own in each run: its noise is in the difference.
func TestCompareOwnCalibrations(t *testing.T) {
	t.Parallel()
	w := newWindings(t, 8)
	w.measure(1) // run 2
	w.on(func(s *simbench.Server) {
		s.FitForCalibration()
		must(t, 0, "calibrate", "-c", w.bench, "--yes", "--captures", "7", "--generator", s.GeneratorAddress(), "--scope", s.ScopeAddress()) // 3
	})
	w.measure(1, "--captures", "5") // run 4, with calibration 3
	c := compareJSON(t, 0, "2", "4", "--store", w.store())
	if c.Summary.Shared || *c.Verdict != "unchanged" || c.Runs[0].Calibration != 1 || c.Runs[1].Calibration != 3 {
		t.Errorf("%s, %+v", *c.Verdict, c)
	}
}
