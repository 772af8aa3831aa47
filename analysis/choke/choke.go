// Package choke tells what a choke balun's winding is worth, from the arm
// ratios of its own sweep, and what more or fewer ferrite sleeves would make
// of it.
//
//	balance.Result, balance.Load ──At──▶ Impedance   Z_c at one frequency
//	[]balance.Result ──Fit──▶ Model                  L ∥ R ∥ C over frequency
//	[]balance.Result ──NewWinding──▶ Winding         n sleeves; then
//	    WithSleeves   balances and rejection with m more or fewer
//	    Band, Bands   the band that meets the limits then
//	    SleevesFor    how many a wanted lower band edge needs
//
// The balun is a line whose shield is choked by ferrite: arm 2 sees its load
// Z_L in parallel with the winding's common-mode impedance Z_c, hence
//
//	r = -Z_c/(Z_c + Z_L),   Z_c = -Z_L r/(1 + r),   Z_c + Z_L = Z_L/(1 + r).
//
// The ratio r is what was measured and is well behaved everywhere. Z_c is not:
// as r comes near -1, which is what a good winding makes of it, Z_c goes to
// infinity and so does its uncertainty. Therefore everything here but the
// figures of Z_c itself is computed with r.
//
// Z_L is taken as known: a relative error of it is the same relative error of
// Z_c, and both arms are taken to have the same. It matters neither for what a
// factor of sleeves does to r, in which Z_L cancels, nor for a band edge that
// was measured.
package choke

import (
	"errors"
	"fmt"
	"math"
	"math/cmplx"

	"halfturn/analysis/balance"
)

var (
	// ErrUndetermined: the arm ratios do not tell the winding's elements.
	ErrUndetermined = errors.New("the winding cannot be told from the data")
	// ErrNotConverged: the fit did not come to an end.
	ErrNotConverged = errors.New("the fit of the winding did not converge")
)

// checkResult refuses a result that no measurement can have given, among them
// the empty one that stands for a step without a result.
func checkResult(res *balance.Result) error {
	f := float64(res.Frequency)
	switch {
	case !(f > 0) || math.IsInf(f, 0):
		return fmt.Errorf("choke: a frequency must be above 0 Hz, this is %v", res.Frequency)
	case cmplx.IsNaN(res.Ratio) || cmplx.IsInf(res.Ratio) || !res.Cov.Valid():
		return fmt.Errorf("choke: at %s the arm ratio is %v with covariance %v, not a measurement", res.Frequency.Brief(), res.Ratio, res.Cov)
	case res.Ratio == 0 && res.Cov.RR+res.Cov.II == 0:
		return fmt.Errorf("choke: at %s there is no result; leave out the steps without one", res.Frequency.Brief())
	}
	return nil
}

func norm2(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }
