package balance

import (
	"math"
	"math/cmplx"

	"halfturn/analysis/uncertainty"
)

// What is in the fixture.
type What string

const (
	CalibrationCable What = "calibration cable"
	Balun            What = "balun"
	Unclear          What = "unclear"
)

// closeBy is how far an arm ratio may be from +1 or -1, uncertainty included, to
// speak for a calibration cable or a balun: about 40° at equal amplitude, so
// that the two, and a broken arm's 0, are far apart.
const closeBy = 0.7

// Fitted tells what one arm ratio speaks for; u is its standard uncertainty.
// Give it the ratio with the calibration taken out where there is one.
func Fitted(r complex128, u float64) What {
	near := closeBy - uncertainty.Coverage*u
	switch {
	case cmplx.Abs(r-1) <= near:
		return CalibrationCable
	case cmplx.Abs(r+1) <= near:
		return Balun
	}
	return Unclear
}

// CheckKind tells what a whole run, or the first few steps of one, speaks for;
// of each estimate it needs Frequency, Ratio and Cov. Ratios as read will do:
// the channels' skew turns them in proportion to frequency, up to half a turn
// at some hundred megahertz, so both +1 and -1 are tried with the delay up to
// mostSkew that suits them best, and only a clear difference decides. One step
// at a high frequency is therefore Unclear, where a low one or a whole sweep
// is not. Ratios count by their magnitude, up to 1, less their expanded
// uncertainty: a broken arm, or a balun with next to no ferrite, says nothing.
func CheckKind(points []Estimate) What {
	total := 0.0
	for i := range points {
		total += weight(&points[i])
	}
	const (
		fewest = 0.3 // weight per step below which nothing can be said
		fits   = 0.3 // mean |difference|² of unit ratios: about 30°
		worse  = 0.5 // by how much the other one must fit worse
	)
	if len(points) == 0 || total < fewest*float64(len(points)) {
		return Unclear
	}
	cable, balun := misfit(points, 1)/total, misfit(points, -1)/total
	switch {
	case cable < fits && balun > cable+worse:
		return CalibrationCable
	case balun < fits && cable > balun+worse:
		return Balun
	}
	return Unclear
}

// mostSkew in seconds is the largest difference in delay between the two
// channels that CheckKind reckons with: 20 cm of cable. Common practice.
const mostSkew = 1e-9

func weight(e *Estimate) float64 {
	abs := cmplx.Abs(e.Ratio) - uncertainty.Coverage*e.Cov.Standard()
	if !(abs > 0) || math.IsInf(abs, 0) {
		return 0
	}
	return min(1, abs)
}

// misfit is the weighted sum of |R/|R| - sign·e^{-j2πfτ}|² with the best τ.
func misfit(points []Estimate, sign complex128) float64 {
	const trials = 100 // to each side; 3.6° at 1 GHz
	best := math.Inf(1)
	for n := -trials; n <= trials; n++ {
		tau := mostSkew * float64(n) / trials
		sum := 0.0
		for i := range points {
			if w := weight(&points[i]); w > 0 {
				e := &points[i]
				model := sign * cmplx.Rect(1, -2*math.Pi*float64(e.Frequency)*tau)
				sum += w * norm2(e.Ratio/complex(cmplx.Abs(e.Ratio), 0)-model)
			}
		}
		best = min(best, sum)
	}
	return best
}
