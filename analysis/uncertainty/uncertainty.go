// Package uncertainty carries standard uncertainties through the formulas of
// the analysis: covariances of complex quantities and the law of propagation
// (JCGM 100:2008, 5.2; for complex quantities JCGM 102:2011). It imports only units.
package uncertainty

// Coverage is the factor k between a standard and an expanded uncertainty
// (JCGM 100:2008, 6.2): about 95 % for a normal distribution.
const Coverage = 2

// Cov is the covariance matrix of the real and imaginary part of a complex
// quantity, in the square of the quantity's unit.
type Cov struct {
	RR, RI, II float64
}
