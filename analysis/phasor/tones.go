package phasor

import (
	"math"

	"halfturn/analysis/uncertainty"
)

// maxTones bounds the tables and matrices: a fundamental and two harmonics.
const maxTones = 3

// problem is the least-squares fit of one or two channels of n uniformly
// spaced samples as sums of sinusoids and an offset,
//
//	y(k) = offset + Σ Re(P_t e^{j2πnu_t·k}), k counted from the record's centre,
//
// with frequencies common to the channels. The first free of the tones have
// an unknown frequency; the others are held.
type problem[T sample] struct {
	n     int
	count int // of channels
	tones int
	free  int

	channels [2]channel[T]
}

// channel is one record with the sums that need no frequency.
type channel[T sample] struct {
	y       []T
	total   float64 // Σ y
	squares float64 // Σ y²
	floor   float64 // least variance of the residual
}

// fit is the solution of all channels at one set of frequencies.
type fit struct {
	nu       [maxTones]float64 // cycles per sample
	grid     grid
	channels [2]solution
	cov      matrix // of the free ω = 2πnu; set by step, zero where frequencies are held
}

// solution is the fit of one channel.
type solution struct {
	offset   float64
	p        [maxTones]complex128 // P = a - jb, at the record's centre
	residual float64              // sum of squares
	variance float64              // of the residual, at least the channel's floor
	gradient [maxTones]float64    // Σ residual · ∂y/∂ω, of the free tones
}

// freedom is the number of degrees of freedom of one channel's residual; what
// the shared frequencies take is split evenly.
func (p *problem[T]) freedom() float64 {
	return float64(p.n) - 1 - 2*float64(p.tones) - float64(p.free)/float64(p.count)
}

// at solves the linear least squares at the given frequencies. It is false
// where the columns cannot be told apart.
func (p *problem[T]) at(nu [maxTones]float64) (f fit, ok bool) {
	f.nu = nu
	if !f.grid.set(p.n, nu[:p.tones], p.free) {
		return f, false
	}
	var even, odd [2]vector // products of the records with the columns
	for c := range p.count {
		even[c][0] = p.channels[c].total
	}
	var t tables
	var first [2][maxTones]complex128
	for i := range p.tones {
		t.set(nu[i])
		for c := range p.count {
			m := project(p.channels[c].y, &t, i < p.free)
			even[c][1+i], odd[c][i] = real(m.zeroth), -imag(m.zeroth)
			first[c][i] = m.first
		}
	}
	for c := range p.count {
		ch, s := &p.channels[c], &f.channels[c]
		a, b := f.grid.even.solve(&even[c]), f.grid.odd.solve(&odd[c])
		s.offset = a[0]
		for i := range p.tones {
			s.p[i] = complex(a[1+i], -b[i])
		}
		// |y|² - |fit|²: exact in Σy², so that what cancels is rounding of
		// some 1e-15 Σy², far below the floor of a record of 16-bit codes.
		s.residual = max(0, ch.squares-a.dot(&even[c])-b.dot(&odd[c]))
		s.variance = max(ch.floor, s.residual/p.freedom())
		for u := range p.free {
			onRecord := a[1+u]*imag(first[c][u]) + b[u]*real(first[c][u])
			onFit := b[u]*f.grid.kcos[u].dot(&b) - a[1+u]*f.grid.ksin[u].dot(&a)
			s.gradient[u] = onRecord - onFit
		}
	}
	return f, true
}

// grid is the time base seen from a set of frequencies; it is the same in all
// channels. Counted from the centre, the offset and the cosines (even) are
// orthogonal to the sines (odd). The derivative of tone u by ω_u is
// k(-a sin + b cos): -a times an even column, b times an odd one.
type grid struct {
	even, odd        cholesky         // of the Gram matrices of [1 cos_0 cos_1 …] and [sin_0 sin_1 …]
	ksin, kcos       [maxTones]vector // products of k·sin_u with the even columns, of k·cos_u with the odd
	ksinOn, kcosOn   [maxTones]vector // their coordinates in these columns, Gram⁻¹ times the above
	ksinSin, kcosCos matrix           // products of k·sin_u, k·sin_v and of k·cos_u, k·cos_v, less what the columns explain
}

