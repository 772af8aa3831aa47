package panel

import (
	"context"
	"errors"
	"fmt"
	"math"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"halfturn/analysis/balance"
	"halfturn/analysis/compare"
	"halfturn/analysis/conformity"
	"halfturn/analysis/report"
	"halfturn/cmd/halfturn/daemon"
	"halfturn/cmd/halfturn/reporting"
	"halfturn/sweep"
	"halfturn/sweep/journal"
	"halfturn/sweep/queue"
	"halfturn/units"
)

// fake is a bench that is as a test says.
type fake struct {
	state    daemon.Bench
	runs     []sweep.Run
	input    *report.Input
	compared *report.Compared
	jobs     []queue.Job
	firings  []queue.Firing
	lines    []daemon.LogLine
	err      error // of whatever is asked
	guarded  bool
	reports  int // how often a report was asked for
	onReport func()
}

func (f *fake) State() daemon.Bench     { return f.state }
func (f *fake) Jobs() []queue.Job       { return f.jobs }
func (f *fake) Firings() []queue.Firing { return f.firings }
func (f *fake) Job(id int64) (queue.Job, error) {
	for _, j := range f.jobs {
		if j.ID == id {
			return j, f.err
		}
	}
	return queue.Job{}, queue.ErrNoJob
}
func (f *fake) Guarded() bool                                 { return f.guarded }
func (f *fake) job(context.Context, int64) (queue.Job, error) { return queue.Job{}, f.err }

// List is what a store would give of the runs, which stand the oldest first.
func (f *fake) List(_ context.Context, l journal.Listing) (journal.Listed, error) {
	var listed journal.Listed
	for i := len(f.runs) - 1; i >= 0; i-- {
		switch {
		case l.Kind != "" && f.runs[i].Kind != l.Kind:
		case l.Before > 0 && f.runs[i].ID >= l.Before:
			listed.Newer++
		case len(listed.Runs) == l.Most:
			listed.Older++
		default:
			listed.Runs = append(listed.Runs, f.runs[i])
		}
	}
	return listed, f.err
}

func (f *fake) Run(_ context.Context, id int64) (sweep.Run, error) {
	for i := range f.runs {
		if f.runs[i].ID == id {
			return f.runs[i], f.err
		}
	}
	return sweep.Run{}, journal.ErrNoRun
}

func (f *fake) Report(context.Context, *sweep.Run, reporting.Options) (*report.Input, error) {
	f.reports++
	if f.onReport != nil {
		f.onReport()
	}
	return f.input, f.err
}

func (f *fake) Compared(context.Context, []int64) (*report.Compared, error) { return f.compared, f.err }

func (f *fake) Submit(context.Context, queue.Request) (queue.Job, error) { return queue.Job{}, f.err }
func (f *fake) Answer(ctx context.Context, id int64) (queue.Job, error)  { return f.job(ctx, id) }
func (f *fake) Cancel(ctx context.Context, id int64) (queue.Job, error)  { return f.job(ctx, id) }
func (f *fake) Again(ctx context.Context, id int64) (queue.Job, error)   { return f.job(ctx, id) }
func (f *fake) Lines(int) []daemon.LogLine                               { return f.lines }

var noon = time.Date(2026, 3, 4, 12, 0, 0, 0, time.UTC)

func (f *fake) get(t testing.TB, path string) (int, string) {
	t.Helper()
	answer := httptest.NewRecorder()
	New(f, func() time.Time { return noon }).ServeHTTP(answer, httptest.NewRequest("GET", path, nil))
	return answer.Code, answer.Body.String()
}

// hostile is what somebody can write into any text that comes from outside.
const hostile = `"><script>alert(1)</script><img src=x onerror=alert(2)> style="x" {{.}} </title></svg> ' & ` + "\u202e"

