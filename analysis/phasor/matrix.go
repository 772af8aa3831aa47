package phasor

import "math"

// The matrices of a fit are at most 4 × 4 and live on the stack: [1 cos_0
// cos_1 cos_2] is the largest.
const maxOrder = maxTones + 1

type (
	vector [maxOrder]float64
	matrix [maxOrder][maxOrder]float64
)

func (v *vector) dot(w *vector) float64 {
	sum := 0.0
	for i, x := range v {
		sum += x * w[i]
	}
	return sum
}

// cholesky is the lower factor of a symmetric positive definite matrix.
type cholesky struct {
	order int
	l     matrix
}

// factor replaces c by the factor of a's leading part; false where that is
// not positive definite within rounding.
func (c *cholesky) factor(a *matrix, order int) bool {
	c.order = order
	for i := range order {
		for j := range i + 1 {
			sum := a[i][j]
			for k := range j {
				sum -= c.l[i][k] * c.l[j][k]
			}
			if i != j {
				c.l[i][j] = sum / c.l[j][j]
				continue
			}
			if !(sum > 1e-13*a[i][i]) {
				return false
			}
			c.l[i][i] = math.Sqrt(sum)
		}
	}
	return true
}

// solve is the x of A·x = b; entries beyond the order stay zero.
func (c *cholesky) solve(b *vector) (x vector) {
	for i := range c.order {
		sum := b[i]
		for k := range i {
			sum -= c.l[i][k] * x[k]
		}
		x[i] = sum / c.l[i][i]
	}
	for i := c.order - 1; i >= 0; i-- {
		sum := x[i]
		for k := i + 1; k < c.order; k++ {
			sum -= c.l[k][i] * x[k]
		}
		x[i] = sum / c.l[i][i]
	}
	return x
}

// inverse is A⁻¹.
func (c *cholesky) inverse() (inv matrix) {
	for i := range c.order {
		var e vector
		e[i] = 1
		inv[i] = c.solve(&e)
	}
	return inv
}
