package daemon

import (
	"database/sql"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"halfturn/drivers/simbench"
	"halfturn/drivers/simbench/device"
	"halfturn/sweep/queue"
)

// same wants two runs to have the same steps; when they were taken is their
// own affair.
func same(r *rig, a, b int64) {
	r.Helper()
	steps := func(run int64) []Step { return get[Steps](r, fmt.Sprintf("%s/runs/%d/steps", root, run)).Steps }
	want, got := steps(a), steps(b)
	if len(want) != points {
		r.Errorf("run %d has %d steps", a, len(want))
	}
	if diff := cmp.Diff(want, got, cmpopts.IgnoreFields(Step{}, "Taken", "Run")); diff != "" {
		r.Errorf("runs %d and %d differ: %s", a, b, diff)
	}
}

// What instruments do wrong while nobody is there: once is got over without a
// trace in the result, for good parks the job with the reason and RF off, and
// when it is over the job goes on where it was.
func TestFaultsOfInstruments(t *testing.T) {
	t.Parallel()
	silent := func([]byte) simbench.Action { return simbench.Action{Silent: true} }
	for name, c := range map[string]struct {
		instrument simbench.Instrument
		command    string
		fault      device.Fault
	}{
		"the generator reboots": {simbench.Generator, "SOURce:FREQuency", device.Reboot},
		"the scope reboots":     {simbench.Scope, "TRACe", device.Reboot},
		"the scope hangs":       {simbench.Scope, "*OPC?", silent},
		"the link is cut":       {simbench.Scope, "TRACe", device.HalfThenHangUp},
	} {
		for _, often := range []string{"once", "for good"} {
			t.Run(name+" "+often, func(t *testing.T) {
				t.Parallel()
				r := newRig(t, "  retries: 2\n").begin()
				calm := r.until(r.submit(`{"kind": "balun", "label": "winding"}`).ID, queue.Done)
				hook := device.OnNth(c.command, 4, c.fault)
				if often == "for good" {
					hook = device.FromNth(c.command, 4, c.fault)
				}
				r.server.Interfere(c.instrument, hook)
				job := r.submit(`{"kind": "balun", "label": "winding", "name": "disturbed"}`)
				if often == "for good" {
					parked := r.until(job.ID, queue.Parked)
					if !strings.Contains(parked.Reason, "given up after 2 more tries") || parked.Failures != 2 {
						t.Errorf("parked: %+v", parked)
					}
					r.server.Interfere(c.instrument, nil)
					r.waitFor("RF off", func() bool { return get[Bench](r, root+"/bench").RF == RFOff && r.rf() == "0" })
					r.do("POST", fmt.Sprintf("%s/jobs/%d/again", root, job.ID), "")
				}
				done := r.until(job.ID, queue.Done)
				r.server.Interfere(c.instrument, nil)
				if rf := r.rf(); rf != "0" {
					t.Errorf("RF is %s", rf)
				}
				if n := r.metric("halfturn_step_retries_total"); n < 1 {
					t.Errorf("%g retries of a step", n)
				}
				if len(done.Runs) != 1 || done.Runs[0].Run != 3 {
					t.Errorf("runs %v", done.Runs)
				}
				same(r, calm.Runs[1].Run, done.Runs[0].Run)
			})
		}
	}
}

// A bench that is not there: the job is tried, and parked with the reason; the
// daemon says that RF may be on, and is not ready.
func TestABenchThatIsNotThere(t *testing.T) {
	t.Parallel()
	r := newRig(t, "  retries: 2\n")
	r.server.Close()
	r.begin()
	job := r.submit(`{"kind": "balun"}`)
	parked := r.until(job.ID, queue.Parked)
	if !strings.Contains(parked.Reason, r.server.GeneratorAddress()) {
		t.Errorf("parked: %s", parked.Reason)
	}
	if b := get[Bench](r, root+"/bench"); b.State != Unsafe || b.RF != RFUnknown || b.Warning == "" || b.Generator.Failures == 0 {
		t.Errorf("bench: %+v", b)
	}
	if response, text := r.do("GET", "/readyz", ""); response.StatusCode != http.StatusServiceUnavailable {
		t.Errorf("readyz: %s %s", response.Status, text)
	}
	if response, text := r.do("GET", "/healthz", ""); response.StatusCode != http.StatusOK {
		t.Errorf("healthz: %s %s", response.Status, text)
	}
}

