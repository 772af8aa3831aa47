package daemon

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"halfturn/analysis/report"
	"halfturn/cmd/halfturn/reporting"
	"halfturn/sweep"
	"halfturn/sweep/journal"
	"halfturn/sweep/queue"
)

// stocked adds runs to a rig's store that were not measured: kinds in turn.
func (r *rig) stocked(runs int) {
	r.Helper()
	for i := range runs {
		run := sweep.Run{Kind: []sweep.Kind{sweep.Calibration, sweep.Balun, sweep.Balun}[i%3], Label: fmt.Sprint("winding ", i), State: sweep.Stopped, Started: time.Now()}
		if err := r.daemon.Store().Create(r.Context(), &run); err != nil {
			r.Fatal(err)
		}
	}
}

// Going through the pages gives each run once and in order, while runs are
// being added.
func TestPagesOfRunsWhileRunsAreAdded(t *testing.T) {
	t.Parallel()
	r := newRig(t, "").begin()
	const runs = 60
	r.stocked(runs)
	for _, c := range []struct {
		kind  sweep.Kind
		limit int
	}{{"", 1}, {"", 7}, {"", 50}, {"", 59}, {"", 1000}, {sweep.Calibration, 3}, {sweep.Balun, 9}, {sweep.Swapped, 5}} {
		listed, err := r.daemon.List(t.Context(), journal.Listing{Kind: c.kind})
		if err != nil {
			t.Fatal(err)
		}
		var want, got []int64
		for _, run := range listed.Runs {
			want = append(want, run.ID)
		}
		before := int64(0)
		for pages := 0; ; pages++ {
			path := fmt.Sprintf("%s/runs?limit=%d&kind=%s", root, c.limit, c.kind)
			if before != 0 {
				path += fmt.Sprintf("&before=%d", before)
			}
			page := get[Runs](r, path)
			for _, run := range page.Runs {
				got = append(got, run.ID)
				if c.kind != "" && run.Kind != c.kind {
					t.Errorf("run %d is a %s", run.ID, run.Kind)
				}
			}
			if before = page.Before; before == 0 {
				break
			}
			if len(page.Runs) != c.limit {
				t.Errorf("a page of %d runs, and more follow", len(page.Runs))
			}
			r.stocked(1) // of the next test, not of this one
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%q by %d: %s", c.kind, c.limit, diff)
		}
	}
}

// Steps are the same whether asked for one by one, in parts or at once, from
// what is kept and anew, and while they come.
func TestStepsInParts(t *testing.T) {
	t.Parallel()
	r := newRig(t, "").begin()
	r.calibrated()
	r.server.FitForMeasurement()
	job := r.submit(`{"kind": "balun", "ready": true}`)
	seen := 0
	r.waitFor("the run", func() bool {
		j := get[queue.Job](r, fmt.Sprintf("%s/jobs/%d", root, job.ID))
		if j.Run != 0 {
			part := get[Steps](r, fmt.Sprintf("%s/runs/%d/steps?from=%d", root, j.Run, seen))
			for _, s := range part.Steps {
				if s.Index != seen {
					t.Errorf("step %d comes after %d", s.Index, seen-1)
				}
				seen++
			}
		}
		return j.State == queue.Done
	})
	all := get[Steps](r, root+"/runs/2/steps")
	if len(all.Steps) != points {
		t.Fatalf("%d steps", len(all.Steps))
	}
	run, err := r.daemon.Store().Run(t.Context(), 2)
	if err != nil {
		t.Fatal(err)
	}
	anew, err := newAnalysed(r.daemon.Store()).stepsOf(t.Context(), &run, 0, 0)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(anew, all.Steps); diff != "" {
		t.Error(diff)
	}
	for from := range points + 2 {
		for limit := 1; limit <= points; limit++ {
			part := get[Steps](r, fmt.Sprintf("%s/runs/2/steps?from=%d&limit=%d", root, from, limit))
			first := min(from, points)
			if diff := cmp.Diff(all.Steps[first:min(first+limit, points)], part.Steps); diff != "" {
				t.Errorf("from %d, %d: %s", from, limit, diff)
			}
		}
	}
}

