package panel

import (
	"context"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"testing"
	"time"

	"halfturn/analysis/balance"
	"halfturn/analysis/report"
	"halfturn/sweep"
	"halfturn/sweep/journal"
	"halfturn/units"
)

// stored is a fake whose runs are in a real store.
type stored struct {
	*fake
	store *journal.Store
}

func (s *stored) List(ctx context.Context, l journal.Listing) (journal.Listed, error) {
	return s.store.List(ctx, l)
}

// BenchmarkRunsPage is the list of a store of 1000 runs: at most 100 ms.
func BenchmarkRunsPage(b *testing.B) {
	store, err := journal.Open(b.Context(), filepath.Join(b.TempDir(), "store.db"))
	if err != nil {
		b.Fatal(err)
	}
	defer store.Close()
	for i := range 1000 {
		run := &sweep.Run{Kind: sweep.Balun, Label: fmt.Sprintf("winding %d", i), Started: time.Now(), State: sweep.Running,
			Plan: sweep.Plan{Segments: []sweep.Segment{{From: 10e6, To: 300e6, Points: 1000, Spacing: "logarithmic"}}}}
		run.Bench.Name, run.Bench.Fixture = "Harbour bench", "plate 1"
		if err := store.Create(b.Context(), run); err != nil {
			b.Fatal(err)
		}
	}
	benchmark(b, &stored{&fake{}, store}, "/runs")
}

// BenchmarkRunPage is a run of 1000 steps, analysis aside.
func BenchmarkRunPage(b *testing.B) {
	in := &report.Input{Run: report.Run{ID: 1, Kind: report.KindBalun, State: report.StateDone}, Calibration: &report.Run{ID: 2}}
	for i := range 1000 {
		f := units.Hertz(10e6 * math.Pow(30, float64(i)/999))
		s := report.Step{Index: i, Measured: true, Fill: [2]float64{0.7, 0.6}}
		s.Point.Frequency, s.Point.Drive = f, 3
		s.Result = balance.Result{Frequency: f, AmplitudeBalance: units.DB(0.1 * math.Sin(float64(i)/50)), UAmplitudeBalance: 0.02, PhaseBalance: 1, UPhaseBalance: 0.3,
			Imbalance: 0.02, UImbalance: 0.005, CommonModeRejection: 34, CommonModeRejectionLow: 32, InsertionLoss: 0.3, UInsertionLoss: 0.1}
		in.Steps = append(in.Steps, s)
	}
	benchmark(b, &fake{runs: []sweep.Run{{ID: 1, Kind: sweep.Balun, State: sweep.Done, Calibration: 2}}, input: in}, "/runs/1")
}

func benchmark(b *testing.B, s Source, path string) {
	pages := New(s, time.Now)
	size := 0
	for b.Loop() {
		answer := httptest.NewRecorder()
		pages.ServeHTTP(answer, httptest.NewRequest("GET", path, nil))
		if answer.Code != http.StatusOK {
			b.Fatal(answer.Body)
		}
		size = answer.Body.Len()
	}
	b.ReportMetric(float64(size), "bytes/page")
}
