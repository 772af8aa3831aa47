package uncertainty

import (
	"fmt"
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// JCGM 100:2008, H.2, simultaneous resistance and reactance: R = V cos φ/I,
// X = V sin φ/I, Z = V/I from five sets of observations of V, I and φ. Results
// after tables H.2 to H.4 as rounded there; the observations themselves were
// written down from memory and reproduce the means, uncertainties and
// correlations that the clause gives.
func TestPropagateH2(t *testing.T) {
	observations := [][3]float64{ // V, A, rad
		{5.007, 19.663e-3, 1.0456},
		{4.994, 19.639e-3, 1.0438},
		{5.005, 19.640e-3, 1.0468},
		{4.990, 19.685e-3, 1.0428},
		{4.999, 19.678e-3, 1.0433},
	}
	n := float64(len(observations))
	var mean [3]float64
	for _, o := range observations {
		for i := range mean {
			mean[i] += o[i] / n
		}
	}
	inputs := mat.NewSymDense(3, nil)
	for i := range 3 {
		for j := i; j < 3; j++ {
			s := 0.0
			for _, o := range observations {
				s += (o[i] - mean[i]) * (o[j] - mean[j])
			}
			inputs.SetSym(i, j, s/(n*(n-1))) // of the means, 5.2.3
		}
	}
	check := func(what string, got, want, tolerance float64) {
		t.Helper()
		if math.Abs(got-want) > tolerance {
			t.Errorf("%s %.6g, want %g within %g", what, got, want, tolerance)
		}
	}
	check("mean V", mean[0], 4.9990, 5e-5)
	check("mean I", mean[1], 19.6610e-3, 5e-8)
	check("mean φ", mean[2], 1.04446, 5e-6)
	u, r := correlation(inputs)
	check("u(V)", u[0], 0.0032, 5e-5)
	check("u(I)", u[1], 0.0095e-3, 5e-8)
	check("u(φ)", u[2], 0.00075, 5e-6)
	check("r(V,I)", r.At(0, 1), -0.36, 5e-3)
	check("r(V,φ)", r.At(0, 2), 0.86, 5e-3)
	check("r(I,φ)", r.At(1, 2), -0.65, 5e-3)

	rebuilt, err := covariance(u, r)
	if err != nil || !mat.EqualApprox(rebuilt, inputs, 1e-15) {
		t.Errorf("covariance put together again: %v, %v", mat.Formatted(rebuilt), err)
	}

	v, i, phi := mean[0], mean[1], mean[2]
	sin, cos := math.Sincos(phi)
	results := [3]float64{v * cos / i, v * sin / i, v / i}
	out, err := propagate(mat.NewDense(3, 3, []float64{
		cos / i, -v * cos / (i * i), -v * sin / i,
		sin / i, -v * sin / (i * i), v * cos / i,
		1 / i, -v / (i * i), 0,
	}), inputs)
	if err != nil {
		t.Fatal(err)
	}
	u, r = correlation(out)
	check("R", results[0], 127.732, 5e-4)
	check("X", results[1], 219.847, 5e-4)
	check("Z", results[2], 254.260, 5e-4)
	check("u(R)", u[0], 0.071, 5e-4)
	check("u(X)", u[1], 0.295, 1e-3) // 0.29558; the clause cuts it off
	check("u(Z)", u[2], 0.236, 5e-4)
	check("r(R,X)", r.At(0, 1), -0.588, 5e-4)
	check("r(R,Z)", r.At(0, 2), -0.485, 5e-4)
	check("r(X,Z)", r.At(1, 2), 0.993, 5e-4)
}

func TestPropagateRefuses(t *testing.T) {
	if _, err := propagate(mat.NewDense(2, 3, nil), mat.NewSymDense(2, nil)); err == nil {
		t.Error("3 derivatives after 2 inputs accepted")
	}
	if _, err := covariance([]float64{1}, mat.NewSymDense(2, []float64{1, 0, 0, 1})); err == nil {
		t.Error("1 uncertainty with 2 correlations accepted")
	}
	for _, r := range []float64{1.01, -1.01, math.NaN()} {
		if _, err := covariance([]float64{1, 1}, mat.NewSymDense(2, []float64{1, r, r, 1})); err == nil {
			t.Errorf("correlation of %g accepted", r)
		}
	}
	if _, err := covariance([]float64{1, 1}, mat.NewSymDense(2, []float64{0.5, 0, 0, 1})); err == nil {
		t.Error("correlation of 0.5 with itself accepted")
	}
}

func TestCorrelationOfAnExactQuantity(t *testing.T) {
	_, r := correlation(mat.NewSymDense(2, []float64{4, 0, 0, 0}))
	if r.At(0, 1) != 0 || r.At(0, 0) != 1 || r.At(1, 1) != 1 {
		t.Errorf("%v", mat.Formatted(r))
	}
}

// propagate is what Cov is checked against, the law of propagation for m results of n correlated inputs,
// J V Jᵀ: V (n×n) is the covariance of the inputs and J (m×n) holds the partial
// derivative of result i after input j (JCGM 100:2008, 5.2.2 and F.1.2.3;
// in this form JCGM 102:2011, 6.2.1.3).
func propagate(J mat.Matrix, V mat.Symmetric) (*mat.SymDense, error) {
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

// covariance puts standard uncertainties (n) and correlation coefficients
// (n×n, ones on the diagonal) together into a covariance matrix.
func covariance(u []float64, correlation mat.Symmetric) (*mat.SymDense, error) {
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

// correlation splits a covariance matrix into standard uncertainties and
// correlation coefficients; the coefficient with an exactly known quantity is 0.
func correlation(v mat.Symmetric) (u []float64, r *mat.SymDense) {
	n := v.SymmetricDim()
	u = make([]float64, n)
	r = mat.NewSymDense(n, nil)
	for i := range n {
		u[i] = math.Sqrt(v.At(i, i))
	}
	for i := range n {
		r.SetSym(i, i, 1)
		for j := i + 1; j < n; j++ {
			if u[i] > 0 && u[j] > 0 {
				r.SetSym(i, j, v.At(i, j)/(u[i]*u[j]))
			}
		}
	}
	return u, r
}
