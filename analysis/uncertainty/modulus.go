package uncertainty

import (
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/integrate/quad"
)

// nodes of Gauss-Legendre quadrature on [-1, 1].
const nodes = 32

var node, nodeWeight = func() (x, w [nodes]float64) {
	quad.Legendre{}.FixedLocations(x[:], w[:], -1, 1)
	return x, w
}()

// reach is how many standard uncertainties of a normal distribution count.
const reach = 7

// normalBelow is the standard normal distribution function.
func normalBelow(x float64) float64 { return math.Erfc(-x/math.Sqrt2) / 2 }

// within is the probability that |Z| ≤ radius for a complex normal Z of mean
// mx + j my and with the standard uncertainties major and minor along the axes,
// which are those of its covariance: for a circular one that is Rice's distribution
// (S. O. Rice, "Mathematical analysis of random noise", Bell System Technical
// Journal 24 (1945), section 3.10). With the angle θ
// running over chords of the circle at y = radius sin θ,
//
//	P = ∫ φ(y) [Φ(x to the right end) - Φ(x to the left end)] dy,
//
// by quadrature, good to 1e-6.
func within(mx, my, major, minor, radius float64) float64 {
	if !(radius > 0) {
		return 0
	}
	across := func(half float64) float64 { // within ±half in x
		if major == 0 {
			if math.Abs(mx) <= half {
				return 1
			}
			return 0
		}
		return normalBelow((half-mx)/major) - normalBelow((-half-mx)/major)
	}
	// An axis this thin is a line: the quadrature could not resolve it.
	if minor <= 1e-9*max(major, radius) {
		if math.Abs(my) >= radius {
			return 0
		}
		return across(math.Sqrt(radius*radius - my*my))
	}
	low := math.Asin(max(-1, min(1, (my-reach*minor)/radius)))
	high := math.Asin(max(-1, min(1, (my+reach*minor)/radius)))
	middle, half := (low+high)/2, (high-low)/2
	sum := 0.0
	for i := range node {
		sin, cos := math.Sincos(middle + half*node[i])
		d := (radius*sin - my) / minor
		sum += nodeWeight[i] * math.Exp(-d*d/2) * cos * across(radius*cos)
	}
	return min(1, sum*half*radius/(minor*math.Sqrt(2*math.Pi)))
}

// AtMost is an upper bound of the magnitude of a complex quantity that was
// found as z with covariance c: the largest magnitude m for which a magnitude of
// |z| or less would still be found with probability 1 - confidence, in the
// direction which, given m, makes z the most likely. So the bound is below the
// true magnitude in a part 1 - confidence of all cases, however near to zero
// that is, where an interval around |z| could not be right: |z| is a Rice
// variate, larger than the true magnitude on average and never below zero. It
// is exact for a circular covariance; for any other it holds at least as often, to 1
// or 2 %, and up to 4 % more often across the larger axis.
//
// Half of the standard uncertainty is the least that is stated: noise may make
// z as small as it likes, and no measurement tells a smaller magnitude from 0.
// A magnitude below that is therefore inside the bound in all cases.
func AtMost(z complex128, c Cov, confidence float64) float64 {
	major, minor, angle := c.Axes()
	found := cmplx.Abs(z)
	if major == 0 {
		return found
	}
	least := major / 2
	// In the axes of c, and by symmetry in the first quadrant.
	z *= cmplx.Rect(1, -angle)
	x, y := math.Abs(real(z)), math.Abs(imag(z))
	k := normalQuantile(confidence)
	if found > 15*major {
		// |z| is normal by then but for what the error b across z brings in
		// second order, b²/2|z|: a mean, and a variance of half its square.
		along, across := math.Hypot(major*x, minor*y)/found, math.Hypot(major*y, minor*x)/found
		second := across * across / (2 * found)
		return found - second + k*math.Hypot(along, math.Sqrt2*second)
	}
	// On the scale of normal quantiles, where it is almost a straight line.
	missed := func(m float64) float64 {
		mx, my := likeliest(m, x, y, minor/major)
		return normalQuantile(max(1e-12, within(mx, my, major, minor, found))) + k
	}
	low, high := 0.0, found+(k+1)*major
	atLow, atHigh := missed(low), missed(high)
	if !(atLow > 0) {
		return least
	}
	// Illinois variant of the false position: m where missed is 0.
	for range 60 {
		if high-low <= 1e-5*major {
			break
		}
		m := (low*atHigh - high*atLow) / (atHigh - atLow)
		if !(m > low && m < high) {
			m = (low + high) / 2
		}
		at := missed(m)
		if math.Abs(at) < 1e-4 {
			return max(least, m)
		}
		if at > 0 {
			low, atLow = m, at
			atHigh /= 2
		} else {
			high, atHigh = m, at
			atLow /= 2
		}
	}
	return max(least, (low+high)/2)
}

// likeliest is the point of magnitude m, in the first quadrant, that makes the
// finding of (x, y) the most likely, with standard uncertainties in the
// proportion 1 to thin: by Lagrange's multiplier, X = x/(1 + u) and
// Y = y/(1 + u thin²), u > -1 such that X² + Y² = m².
func likeliest(m, x, y, thin float64) (mx, my float64) {
	thin *= thin
	magnitude2 := func(u float64) float64 { return sq(x/(1+u)) + sq(y/(1+u*thin)) }
	low, high := -1.0, 0.0
	for magnitude2(high) > m*m && high < 1e12 {
		low, high = high, 2*high+1
	}
	for range 30 {
		if u := (low + high) / 2; magnitude2(u) > m*m {
			low = u
		} else {
			high = u
		}
	}
	my = min(m, y/(1+high*thin))
	return math.Sqrt(m*m - my*my), my
}

func sq(x float64) float64 { return x * x }

// normalQuantile is the inverse of the standard normal distribution function.
func normalQuantile(p float64) float64 { return -math.Sqrt2 * math.Erfcinv(2*p) }
