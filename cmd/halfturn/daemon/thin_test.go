package daemon

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfturn/sweep"
	"halfturn/sweep/journal"
	"halfturn/sweep/queue"
)

// The daemon thins old runs while it measures: results, and what was measured
// meanwhile, are as without it, and the report that is kept follows.
func TestThinsWhileItMeasures(t *testing.T) {
	t.Parallel()
	const steps = 30
	r := newRig(t, "thin: {after: 1 d}\n")
	text, err := os.ReadFile(r.file())
	if err != nil {
		t.Fatal(err)
	}
	longer := strings.Replace(string(text), "points: 4", fmt.Sprint("points: ", steps), 1)
	if err := os.WriteFile(r.file(), []byte(longer), 0o600); err != nil {
		t.Fatal(err)
	}
	r.begin()
	r.until(r.submit(`{"kind": "balun"}`).ID, queue.Done) // calibration 1, balun 2
	store := r.daemon.Store()
	for _, old := range []int64{1, 2} { // as 3 and 4, ten days older
		run, err := store.Run(t.Context(), old)
		if err != nil {
			t.Fatal(err)
		}
		run.Started, run.Finished = run.Started.AddDate(0, 0, -10), run.Finished.AddDate(0, 0, -10)
		if run.Calibration != 0 {
			run.Calibration = 3
		}
		if _, err := store.Copy(t.Context(), store, old, &run); err != nil {
			t.Fatal(err)
		}
	}
	before := get[Steps](r, root+"/runs/4/steps")
	thinned := func() bool {
		thinned, err := store.Thinned(t.Context(), 4)
		return err == nil && thinned != nil && thinned.Complete
	}
	if _, page := r.do("GET", root+"/runs/4/report", ""); strings.Contains(page, "were thinned") && !thinned() {
		t.Error("the report says that it is thinned, and it is not")
	}
	r.calibrated()                                        // 5
	r.until(r.submit(`{"kind": "balun"}`).ID, queue.Done) // 6
	r.waitFor("the thinning", thinned)
	if diff := cmp.Diff(before, get[Steps](r, root+"/runs/4/steps")); diff != "" {
		t.Error(diff)
	}
	if _, page := r.do("GET", root+"/runs/4/report", ""); !strings.Contains(page, "were thinned") {
		t.Error("the report does not say that the run was thinned")
	}
	listed, err := store.List(t.Context(), journal.Listing{})
	if err != nil {
		t.Fatal(err)
	}
	for _, run := range listed.Runs {
		gone := 0
		for step := range steps {
			if _, err := store.Captures(t.Context(), run.ID, step); errors.Is(err, journal.ErrThinned) {
				gone++
			} else if err != nil {
				t.Error(err)
			}
		}
		if old := run.ID == 3 || run.ID == 4; old != (gone == steps-sweep.Figures) || !old && gone > 0 {
			t.Errorf("run %d: captures of %d steps are gone", run.ID, gone)
		}
	}
	if strings.Contains(r.log.String(), "not thinned") || strings.Contains(r.log.String(), "cannot be thinned") {
		t.Error(r.log)
	}
}
