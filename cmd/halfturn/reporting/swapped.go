package reporting

import (
	"context"

	"halfturn/analysis/report"
	"halfturn/sweep"
)

// swapped is what a swapped run tells together with its straight one. Where
// the two do not combine, the reason stands for it: the run itself is reported
// also where the other one is lost.
func swapped(ctx context.Context, store Store, run *sweep.Run, cal *sweep.Calibrated) (*report.Swapped, error) {
	x, err := sweep.Combined(ctx, store, run, cal)
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	if err != nil {
		return &report.Swapped{Why: err.Error()}, nil
	}
	out := &report.Swapped{
		Straight: x.Straight, Swapped: x.Swapped, Calibration: x.Calibration,
		LargestAmplitude: x.LargestAmplitude, LargestPhase: x.LargestPhase, LargestGain: x.LargestGain, LargestTurn: x.LargestTurn,
		Beyond: x.Beyond, Significant: x.Significant, Warnings: x.Warnings,
		Steps: make([]report.Exchanged, len(x.Ratios)),
	}
	for i := range x.Ratios {
		b := &x.Balances[i]
		out.Steps[i] = report.Exchanged{
			Ratios: x.Ratios[i], Asymmetry: x.Asymmetry[i],
			Amplitude: b.Amplitude, UAmplitude: b.UAmplitude, Phase: b.Phase, UPhase: b.UPhase,
		}
	}
	for _, l := range x.LeftOut {
		out.LeftOut = append(out.LeftOut, report.LeftOut(l))
	}
	return out, nil
}
