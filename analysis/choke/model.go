package choke

import (
	"math"

	"halfturn/analysis/balance"
	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// Model is the winding as L ∥ R ∥ C,
//
//	1/Z_c = 1/(jωL) + 1/R + jωC.
//
// U fields are expanded uncertainties, k = 2, of the larger side of the
// interval. Fit makes models; one put together by hand from L, R and C has no
// uncertainty.
type Model struct {
	L units.Henries
	R units.Ohms   // +Inf where the data show no loss
	C units.Farads // 0 where the data show no capacitance

	UL units.Henries
	UR units.Ohms   // +Inf where R cannot be told from infinite
	UC units.Farads // not below C where C cannot be told from 0

	// What is assured of R and C whether they can be told or not:
	// 1/(1/R + U(1/R)) and C + U(C).
	RAtLeast units.Ohms
	CAtMost  units.Farads

	// Correlation coefficients of the estimates.
	CorrelationLR, CorrelationLC, CorrelationRC float64

	From, To         units.Hertz // of the data
	Points           int
	Bounded          int     // of these: where Z_c cannot be told from infinity
	DegreesOfFreedom int     // 2 Points - 3
	ChiSquare        float64 // reduced: about 1 where the winding is an L ∥ R ∥ C
	// Enlarged: the scatter about the fit is significantly larger than the
	// stated uncertainties; those of the model are enlarged accordingly
	// (uncertainty.Scatter). A real ferrite is no exact L ∥ R ∥ C.
	Enlarged bool

	cov elementCov // standard
}

// elementCov is the covariance of 1/L, 1/R and C, in SI units.
type elementCov [3][3]float64

// Impedance is Z_c at f in ohms: 0 at 0 Hz and below.
func (m Model) Impedance(f units.Hertz) complex128 {
	if !(f > 0) {
		return 0
	}
	y, _ := m.Admittance(f)
	return 1 / y
}

// Admittance is 1/Z_c at f above 0 Hz in siemens, with its standard
// uncertainty. It is the admittance and not the impedance that is linear in
// 1/L, 1/R and C, so that its covariance is exact.
func (m Model) Admittance(f units.Hertz) (complex128, uncertainty.Cov) {
	w := 2 * math.Pi * float64(f)
	y := complex(1/float64(m.R), w*float64(m.C)-1/(w*float64(m.L)))
	v := &m.cov
	return y, uncertainty.Cov{
		RR: v[1][1],
		RI: w*v[1][2] - v[0][1]/w,
		II: max(0, w*w*v[2][2]-2*v[0][2]+v[0][0]/(w*w)),
	}
}

// Ratio is the arm ratio at f above 0 Hz that the winding has with load,
// r = -1/(1 + Z_L/Z_c), with its standard uncertainty: dr/dY = Z_L r².
func (m Model) Ratio(f units.Hertz, load balance.Load) (complex128, uncertainty.Cov) {
	y, cov := m.Admittance(f)
	zl := load.Impedance(f)
	r := -1 / (1 + zl*y)
	return r, cov.Through(zl * r * r)
}
