package main

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfturn/analysis/report"
	"halfturn/cmd/halfturn/reporting"
	"halfturn/sweep/journal"
)

// agedStore is that of a demo, runs 1 and 2, with copies of them that are a
// hundred days older, runs 3 and 4.
func agedStore(t testing.TB, scenario string) (store string) {
	t.Helper()
	dir := t.TempDir()
	halfturn(t, "demo", "--scenario", scenario, "--out", dir)
	store = filepath.Join(dir, "halfturn.db")
	s, err := journal.OpenExisting(t.Context(), store)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for id := range int64(2) {
		run, err := s.Run(t.Context(), id+1)
		if err != nil {
			t.Fatal(err)
		}
		run.Started, run.Finished = run.Started.AddDate(0, 0, -100), run.Finished.AddDate(0, 0, -100)
		if run.Calibration != 0 {
			run.Calibration = 3
		}
		if _, err := s.Copy(t.Context(), s, id+1, &run); err != nil {
			t.Fatal(err)
		}
	}
	return store
}

// generated is when and by what a report was made, as its table and its foot
// have it.
var generated = regexp.MustCompile(`Generated [^<>]* by halfturn [^<>]*|<th scope="row">report</th><td>[^<>]* UTC, halfturn [^<>]*`)

// told is what is said of a run, in text, JSON and on a page.
func told(t testing.TB, store, run string) (text, object, page, csv string) {
	t.Helper()
	_, text, _ = halfturn(t, "show", run, "--table", "--store", store)
	_, object, _ = halfturn(t, "show", run, "--json", "--store", store)
	file := filepath.Join(t.TempDir(), "report.html")
	must(t, 0, "report", run, "--store", store, "--out", file)
	bytes, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	csv, _ = must(t, 0, "export", run, "--store", store)
	if n := len(generated.FindAll(bytes, -1)); n != 2 {
		t.Fatalf("the page says when it was made in %d places", n)
	}
	return text, object, generated.ReplaceAllString(string(bytes), ""), csv
}

// thinnedLine is the one line that the page of a thinned run has more than before.
var thinnedLine = regexp.MustCompile(`<tr><th scope="row">note</th><td>the captures of this run were thinned.*</tr>\n`)

func TestThinnedRunsSayTheSame(t *testing.T) {
	t.Parallel()
	for _, scenario := range []string{"good-balun", "too-little-ferrite"} {
		t.Run(scenario, func(t *testing.T) {
			t.Parallel()
			store := agedStore(t, scenario)
			type said struct{ text, object, page, csv string }
			before := map[string]said{}
			for _, run := range []string{"1", "2", "3", "4"} {
				var s said
				s.text, s.object, s.page, s.csv = told(t, store, run)
				before[run] = s
			}
			out, _ := must(t, 0, "thin", "--store", store, "--older", "30 d")
			if !strings.Contains(out, "run 3, calibration") || !strings.Contains(out, "run 4, balun") || strings.Contains(out, "run 2,") ||
				!strings.Contains(out, "Nothing was removed yet") || !strings.Contains(out, "KiB") && !strings.Contains(out, "MiB") {
				t.Errorf("what would go: %s", out)
			}
			size := func() int64 {
				info, err := os.Stat(store)
				if err != nil {
					t.Fatal(err)
				}
				return info.Size()
			}
			full := size()
			if text, _, _, _ := told(t, store, "4"); text != before["4"].text {
				t.Error("showing what would go changed something")
			}
			out, _ = must(t, 0, "thin", "--store", store, "--older", "30 d", "--yes")
			if !strings.Contains(out, "are gone") || size() > full*3/4 {
				t.Errorf("%d bytes of %d are left: %s", size(), full, out)
			}
			for run, b := range before {
				var a said
				a.text, a.object, a.page, a.csv = told(t, store, run)
				old := run == "3" || run == "4"
				if a.text != b.text {
					t.Errorf("run %s: %s", run, cmp.Diff(b.text, a.text))
				}
				if strings.Contains(a.page, "were thinned") != old {
					t.Errorf("run %s: its page says that it was thinned: %v", run, !old)
				}
				if diff := cmp.Diff(b.page, thinnedLine.ReplaceAllString(a.page, "")); diff != "" {
					t.Errorf("run %s: %s", run, diff)
				}
				if a.object != b.object || a.csv != b.csv {
					t.Errorf("run %s: other JSON or CSV", run)
				}
				if figures := strings.Count(a.page, "X-Y figure at"); figures != strings.Count(b.page, "X-Y figure at") {
					t.Errorf("run %s: %d figures", run, figures)
				}
			}
			if out, _ := must(t, 0, "thin", "--store", store, "--older", "30 d"); !strings.Contains(out, "no captures are due") {
				t.Errorf("afterwards: %s", out)
			}

			// What reads captures again says that they are gone.
			out, errs := must(t, 0, "export", "4", "--format", "json", "--captures", "--store", store)
			var exported struct {
				Steps []struct{ Captured []any }
			}
			if err := json.Unmarshal([]byte(out), &exported); err != nil {
				t.Fatal(err)
			}
			there := 0
			for _, step := range exported.Steps {
				if step.Captured != nil {
					there++
				}
			}
			if there < 6 || there > 59 || !strings.Contains(errs, fmt.Sprintf("the captures of %d of 60 steps were thinned", 60-there)) || !strings.Contains(out, `"captured":null`) {
				t.Errorf("captures of %d steps are exported: %s", there, errs)
			}

			// All of it goes through a recovery.
			must(t, 0, "baseline", "before", "4", "--store", store)
			mended := filepath.Join(t.TempDir(), "mended.db")
			out, _ = must(t, 0, "recover", store, mended)
			if !strings.Contains(out, fmt.Sprintf("run 4: 60 steps, captures of %d", there)) || !strings.Contains(out, "baselines 1") {
				t.Errorf("recover: %s", out)
			}
			if text, object, page, _ := told(t, mended, "4"); object != before["4"].object || text != before["4"].text || !strings.Contains(page, "were thinned") {
				t.Error("the recovered run says something else")
			}
			if out, _ := must(t, 0, "baseline", "--store", mended); !strings.Contains(out, "before") {
				t.Errorf("baselines of the recovered store: %s", out)
			}
			if out, _ := must(t, 0, "thin", "--store", mended, "--older", "30 d"); !strings.Contains(out, "no captures are due") {
				t.Errorf("a baseline is due: %s", out)
			}
		})
	}
}