// The wrong thing in the fixture is not tried again, and the run that was
// taken with it is not gone on with.
func TestTheWrongThingInTheFixture(t *testing.T) {
	t.Parallel()
	r := newRig(t, "").begin()
	r.calibrated() // the cable stays
	job := r.submit(`{"kind": "balun", "ready": true}`)
	parked := r.until(job.ID, queue.Parked)
	if !strings.Contains(parked.Reason, "calibration cable is still fitted") || parked.Failures != 0 || parked.Run != 0 {
		t.Errorf("parked: %+v", parked)
	}
	if rf := r.rf(); rf != "0" {
		t.Errorf("RF is %s", rf)
	}
	r.do("POST", fmt.Sprintf("%s/jobs/%d/again", root, job.ID), "")
	done := r.until(job.ID, queue.Done) // it asks again, and the balun is put in
	if len(done.Runs) != 1 || done.Runs[0].Run == 2 {
		t.Errorf("runs %v", done.Runs)
	}
}

// RF is off before anything else, also where a process was killed with it on.
func TestRFGoesOffFirst(t *testing.T) {
	t.Parallel()
	r := newRig(t, "")
	r.server.Interfere(simbench.Generator, nil)
	sendTo(r, ":OUTPut ON")
	if r.rf() != "1" {
		t.Fatal("RF is not on")
	}
	r.begin()
	r.waitFor("RF off", func() bool { return r.rf() == "0" })
}

func netDial(address string) (net.Conn, error) {
	return net.DialTimeout("tcp", strings.TrimPrefix(address, "tcp://"), time.Second)
}

func sendTo(r *rig, message string) {
	conn, err := netDial(r.server.GeneratorAddress())
	if err != nil {
		r.Fatal(err)
	}
	defer conn.Close()
	fmt.Fprintln(conn, message)
	buf := make([]byte, 16)
	fmt.Fprintln(conn, "*OPC?")
	_, _ = conn.Read(buf)
}

// Series, swapped and dry runs.
func TestEveryKindOfJob(t *testing.T) {
	t.Parallel()
	r := newRig(t, "").begin()
	balun := r.until(r.submit(`{"kind": "balun", "label": "w"}`).ID, queue.Done)
	swapped := r.until(r.submit(`{"kind": "swapped"}`).ID, queue.Done)
	if run := get[Run](r, fmt.Sprintf("%s/runs/%d", root, swapped.Runs[0].Run)); run.Straight != balun.Runs[1].Run || run.Calibration != balun.Calibration || run.Label != "w" {
		t.Errorf("swapped: %+v", run)
	}
	series := r.until(r.submit(`{"kind": "series", "label": "w", "every": "1s", "for": "2s"}`).ID, queue.Done)
	if n := len(series.Runs); n < 1 || n > 3 { // on a busy machine fewer
		t.Errorf("%d runs in 2 s, one a second", n)
	}
	dry := r.until(r.submit(`{"kind": "dry-run", "scenario": "too-little-ferrite"}`).ID, queue.Done)
	if len(dry.Runs) != 2 || dry.Verdict == "pass" || dry.Verdict == "" {
		t.Errorf("dry run: %q, runs %v", dry.Verdict, dry.Runs)
	}
	if run := get[Run](r, fmt.Sprintf("%s/runs/%d", root, dry.Runs[0].Run)); run.Bench != Simulated("Harbour bench") || run.Label != "dry run: too-little-ferrite" {
		t.Errorf("a dry run %q on %q", run.Label, run.Bench)
	}
	// Its calibration is no calibration of the bench.
	last := r.until(r.submit(`{"kind": "balun", "label": "w", "name": "after"}`).ID, queue.Done)
	if last.Calibration != balun.Calibration {
		t.Errorf("calibration %d was taken out, not %d", last.Calibration, balun.Calibration)
	}
	response, text := r.do("POST", root+"/jobs", `{"kind": "dry-run", "scenario": "nowhere"}`)
	if response.StatusCode != http.StatusUnprocessableEntity || !strings.Contains(text, "nowhere") {
		t.Errorf("a scenario that is none: %s %s", response.Status, text)
	}
	// A generator with steps of its own has a bench that knows them.
	r.until(r.submit(`{"kind": "dry-run", "scenario": "stepped-generator", "name": "stepped"}`).ID, queue.Done)
}

