package panel

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"halfturn/cmd/halfturn/daemon"
	"halfturn/cmd/halfturn/setup"
	"halfturn/drivers/simbench"
	"halfturn/internal/testbench"
	"halfturn/sweep/queue"
)

func TestMain(m *testing.M) { testbench.Main(m) }

// rig is a daemon with its pages and a simulated bench, on real sockets.
type rig struct {
	testing.TB
	server *simbench.Server
	daemon *daemon.Daemon
	base   string
	log    *testbench.Log
}

// newRig starts a daemon whose plan has so many points, and which waits so
// long before each.
func newRig(t testing.TB, points int, settle time.Duration) *rig {
	t.Helper()
	return newGuardedRig(t, points, settle, "")
}

// newGuardedRig starts one with the hash of a token.
func newGuardedRig(t testing.TB, points int, settle time.Duration, hash string) *rig {
	t.Helper()
	server := testbench.Simulated(t, "good-balun", simbench.Options{})
	dir := t.TempDir()
	file := filepath.Join(dir, "bench.yaml")
	text := testbench.Bench{Points: points, TimeLimit: 5 * time.Second, Settle: settle, Serve: `  schedules:
    - {name: nightly, when: "30 2 * * *", zone: UTC, job: balun, label: nightly}
`}.Text(server, filepath.Join(dir, "store.db"))
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	config, err := setup.Load(file, nil)
	if err != nil {
		t.Fatal(err)
	}
	config.Serve.TokenHash = hash
	r := &rig{TB: t, server: server, log: &testbench.Log{}}
	r.daemon, err = daemon.New(context.Background(), daemon.Options{
		Config: config, File: file, Program: "halfturn test", Version: "test", Log: r.log, Page: Page,
	})
	if err != nil {
		t.Fatal(err)
	}
	l, err := r.daemon.Listen()
	if err != nil {
		t.Fatal(err)
	}
	r.base = "http://" + l.Addr().String()
	stop, ended := make(chan struct{}), make(chan error, 1)
	go func() { ended <- r.daemon.Run(context.Background(), l, stop, nil) }()
	t.Cleanup(func() {
		close(stop)
		if err := errors.Join(<-ended, r.daemon.Close()); err != nil {
			t.Error(err)
		}
	})
	return r
}

// get reads a page; code is what it must answer with.
func (r *rig) get(code int, path string) string {
	r.Helper()
	response, err := http.Get(r.base + path)
	if err != nil {
		r.Fatal(err)
	}
	return r.read(response, code, path)
}

func (r *rig) post(code int, path string, form url.Values, headers ...string) string {
	r.Helper()
	request, err := http.NewRequest("POST", r.base+path, strings.NewReader(form.Encode()))
	if err != nil {
		r.Fatal(err)
	}
	request.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	for i := 0; i+1 < len(headers); i += 2 {
		request.Header.Set(headers[i], headers[i+1])
	}
	client := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	response, err := client.Do(request)
	if err != nil {
		r.Fatal(err)
	}
	return r.read(response, code, path)
}

func (r *rig) read(response *http.Response, code int, path string) string {
	r.Helper()
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	if err != nil {
		r.Fatal(err)
	}
	if response.StatusCode != code {
		r.Fatalf("%s: %s, want %d\n%s", path, response.Status, code, text)
	}
	return string(text)
}

// until waits for the newest job to be so, and does and answers what it asks.
func (r *rig) until(state queue.State) queue.Job {
	r.Helper()
	deadline := time.Now().Add(60 * time.Second)
	for {
		jobs := r.daemon.Queue().Jobs()
		j := jobs[len(jobs)-1]
		switch {
		case j.State == state:
			return j
		case j.State == queue.Asking:
			testbench.Fit(r.server, j.Question.Fit)
			r.post(http.StatusSeeOther, fmt.Sprintf("/jobs/%d/answer", j.ID), nil)
		case !j.State.Open() || time.Now().After(deadline):
			r.Fatalf("job %d is %s (%s), not %s\n%s", j.ID, j.State, j.Reason, state, r.log)
		}
		time.Sleep(5 * time.Millisecond)
	}
}

// measured queues a job by the form and waits until it is done.
func (r *rig) measured(form url.Values) queue.Job {
	r.Helper()
	r.post(http.StatusSeeOther, "/queue", form)
	return r.until(queue.Done)
}
