// Package uncertainty carries standard uncertainties through the formulas of
// the analysis: covariances of complex quantities and the law of propagation
// (JCGM 100:2008, 5.2; for complex quantities JCGM 102:2011), the entries of a
// budget, and the Monte Carlo method. It imports only units.
//
//	cov.go           Cov: covariance of a complex quantity, through functions of it
//	small.go         what few values tell of a variance
//	modulus.go       AtMost: upper bound of a magnitude near zero
//	distribution.go  distributions: their widths, and draws from them
//	entry.go         Entry: one line of a budget
//	budget.go        Budget and its Defaults
//	config.go        BudgetConfig: the budget as the bench file states it
//	montecarlo.go    Simulate: propagation of distributions (JCGM 101, JCGM 102)
package uncertainty

// Coverage is the factor k between a standard and an expanded uncertainty
// (JCGM 100:2008, 6.2): about 95 % for a normal distribution.
const Coverage = 2

// Cov is the covariance matrix of the real and imaginary part of a complex
// quantity, in the square of the quantity's unit.
type Cov struct {
	RR, RI, II float64
}