// A changed bench file holds from the next job on, schedules at once; the job
// that has begun goes on as it began, and what is wrong changes nothing.
func TestAChangedConfig(t *testing.T) {
	t.Parallel()
	r := newRig(t, "").begin()
	config := func() ConfigFile { return get[Bench](r, root+"/bench").Config }
	steps := func(j queue.Job) (list []int) {
		for _, taken := range j.Runs {
			list = append(list, len(get[Steps](r, fmt.Sprintf("%s/runs/%d/steps", root, taken.Run)).Steps))
		}
		return list
	}
	calm := r.until(r.submit(`{"kind": "balun", "label": "w"}`).ID, queue.Done)
	slow := func([]byte) simbench.Action { return simbench.Action{Delay: 20 * time.Millisecond} }
	r.server.Interfere(simbench.Scope, device.FromNth("INITiate", 1, slow))
	job := r.submit(`{"kind": "series", "label": "w", "name": "second", "every": "1s", "repeats": 2}`)
	r.waitFor("the series", func() bool {
		return get[queue.Job](r, fmt.Sprintf("%s/jobs/%d", root, job.ID)).State == queue.Running
	})

	r.rewrite("points: 4", "points: 7")
	r.rewrite("  backoff: 10 ms\n", "  backoff: 10 ms\n  schedules:\n    - {name: nightly, when: 30 2 * * *, zone: UTC, job: balun}\n")
	r.waitFor("the log of what has changed", func() bool { // together, or one after the other
		log := r.log.String()
		return strings.Contains(log, "plan.segments") && strings.Contains(log, "serve.schedules")
	})
	if c := config(); c.Changed || c.Problem != "" {
		t.Errorf("in force: %+v", c)
	}
	if n := len(get[Schedules](r, root+"/schedules").Schedules); n != 1 {
		t.Errorf("%d schedules", n)
	}

	for old, c := range map[string]struct{ new, says string }{
		"points: 7":    {"pionts: 7", "pionts"},
		"30 2 * * *":   {"30 2 31 2 *", "never comes"},
		"listen: 127.": {"retries: 3\n  listen: 127.0.0.2:1 #", "serve.listen cannot change without a restart"},
		"Harbour":      {"Quay", "bench.name cannot change without a restart"},
	} {
		r.rewrite(old, c.new)
		r.waitFor("the word", func() bool { return strings.Contains(config().Problem, c.says) })
		if now := config(); !now.Changed || strings.Contains(now.Problem, "\n") {
			t.Errorf("%s: %+v", c.new, now)
		}
		if err := r.daemon.Reload(); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v", c.new, err)
		}
		if n := r.daemon.config().Serve.Retries; n != 6 {
			t.Errorf("%d retries are in force", n)
		}
		r.rewrite(c.new, old)
		if err := r.daemon.Reload(); err != nil {
			t.Error(err)
		}
		if now := config(); now.Changed || now.Problem != "" {
			t.Errorf("as before: %+v", now)
		}
	}

	done := r.until(job.ID, queue.Done)
	r.server.Interfere(simbench.Scope, nil)
	same(r, calm.Runs[1].Run, done.Runs[0].Run)
	if list := steps(done); fmt.Sprint(list) != "[4 4]" {
		t.Errorf("the series that had begun took %v steps", list)
	}
	after := r.until(r.submit(`{"kind": "balun", "label": "w", "name": "after"}`).ID, queue.Done)
	if list := steps(after); fmt.Sprint(list) != "[7]" {
		t.Errorf("the next job took %v steps", list)
	}
}

