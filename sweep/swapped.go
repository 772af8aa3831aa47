package sweep

import (
	"context"
	"fmt"
	"iter"
	"math"
	"math/cmplx"
	"slices"

	"halfturn/analysis/balance"
	"halfturn/analysis/fixture"
	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// A swapped run is decided like its straight partner. Its own arm ratio, the
// calibration taken out, is 1/r: amplitude and phase balance have the opposite
// sign, and limits, which hold in both directions, common-mode rejection and
// insertion loss are the same.

// PairsWith says why the run cannot be the swapped one to a straight run, nil
// if it can: both need the same calibration and the same frequencies.
func (r *Run) PairsWith(straight *Run) error {
	refuse := func(format string, a ...any) error {
		return fmt.Errorf("run %d cannot be the straight run: %s", straight.ID, fmt.Sprintf(format, a...))
	}
	switch {
	case r.Kind != Swapped:
		return fmt.Errorf("a %s run has no straight run beside it", r.Kind)
	case straight.Kind != Balun:
		return refuse("it is a %s run, and a balun's is wanted", straight.Kind)
	case straight.State != Done:
		return refuse("it is not finished (%s); `halfturn resume %d` first", straight.State, straight.ID)
	case straight.Calibration != r.Calibration:
		return refuse("it was taken with calibration %d, and this one with %d", straight.Calibration, r.Calibration)
	}
	was, is := straight.Plan.Frequencies(), r.Plan.Frequencies()
	if slices.Equal(was, is) {
		return nil
	}
	return refuse("it has %s, and this one %s: both need the same frequencies", span(was), span(is))
}

func span(f []units.Hertz) string {
	if len(f) == 0 {
		return "no frequencies"
	}
	return fmt.Sprintf("%d frequencies from %s to %s", len(f), f[0].Brief(), f[len(f)-1].Brief())
}

// Exchanged is what a balun's straight and swapped runs tell together, without
// any calibration, and what that says of the calibration. Its slices run
// parallel; steps that do not combine are left out and counted by reason.
type Exchanged struct {
	Straight, Swapped, Calibration int64 // runs

	// Uncertainties are those of noise and of the bench's budget.
	Ratios    []fixture.Swapped   // r and h with their covariances
	Balances  []Balance           // of r
	Asymmetry []fixture.Asymmetry // h against the calibration's R_c
	// Indices of the largest absolute values, -1 where there is none: of
	// Balances, and of Asymmetry.
	LargestAmplitude, LargestPhase int
	LargestGain, LargestTurn       int

	// Beyond counts the steps whose asymmetry is beyond its uncertainty, at
	// 5 % each, and Significant says whether any is among all of them.
	Beyond      int
	Significant bool
	LeftOut     []LeftOut
	Warnings    []string

	budget uncertainty.Budget
}

// Balance is amplitude and phase balance of the balun; U is expanded, k = 2.
type Balance struct {
	Amplitude  units.DB
	UAmplitude units.DB
	Phase      units.Degrees // deviation from 180°
	UPhase     units.Degrees
}

func balanceOf(s *fixture.Swapped) Balance {
	z, u := cmplx.Log(-s.Ratio), s.Cov.Relative(s.Ratio)
	const dB, degrees = 20 / math.Ln10, 180 / math.Pi
	return Balance{
		Amplitude: units.DB(dB * real(z)), UAmplitude: units.DB(dB * uncertainty.Coverage * math.Sqrt(u.RR)),
		Phase: units.Degrees(degrees * imag(z)), UPhase: units.Degrees(degrees * uncertainty.Coverage * math.Sqrt(u.II)),
	}
}

// LeftOut is why so many steps did not combine.
type LeftOut struct {
	Why   string
	Steps int
	First units.Hertz
}

// Combined reads a swapped run and its straight one, step by step, and
// combines them; cal is the calibration of both.
func Combined(ctx context.Context, j Journal, run *Run, cal *Calibrated) (*Exchanged, error) {
	straight, err := j.Run(ctx, run.Straight)
	if err != nil {
		return nil, fmt.Errorf("straight run of swapped run %d: %w", run.ID, err)
	}
	if err := run.PairsWith(&straight); err != nil {
		return nil, err
	}
	budget, err := run.Bench.Uncertainty.Budget()
	if err != nil {
		return nil, err
	}
	x := &Exchanged{budget: budget, Straight: straight.ID, Swapped: run.ID, Calibration: cal.Run.ID,
		LargestAmplitude: -1, LargestPhase: -1, LargestGain: -1, LargestTurn: -1}
	other, stop := iter.Pull2(j.Steps(ctx, straight.ID))
	defer stop()
	for step, err := range j.Steps(ctx, run.ID) {
		if err != nil {
			return nil, err
		}
		partner, err, ok := other()
		if err != nil {
			return nil, err
		}
		if !ok {
			return nil, fmt.Errorf("run %d ends before step %d of swapped run %d", straight.ID, step.Index, run.ID)
		}
		x.add(&partner, &step, cal)
	}
	x.conclude()
	return x, nil
}

func (x *Exchanged) add(straight, swapped *Step, cal *Calibrated) {
	f := swapped.Estimate.Frequency
	for _, s := range []struct {
		step *Step
		what string
	}{{straight, "straight"}, {swapped, "swapped"}} {
		if !s.step.Measured() {
			x.leaveOut(f, "no arm ratio in the "+s.what+" run")
			return
		}
	}
	if straight.Range != swapped.Range {
		x.leaveOut(f, "the two runs were on different ranges")
		return
	}
	ratios, err := fixture.Swap(straight.Estimate, swapped.Estimate)
	if err != nil {
		x.leaveOut(f, err.Error())
		return
	}
	point, err := cal.At(f)
	if err != nil {
		x.leaveOut(f, err.Error())
		return
	}
	if point.RangesDiffer || point.Range != swapped.Range {
		x.leaveOut(f, "the calibration was on another range")
		return
	}
	compared := x.addBudget(&ratios, [3]balance.Point{straight.Point(), swapped.Point(), point}, &point.Estimate)
	asymmetry, err := compared.Against(point.Estimate)
	if err != nil {
		x.leaveOut(f, err.Error())
		return
	}
	x.Ratios, x.Balances, x.Asymmetry = append(x.Ratios, ratios), append(x.Balances, balanceOf(&ratios)), append(x.Asymmetry, asymmetry)
}

// addBudget adds the bench's errors to the noise of r and h, and to that of
// the calibration's ratio; what it returns is h with what it has in common
// with the calibration counted once. read is straight, swapped, calibration.
//
// With relative errors a, b and c of the three readings those of r, h and
// h/R_c are (a - b)/2, (a + b)/2 and (a + b)/2 - c. Each run has its own error
// of repeating, connectors, converters, harmonics and skew (half the variance
// of a drift is each run's); crosstalk is the same in all three: x from arm 1
// to 2 makes x/R of a ratio R, and from arm 2 to 1 -x R.
func (x *Exchanged) addBudget(ratios *fixture.Swapped, read [3]balance.Point, cal *balance.Estimate) fixture.Swapped {
	f := ratios.Frequency
	var own [3]uncertainty.Cov
	var shared struct{ r, h, compared uncertainty.Cov }
	for i := range x.budget {
		e := &x.budget[i]
		cov := e.Cov(f)
		switch e.Name {
		case uncertainty.RunRepeatability:
			for run := range own {
				own[run] = own[run].Add(cov)
			}
		case uncertainty.ConnectorRepeatability, uncertainty.Harmonics: // of each arm
			for run := range own {
				own[run] = own[run].Add(cov.Scale(2))
			}
		case uncertainty.SkewDrift:
			turn := 2 * math.Pi * float64(f)
			for run := range own {
				own[run] = own[run].Add(uncertainty.Cov{II: turn * turn * cov.RR / 2})
			}
		case uncertainty.NonLinearity: // as a part of full scale, half of it to each side
			for run := range own {
				for arm := range read[run].Range {
					part := float64(read[run].Range[arm] / read[run].Amplitude[arm] / 2)
					own[run] = own[run].Add(uncertainty.Cov{RR: part * part * cov.RR})
				}
			}
		case uncertainty.Crosstalk:
			for _, of := range []func(complex128) complex128{
				func(r complex128) complex128 { return 1 / r },
				func(r complex128) complex128 { return -r },
			} {
				a, b, c := of(read[0].Ratio), of(read[1].Ratio), of(read[2].Ratio)
				shared.r = shared.r.Add(cov.Through((a - b) / 2))
				shared.h = shared.h.Add(cov.Through((a + b) / 2))
				shared.compared = shared.compared.Add(cov.Through((a+b)/2 - c))
			}
		}
	}
	half := own[0].Add(own[1]).Scale(0.25)
	compared := *ratios
	ratios.Cov = ratios.Cov.Add(half.Add(shared.r).Through(ratios.Ratio))
	ratios.CovH = ratios.CovH.Add(half.Add(shared.h).Through(ratios.Fixture))
	compared.CovH = compared.CovH.Add(half.Add(shared.compared).Through(ratios.Fixture))
	cal.Cov = cal.Cov.Add(own[2].Through(cal.Ratio))
	return compared
}

// manyFalse is the probability that an ideal fixture's run has a significant
// step at all, shared evenly among the steps (Bonferroni).
const manyFalse = 0.05

func (x *Exchanged) conclude() {
	n := len(x.Ratios)
	larger := func(index *int, i int, of func(int) float64) {
		if *index < 0 || math.Abs(of(i)) > math.Abs(of(*index)) {
			*index = i
		}
	}
	apart := 0 // steps whose r differs from -1 beyond its uncertainty
	for i := range n {
		larger(&x.LargestAmplitude, i, func(i int) float64 { return float64(x.Balances[i].Amplitude) })
		larger(&x.LargestPhase, i, func(i int) float64 { return float64(x.Balances[i].Phase) })
		larger(&x.LargestGain, i, func(i int) float64 { return float64(x.Asymmetry[i].Gain) })
		larger(&x.LargestTurn, i, func(i int) float64 { return float64(x.Asymmetry[i].Phase) })
		if x.Asymmetry[i].Significant {
			x.Beyond++
		}
		x.Significant = x.Significant || x.Asymmetry[i].Chance < manyFalse/float64(n)
		if r := &x.Ratios[i]; cmplx.Abs(r.Ratio+1) > uncertainty.Coverage*r.Cov.Standard() {
			apart++
		}
	}
	// Arms that were not exchanged read R_a twice: then r is -1 and h is -R_a.
	if x.Significant && x.Beyond > n/2 && apart < n/10+1 {
		x.Warnings = append(x.Warnings, "the balun reads equal arms and the fixture has all of the imbalance, as it would if the arms had not been exchanged: look whether they were")
	}
}

func (x *Exchanged) leaveOut(f units.Hertz, why string) {
	// Where the reason names its frequency, that is the only one of its kind.
	for i := range x.LeftOut {
		if x.LeftOut[i].Why == why {
			x.LeftOut[i].Steps++
			return
		}
	}
	x.LeftOut = append(x.LeftOut, LeftOut{Why: why, Steps: 1, First: f})
}
