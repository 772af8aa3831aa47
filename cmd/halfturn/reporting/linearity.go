package reporting

import (
	"context"

	"halfturn/analysis/linearity"
	"halfturn/analysis/report"
	"halfturn/sweep"
)

// levels is what the steps at two drives tell, beside the calibration's; nil
// where the run has none.
func levels(ctx context.Context, store Store, run *sweep.Run, cal *sweep.Calibrated) (*report.Linearity, error) {
	own, err := sweep.AssessLinearity(ctx, store, run)
	if err != nil || own.Verdict == linearity.NotTaken {
		return nil, err
	}
	l := &report.Linearity{Report: own}
	if cal != nil {
		l.Calibration, err = sweep.AssessLinearity(ctx, store, &cal.Run)
	}
	return l, err
}
