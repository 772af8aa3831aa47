package uncertainty

import "math"

// Circular is the covariance of a complex quantity whose real and imaginary
// part have the same variance and no correlation.
func Circular(variance float64) Cov { return Cov{RR: variance, II: variance} }

// Line is the covariance of z times a real quantity of variance 1.
func Line(z complex128) Cov {
	a, b := real(z), imag(z)
	return Cov{RR: a * a, RI: a * b, II: b * b}
}

// Add is the covariance of the sum of two independent quantities.
func (c Cov) Add(d Cov) Cov { return Cov{c.RR + d.RR, c.RI + d.RI, c.II + d.II} }

// Scale multiplies every variance by factor.
func (c Cov) Scale(factor float64) Cov { return Cov{factor * c.RR, factor * c.RI, factor * c.II} }

// Through is the covariance of g(z) where c is that of z and derivative is
// g'(z), g being holomorphic. Multiplying by the complex number a + jb is the
// matrix [a -b; b a] on real and imaginary part, so this is J C Jᵀ of the law
// of propagation (JCGM 102:2011, 6.2) without forming matrices. Multiplication
// by a constant z0, a rotation among them, is Through(z0).
func (c Cov) Through(derivative complex128) Cov {
	a, b := real(derivative), imag(derivative)
	return Cov{
		RR: max(0, a*a*c.RR-2*a*b*c.RI+b*b*c.II), // rounding may lead below
		RI: a*b*(c.RR-c.II) + (a*a-b*b)*c.RI,
		II: max(0, b*b*c.RR+2*a*b*c.RI+a*a*c.II),
	}
}

// Relative is the covariance of ln z where c is that of z: RR is the variance
// of ln|z|, II that of arg z in rad², to first order.
func (c Cov) Relative(z complex128) Cov { return c.Through(1 / z) }

// Axes are the standard uncertainties along the principal axes of the
// covariance and the angle in radians, within (-π/2, π/2], from the real axis
// to the major one.
func (c Cov) Axes() (major, minor, angle float64) {
	mean, half := (c.RR+c.II)/2, (c.RR-c.II)/2
	radius := math.Hypot(half, c.RI)
	angle = math.Atan2(c.RI, half) / 2
	return math.Sqrt(max(0, mean+radius)), math.Sqrt(max(0, mean-radius)), angle
}

// Standard is the standard uncertainty in the direction where it is largest.
func (c Cov) Standard() float64 {
	major, _, _ := c.Axes()
	return major
}

// Valid tells whether c can be a covariance: finite, no negative variance, and
// a correlation within [-1, 1] but for rounding.
func (c Cov) Valid() bool {
	total := c.RR + c.II
	if !(c.RR >= 0 && c.II >= 0) || math.IsInf(total, 0) || math.IsNaN(c.RI) {
		return false
	}
	const rounding = 1e-12
	return math.Abs(c.RI) <= math.Sqrt(c.RR)*math.Sqrt(c.II)+rounding*total
}
