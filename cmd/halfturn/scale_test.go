package main

import (
	"cmp"
	"fmt"
	"html"
	"io"
	"maps"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"halfturn/cmd/halfturn/daemon"
	"halfturn/drivers/simbench"
	"halfturn/internal/testbench"
	"halfturn/sweep"
	"halfturn/sweep/journal"
)

// A scaled store has a calibration before each so many runs.
const runsInScaledNight = 20

// scaledStore fills the store of a bench file with runs that were measured on
// the simulated bench: a calibration and two of the balun, then copies of them
// under numbers and times of their own, one an hour.
func scaledStore(t testing.TB, runs, steps, samples int) (bench string) {
	t.Helper()
	bench, server := quickBench(t, steps, samples, 8)
	server.FitForCalibration()
	must(t, 0, "calibrate", "-c", bench, "--yes")
	server.FitForMeasurement()
	for _, label := range []string{"winding 1", "winding 2"} {
		must(t, 0, "measure", "-c", bench, "--yes", "--label", label)
	}
	store, err := journal.OpenExisting(t.Context(), storeOf(bench))
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	var measured []sweep.Run
	for id := range int64(3) {
		run, err := store.Run(t.Context(), id+1)
		if err != nil {
			t.Fatal(err)
		}
		measured = append(measured, run)
	}
	calibration := int64(1)
	for i := 3; i < runs; i++ {
		run := measured[1+i%2]
		if i%runsInScaledNight == 0 {
			run = measured[0]
		}
		of := run.ID
		later := time.Duration(i-runs) * time.Hour
		run.Started, run.Finished = run.Started.Add(later), run.Finished.Add(later)
		if run.Kind == sweep.Balun {
			run.Label, run.Calibration = fmt.Sprintf("winding %d", i), calibration
		}
		copied, err := store.Copy(t.Context(), store, of, &run)
		if err != nil || copied.Lost != nil || copied.Captures != copied.Steps {
			t.Fatalf("%+v: %v", copied, err)
		}
		if run.Kind == sweep.Calibration {
			calibration = run.ID
		}
	}
	return bench
}

// The list of a store of 60 runs of 50 steps, page by page over the API and by
// the links of the page, has every run once and in order, while another process
// adds runs; and each run's report is there.
func TestScaledStorePageByPage(t *testing.T) {
	t.Parallel()
	const runs, steps = 60, 50
	store := storeOf(scaledStore(t, runs, steps, 200))
	server := testbench.Simulated(t, "good-balun", simbench.Options{})
	file, address := daemonFile(t, server, steps, "")
	onStore(t, file, store)
	s := serveChild(t, file, address)
	adding, err := journal.OpenExisting(t.Context(), store)
	if err != nil {
		t.Fatal(err)
	}
	defer adding.Close()
	add := func() {
		run, err := adding.Run(t.Context(), 3)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := adding.Copy(t.Context(), adding, 3, &run); err != nil {
			t.Fatal(err)
		}
	}
	get := func(path string) string {
		t.Helper()
		response, err := http.Get("http://" + address + path)
		if err != nil {
			t.Fatal(err)
		}
		defer response.Body.Close()
		text, err := io.ReadAll(response.Body)
		if err != nil || response.StatusCode != http.StatusOK {
			t.Fatalf("%s: %s %v %s", path, response.Status, err, text)
		}
		return string(text)
	}
	descending := func(how string, first int64, got []int64) {
		t.Helper()
		for i, id := range got {
			if id != first-int64(i) {
				t.Fatalf("%s: run %d comes at place %d, of %v", how, id, i, got)
			}
		}
		if int64(len(got)) != first {
			t.Errorf("%s: %d runs of %d", how, len(got), first)
		}
	}
	first, before := int64(runs), ""
	var seen []int64
	for {
		var page daemon.Runs
		s.must("GET", "/runs?limit=7"+before, nil, &page)
		for _, run := range page.Runs {
			seen = append(seen, run.ID)
		}
		if page.Before == 0 {
			break
		}
		before = fmt.Sprintf("&before=%d", page.Before)
		add()
	}
	descending("API", first, seen)

	seen, first = nil, int64(runs+8)
	row := regexp.MustCompile(`<th scope="row" class="of"><a href="/runs/(\d+)">`)
	older := regexp.MustCompile(`<a href="([^"]+)" rel="next">`)
	for path := "/runs"; path != ""; {
		page := get(path)
		for _, m := range row.FindAllStringSubmatch(page, -1) {
			id, _ := strconv.ParseInt(m[1], 10, 64)
			seen = append(seen, id)
		}
		path = ""
		if m := older.FindStringSubmatch(page); m != nil {
			path = html.UnescapeString(m[1])
		}
		add()
	}
	descending("page", first, seen)
	for id := 1; id <= runs; id += 13 {
		if page := get(fmt.Sprintf("/api/v1/runs/%d/report", id)); !strings.Contains(page, "<svg") {
			t.Errorf("run %d has no report", id)
		}
	}
}