// A figure whose captures are gone is told, not left out in silence.
func TestFigureWhoseCapturesAreGone(t *testing.T) {
	t.Parallel()
	store := agedStore(t, "good-balun")
	s, err := journal.OpenExisting(t.Context(), store)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	run, err := s.Run(t.Context(), 4)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Thin(t.Context(), 4, []int{0}, run.Finished); err != nil {
		t.Fatal(err)
	}
	in, err := reporting.Load(t.Context(), s, &run, reporting.Options{Figures: 3})
	if err != nil {
		t.Fatal(err)
	}
	if len(in.Figures) != 1 || strings.Count(strings.Join(in.Notes, "\n"), "no X-Y figure at") != 2 {
		t.Errorf("%d figures; notes %q", len(in.Figures), in.Notes)
	}
	var page strings.Builder
	if err := report.HTML(&page, *in); err != nil || !strings.Contains(page.String(), "no X-Y figure at") {
		t.Errorf("the page does not tell: %v", err)
	}
}

func TestThinUsage(t *testing.T) {
	t.Parallel()
	store := filepath.Join(t.TempDir(), "none.db")
	bench := benchFile(t, "tcp://127.0.0.1:1", "tcp://127.0.0.1:2", 5)
	for _, c := range []struct {
		code int
		says string
		args []string
	}{
		{exitUsage, "which store?", []string{"--older", "30 d"}},
		{exitUsage, "how old?", []string{"--store", store}},
		{exitUsage, "how old?", []string{"-c", bench}},
		{exitUsage, "is not a time", []string{"--store", store, "--older", "30"}},
		{exitUsage, "is not a time", []string{"--store", store, "--older", "-1h"}},
		{exitUsage, "goes with --yes", []string{"--store", store, "--older", "30 d", "--rewrite"}},
		{exitNotDone, "no store", []string{"--store", store, "--older", "30 d"}},
		{exitNotDone, "no store", []string{"-c", bench, "--older", "30 d", "--yes"}},
	} {
		code, out, errs := halfturn(t, append([]string{"thin"}, c.args...)...)
		if code != c.code || out != "" || !strings.Contains(errs, c.says) || strings.Count(errs, "\n") != 1 {
			t.Errorf("thin %v: exit %d, %q, %q", c.args, code, out, errs)
		}
	}
}
