package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"halfturn/cmd/halfturn/daemon"
	"halfturn/cmd/halfturn/daemon/token"
	"halfturn/drivers/simbench"
	"halfturn/drivers/simbench/device"
	"halfturn/internal/testbench"
	"halfturn/sweep/queue"
)

// serving is a daemon in a process of its own.
type serving struct {
	t       testing.TB
	bench   string // file
	address string
	cmd     *exec.Cmd
	errs    *bytes.Buffer
}

var hosts atomic.Int32

// freeAddress is one that nobody listens on now. Where a host has many loopback
// addresses it is on one of its own, so that no other test takes its port while
// the daemon is down.
func freeAddress(t testing.TB) string {
	t.Helper()
	host := "127.0.0.1"
	if runtime.GOOS == "linux" {
		host = fmt.Sprintf("127.0.1.%d", hosts.Add(1))
	}
	l, err := net.Listen("tcp", host+":0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// daemonFile is benchFile with a part for the daemon.
func daemonFile(t testing.TB, server *simbench.Server, points int, more string) (file, address string) {
	t.Helper()
	file, address = benchFile(t, server.GeneratorAddress(), server.ScopeAddress(), points), freeAddress(t)
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	text = fmt.Appendf(text, "serve:\n  listen: %s\n  backoff: 50 ms\n%s", address, more)
	if err := os.WriteFile(file, text, 0o600); err != nil {
		t.Fatal(err)
	}
	return file, address
}

func serveChild(t testing.TB, file, address string) *serving {
	t.Helper()
	s := &serving{t: t, bench: file, address: address}
	s.start()
	t.Cleanup(func() { s.kill() })
	return s
}

// start starts the daemon and waits until it answers.
func (s *serving) start() {
	s.t.Helper()
	s.cmd, s.errs = child("serve", "-c", s.bench), &bytes.Buffer{}
	s.cmd.Stderr = s.errs
	if err := s.cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	deadline := time.Now().Add(20 * time.Second)
	for {
		response, err := http.Get("http://" + s.address + "/healthz")
		if err == nil {
			response.Body.Close()
			return
		}
		if time.Now().After(deadline) {
			s.kill()
			s.t.Fatalf("the daemon does not answer: %v\n%s", err, s.errs)
		}
		time.Sleep(5 * time.Millisecond)
	}
}

func (s *serving) kill() {
	if s.cmd != nil {
		_ = s.cmd.Process.Kill()
		_ = s.cmd.Wait()
		s.cmd = nil
	}
}

func (s *serving) call(method, path string, in, out any) (int, error) {
	s.t.Helper()
	var body io.Reader
	if in != nil {
		text, err := json.Marshal(in)
		if err != nil {
			s.t.Fatal(err)
		}
		body = bytes.NewReader(text)
	}
	request, err := http.NewRequestWithContext(context.Background(), method, "http://"+s.address+"/api/v1"+path, body)
	if err != nil {
		s.t.Fatal(err)
	}
	request.Header.Set("Content-Type", "application/json")
	response, err := http.DefaultClient.Do(request)
	if err != nil {
		return 0, err
	}
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	if err != nil {
		return 0, err
	}
	if response.StatusCode/100 != 2 {
		return response.StatusCode, errors.New(string(text))
	}
	if out == nil {
		return response.StatusCode, nil
	}
	return response.StatusCode, json.Unmarshal(text, out)
}

func (s *serving) must(method, path string, in, out any) {
	s.t.Helper()
	if _, err := s.call(method, path, in, out); err != nil {
		s.t.Fatalf("%s %s: %v\n%s", method, path, err, s.errs)
	}
}

func (s *serving) job(id int64) queue.Job {
	s.t.Helper()
	var j queue.Job
	s.must("GET", fmt.Sprintf("/jobs/%d", id), nil, &j)
	return j
}

// until waits until a job is in a state.
func (s *serving) until(id int64, state queue.State) queue.Job {
	s.t.Helper()
	deadline := time.Now().Add(60 * time.Second)
	for {
		j := s.job(id)
		if j.State == state {
			return j
		}
		if time.Now().After(deadline) || !j.State.Open() {
			s.t.Fatalf("job %d is %s (%s), not %s\n%s", id, j.State, j.Reason, state, s.errs)
		}
		time.Sleep(5 * time.Millisecond)
	}
}

// A calibration and a balun job, queued from the command line, ask for what
// they need and are done; the runs are those of the commands.
func TestServeTheJob(t *testing.T) {
	t.Parallel()
	server := testbench.Simulated(t, "good-balun", simbench.Options{})
	file, address := daemonFile(t, server, 6, "")
	s := serveChild(t, file, address)

	out, _ := must(t, 0, "submit", "balun", "-c", file, "--label", "winding 1")
	if !strings.Contains(out, "job 1") {
		t.Fatalf("submit: %s", out)
	}
	j := s.until(1, queue.Asking)
	if j.Question.Fit.What != queue.Cable || !strings.Contains(j.Question.Why, "no calibration") {
		t.Errorf("it asks %+v", j.Question)
	}
	if out, _ := must(t, 0, "jobs", "-c", file); !strings.Contains(out, "halfturn ready 1") {
		t.Errorf("jobs: %s", out)
	}
	server.FitForCalibration()
	must(t, 0, "ready", "1", "-c", file)
	waitFor(t, func() bool { j := s.job(1); return j.State == queue.Asking && j.Question.Fit.What == queue.TheBalun })
	server.FitForMeasurement()
	must(t, 0, "ready", "1", "-c", file)
	j = s.until(1, queue.Done)
	if len(j.Runs) != 2 || j.Verdict != "pass" || j.Calibration != 1 {
		t.Errorf("done: %+v", j)
	}
	// The balun is there and the calibration fresh: the next one asks nothing.
	must(t, 0, "submit", "balun", "-c", file, "--label", "winding 1", "--name", "again")
	s.until(2, queue.Done)
	// Another winding has to be put in first.
	must(t, 0, "submit", "balun", "-c", file, "--label", "winding 2")
	s.until(3, queue.Asking)
	if out, _ := must(t, 0, "cancel", "3", "-c", file); !strings.Contains(out, "cancelled") {
		t.Errorf("cancel: %s", out)
	}
	s.kill()
	// Without a daemon the store tells, and other commands say that none runs.
	out, errs := must(t, 0, "jobs", "-c", file)
	if !strings.Contains(errs, "no daemon runs") || !strings.Contains(out, "cancelled") {
		t.Errorf("jobs: %s %s", out, errs)
	}
	if _, errs := must(t, 1, "submit", "balun", "-c", file); !strings.Contains(errs, "no daemon runs at http://"+address) || strings.Count(errs, "\n") != 1 {
		t.Errorf("submit: %s", errs)
	}
	sameSteps(t, steps(t, storeOf(file), 2), steps(t, storeOf(file), 3))
}

// Nobody else gets at the bench that a daemon owns.
func TestServeHoldsTheBench(t *testing.T) {
	t.Parallel()
	server := testbench.Simulated(t, "good-balun", simbench.Options{})
	file, address := daemonFile(t, server, 4, "")
	s := serveChild(t, file, address)
	pid := fmt.Sprintf("process %d on ", s.cmd.Process.Pid)
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	// Another store, the same instruments.
	other := filepath.Join(t.TempDir(), "other.yaml")
	text = bytes.ReplaceAll(text, []byte(storeOf(file)), []byte(filepath.Join(filepath.Dir(other), "store.db")))
	text = bytes.ReplaceAll(text, []byte(address), []byte(freeAddress(t)))
	if err := os.WriteFile(other, text, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{{"serve", "-c", file}, {"serve", "-c", other}, {"calibrate", "--yes", "-c", file}, {"calibrate", "--yes", "-c", other}} {
		_, errs := must(t, 1, args...)
		if !strings.Contains(errs, "held by another process, "+pid) || strings.Count(errs, "\n") != 1 {
			t.Errorf("%v: %s", args, errs)
		}
	}
	s.kill()
	server.FitForCalibration()
	must(t, 0, "calibrate", "--yes", "-c", other) // the system gave the bench up
}

// Killed with -9 at moments drawn at random, in the middle of whatever it
// does, and started again: no run is begun twice, no step is measured twice,
// nothing that was queued is lost, and every run equals an uninterrupted one.
func TestServeSoak(t *testing.T) {
	t.Parallel()
	kills := 50
	if testing.Short() {
		kills = 10
	}
	const points = 20
	server := testbench.Simulated(t, "good-balun", simbench.Options{})
	calm := uninterrupted(t, server, points)

	file, address := daemonFile(t, server, points, "")
	server.FitForCalibration()
	// Slow enough that most kills fall into a run.
	server.Interfere(simbench.Scope, device.FromNth("INITiate", 1, func([]byte) simbench.Action { return simbench.Action{Delay: 8 * time.Millisecond} }))
	s := &serving{t: t, bench: file, address: address}
	s.start()
	defer s.kill()
	s.must("POST", "/jobs", queue.Request{Kind: queue.Calibration, Ready: true}, nil)
	s.until(1, queue.Done)
	server.FitForMeasurement()
	random := rand.New(rand.NewPCG(5, 6))
	submitted, within := 0, 0
	// The answer to a submission may be lost with the process: then the name
	// tells whether the job was.
	submit := func() {
		name := fmt.Sprintf("balun no. %d", submitted+1)
		code, err := s.call("POST", "/jobs", queue.Request{Kind: queue.Balun, Name: name, Label: "w", Ready: submitted == 0}, nil)
		if err != nil {
			t.Fatalf("%d %v", code, err)
		}
		submitted++
	}
	for range kills {
		var bench daemon.Bench
		s.must("GET", "/bench", nil, &bench)
		if bench.Queue < 2 {
			submit()
		}
		time.Sleep(time.Duration(random.IntN(500)) * time.Millisecond)
		s.must("GET", "/bench", nil, &bench)
		if bench.Measuring != nil {
			within++
		}
		s.kill()
		s.start()
	}
	t.Logf("killed %d times, %d of them in a run, over %d jobs", kills, within, submitted)
	server.Interfere(simbench.Scope, nil)
	runs := map[int64]bool{1: true}
	for i := range submitted {
		j := s.until(int64(i+2), queue.Done)
		if len(j.Runs) != 1 {
			t.Fatalf("job %d has the runs %v", j.ID, j.Runs)
		}
		runs[j.Runs[0].Run] = true
		sameSteps(t, calm, steps(t, storeOf(file), j.Runs[0].Run))
	}
	var stored daemon.Runs
	s.must("GET", "/runs?limit=1000", nil, &stored)
	if len(stored.Runs) != submitted+1 || len(runs) != submitted+1 {
		t.Errorf("%d runs for %d jobs", len(stored.Runs), submitted+1)
	}
	if within < kills/4 {
		t.Errorf("only %d of %d kills fell into a run", within, kills)
	}
}

// A termination: RF goes off, the step ends, the state is saved, within 5 s,
// also where an instrument hangs; the next start goes on.
func TestServeTermination(t *testing.T) {
	t.Parallel()
	if runtime.GOOS == "windows" {
		t.Skip("no signal can be sent to a process there")
	}
	for name, hang := range map[string]bool{"in a step": false, "while the scope hangs": true} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			const points = 6
			server := testbench.Simulated(t, "good-balun", simbench.Options{})
			calm := uninterrupted(t, server, points)
			file, address := daemonFile(t, server, points, "")
			s := serveChild(t, file, address)
			server.FitForCalibration()
			s.must("POST", "/jobs", queue.Request{Kind: queue.Calibration, Ready: true}, nil)
			s.until(1, queue.Done)
			server.FitForMeasurement()
			server.Interfere(simbench.Scope, device.FromNth("INITiate", 4, func([]byte) simbench.Action {
				if hang {
					return simbench.Action{Delay: time.Minute}
				}
				return simbench.Action{Delay: 100 * time.Millisecond}
			}))
			s.must("POST", "/jobs", queue.Request{Kind: queue.Balun, Ready: true}, nil)
			waitFor(t, func() bool {
				var b daemon.Bench
				s.must("GET", "/bench", nil, &b)
				return b.Measuring != nil && ask(t, server.GeneratorAddress(), ":OUTPut?") == "1"
			})
			time.Sleep(100 * time.Millisecond)
			if err := s.cmd.Process.Signal(syscall.SIGTERM); err != nil {
				t.Fatal(err)
			}
			ended := make(chan error, 1)
			go func() { ended <- s.cmd.Wait() }()
			select {
			case err := <-ended:
				if err != nil {
					t.Errorf("%v\n%s", err, s.errs)
				}
			case <-time.After(5 * time.Second):
				t.Fatalf("it has not ended within 5 s\n%s", s.errs)
			}
			s.cmd = nil
			if rf := ask(t, server.GeneratorAddress(), ":OUTPut?"); rf != "0" {
				t.Errorf("RF is %s", rf)
			}
			server.Interfere(simbench.Scope, nil)
			s.start()
			j := s.until(2, queue.Done)
			sameSteps(t, calm, steps(t, storeOf(file), j.Runs[0].Run))
		})
	}
}

