package reporting

import (
	"context"
	"errors"

	"halfturn/analysis/report"
	"halfturn/sweep/journal"
)

// Captures reads those of a run for an export, one step at a time.
func Captures(ctx context.Context, store Store, run int64) report.Captures {
	return func(index int) ([]report.Capture, error) {
		captures, err := store.Captures(ctx, run, index)
		if errors.Is(err, journal.ErrThinned) {
			return nil, nil
		}
		if err != nil {
			return nil, err
		}
		list := make([]report.Capture, len(captures))
		for i := range captures {
			list[i].Rate = captures[i].Rate
			for arm := range captures[i].Traces {
				list[i].Traces[arm] = report.Trace(captures[i].Traces[arm])
			}
			list[i].Reference = report.Trace(captures[i].Reference)
		}
		return list, nil
	}
}
