// Package compare tells what changed between runs of a balun beyond what their
// uncertainties explain.
//
//	Run, Run ──Pair──▶ Comparison   a baseline and what became of it: better,
//	                                worse, unchanged or mixed
//	[]Run ──Spread──▶ Series        a batch or a night's runs: mean, standard
//	                                deviation, drift
//
// It stands beside package conformity: that one sets a run against limits,
// this one sets runs against each other. What runs have in common cancels:
// with r1 = D1/C and r2 = D2/C, the noise and every systematic error of the
// calibration C drop out of r2/r1 = D2/D1, and mostly out of what is no
// function of that ratio alone. See change.go for how, and decide.go for how
// many small differences become one verdict.
package compare

import (
	"errors"
	"fmt"
	"math"
	"time"

	"halfturn/analysis/balance"
	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

var (
	// ErrNoCommonFrequency: there is no frequency that every run was measured at.
	ErrNoCommonFrequency = errors.New("no frequency in common")
	// ErrFewRuns: there is nothing to compare with.
	ErrFewRuns = errors.New("too few runs")
)

// Run is one balun run as a comparison needs it.
type Run struct {
	ID      int64
	Started time.Time
	Load    balance.Load
	Steps   []Reading // in ascending frequency

	// Calibration is the ID of the calibration run that is taken out, and
	// CalibrationAt reads it at a frequency. Runs of the same ID share it.
	Calibration   int64
	CalibrationAt func(units.Hertz) (balance.Point, error)
}

// Reading is one step of a run, as read. The frequency is set in any case.
type Reading struct {
	Point    balance.Point
	Measured bool // there is an arm ratio
}

// Quantity is one of the figures that are compared.
type Quantity int

const (
	AmplitudeBalance Quantity = iota
	PhaseBalance
	CommonModeRejection
	InsertionLoss
	Quantities
)

func (q Quantity) String() string {
	return [...]string{"amplitude balance", "phase balance", "common-mode rejection", "insertion loss"}[q]
}

// Unit is what values of the quantity are in: "dB" or "°".
func (q Quantity) Unit() string {
	if q == PhaseBalance {
		return "°"
	}
	return "dB"
}

// Of is the quantity in a result, in its Unit.
func (q Quantity) Of(r *balance.Result) float64 {
	return [...]float64{float64(r.AmplitudeBalance), float64(r.PhaseBalance), float64(r.CommonModeRejection), float64(r.InsertionLoss)}[q]
}

// known says whether the quantity of a result is a figure with a finite
// uncertainty; of a rejection that is left to the comparison.
func (q Quantity) known(r *balance.Result) bool {
	switch q {
	case AmplitudeBalance, PhaseBalance:
		return finite(float64(r.AmplitudeBalance)) && finite(float64(r.UAmplitudeBalance)) && r.UPhaseBalance < 180
	case CommonModeRejection:
		return finite(float64(r.CommonModeRejection))
	}
	return finite(float64(r.InsertionLoss)) && finite(float64(r.UInsertionLoss))
}

// Options is what else is known of the bench.
type Options struct {
	// Budget is that of the bench's errors. In each run's result all of it
	// counts. In a difference those entries do of which each run has an error
	// of its own: run_repeatability, connector_repeatability, range_gain,
	// skew_drift and level_repeatability. The others - crosstalk, loads, source,
	// converter, harmonics, clock, level linearity - belong to instruments and
	// fixture and are the same in both runs.
	Budget uncertainty.Budget
	// RangeGain is the standard uncertainty of a channel's gain on one range
	// against another, where the budget has none; 0 stands for
	// balance.DefaultRangeGain.
	RangeGain units.DB
	// Refit is the standard uncertainty of an arm ratio that comes from taking
	// the balun out of the fixture and putting it in again. It takes the place
	// of the budget's connector_repeatability: 0 says that nothing was touched
	// between the runs. nil leaves it to the budget.
	Refit *units.DB
}

// Validate says what is wrong with the options, one line for each.
func (o Options) Validate() error {
	usable := func(what string, u units.DB) error {
		if !(u >= 0) || math.IsInf(float64(u), 0) {
			return fmt.Errorf("%s: a standard uncertainty cannot be %v", what, u)
		}
		return nil
	}
	return errors.Join(usable("range gain", o.RangeGain), usable("refit", o.refit()), o.Budget.Validate())
}

// refit is Refit, 0 where it is left to the budget.
func (o Options) refit() units.DB {
	if o.Refit == nil {
		return 0
	}
	return *o.Refit
}

// evaluate are the options of the results that are compared.
func (o Options) evaluate() []balance.Option {
	list := []balance.Option{balance.Budget(o.Budget)}
	if o.RangeGain != 0 {
		list = append(list, balance.RangeGain(o.RangeGain))
	}
	return list
}

// relative is a standard uncertainty in dB as a relative one.
func relative(u units.DB) float64 { return float64(u) * math.Ln10 / 20 }

// rangeGain is the relative standard uncertainty of a range's gain against another's.
func (o Options) rangeGain(f units.Hertz) float64 {
	if e := o.Budget.Entry(uncertainty.RangeGain); e != nil {
		cov := e.Cov(f)
		return math.Sqrt(max(cov.RR, cov.II))
	}
	if o.RangeGain == 0 {
		return relative(balance.DefaultRangeGain)
	}
	return relative(o.RangeGain)
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

func sq(x float64) float64 { return x * x }

func norm2(z complex128) float64 { return sq(real(z)) + sq(imag(z)) }