// nasty is a bench all of whose texts are hostile and whose figures are not numbers.
func nasty() *fake {
	none, never := math.NaN(), time.Time{}
	result := balance.Result{Frequency: 20e6, AmplitudeBalance: units.DB(none), PhaseBalance: units.Degrees(math.Inf(1)), CommonModeRejection: units.DB(math.Inf(1)),
		CommonModeRejectionLow: units.DB(math.Inf(-1)), InsertionLoss: units.DB(none), UInsertionLoss: units.DB(math.Inf(1))}
	step := func(f units.Hertz, measured bool) report.Step {
		s := report.Step{Measured: measured, Result: result, Fill: [2]float64{none, math.Inf(1)}, Remark: hostile}
		s.Result.Frequency, s.Point.Frequency, s.Point.Drive = f, f, units.DBm(none)
		if measured {
			s.Remark = ""
		}
		return s
	}
	run := sweep.Run{ID: 1, Kind: sweep.Balun, Label: hostile, Started: never, State: sweep.State(hostile), Reason: hostile, Verdict: conformity.Fail, Calibration: 2}
	run.Bench.Name, run.Bench.Fixture = hostile, hostile
	last := daemon.Step{Run: 1, Frequency: none, Drive: math.Inf(1), Fill: [2]float64{none, none}, Remark: hostile}
	job := queue.Job{ID: 4, Request: queue.Request{Name: hostile, Kind: queue.Kind(hostile), Label: hostile, Scenario: hostile}, State: queue.Asking, Reason: hostile,
		Schedule: hostile, Question: &queue.Question{Text: hostile, Why: hostile}, Runs: []queue.Taken{{Run: 1, Verdict: hostile}}}
	parked := job
	parked.ID, parked.State, parked.Question = 5, queue.Parked, nil
	again := balance.Result{Frequency: 20e6}
	return &fake{
		state: daemon.Bench{Name: hostile, Fixture: hostile, State: daemon.BenchState(hostile), RF: daemon.RF(hostile), Warning: hostile, Fitted: queue.Fit{What: hostile, Label: hostile}, Job: &job,
			Measuring: &daemon.Progress{Run: 1, Job: 4, Kind: sweep.Kind(hostile), Label: hostile, Taken: 2, Total: 2, Left: math.Inf(1), Last: &last},
			Generator: daemon.Instrument{Address: hostile, Identity: hostile, Error: hostile}, Scope: daemon.Instrument{Identity: hostile},
			Timing: &daemon.Timing{Run: 1, Instrument: none, Transfer: math.Inf(1), Backoff: none},
			Config: daemon.ConfigFile{File: hostile, Changed: true, Problem: hostile}, Store: daemon.StoreSpace{Path: hostile, Left: -1}, Program: hostile},
		runs: []sweep.Run{run, {ID: 2, Kind: sweep.Calibration, Label: hostile}},
		input: &report.Input{Run: report.Run{ID: 1, Kind: report.KindBalun, Label: hostile, State: hostile, Reason: hostile}, Calibration: &report.Run{ID: 2},
			Bench: report.Bench{Name: hostile, Fixture: hostile, GeneratorIdentity: hostile}, Rule: hostile, Warnings: []string{hostile}, Program: hostile,
			Steps:   []report.Step{step(10e6, true), step(20e6, false), step(units.Hertz(none), true), step(0, true), step(40e6, true)},
			Figures: []report.Figure{{Frequency: 10e6, P: [2]complex128{complex(none, 0), 1}}, {Frequency: units.Hertz(none)}}},
		compared: &report.Compared{Runs: []report.ComparedRun{{Run: report.Run{ID: 1, Label: hostile}, Bench: hostile}, {Run: report.Run{ID: 3, Label: hostile}}}, Warnings: []string{hostile}, BaselineName: hostile,
			Pair: &compare.Comparison{Steps: []compare.Step{{Frequency: 20e6, Results: [2]balance.Result{result, again}}, {Frequency: 30e6, Results: [2]balance.Result{{Frequency: 30e6}, {Frequency: 30e6}}}}}},
		jobs:    []queue.Job{job, parked},
		firings: []queue.Firing{{Schedule: queue.Schedule{Name: hostile, When: hostile, Zone: hostile, Request: queue.Request{Kind: queue.Kind(hostile), Label: hostile}}, Remark: hostile}},
		lines:   []daemon.LogLine{{Level: hostile, Message: hostile, Fields: map[string]any{hostile: hostile, "x": none}}},
	}
}