func (g *grid) set(n int, nu []float64, free int) bool {
	var even, odd matrix
	even[0][0] = float64(n)
	for i, x := range nu {
		even[1+i][0] = dirichlet(n, x)
		for j := range i + 1 {
			difference, sum := dirichlet(n, x-nu[j]), dirichlet(n, x+nu[j])
			even[1+i][1+j] = (difference + sum) / 2
			odd[i][j] = (difference - sum) / 2
		}
	}
	if !g.even.factor(&even, 1+len(nu)) || !g.odd.factor(&odd, len(nu)) {
		return false
	}
	for u := range free {
		_, g.ksin[u][0], _ = kernels(n, nu[u])
		for j := range nu {
			_, sum, sum2 := kernels(n, nu[j]+nu[u])
			_, difference, difference2 := kernels(n, nu[j]-nu[u])
			g.ksin[u][1+j] = (sum - difference) / 2
			g.kcos[u][j] = (sum + difference) / 2
			g.ksinSin[u][j] = (difference2 - sum2) / 2
			g.kcosCos[u][j] = (difference2 + sum2) / 2
		}
		g.ksinOn[u], g.kcosOn[u] = g.even.solve(&g.ksin[u]), g.odd.solve(&g.kcos[u])
	}
	for u := range free {
		for v := range free {
			g.ksinSin[u][v] -= g.ksin[u].dot(&g.ksinOn[v])
			g.kcosCos[u][v] -= g.kcos[u].dot(&g.kcosOn[v])
		}
	}
	return true
}

// step is the Gauss-Newton step of the free frequencies, in radians per
// sample, each channel weighted by its residual variance, and sets f.cov.
// Offset and phasors are eliminated first (they are linear), so that what is
// left is the Schur complement: as many unknowns as free frequencies.
func (p *problem[T]) step(f *fit) (delta vector, ok bool) {
	var information matrix
	var gradient vector
	for c := range p.count {
		s := &f.channels[c]
		if s.variance == 0 {
			return delta, false
		}
		for u := range p.free {
			gradient[u] += s.gradient[u] / s.variance
			for v := range p.free {
				information[u][v] += (real(s.p[u])*real(s.p[v])*f.grid.ksinSin[u][v] +
					imag(s.p[u])*imag(s.p[v])*f.grid.kcosCos[u][v]) / s.variance
			}
		}
	}
	var factor cholesky
	if !factor.factor(&information, p.free) {
		return delta, false
	}
	f.cov = factor.inverse()
	return factor.solve(&gradient), true
}

// refine runs Gauss-Newton from the frequencies of f until each moves by less
// than 1e-8 of its standard uncertainty, or by less than what turns the ends
// of the record by 1e-9 rad; the fit returned is linear least squares at its
// frequencies. A step is cut to half a cycle over the record, about as far as
// the problem looks like its tangent. It is false where that does not settle;
// in strong noise each step leaves up to half of the way.
func (p *problem[T]) refine(f fit) (fit, bool) {
	const iterations = 50
	for range iterations {
		delta, ok := p.step(&f)
		if !ok {
			return f, false
		}
		settled, nu := true, f.nu
		for u := range p.free {
			if math.Abs(delta[u]) > max(2e-9/float64(p.n), 1e-8*math.Sqrt(f.cov[u][u])) {
				settled = false
			}
			turns := delta[u] * float64(p.n) / (2 * math.Pi)
			nu[u] += max(-0.5, min(0.5, turns)) / float64(p.n)
		}
		if settled {
			return f, true
		}
		if f, ok = p.at(nu); !ok {
			return f, false
		}
	}
	return f, false
}

// phasorAt is tone i of channel c at time k, counted from the record's
// centre, its covariance given the frequencies, and its change with each of
// the free ω.
func (f *fit) phasorAt(c, i, free int, k float64) (p complex128, held uncertainty.Cov, slopes [maxTones]complex128) {
	s := &f.channels[c]
	sin, cos := sincosTurns(f.nu[i] * k)
	turned := complex(cos, sin)
	held.RR = s.variance * f.grid.even.inverse()[1+i][1+i]
	held.II = s.variance * f.grid.odd.inverse()[i][i]
	for u := range free {
		// A change of ω_u takes the columns' part of the derivative's column
		// out of their coefficients: a by +a_u·ksinOn, b by -b_u·kcosOn.
		slopes[u] = complex(real(s.p[u])*f.grid.ksinOn[u][1+i], -imag(s.p[u])*f.grid.kcosOn[u][i])
		if u == i {
			slopes[u] += complex(0, k) * s.p[i]
		}
		slopes[u] *= turned
	}
	return s.p[i] * turned, turn(held, turned), slopes
}