// Two runs compared over HTTP say what the command says.
func TestServeCompares(t *testing.T) {
	t.Parallel()
	server := testbench.Simulated(t, "good-balun", simbench.Options{})
	file, address := daemonFile(t, server, 6, "")
	server.FitForCalibration()
	must(t, 0, "calibrate", "-c", file, "--yes")
	server.FitForMeasurement()
	must(t, 0, "measure", "-c", file, "--yes")
	must(t, 0, "measure", "-c", file, "--yes")
	s := serveChild(t, file, address)
	var got, want map[string]any
	s.must("GET", "/comparisons?runs=2,3", nil, &got)
	out, _ := must(t, 0, "compare", "2", "3", "--json", "--store", storeOf(file))
	if err := json.Unmarshal([]byte(out), &want); err != nil {
		t.Fatal(err)
	}
	for key := range want {
		if _, ok := got[key]; !ok {
			t.Errorf("no %s over HTTP", key)
		}
	}
	if code, _ := s.call("GET", "/comparisons?runs=1,2", nil, nil); code != http.StatusUnprocessableEntity {
		t.Errorf("a calibration compared: %d", code)
	}
	if code, _ := s.call("GET", "/comparisons?runs=2,9", nil, nil); code != http.StatusNotFound {
		t.Errorf("a run that is not there compared: %d", code)
	}
	response, err := http.Get("http://" + address + "/api/v1/comparisons/report?runs=2,3")
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	if text, err := io.ReadAll(response.Body); err != nil || !bytes.Contains(text, []byte("<svg")) {
		t.Errorf("no page: %v", err)
	}
}

