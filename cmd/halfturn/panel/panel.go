// Package panel is the bench in a browser: what runs, the queue, the stored
// runs and their curves, comparing, the bench's health and its log.
//
//	cmd/halfturn/daemon   owns the bench; serves this behind its access
//	cmd/halfturn/panel    Source (this page), New, Page; one file for each page
//	  pages               HTML, filled in on the server
//	  public              style and the one script, served to everybody
//	analysis/report       words, tables and plots of a run, which are shown as
//	                      they are in its report
//
// Every page is complete without the script: links and forms do all there is
// to do. The script keeps pages up to date by the daemon's event stream, and
// reads curves at the pointer or by the keyboard. Nothing is asked of any other
// address, and neither script nor style stands in a page, so that the policy
// that forbids both holds.
package panel

import (
	"context"
	"net/http"
	"sync"
	"time"

	"halfturn/analysis/report"
	"halfturn/cmd/halfturn/daemon"
	"halfturn/cmd/halfturn/reporting"
	"halfturn/sweep"
	"halfturn/sweep/journal"
	"halfturn/sweep/queue"
)

// Source is what the pages show and do; a daemon's is made by Page.
type Source interface {
	// State is how the bench stands.
	State() daemon.Bench
	// List is a part of the list of stored runs.
	List(ctx context.Context, l journal.Listing) (journal.Listed, error)
	// Run is one of them; journal.ErrNoRun where there is none.
	Run(ctx context.Context, id int64) (sweep.Run, error)
	// Report analyses a run, one that is being measured too. What it gives is
	// shared: fields may be set, what they point to is not to be changed.
	Report(ctx context.Context, run *sweep.Run, o reporting.Options) (*report.Input, error)
	// Compared sets the later runs against the first.
	Compared(ctx context.Context, runs []int64) (*report.Compared, error)
	// Jobs is every job that is kept, the oldest first.
	Jobs() []queue.Job
	// Job is one of them; queue.ErrNoJob where there is none.
	Job(id int64) (queue.Job, error)
	// Firings is how the schedules stand.
	Firings() []queue.Firing
	// Submit queues a job; queue.ErrRefused and queue.ErrConflict say why not.
	Submit(ctx context.Context, r queue.Request) (queue.Job, error)
	// Answer says that what a job asked for is done, Cancel ends a job, Again
	// puts a parked one back.
	Answer(ctx context.Context, job int64) (queue.Job, error)
	Cancel(ctx context.Context, job int64) (queue.Job, error)
	Again(ctx context.Context, job int64) (queue.Job, error)
	// Lines are the last lines of the log, the oldest first.
	Lines(n int) []daemon.LogLine
	// Guarded tells whether there is a login to end.
	Guarded() bool
}

// Panel serves the pages.
type Panel struct {
	source Source
	now    func() time.Time

	mu      sync.Mutex
	drawn   drawnKey // of growing
	growing growing
	at      time.Time     // when it was drawn
	took    time.Duration // to draw
}

// New is the handler of everything outside /api/. It refuses what another
// site's page sends, whatever stands before it.
func New(source Source, now func() time.Time) http.Handler {
	p := &Panel{source: source, now: now}
	mux := http.NewServeMux()
	for pattern, handle := range map[string]func(http.ResponseWriter, *http.Request) error{
		"GET /{$}":                       p.getNow,
		"GET /queue":                     p.getQueue,
		"POST /queue":                    p.postQueue,
		"GET /jobs/{job}":                p.getJob,
		"POST /jobs/{job}/answer":        p.deciding(source.Answer),
		"POST /jobs/{job}/cancel":        p.deciding(source.Cancel),
		"POST /jobs/{job}/again":         p.deciding(source.Again),
		"GET /runs":                      p.getRuns,
		"GET /runs/{run}":                p.getRun,
		"GET /runs/{run}/fixture":        p.getFixture,
		"GET /runs/{run}/steps.csv":      p.export("text/csv; charset=utf-8", report.CSV),
		"GET /runs/{run}/report.json":    p.export("application/json", report.JSON),
		"GET /runs/{run}/three-port.s3p": p.export("text/plain; charset=utf-8", report.Touchstone),
		"GET /runs/{run}/plots/{plot}":   p.getPlot,
		"GET /compare":                   p.getCompare,
		"GET /bench":                     p.getBench,
		"GET /log":                       p.getLog,
		"GET /":                          p.getNothing,
	} {
		mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
			if err := handle(w, r); err != nil {
				p.fail(w, r, err)
			}
		})
	}
	for name, kind := range publicFiles {
		mux.HandleFunc("GET /public/"+name, func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Type", kind)
			_, _ = w.Write(public(name))
		})
	}
	cross := http.NewCrossOriginProtection()
	cross.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		p.fail(w, r, failure{http.StatusForbidden, "a form of another site is refused"})
	}))
	return cross.Handler(mux)
}