// onStore makes a bench file name another store.
func onStore(t testing.TB, file, store string) {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, []byte(strings.Replace(string(text), storeOf(file), store, 1)), 0o600); err != nil {
		t.Fatal(err)
	}
}

// numberFrom is a number of the environment, or what holds without it.
func numberFrom(t testing.TB, variable string, without int) int {
	t.Helper()
	n, err := strconv.Atoi(cmp.Or(os.Getenv(variable), strconv.Itoa(without)))
	if err != nil {
		t.Fatalf("%s: %v", variable, err)
	}
	return n
}

// What the daemon takes with 1 000 runs of 1 000 steps in its store, each with
// 4 captures of 2 × 1 000 samples. SCALE_STORE names a folder where the
// store is kept and found again; SCALE_RUNS, _STEPS and _SAMPLES make
// another size of it.
//
// Every figure is over HTTP against a process of its own: from its start until
// it answers, then the first and the slowest of several times each page. The
// memory is the most that the process held, with eight reports asked for at
// once.
func BenchmarkScale(b *testing.B) {
	runs, steps, samples := numberFrom(b, "SCALE_RUNS", 1000), numberFrom(b, "SCALE_STEPS", 1000), numberFrom(b, "SCALE_SAMPLES", 1000)
	folder := cmp.Or(os.Getenv("SCALE_STORE"), b.TempDir())
	store := filepath.Join(folder, fmt.Sprintf("scale-%d-%d-%d.db", runs, steps, samples))
	if _, err := os.Stat(store); err != nil {
		begun := time.Now()
		made := storeOf(scaledStore(b, runs, steps, samples))
		if err := move(made, store); err != nil {
			b.Fatal(err)
		}
		b.Logf("%s made in %v", store, time.Since(begun).Round(time.Second))
	}
	server := testbench.Simulated(b, "good-balun", simbench.Options{})
	file, address := daemonFile(b, server, steps, "")
	onStore(b, file, store)
	newest := int64(runs) - 1
	worst := map[string]time.Duration{}
	took := func(what string, begun time.Time) { worst[what] = max(worst[what], time.Since(begun)) }
	for b.Loop() {
		begun := time.Now()
		s := serveChild(b, file, address)
		took("start", begun)
		ask := func(path string) {
			response, err := http.Get("http://" + address + path)
			if err != nil {
				b.Fatalf("%s: %v\n%s", path, err, s.errs)
			}
			defer response.Body.Close()
			if text, err := io.ReadAll(response.Body); err != nil || response.StatusCode != http.StatusOK {
				b.Fatalf("%s: %s %v %s", path, response.Status, err, text)
			}
		}
		for round := range int64(3) {
			run := newest - 7*round
			for what, path := range map[string]string{
				"now": "/", "list": "/runs", "list-of-calibrations": "/runs?kind=calibration", "list-api": "/api/v1/runs",
				"list-api-oldest": "/api/v1/runs?before=51", "list-api-calibrations": "/api/v1/runs?kind=calibration",
				"report": fmt.Sprintf("/api/v1/runs/%d/report", run), "run-page": fmt.Sprintf("/runs/%d", run-1),
				"calibration-page": "/runs/1", "fixture": "/runs/1/fixture",
				"plot":        fmt.Sprintf("/runs/%d/plots/phase-balance.svg", run-2),
				"steps":       fmt.Sprintf("/api/v1/runs/%d/steps", run-3),
				"a-few-steps": fmt.Sprintf("/api/v1/runs/%d/steps?from=%d", run-4, steps-5), "compare": fmt.Sprintf("/compare?run=%d&run=%d", run-5, run-6),
			} {
				begun := time.Now()
				ask(path)
				took(what, begun)
				if strings.HasPrefix(what, "report") || strings.HasPrefix(what, "run-page") {
					begun = time.Now()
					ask(path)
					took(what+"-again", begun)
				}
			}
		}
		b.ReportMetric(float64(highWater(s.cmd.Process.Pid))/1024, "MiB/one-at-a-time")
		var all sync.WaitGroup
		for i := range int64(8) {
			all.Go(func() { ask(fmt.Sprintf("/api/v1/runs/%d/report", newest-30-i)) })
		}
		all.Wait()
		b.ReportMetric(float64(highWater(s.cmd.Process.Pid))/1024, "MiB/eight-reports-at-once")
		s.kill()
	}
	if info, err := os.Stat(store); err == nil {
		b.ReportMetric(float64(info.Size())/(1<<30), "GiB/store")
	}
	b.ReportMetric(0, "ns/op")
	for _, what := range slices.Sorted(maps.Keys(worst)) {
		b.ReportMetric(float64(worst[what].Microseconds())/1000, "ms/"+what)
	}
}

// move renames a file, also to another disk.
func move(from, to string) error {
	if os.Rename(from, to) == nil {
		return nil
	}
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	return writeFile(to, func(w io.Writer) error { _, err := io.Copy(w, in); return err })
}