// Wrong requests of the commands are one line and exit 2; two jobs of one name
// are refused.
func TestServeRefusals(t *testing.T) {
	t.Parallel()
	server := testbench.Simulated(t, "good-balun", simbench.Options{})
	file, address := daemonFile(t, server, 4, "")
	serveChild(t, file, address)
	must(t, 0, "submit", "balun", "-c", file, "--name", "one")
	for name, c := range map[string]struct {
		code int
		says string
		args []string
	}{
		"one name":      {1, `job 1 is called "one"`, []string{"submit", "calibration", "--name", "one"}},
		"no kind":       {2, "no kind of job", []string{"submit", "choke"}},
		"another bench": {2, `no bench "Hut 4" here: this daemon owns "Test bench"`, []string{"submit", "balun", "--bench", "Hut 4"}},
		"no end":        {2, "needs its end", []string{"submit", "series", "--every", "1 min"}},
		"an end past":   {2, "is past", []string{"submit", "series", "--every", "1 min", "--until", "2001-02-03 04:05"}},
		"no such time":  {2, "is not a time", []string{"submit", "series", "--every", "1 min", "--until", "soon"}},
		"no job":        {1, "no such job: 99", []string{"cancel", "99"}},
		"not a number":  {2, "is not a job", []string{"ready", "one"}},
		"not parked":    {1, "only a parked one", []string{"again", "1"}},
	} {
		_, errs := must(t, c.code, append(c.args, "-c", file)...)
		if !strings.Contains(errs, c.says) || strings.Count(errs, "\n") != 1 {
			t.Errorf("%s: %q, want %q", name, errs, c.says)
		}
	}
	if _, errs := must(t, 2, "jobs"); !strings.Contains(errs, "which daemon") {
		t.Errorf("%q", errs)
	}
	for name, c := range map[string]struct{ more, says string }{
		"never":      {"  schedules: [{name: a, when: 0 0 30 2 *, job: balun, zone: UTC}]\n", `"0 0 30 2 *" never comes`},
		"no zone":    {"  schedules: [{name: a, when: 0 0 * * *, job: balun, zone: Hut/Four}]\n", "no time zone"},
		"no time":    {"  schedules: [{name: a, when: nightly, job: balun, zone: UTC}]\n", "no time of a schedule"},
		"no kind":    {"  schedules: [{name: a, when: 0 0 * * *, job: choke, zone: UTC}]\n", "no kind of job"},
		"no end":     {"  schedules: [{name: a, when: 0 0 * * *, job: series, every: 1 min, zone: UTC}]\n", "needs its end"},
		"one name":   {"  schedules: [{name: a, when: 0 0 * * *, job: balun}, {name: a, when: 0 1 * * *, job: balun}]\n", "a second schedule"},
		"misspelled": {"  schedules: [{name: a, wen: 0 0 * * *, job: balun}]\n", "did you mean"},
		"webhook":    {"  webhook: ftp://192.0.2.1/\n", "no http or https address"},
		"retries":    {"  retries: -1\n", "serve.retries"},
	} {
		other, _ := daemonFile(t, server, 4, c.more)
		_, errs := must(t, 2, "serve", "-c", other)
		if !strings.Contains(errs, c.says) || !strings.Contains(errs, "bench.yaml:") || strings.Count(errs, "\n") != 1 {
			t.Errorf("%s: %q, want %q", name, errs, c.says)
		}
	}
}

