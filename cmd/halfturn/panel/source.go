package panel

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"sync"

	"halfturn/analysis/report"
	"halfturn/cmd/halfturn/daemon"
	"halfturn/sweep"
	"halfturn/sweep/queue"
)

// Page is the pages of a daemon, for daemon.Options.
func Page(d *daemon.Daemon) http.Handler {
	return New(&served{Daemon: d, api: sync.OnceValue(d.Handler)}, d.Now)
}

// served is a daemon as the pages need it.
type served struct {
	*daemon.Daemon
	api func() http.Handler
}

func (s *served) Run(ctx context.Context, id int64) (sweep.Run, error) { return s.Store().Run(ctx, id) }

func (s *served) Compared(ctx context.Context, runs []int64) (*report.Compared, error) {
	return s.Compare(ctx, s.Store(), runs)
}

func (s *served) Jobs() []queue.Job       { return s.Queue().Jobs() }
func (s *served) Firings() []queue.Firing { return s.Queue().Firings() }

func (s *served) Submit(ctx context.Context, r queue.Request) (queue.Job, error) {
	return s.Queue().Submit(ctx, r)
}

func (s *served) Answer(ctx context.Context, job int64) (queue.Job, error) {
	return s.Queue().Answer(ctx, job)
}

func (s *served) Cancel(ctx context.Context, job int64) (queue.Job, error) {
	return s.Queue().Cancel(ctx, job)
}

func (s *served) Again(ctx context.Context, job int64) (queue.Job, error) {
	return s.Queue().Again(ctx, job)
}

func (s *served) Guarded() bool { return s.Config.Serve.TokenHash != "" }

// Lines asks the API on behalf of whoever asks for the page, with their access.
func (s *served) Lines(r *http.Request, n int) ([]daemon.LogLine, error) {
	ask := r.Clone(r.Context())
	ask.Method, ask.Body = http.MethodGet, http.NoBody
	ask.URL = &url.URL{Path: "/api/v1/log", RawQuery: fmt.Sprintf("lines=%d", n)}
	a := answer{header: http.Header{}, code: http.StatusOK}
	s.api().ServeHTTP(&a, ask)
	if a.code != http.StatusOK {
		return nil, failure{a.code, "the log cannot be read"}
	}
	var log daemon.Log
	err := json.Unmarshal(a.body.Bytes(), &log)
	return log.Lines, err
}

// answer keeps what a handler answers.
type answer struct {
	header http.Header
	code   int
	body   bytes.Buffer
}

func (a *answer) Header() http.Header         { return a.header }
func (a *answer) WriteHeader(code int)        { a.code = code }
func (a *answer) Write(p []byte) (int, error) { return a.body.Write(p) }
