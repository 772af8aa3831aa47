package uncertainty

import (
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// FewValues is by how much a standard uncertainty estimated with dof degrees
// of freedom is to be enlarged so that Coverage times it still covers 95.45 %:
// the quantile of the t-distribution over Coverage (JCGM 100:2008, G.3 and
// table G.2).
func FewValues(dof float64) float64 {
	const p = 0.9544997361036416 // of a normal distribution within ±2 standard deviations
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: dof}
	return t.Quantile((1+p)/2) / Coverage
}

// Exceeds tells whether a variance found with dof degrees of freedom is
// significantly larger than the one expected: whether chance makes their ratio
// so large in fewer than one case of 20 (chi-square test).
func Exceeds(ratio, dof float64) bool {
	const significance = 0.05
	return ratio > 1 && chance(ratio, dof) < significance
}

// chance is how often noise alone makes the ratio of Exceeds so large.
func chance(ratio, dof float64) float64 {
	if !(dof > 0) {
		return 1
	}
	return mathext.GammaIncRegComp(dof/2, dof*max(0, ratio)/2)
}

// Scatter weighs the scatter of a few values against the noise that is
// expected of each from elsewhere, and gives the factor by which to multiply
// the variance expected. ratio is the variance found over the variance
// expected, dof the degrees of freedom of the former.
//
//   - Found no larger than expected, or no larger than noise alone makes it in
//     one case of 4: 1. Taking the larger of two estimates of the same noise
//     every time would be too much on average, and intervals of 95 % would hold
//     the truth in 97 % to 98 % of the cases.
//   - Found larger, though not so that it Exceeds: ratio, the larger of the two.
//   - Found significantly larger: there is more than the noise, and nothing
//     but these few values tells how much. The ratio, with FewValues squared.
//
// So noise that is only noise is enlarged by a tenth or two on average, and a
// real scatter of two or three values is not taken for better known than it is.
func Scatter(ratio, dof float64) float64 {
	const usual = 0.25
	switch {
	case !(ratio > 1) || chance(ratio, dof) > usual:
		return 1
	case Exceeds(ratio, dof):
		return ratio * math.Pow(FewValues(dof), 2)
	}
	return ratio
}