func TestTokenIsNotKept(t *testing.T) {
	t.Parallel()
	out, _ := must(t, 0, "token")
	var secret, hash string
	if _, err := fmt.Sscanf(out, "token %s\ntoken_hash: %s\n", &secret, &hash); err != nil || token.Valid(hash) != nil || strings.Contains(hash, secret) {
		t.Fatalf("%q: %v", out, err)
	}
	v, err := token.NewVerifier(hash)
	if err != nil || !v.Is(secret) || !v.Is(secret) || v.Is(secret+"x") || v.Is("") {
		t.Errorf("%v", err)
	}
}

// A daemon that wants a token says so in the words of the command line.
func TestClientsAreToldOfTheToken(t *testing.T) {
	t.Parallel()
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.WriteHeader(http.StatusUnauthorized)
		fmt.Fprint(w, `{"title": "Unauthorized", "status": 401, "detail": "this needs the access token"}`)
	}))
	defer server.Close()
	if _, errs := must(t, 2, "jobs", "--daemon", server.URL); !strings.Contains(errs, "--token-file names the file") || strings.Count(errs, "\n") != 1 {
		t.Error(errs)
	}
}

// The latest calibration is not the one of a dry run, which is of a simulated bench.
func TestADryRunIsNoCalibration(t *testing.T) {
	t.Parallel()
	server := testbench.Simulated(t, "good-balun", simbench.Options{})
	bench := benchFile(t, server.GeneratorAddress(), server.ScopeAddress(), 3)
	server.FitForCalibration()
	must(t, 0, "calibrate", "-c", bench, "--yes")
	replacing(t, bench, "name: Test bench", "name: "+daemon.Simulated("Test bench"))
	must(t, 0, "calibrate", "-c", bench, "--yes")
	replacing(t, bench, "name: "+daemon.Simulated("Test bench"), "name: Test bench")
	server.FitForMeasurement()
	halfturn(t, "measure", "-c", bench, "--yes")
	shown, _ := must(t, 0, "show", "3", "--store", storeOf(bench), "--json")
	var of struct {
		Run struct{ Calibration int64 }
	}
	if err := json.Unmarshal([]byte(shown), &of); err != nil || of.Run.Calibration != 1 {
		t.Errorf("calibration %d was taken out: %v", of.Run.Calibration, err)
	}
}