// A report that is kept is the one that would be made anew, and is dropped
// when something happens at the bench.
func TestReportIsKept(t *testing.T) {
	t.Parallel()
	r := newRig(t, "").begin()
	r.until(r.submit(`{"kind": "balun"}`).ID, queue.Done)
	ask := func() string {
		response, text := r.do("GET", root+"/runs/2/report", "")
		if response.StatusCode != http.StatusOK {
			t.Fatal(text)
		}
		return text
	}
	keeps := func() bool {
		a := r.daemon.analysed
		a.mu.Lock()
		defer a.mu.Unlock()
		return slices.ContainsFunc(a.reports.entries, func(e entry[reportKey, *report.Input]) bool { return e.key.run == 2 })
	}
	first := ask()
	if !keeps() {
		t.Error("the report is not kept")
	}
	if again := ask(); unstamped(first) != unstamped(again) {
		t.Error("the kept report is another one")
	}
	run, err := r.daemon.Store().Run(t.Context(), 2)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := r.daemon.Report(t.Context(), &run, reporting.Options{Sleeves: 3}); err != nil {
		t.Fatal(err)
	}
	if again := ask(); unstamped(first) != unstamped(again) {
		t.Error("a report with sleeves took its place")
	}
	r.until(r.submit(`{"kind": "balun", "ready": true}`).ID, queue.Done)
	if keeps() {
		t.Error("the report outlived what happened at the bench")
	}
}

// unstamped is a report without the line that says when it was made.
func unstamped(page string) string {
	var lines []string
	for line := range strings.Lines(page) {
		if !strings.Contains(line, "halfturn test") {
			lines = append(lines, line)
		}
	}
	return strings.Join(lines, "")
}

// What is kept stays within its bound.
func TestKeptIsBounded(t *testing.T) {
	t.Parallel()
	var k kept[int, int]
	for i := range 100 {
		k.put(i, i, mostKeptSteps/4)
	}
	if len(k.entries) != 4 {
		t.Errorf("%d entries of a quarter", len(k.entries))
	}
	if v, ok := k.get(96); !ok || v != 96 {
		t.Error("the oldest of four is not kept")
	}
	k.put(100, 100, mostKeptSteps/4) // in the place of 97, as 96 was used since
	if _, ok := k.get(97); ok {
		t.Error("97 was used before 96")
	}
	if _, ok := k.get(96); !ok {
		t.Error("96 was used after 97")
	}
	k.put(100, 101, 10)
	if v, _ := k.get(100); v != 101 || len(k.entries) != 4 {
		t.Errorf("100 is %d, %d entries", v, len(k.entries))
	}
	k.put(1, 1, mostKeptSteps+1)
	if len(k.entries) != 0 {
		t.Errorf("%d entries beside one that is larger than all", len(k.entries))
	}
}

// The bounds that the document gives a number of the query hold.
func TestQueryBoundsAreAsDocumented(t *testing.T) {
	t.Parallel()
	r := newRig(t, "").begin()
	r.stocked(1)
	var document struct {
		Paths map[string]map[string]struct {
			Parameters []struct {
				Name, In string
				Schema   struct {
					Type             string
					Minimum, Maximum *int64
				}
			}
		}
	}
	if err := json.Unmarshal(openAPI, &document); err != nil {
		t.Fatal(err)
	}
	tried := 0
	for path, operations := range document.Paths {
		for _, p := range operations["get"].Parameters {
			if p.In != "query" || p.Schema.Type != "integer" {
				continue
			}
			for bound, beyond := range map[*int64]int64{p.Schema.Minimum: -1, p.Schema.Maximum: 1} {
				if bound == nil {
					continue
				}
				tried++
				address := fmt.Sprintf("%s?%s=", strings.ReplaceAll(path, "{run}", "1"), p.Name)
				if response, text := r.do("GET", address+fmt.Sprint(*bound), ""); response.StatusCode != http.StatusOK {
					t.Errorf("%s%d: %s %s", address, *bound, response.Status, text)
				}
				if response, _ := r.do("GET", address+fmt.Sprint(*bound+beyond), ""); response.StatusCode != http.StatusBadRequest {
					t.Errorf("%s%d: %s", address, *bound+beyond, response.Status)
				}
			}
		}
	}
	if tried < 6 {
		t.Errorf("only %d bounds were tried", tried)
	}
}
