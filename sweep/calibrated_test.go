package sweep

import (
	"strings"
	"testing"

	"halfturn/analysis/balance"
	"halfturn/units"
)

// A calibration that could decide nothing by itself is refused before RF goes
// on; one that is good enough is not.
func TestACalibrationThatCannotDecideIsRefused(t *testing.T) {
	j := newMemory()
	cal := calibrated(t, j, 12)
	run := testRun(Balun, 12)
	run.Limits = limits(0.5, 3)
	b := newFakeBench(behind(-1))
	run.Identities = b.executor(j).Identities()
	if err := cal.Fits(run); err != nil {
		t.Fatal(err)
	}
	for i := range cal.points { // as noisy as nothing is told by
		cal.points[i].Cov.RR, cal.points[i].Cov.II = 0.01, 0.01
	}
	err := b.executor(j).Start(t.Context(), run, cal)
	if err == nil || strings.Contains(err.Error(), "\n") {
		t.Fatalf("got %v, want one line", err)
	}
	for _, want := range []string{"calibration 1: the calibration does not support the sweep", "calibrate with more drive or more captures"} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("%q is not in %q", want, err)
		}
	}
	if len(b.log) > 0 {
		t.Errorf("the bench was touched: %q", b.log)
	}
	// Outside of the limits' band nothing has to be decided.
	run.Limits.From, run.Limits.To = 400e6, 500e6
	if err := cal.Fits(run); err != nil {
		t.Error(err)
	}
}

// The bench's budget is part of every result.
func TestTheBudgetIsInTheResults(t *testing.T) {
	j := newMemory()
	cal := calibrated(t, j, 4)
	run := testRun(Balun, 4)
	run.Limits = limits(0.5, 3)
	if err := newFakeBench(behind(-1)).executor(j).Start(t.Context(), run, cal); err != nil {
		t.Fatal(err)
	}
	uncertainty := func(value string) units.DB {
		t.Helper()
		entry := &run.Bench.Uncertainty.ConnectorRepeatability
		if err := entry.Value.UnmarshalText([]byte(value)); err != nil {
			t.Fatal(err)
		}
		entry.Distribution = "normal"
		outcome, err := Analyse(run, j.Steps(t.Context(), run.ID), cal)
		if err != nil {
			t.Fatal(err)
		}
		return outcome.Results[2].UAmplitudeBalance
	}
	small, large := uncertainty("0 dB"), uncertainty("0.1 dB")
	// Both arms' connectors in both runs: k = 2, 4 times the variance.
	if large < 0.4 || large > small+0.4 {
		t.Errorf("U is %v with connectors of 0.1 dB, %v without", large, small)
	}
	run.Bench.Uncertainty.ConnectorRepeatability.Distribution = "bell"
	if _, err := Analyse(run, j.Steps(t.Context(), run.ID), cal); err == nil {
		t.Error("a budget with an unknown distribution was taken")
	}
}

func TestForProofIsAnEvenPart(t *testing.T) {
	for _, n := range []int{1, mostForProof, mostForProof + 1, 100_000} {
		points := make([]balance.Point, n)
		for i := range points {
			points[i].Captures = i
		}
		part := ForProof(points)
		if len(part) > mostForProof+1 || n <= mostForProof && len(part) != n || part[0].Captures != 0 || part[len(part)-1].Captures != n-1 {
			t.Errorf("%d of %d steps, from %d to %d", len(part), n, part[0].Captures, part[len(part)-1].Captures)
		}
	}
}
