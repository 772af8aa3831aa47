package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"halfturn/cmd/halfturn/setup"
	"halfturn/drivers/simbench"
	"halfturn/internal/testbench"
	"halfturn/sweep/queue"
)

func TestMain(m *testing.M) {
	fileEvery = 20 * time.Millisecond
	thinFirst, thinEvery = 50*time.Millisecond, 50*time.Millisecond
	testbench.Main(m)
}

// rig is a daemon with a simulated bench, on real sockets.
type rig struct {
	testing.TB
	server *simbench.Server
	dir    string
	daemon *Daemon
	base   string
	token  string
	log    *testbench.Log
	end    func() // stops the daemon as a termination does, once
}

const points = 4 // in the bench files of these tests

// newRig serves a scenario and prepares a bench file; begin starts the daemon.
func newRig(t testing.TB, serve string) *rig {
	t.Helper()
	return newRigIn(t, t.TempDir(), serve)
}

func newRigIn(t testing.TB, dir, serve string) *rig {
	t.Helper()
	server := testbench.Simulated(t, "good-balun", simbench.Options{})
	r := &rig{TB: t, server: server, dir: dir, log: &testbench.Log{}}
	text := testbench.Bench{Points: points, Captures: 2, TimeLimit: 300 * time.Millisecond, Serve: serve}.Text(server, filepath.Join(dir, "store.db"))
	if err := os.WriteFile(r.file(), []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return r
}

// rewrite changes the bench file.
func (r *rig) rewrite(old, new string) {
	r.Helper()
	text, err := os.ReadFile(r.file())
	if err != nil {
		r.Fatal(err)
	}
	if !strings.Contains(string(text), old) {
		r.Fatalf("the bench file has no %q", old)
	}
	if err := os.WriteFile(r.file(), []byte(strings.Replace(string(text), old, new, 1)), 0o600); err != nil {
		r.Fatal(err)
	}
}

func (r *rig) file() string { return filepath.Join(r.dir, "bench.yaml") }

func (r *rig) begin() *rig {
	r.Helper()
	config, err := setup.Load(r.file(), nil)
	if err != nil {
		r.Fatal(err)
	}
	d, err := New(context.Background(), Options{
		Config: config, File: r.file(), Load: func() (*setup.Config, error) { return setup.Load(r.file(), nil) }, Program: "halfturn test", Version: "test", Log: r.log,
	})
	if err != nil {
		r.Fatal(err)
	}
	l, err := d.Listen()
	if err != nil {
		r.Fatal(err)
	}
	r.daemon, r.base = d, "http://"+l.Addr().String()
	stop, ended := make(chan struct{}), make(chan error, 1)
	go func() { ended <- d.Run(context.Background(), l, stop, nil) }()
	r.end = sync.OnceFunc(func() {
		close(stop)
		if err := errors.Join(<-ended, d.Close()); err != nil {
			r.Error(err)
		}
	})
	r.Cleanup(r.end)
	return r
}

// do sends a request and gives the reply with its body read.
func (r *rig) do(method, path string, body string, headers ...string) (*http.Response, string) {
	r.Helper()
	var in io.Reader
	if body != "" {
		in = strings.NewReader(body)
	}
	request, err := http.NewRequest(method, r.base+path, in)
	if err != nil {
		r.Fatal(err)
	}
	if method == "POST" {
		request.Header.Set("Content-Type", "application/json")
	}
	if r.token != "" {
		request.Header.Set("Authorization", "Bearer "+r.token)
	}
	for i := 0; i+1 < len(headers); i += 2 {
		request.Header.Set(headers[i], headers[i+1])
		if headers[i] == "Host" {
			request.Host = headers[i+1]
		}
	}
	client := http.Client{Timeout: 20 * time.Second, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	response, err := client.Do(request)
	if err != nil {
		r.Fatalf("%s %s: %v", method, path, err)
	}
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	if err != nil {
		r.Fatal(err)
	}
	return response, string(text)
}

// get reads a JSON reply.
func get[T any](r *rig, path string) (v T) {
	r.Helper()
	response, text := r.do("GET", path, "")
	if response.StatusCode != http.StatusOK {
		r.Fatalf("GET %s: %s %s", path, response.Status, text)
	}
	if err := json.Unmarshal([]byte(text), &v); err != nil {
		r.Fatal(err)
	}
	return v
}

func (r *rig) submit(request string) queue.Job {
	r.Helper()
	response, text := r.do("POST", root+"/jobs", request)
	var j queue.Job
	if err := json.Unmarshal([]byte(text), &j); err != nil || response.StatusCode != http.StatusCreated {
		r.Fatalf("submit %s: %s %s", request, response.Status, text)
	}
	return j
}

// until waits for a job's state, and answers what it asks on the way as the
// simulated person does.
func (r *rig) until(id int64, state queue.State) queue.Job {
	r.Helper()
	deadline := time.Now().Add(40 * time.Second)
	for {
		j := get[queue.Job](r, fmt.Sprintf("%s/jobs/%d", root, id))
		switch {
		case j.State == state:
			return j
		case j.State == queue.Asking:
			testbench.Fit(r.server, j.Question.Fit)
			r.do("POST", fmt.Sprintf("%s/jobs/%d/answer", root, id), `{"ready": true}`)
		case !j.State.Open() || time.Now().After(deadline):
			r.Fatalf("job %d is %s (%s), not %s\n%s", id, j.State, j.Reason, state, r.log)
		}
		time.Sleep(5 * time.Millisecond)
	}
}

// calibrated takes a calibration and leaves the balun in the fixture.
func (r *rig) calibrated() {
	r.Helper()
	r.until(r.submit(`{"kind": "calibration"}`).ID, queue.Done)
}

// rf asks the generator, as another program would.
func (r *rig) rf() string {
	r.Helper()
	conn, err := net.DialTimeout("tcp", strings.TrimPrefix(r.server.GeneratorAddress(), "tcp://"), time.Second)
	if err != nil {
		r.Fatal(err)
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(2 * time.Second))
	fmt.Fprintln(conn, ":OUTPut?")
	buf := make([]byte, 16)
	n, err := conn.Read(buf)
	if err != nil {
		r.Fatal(err)
	}
	return strings.TrimSpace(string(buf[:n]))
}

func (r *rig) waitFor(what string, holds func() bool) {
	r.Helper()
	deadline := time.Now().Add(20 * time.Second)
	for !holds() {
		if time.Now().After(deadline) {
			r.Fatalf("%s did not come\n%s", what, r.log)
		}
		time.Sleep(5 * time.Millisecond)
	}
}