// A job that ends is told to a command and to an address, which no log shows.
func TestHookAndWebhook(t *testing.T) {
	t.Parallel()
	if runtime.GOOS == "windows" {
		t.Skip("the hook of this test is a shell's")
	}
	got := make(chan JobEnd, 10)
	tries := 0
	receiver := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, request *http.Request) {
		if tries++; tries == 1 {
			w.WriteHeader(http.StatusBadGateway)
			return
		}
		var e JobEnd
		text, _ := io.ReadAll(request.Body)
		if err := json.Unmarshal(text, &e); err != nil {
			t.Error(err)
		}
		got <- e
	}))
	defer receiver.Close()
	dir := t.TempDir()
	out := filepath.Join(dir, "told")
	r := newRigIn(t, dir, fmt.Sprintf("  hook: [/bin/sh, -c, 'echo \"$JOB_STATE $JOB_VERDICT\" >%s.part; cat >>%s.part; mv %s.part %s']\n  webhook: %s/secret-path\n", out, out, out, out, receiver.URL)).begin()
	r.until(r.submit(`{"kind": "dry-run", "name": "told"}`).ID, queue.Done)
	select {
	case e := <-got:
		if e.Bench != "Harbour bench" || e.Job.Name != "told" || e.Job.State != queue.Done || e.Job.Verdict != "pass" {
			t.Errorf("told %+v", e)
		}
	case <-time.After(20 * time.Second):
		t.Error("nothing was told")
	}
	r.waitFor("the hook", func() bool {
		text, err := os.ReadFile(out)
		return err == nil && strings.HasPrefix(string(text), "done pass\n{") && strings.Contains(string(text), `"name":"told"`)
	})
	if strings.Contains(r.log.String(), "secret-path") {
		t.Error("the log shows the webhook's address")
	}
}

// The metrics have what the operator of a bench looks for.
func TestMetrics(t *testing.T) {
	t.Parallel()
	r := newRig(t, "").begin()
	r.until(r.submit(`{"kind": "dry-run"}`).ID, queue.Done)
	var text string
	r.waitFor("the end of the job", func() bool {
		_, text = r.do("GET", "/metrics", "")
		return strings.Contains(text, `halfturn_jobs_ended_total{state="done"} 1`)
	})
	for _, want := range []string{
		`halfturn_job_state{state="idle"} 1`, `halfturn_queue_length 0`, `halfturn_steps_total 8`,
		`halfturn_step_part_seconds_count{part="instrument"} 8`, `halfturn_step_part_seconds_count{part="transfer"} 8`, `halfturn_step_part_seconds_count{part="computing"} 8`,
		`halfturn_step_part_seconds_count{part="commit"} 8`, `halfturn_step_part_seconds_count{part="backoff"} 8`, `halfturn_step_added_seconds_count 8`,
		`halfturn_job_retries_total 0`, `halfturn_step_retries_total 0`, `halfturn_disk_left_bytes`, `halfturn_commit_seconds_count 8`, `halfturn_rf_unknown 0`,
	} {
		if !strings.Contains(text, want) {
			t.Errorf("no %s", want)
		}
	}
}

// metric is the value of one.
func (r *rig) metric(name string) float64 {
	r.Helper()
	_, text := r.do("GET", "/metrics", "")
	for line := range strings.Lines(text) {
		if value, ok := strings.CutPrefix(line, name+" "); ok {
			v, err := strconv.ParseFloat(strings.TrimSpace(value), 64)
			if err != nil {
				r.Fatal(err)
			}
			return v
		}
	}
	r.Fatalf("there is no metric %s", name)
	return 0
}

