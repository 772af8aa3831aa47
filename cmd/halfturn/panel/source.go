package panel

import (
	"context"
	"net/http"

	"halfturn/analysis/report"
	"halfturn/cmd/halfturn/daemon"
	"halfturn/sweep"
	"halfturn/sweep/queue"
)

// Page is the pages of a daemon, for daemon.Options.
func Page(d *daemon.Daemon) http.Handler {
	return New(&served{d}, d.Now)
}

// served is a daemon as the pages need it.
type served struct{ *daemon.Daemon }

func (s *served) Run(ctx context.Context, id int64) (sweep.Run, error) { return s.Store().Run(ctx, id) }

func (s *served) Compared(ctx context.Context, runs []int64) (*report.Compared, error) {
	return s.Compare(ctx, runs)
}

func (s *served) Jobs() []queue.Job               { return s.Queue().Jobs() }
func (s *served) Job(id int64) (queue.Job, error) { return s.Queue().Job(id) }
func (s *served) Firings() []queue.Firing         { return s.Queue().Firings() }

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
