package reporting

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"strings"

	"halfturn/analysis/balance"
	"halfturn/analysis/choke"
	"halfturn/analysis/conformity"
	"halfturn/analysis/report"
)

const (
	// fewerSleeves to moreSleeves is what a builder thinks of first.
	fewerSleeves, moreSleeves = -2, 6
	// asMeasured stands for the impedance where no number of sleeves is known:
	// factors are in hundredths of it.
	asMeasured = 100
	// mostForFit bounds the steps that a winding is told from; more of a long
	// run are left out evenly, which costs no band edge its sharpness that
	// anybody would see.
	mostForFit = 2000
	// misfit is the relative deviation of the arm ratios from the fit, as a root
	// of the mean square, from which they are not those of a choked line. A
	// ferrite's own dispersion stays well below it.
	misfit = 0.2
)

// factors of the impedance that are shown where no number of sleeves is known.
var factors = []int{50, 75, 100, 125, 150, 200, 300}

// winding is what the results of a balun run tell of its choke. A swapped run
// reads 1/r, which is put right first.
func winding(in *report.Input, load balance.Load, sleeves int) *report.Winding {
	results := make([]balance.Result, 0, len(in.Steps))
	for i := range in.Steps {
		if s := &in.Steps[i]; s.Measured {
			results = append(results, s.Result)
		}
	}
	if in.Run.Kind == report.KindSwapped {
		results = exchanged(results)
	}
	if every := (len(results) + mostForFit - 1) / mostForFit; every > 1 {
		kept := results[:0]
		for i := 0; i < len(results); i += every {
			kept = append(kept, results[i])
		}
		results = kept
	}
	w := &report.Winding{Sleeves: sleeves, Unit: sleeves}
	if sleeves == 0 {
		w.Unit = asMeasured
	}
	// What the bench adds to the noise is much the same error at all frequencies.
	wound, err := choke.NewWinding(results, load, w.Unit, choke.AnyCorrelation())
	switch {
	case errors.Is(err, choke.ErrUndetermined) && isChoke(exchanged(results), load):
		return &report.Winding{Sleeves: sleeves, Why: "nothing is told of a choke: the arm ratios are those of one that is in arm 1; are the arms exchanged?"}
	case errors.Is(err, choke.ErrUndetermined):
		return &report.Winding{Sleeves: sleeves, Why: "nothing is told of a choke: the arm ratios do not tell its inductance from infinite"}
	case err != nil:
		return &report.Winding{Sleeves: sleeves, Why: fmt.Sprintf("nothing is told of a choke: %v", err)}
	}
	if off := deviation(results, &wound.Model, load); off > misfit {
		return &report.Winding{Sleeves: sleeves, Why: fmt.Sprintf("nothing is told of a choke: the arm ratios are not those of a line choked by ferrite (off its best fit by %.0f %%)", 100*off)}
	}
	w.Impedances, w.Model = wound.Impedances, wound.Model
	if in.Limits.None() {
		return w
	}
	limits := in.Limits
	limits.Rule = "" // assured means with a guard band, whatever rule decides the run
	decide(w, wound, limits)
	return w
}

// exchanged are the results with arm 1 for arm 2, as far as a winding is told
// from them.
func exchanged(results []balance.Result) []balance.Result {
	list := make([]balance.Result, 0, len(results))
	for _, r := range results {
		if r.Ratio != 0 {
			list = append(list, report.Straightened(r))
		}
	}
	return list
}

// isChoke says whether results are those of a line choked by ferrite.
func isChoke(results []balance.Result, load balance.Load) bool {
	model, err := choke.Fit(results, load, choke.AnyCorrelation())
	return err == nil && deviation(results, &model, load) <= misfit
}

// decide fills in which band other numbers of sleeves would have, and how many
// the lower edge of the limits needs.
func decide(w *report.Winding, wound *choke.Winding, limits conformity.Limits) {
	why := func(err error) { w.WhyNoNeed = strings.TrimPrefix(err.Error(), "choke: ") }
	if w.Sleeves > 0 {
		bands, err := wound.Bands(limits, fewerSleeves, moreSleeves)
		if err != nil {
			why(err)
			return
		}
		w.Bands = bands
	} else {
		for _, n := range factors {
			band, err := wound.Band(limits, n-asMeasured)
			if err != nil {
				why(err)
				return
			}
			w.Bands = append(w.Bands, band)
		}
	}
	from := limits.From
	if from == 0 {
		return
	}
	need, err := wound.SleevesFor(limits, from)
	if err != nil {
		why(err)
		return
	}
	w.Need = &need
}

// deviation is the root of the mean square of r's relative deviation from the model.
func deviation(results []balance.Result, m *choke.Model, load balance.Load) float64 {
	sum := 0.0
	for i := range results {
		r, _ := m.Ratio(results[i].Frequency, load)
		if size := max(cmplx.Abs(r), cmplx.Abs(results[i].Ratio)); size > 0 {
			d := cmplx.Abs(results[i].Ratio-r) / size
			sum += d * d
		}
	}
	return math.Sqrt(sum / float64(max(1, len(results))))
}