// A store that takes its time shows as waiting for the commit, which the
// daemon adds, and the steps are the same.
func TestASlowStore(t *testing.T) {
	t.Parallel()
	r := newRig(t, "").begin()
	calm := r.until(r.submit(`{"kind": "balun", "label": "w"}`).ID, queue.Done)
	before := r.metric(`halfturn_step_part_seconds_sum{part="commit"}`)
	other, err := sql.Open("sqlite", r.daemon.store.Path())
	if err != nil {
		t.Fatal(err)
	}
	defer other.Close()
	other.SetMaxOpenConns(1)
	var ends, settings atomic.Int32
	var holding sync.WaitGroup
	release := make(chan struct{})
	r.server.Interfere(simbench.Scope, func(command string, _ []byte) simbench.Action {
		if strings.HasPrefix(command, "SYSTem:ERRor") && ends.Add(1) == 2 { // of preparing, of the first step
			if _, err := other.Exec("BEGIN IMMEDIATE"); err != nil {
				t.Error(err)
			}
			holding.Go(func() {
				<-release
				time.Sleep(time.Second) // a disk that hangs, seen from when the next step is being set
				if _, err := other.Exec("ROLLBACK"); err != nil {
					t.Error(err)
				}
			})
		}
		return simbench.Action{}
	})
	r.server.Interfere(simbench.Generator, func(command string, _ []byte) simbench.Action {
		if strings.HasPrefix(command, "SOURce:FREQuency:CW ") && settings.Add(1) == 2 {
			close(release)
		}
		return simbench.Action{}
	})
	slow := r.until(r.submit(`{"kind": "balun", "label": "w", "name": "second"}`).ID, queue.Done)
	holding.Wait()
	r.server.Interfere(simbench.Scope, nil)
	r.server.Interfere(simbench.Generator, nil)
	if waited := r.metric(`halfturn_step_part_seconds_sum{part="commit"}`) - before; waited < 0.2 {
		t.Errorf("the commit was waited for %g s", waited)
	}
	if timing := get[Bench](r, root+"/bench").Timing; timing == nil || timing.Commit < 0.2/points || timing.Added < timing.Commit || timing.Steps != points {
		t.Errorf("timing %+v", timing)
	}
	same(r, calm.Runs[1].Run, slow.Runs[0].Run)
}

// A daemon that is told to stop in the middle of a run ends after the step,
// and the next one goes on.
func TestStopAndGoOn(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	r := newRigIn(t, dir, "").begin()
	calm := r.until(r.submit(`{"kind": "balun", "label": "w"}`).ID, queue.Done)
	stops := 0
	r.server.Interfere(simbench.Scope, device.FromNth("INITiate", 1, func([]byte) simbench.Action { return simbench.Action{Delay: 5 * time.Millisecond} }))
	job := r.submit(`{"kind": "balun", "label": "w", "name": "second"}`)
	for {
		r.waitFor("a step", func() bool {
			j := get[queue.Job](r, fmt.Sprintf("%s/jobs/%d", root, job.ID))
			b := get[Bench](r, root+"/bench")
			return !j.State.Open() || b.Measuring != nil && b.Measuring.Last != nil
		})
		if !get[queue.Job](r, fmt.Sprintf("%s/jobs/%d", root, job.ID)).State.Open() {
			break
		}
		r.end()
		if rf := r.rf(); rf != "0" {
			t.Errorf("RF is %s", rf)
		}
		stops++
		r.begin()
	}
	done := r.until(job.ID, queue.Done)
	if stops == 0 || len(done.Runs) != 1 {
		t.Errorf("stopped %d times: %v", stops, done.Runs)
	}
	same(r, calm.Runs[1].Run, done.Runs[0].Run)
}

// Cancelling a job that measures ends it after the step, RF off, and the next
// one begins.
func TestCancelWhileMeasuring(t *testing.T) {
	t.Parallel()
	r := newRig(t, "").begin()
	r.calibrated()
	r.server.FitForMeasurement()
	r.server.Interfere(simbench.Scope, device.FromNth("INITiate", 1, func([]byte) simbench.Action { return simbench.Action{Delay: 30 * time.Millisecond} }))
	first := r.submit(`{"kind": "balun", "label": "w", "ready": true}`)
	second := r.submit(`{"kind": "balun", "label": "w", "name": "second"}`)
	r.waitFor("a step", func() bool { b := get[Bench](r, root+"/bench"); return b.Measuring != nil && b.Measuring.Last != nil })
	r.do("POST", fmt.Sprintf("%s/jobs/%d/cancel", root, first.ID), "")
	r.until(first.ID, queue.Cancelled)
	r.server.Interfere(simbench.Scope, nil)
	r.until(second.ID, queue.Done)
	if run := get[Run](r, root+"/runs/2"); run.State != "stopped" {
		t.Errorf("the cancelled run is %s", run.State)
	}
}
