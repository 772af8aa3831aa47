// Package testbench is what the tests of queue, daemon, pages and commands stand on:
// a simulated bench on real sockets, its bench file, whoever stands at the
// fixture, and a log that may be read while it is written. Only tests import it.
package testbench

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"os"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"halfturn/drivers/simbench"
	"halfturn/sweep/queue"
)

// Main runs the tests of a package that holds benches, with the locks out of
// the user's folder, and fails where a goroutine outlives them.
func Main(m *testing.M) {
	cache, err := os.MkdirTemp("", "halfturn-cache-")
	if err != nil {
		panic(err)
	}
	os.Setenv("XDG_CACHE_HOME", cache)
	http.DefaultTransport.(*http.Transport).DisableKeepAlives = true
	code := m.Run()
	os.RemoveAll(cache)
	if code == 0 {
		if err := goleak.Find(); err != nil {
			fmt.Fprintln(os.Stderr, err)
			code = 1
		}
	}
	os.Exit(code)
}

// Simulated serves a shipped scenario until the test ends.
func Simulated(t testing.TB, scenario string, o simbench.Options) *simbench.Server {
	t.Helper()
	s, err := simbench.Load(scenario)
	if err != nil {
		t.Fatal(err)
	}
	return Serve(t, s, o)
}

// Serve serves a scenario until the test ends.
func Serve(t testing.TB, s *simbench.Scenario, o simbench.Options) *simbench.Server {
	t.Helper()
	server, err := simbench.Serve(context.Background(), s, o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { server.Close() })
	return server
}

// Fit is what a person does who is asked by a job.
func Fit(server *simbench.Server, f queue.Fit) {
	switch f.What {
	case queue.Cable:
		server.FitForCalibration()
	case queue.Exchanged:
		server.Fit(simbench.FitSwapped)
	default:
		server.FitForMeasurement()
	}
}

// Bench is what differs between the bench files of the daemon's tests.
type Bench struct {
	Points    int
	Captures  int           // 0: what a plan has without
	TimeLimit time.Duration // of both instruments
	Settle    time.Duration
	Serve     string // lines of the part serve
}

// Text is the bench file, with the store at a path.
func (b Bench) Text(server *simbench.Server, store string) string {
	settle, captures := "", ""
	if b.Settle > 0 {
		settle = fmt.Sprintf("\n  settle: %d ms", b.Settle.Milliseconds())
	}
	if b.Captures > 0 {
		captures = fmt.Sprintf(", captures: %d", b.Captures)
	}
	return fmt.Sprintf(`bench:
  name: Harbour bench
  fixture: plate 1%s
  generator: {address: "%s", dialect: scpi99-generator, time_limit: %d ms}
  scope: {address: "%s", dialect: scpi99-digitiser, time_limit: %[3]d ms, channels: [1, 2]}
  load: {resistance: 100 Ω, capacitance: 15 pF, source: 50 Ω}
  max_drive: {generator: 13 dBm, balun: 20 dBm}
plan: {from: 10 MHz, to: 300 MHz, points: %[5]d, spacing: logarithmic%s}
limits: default
store: %s
serve:
  listen: 127.0.0.1:0
  backoff: 10 ms
%s`, settle, server.GeneratorAddress(), b.TimeLimit.Milliseconds(), server.ScopeAddress(),
		b.Points, captures, store, b.Serve)
}

// Log is a buffer that may be read while it is written.
type Log struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *Log) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *Log) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}
