package daemon

import (
	"context"
	"time"

	"halfturn/sweep/thin"
)

// When old captures are looked for: not while everything starts, and a few
// times a day. Tests do not wait so long.
var (
	thinFirst = time.Minute
	thinEvery = 6 * time.Hour
)

// thin removes old captures where the configuration wants that. A step that is
// stored meanwhile waits for one small transaction at most.
func (d *Daemon) thin(ctx context.Context) {
	for wait := thinFirst; ; wait = thinEvery {
		select {
		case <-ctx.Done():
			return
		case <-time.After(wait):
		}
		rule := thin.Rule{After: d.config().Thin.After}
		if rule.After <= 0 {
			continue
		}
		steps, runs := 0, 0
		freed, err := thin.Thin(ctx, d.store, rule, d.Now(), func(due thin.Due, err error) {
			if err != nil {
				d.log.Warn("captures cannot be thinned", "run", due.Run.ID, "error", err.Error())
				return
			}
			steps, runs = steps+due.Steps, runs+1
		})
		switch {
		case ctx.Err() != nil:
			return
		case err != nil:
			d.log.Warn("old captures are not thinned", "error", err.Error())
		case runs > 0 || freed > 0:
			d.log.Info("old captures are thinned; the results stay", "runs", runs, "steps", steps, "freed_bytes", freed)
		}
	}
}