// TestHostileTextAndNumbers: whatever comes from outside is text on every page,
// and what is not a number is said to be not measurable.
func TestHostileTextAndNumbers(t *testing.T) {
	f := nasty()
	for _, path := range []string{"/", "/queue", "/jobs/4", "/jobs/5", "/runs", "/runs/1", "/runs/1?from=15+MHz", "/compare?run=1&run=3", "/bench", "/log",
		"/runs/1?from=" + url.QueryEscape(hostile), "/runs?kind=" + url.QueryEscape(hostile), "/runs/" + url.PathEscape(hostile)} {
		_, page := f.get(t, path)
		for _, live := range []string{"<script>", "<img", "</title></svg>"} {
			if strings.Contains(page, live) {
				t.Errorf("%s: %s is not escaped", path, live)
			}
		}
		sound(t, path, page)
	}
}

// TestFailures: each error has its status and a page that says it.
func TestFailures(t *testing.T) {
	for _, c := range []struct {
		err  error
		code int
	}{
		{fmt.Errorf("%w: 7", journal.ErrNoRun), 404}, {journal.ErrFull, 507}, {errors.New("the disk burns"), 500},
		{fmt.Errorf("%w: no", queue.ErrRefused), 422}, {fmt.Errorf("%w: no", queue.ErrConflict), 409},
	} {
		f := &fake{err: c.err, runs: []sweep.Run{{ID: 7}}}
		for _, path := range []string{"/", "/runs", "/runs/7", "/runs/7/fixture"} {
			if code, page := f.get(t, path); code != c.code || !strings.Contains(page, `role="alert"`) {
				t.Errorf("%s with %v: %d", path, c.err, code)
			}
		}
	}
}

// TestStates: each state of the bench is said in words, with the buttons that
// go with it.
func TestStates(t *testing.T) {
	job := func(s queue.State) *queue.Job {
		return &queue.Job{ID: 4, Request: queue.Request{Name: "night", Kind: queue.Balun}, State: s}
	}
	asking := job(queue.Asking)
	asking.Question = &queue.Question{Text: "Put the balun into the fixture", Why: "it is its turn"}
	retry := job(queue.Waiting)
	retry.Reason, retry.NotBefore = "the scope does not answer", noon.Add(time.Minute)
	stopping := job(queue.Running)
	stopping.Stopping = true
	measuring := &daemon.Progress{Job: 4, Kind: sweep.Balun, Label: "winding 3", Started: noon}
	for name, c := range map[string]struct {
		state    daemon.Bench
		has, not []string
	}{
		"idle":           {daemon.Bench{State: daemon.Idle, RF: daemon.RFOff}, []string{"Nothing is running. RF off.", "Queue a job"}, []string{"<button class=\"stop\""}},
		"asking":         {daemon.Bench{State: daemon.Asking, RF: daemon.RFOff, Job: asking}, []string{"RF is off and stays off", "Put the balun into the fixture", "It is its turn", "/jobs/4/answer", "Cancel job 4"}, []string{"Stop job"}},
		"waiting":        {daemon.Bench{State: daemon.Waiting, Job: retry}, []string{"Waiting for another try: the scope does not answer", "waiting until"}, []string{"/answer"}},
		"begun":          {daemon.Bench{State: daemon.Measuring, RF: daemon.RFOn, Job: job(queue.Running), Measuring: measuring}, []string{"Before the first step", "Stop job 4", "“winding 3”", "RF on"}, []string{"<progress"}},
		"stopping":       {daemon.Bench{State: daemon.Measuring, Job: stopping, Measuring: measuring}, []string{"stopping after this step"}, []string{"<button class=\"stop\""}},
		"unsafe, asking": {daemon.Bench{State: daemon.Unsafe, RF: daemon.RFUnknown, Job: asking, Warning: "the generator does not answer"}, []string{"Do not touch the fixture: RF is unknown"}, []string{"RF is off"}},
		"unsafe":         {daemon.Bench{State: daemon.Unsafe, RF: daemon.RFUnknown, Warning: "the generator does not answer"}, []string{"RF may be on: the generator does not answer"}, nil},
	} {
		f := &fake{state: c.state}
		code, page := f.get(t, "/")
		sound(t, name, page)
		if code != http.StatusOK {
			t.Errorf("%s: %d", name, code)
		}
		for _, want := range c.has {
			if !strings.Contains(page, want) {
				t.Errorf("%s: no %q", name, want)
			}
		}
		for _, not := range c.not {
			if strings.Contains(page, not) {
				t.Errorf("%s: there is %q", name, not)
			}
		}
	}
	if _, page := (&fake{guarded: true}).get(t, "/"); !strings.Contains(page, `action="/logout"`) {
		t.Error("no way to log out")
	}
}

