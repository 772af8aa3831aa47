package uncertainty

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
)

// Propagate is the law of propagation for m results of n correlated inputs,
// J V Jᵀ: V (n×n) is the covariance of the inputs and J (m×n) holds the partial
// derivative of result i after input j (JCGM 100:2008, 5.2.2 and F.1.2.3;
// in this form JCGM 102:2011, 6.2.1.3).
func Propagate(J mat.Matrix, V mat.Symmetric) (*mat.SymDense, error) {
	m, n := J.Dims()
	if n != V.SymmetricDim() {
		return nil, fmt.Errorf("derivatives after %d inputs do not fit the covariance of %d", n, V.SymmetricDim())
	}
	var jv, jvj mat.Dense
	jv.Mul(J, V)
	jvj.Mul(&jv, J.T())
	u := mat.NewSymDense(m, nil)
	for i := range m {
		for j := i; j < m; j++ {
			u.SetSym(i, j, (jvj.At(i, j)+jvj.At(j, i))/2)
		}
	}
	return u, nil
}

// Covariance puts standard uncertainties (n) and correlation coefficients
// (n×n, ones on the diagonal) together into a covariance matrix.
func Covariance(u []float64, correlation mat.Symmetric) (*mat.SymDense, error) {
	n := len(u)
	if n == 0 || n != correlation.SymmetricDim() {
		return nil, fmt.Errorf("%d standard uncertainties do not fit correlations of %d", n, correlation.SymmetricDim())
	}
	v := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			r := correlation.At(i, j)
			if !(math.Abs(r) <= 1) || (i == j && r != 1) {
				return nil, fmt.Errorf("correlation of inputs %d and %d is %g, outside [-1, 1] or not 1 with itself", i+1, j+1, r)
			}
			v.SetSym(i, j, r*u[i]*u[j])
		}
	}
	return v, nil
}

// Correlation splits a covariance matrix into standard uncertainties and
// correlation coefficients; the coefficient with an exactly known quantity is 0.
func Correlation(v mat.Symmetric) (u []float64, correlation *mat.SymDense) {
	n := v.SymmetricDim()
	u = make([]float64, n)
	correlation = mat.NewSymDense(n, nil)
	for i := range n {
		u[i] = math.Sqrt(v.At(i, i))
	}
	for i := range n {
		correlation.SetSym(i, i, 1)
		for j := i + 1; j < n; j++ {
			if u[i] > 0 && u[j] > 0 {
				correlation.SetSym(i, j, v.At(i, j)/(u[i]*u[j]))
			}
		}
	}
	return u, correlation
}