// TestCurvesAreDrawnOnceAStep: any number of browsers cost one analysis a step,
// and where that takes longer than a step, a part of the time only.
func TestCurvesAreDrawnOnceAStep(t *testing.T) {
	for _, c := range []struct {
		draws, step time.Duration
		steps, want int
	}{
		{0, 0, 3, 3},
		{10 * time.Millisecond, 100 * time.Millisecond, 10, 10},
		{100 * time.Millisecond, 100 * time.Millisecond, 50, 10},
	} {
		f := nasty()
		now := noon
		f.onReport = func() { now = now.Add(c.draws) }
		pages := New(f, func() time.Time { return now })
		begun := now
		for taken := 1; taken <= c.steps; taken++ {
			if due := begun.Add(time.Duration(taken) * c.step); due.After(now) {
				now = due
			}
			m := *f.state.Measuring
			m.Taken = taken
			f.state.Measuring = &m
			for range 4 {
				pages.ServeHTTP(httptest.NewRecorder(), httptest.NewRequest("GET", "/", nil))
			}
		}
		if f.reports != c.want {
			t.Errorf("%d analyses of %d steps, not %d", f.reports, c.steps, c.want)
		}
	}
}

// TestLists: a thousand runs come in pages, none of them twice.
func TestLists(t *testing.T) {
	f := &fake{}
	for id := int64(1); id <= 120; id++ {
		f.runs = append(f.runs, sweep.Run{ID: id, Kind: sweep.Balun, Started: noon})
	}
	seen, path := 0, "/runs"
	for path != "" {
		_, page := f.get(t, path)
		sound(t, path, page)
		seen += strings.Count(page, `name="run"`)
		_, rest, found := strings.Cut(page, `rel="next"`)
		if !found {
			break
		}
		_ = rest
		before, _, _ := strings.Cut(page, `" rel="next"`)
		path = strings.ReplaceAll(before[strings.LastIndexByte(before, '"')+1:], "&amp;", "&")
	}
	if seen != 120 {
		t.Errorf("%d runs on all pages", seen)
	}
}

func TestWords(t *testing.T) {
	for d, want := range map[time.Duration]string{
		0: "0 s", 400 * time.Millisecond: "0 s", 59 * time.Second: "59 s", 61 * time.Second: "1 min 1 s", time.Hour: "1 h",
		25 * time.Hour: "1 d 1 h", 48*time.Hour + time.Second: "2 d",
	} {
		if got := span(d); got != want {
			t.Errorf("span(%v) is %q, not %q", d, got, want)
		}
	}
	for _, c := range []struct {
		v, u float64
		want string
	}{
		{-0.1234, 0.0312, "-0.123 dB ± 0.031 dB"}, {1.25, 0.0998, "1.25 dB ± 0.10 dB"}, {-0.001, 0.5, "0.00 dB ± 0.50 dB"},
		{12.4, 340, "12 dB ± 340 dB"}, {3, 0, "3.00 dB"}, {math.NaN(), 1, notMeasurable}, {1, math.Inf(1), notMeasurable},
	} {
		if got := withU(c.v, c.u, " dB"); got != c.want {
			t.Errorf("%v ± %v is %q, not %q", c.v, c.u, got, c.want)
		}
	}
}

// FuzzBand: no address makes a page fail, and a band that is accepted is one.
func FuzzBand(f *testing.F) {
	for _, s := range []string{"", "10 MHz", "1e400 Hz", "-3 MHz", "NaN", "30"} {
		f.Add(s, "100 MHz")
		f.Add("10 MHz", s)
	}
	f.Fuzz(func(t *testing.T, from, to string) {
		b := readBand(url.Values{"from": {from}, "to": {to}}.Get)
		if b.Narrow() && (b.from < 0 || b.to < 0 || b.to > 0 && b.from >= b.to || math.IsNaN(float64(b.from+b.to))) {
			t.Errorf("%q to %q is taken for %v to %v", from, to, b.from, b.to)
		}
	})
}
