package balance

import (
	"fmt"
	"math"
	"math/cmplx"

	"gonum.org/v1/gonum/mathext"

	"halfturn/analysis/phasor"
	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// resolution is what double precision leaves of a power: 1e-14 of an amplitude.
const resolution = 1e-28

// FalseAlarm is the probability that noise alone is taken for a signal, in each
// of three tests: the power in channel 1, in channel 2, and in both together.
const FalseAlarm = 1e-6

// Combine makes one estimate of the captures of a step at frequency f.
//
// Every capture starts at a phase of its own. Its phasors, each divided by the
// rms noise c of its channel, are z = s·u + w: an unknown complex level s of
// this capture, the direction u = (1/c1, R/c2) common to all, and noise w of
// unit power in both. The maximum likelihood estimate of u is the
// principal eigenvector of Σ z zᴴ, which no common phase of a capture can
// change; the arm ratio is R = u2 c2/(u1 c1).
//
// Cov is to first order that of Σ s*(P2 - R P1)/Σ|s|², from the noise of the
// residuals; where the captures scatter more than that about their common
// ratio, uncertainty.Scatter enlarges it: the scatter in amplitude and in phase
// both together, or each by itself where one of them alone exceeds the noise and
// there are 4 captures or more, since one or two degrees of freedom would say
// next to nothing. Σ|s|² is the largest eigenvalue
// with the noise taken out, as are the amplitudes; so they hold below the noise
// too, where the variance is (1 + 1/SNR) times that of a strong signal.
//
// With a phase reference, z has a third part and u = (1/c1, R/c2, 1/(t1 c3)):
// the eigenvector is that of a 3×3 matrix and s is known as well as the
// reference tells it, while the random phase of each capture cancels as before.
// Each arm's transmission is t_i = u_i c_i/(u_3 c_3), to first order that of
// Σ s*(P_i - t_i P3)/Σ|s|², with a covariance as that of R; R is t2/t1.
//
// Errors: ErrNoSignal if the power in neither channel nor in both together is
// more than noise (chi-square tests, FalseAlarm each), or if the captures agree
// on no ratio; ErrNoReference if there is a reference and no signal in it;
// ErrNoArm1 if there is a signal and no part of it in arm 1. A
// silent arm 2 is a result: a ratio near 0. Captures that cannot belong
// together are refused.
func Combine(f units.Hertz, pairs []phasor.Pair) (Estimate, error) {
	if err := checkPairs(f, pairs); err != nil {
		return Estimate{}, err
	}
	K := float64(len(pairs))
	power, c, n := powers(pairs)
	// 2 Σ|P|²/c² is chi-square with 2K degrees of freedom in each channel under noise.
	first, second := K*power[0]/c[0], K*power[1]/c[1]
	if mathext.GammaIncRegComp(K, first) > FalseAlarm &&
		mathext.GammaIncRegComp(K, second) > FalseAlarm &&
		mathext.GammaIncRegComp(2*K, first+second) > FalseAlarm {
		return Estimate{}, noSignal(f, power)
	}

	if n > 2 && mathext.GammaIncRegComp(K, K*power[2]/c[2]) > FalseAlarm {
		return Estimate{}, fmt.Errorf("%w at %s: %s peak is no more than noise, and %s peak in arm 1", ErrNoReference, f.Brief(),
			units.Volts(math.Sqrt(power[2])).Brief(), units.Volts(math.Sqrt(power[0])).Brief())
	}

	var gain whitener
	for i := range n {
		gain[i] = 1 / math.Sqrt(c[i])
	}
	u, largest := principal(pairs, gain)
	others := float64(n - 1) // directions across u
	excess := scatterAcross(pairs, gain, u) / others
	noise := 1.0 // power of one whitened channel in one capture
	if uncertainty.Exceeds(excess, 2*(K-1)*others) {
		noise = excess
	}
	// The noise adds K along u and, by the freedom to turn u into it, 1 more
	// for each direction across.
	signal := largest - (K+others)*noise
	if !(signal > 0) {
		return Estimate{}, fmt.Errorf("%w common to the captures at %s: the arm ratio is another in each of them; look for a disturbance or a loose connection",
			ErrNoSignal, f.Brief())
	}
	snr := signal / (K * noise)
	tilt := (snr + 1) / (K * snr * snr) // variance of the part of u across the true direction
	// Without a signal in arm 1, |u1|²/|u2|² is an exponential variate of mean tilt.
	if norm2(u[0]) < (norm2(u[1])+norm2(u[2]))*tilt*math.Log(1/FalseAlarm) {
		return Estimate{}, fmt.Errorf("%w at %s, and %s peak in arm 2: the arm ratio cannot be formed; look at arm 1's cable, load and channel",
			ErrNoArm1, f.Brief(), units.Volts(math.Sqrt(power[1])).Brief())
	}

	e := Estimate{
		Frequency: f,
		Ratio:     over(u, gain, 1, 0),
		Captures:  len(pairs),
		Samples:   pairs[0].N,
	}
	e.Cov = ratioCov(pairs, gain, u, 1, 0, signal)
	amplitudes(&e, pairs, gain, u, signal, snr, tilt)
	var squares [3]float64
	for k := range pairs {
		for i, sigma := range [...]units.Volts{pairs[k].Sigma[0], pairs[k].Sigma[1], pairs[k].Reference.Sigma} {
			squares[i] += float64(sigma) * float64(sigma)
		}
	}
	for i := range e.Sigma {
		e.Sigma[i] = units.Volts(math.Sqrt(squares[i] / K))
	}
	if n > 2 {
		r := &e.Reference
		r.Amplitude = units.Volts(math.Sqrt(signal/K) * cmplx.Abs(u[2]) / gain[2])
		r.Sigma = units.Volts(math.Sqrt(squares[2] / K))
		for i := range r.Transmission {
			r.Transmission[i], r.Cov[i] = over(u, gain, i, 2), ratioCov(pairs, gain, u, i, 2, signal)
		}
	}
	return e, nil
}

// whitener divides a phasor of each channel, arms and reference, by the rms
// noise there; 0 for a reference that is not there.
type whitener [3]float64

// channel is what the fit of a pair says of an arm, or as the third of the reference.
func channel(p *phasor.Pair, i int) (value complex128, held uncertainty.Cov, slope complex128) {
	if i == 2 {
		r := &p.Reference
		return r.P, r.Held, r.Slope
	}
	return p.P[i], p.Held(i), p.Slope[i]
}

// over is the phasor of one channel over that of another, in the direction u.
func over(u [3]complex128, gain whitener, of, against int) complex128 {
	return u[of] * complex(gain[against], 0) / (u[against] * complex(gain[of], 0))
}

func checkPairs(f units.Hertz, pairs []phasor.Pair) error {
	if len(pairs) == 0 {
		return fmt.Errorf("no capture to combine at %s", f.Brief())
	}
	for k := range pairs {
		p := &pairs[k]
		if p.N != pairs[0].N {
			return fmt.Errorf("capture %d at %s has %d samples and capture 1 has %d: they are not of one step", k+1, f.Brief(), p.N, pairs[0].N)
		}
		for i := range p.P {
			if cmplx.IsNaN(p.P[i]) || cmplx.IsInf(p.P[i]) || !p.Cov[i].Valid() {
				return fmt.Errorf("capture %d at %s: the phasor of arm %d is %v with covariance %v, not a measurement", k+1, f.Brief(), i+1, p.P[i], p.Cov[i])
			}
		}
		switch r := &p.Reference; {
		case (r.N > 0) != (pairs[0].Reference.N > 0):
			return fmt.Errorf("capture %d at %s and capture 1 differ in whether they have a reference: they are not of one step", k+1, f.Brief())
		case cmplx.IsNaN(r.P) || cmplx.IsInf(r.P) || !r.Held.Valid():
			return fmt.Errorf("capture %d at %s: the phasor of the reference is %v with covariance %v, not a measurement", k+1, f.Brief(), r.P, r.Held)
		}
	}
	return nil
}

func noSignal(f units.Hertz, power [3]float64) error {
	return fmt.Errorf("%w at %s: %s peak in arm 1 and %s in arm 2 are no more than noise", ErrNoSignal, f.Brief(),
		units.Volts(math.Sqrt(power[0])).Brief(), units.Volts(math.Sqrt(power[1])).Brief())
}

// powers are, for each of the n channels, the mean of |P|² and the expected |noise|² of a
// phasor, V², without what a fitted frequency adds: that turns both phasors of
// a capture alike, and their ratio next to nothing. The noise never falls below what double precision resolves of
// the former, so that records without noise need no case of their own.
func powers(pairs []phasor.Pair) (power, noise [3]float64, n int) {
	n = 2
	if pairs[0].Reference.N > 0 {
		n = 3
	}
	for k := range pairs {
		for i := range n {
			p, c, _ := channel(&pairs[k], i)
			power[i] += norm2(p)
			noise[i] += c.RR + c.II
		}
	}
	floor := max(resolution*(power[0]+power[1]+power[2]), math.SmallestNonzeroFloat32)
	K := float64(len(pairs))
	for i := range n {
		power[i] /= K
		noise[i] = max(noise[i], floor) / K
	}
	return power, noise, n
}

// whiten is the phasors of capture p in units of their noise.
func whiten(p *phasor.Pair, gain whitener) [3]complex128 {
	times := func(z complex128, g float64) complex128 { return complex(real(z)*g, imag(z)*g) }
	return [3]complex128{times(p.P[0], gain[0]), times(p.P[1], gain[1]), times(p.Reference.P, gain[2])}
}

// level is s = uᴴ z: the capture's signal along u.
func level(z, u [3]complex128) complex128 {
	s := cmplx.Conj(u[0])*z[0] + cmplx.Conj(u[1])*z[1]
	if u[2] != 0 {
		s += cmplx.Conj(u[2]) * z[2]
	}
	return s
}

func norm2(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }

// principal is the unit eigenvector and the largest eigenvalue of Σ z zᴴ; of
// the arms alone a 2×2 Hermitian matrix [a b; b* d].
func principal(pairs []phasor.Pair, gain whitener) (u [3]complex128, largest float64) {
	if gain[2] > 0 {
		return principalOfThree(pairs, gain)
	}
	var a, d float64
	var b complex128
	for k := range pairs {
		z := whiten(&pairs[k], gain)
		a += norm2(z[0])
		d += norm2(z[1])
		b += z[0] * cmplx.Conj(z[1])
	}
	half := (a - d) / 2
	radius := math.Hypot(half, cmplx.Abs(b))
	largest = (a+d)/2 + radius
	// Of the two rows of (M - λ)u = 0, the one without cancellation.
	if half >= 0 {
		u = [3]complex128{complex(half+radius, 0), cmplx.Conj(b)}
	} else {
		u = [3]complex128{b, complex(radius-half, 0)}
	}
	length := math.Hypot(cmplx.Abs(u[0]), cmplx.Abs(u[1]))
	if length == 0 { // both channels alike and unrelated: no direction is better than another
		return [3]complex128{1}, largest
	}
	u[0] /= complex(length, 0)
	u[1] /= complex(length, 0)
	return u, largest
}

// principalOfThree squares the matrix M = Σ z zᴴ, each time brought to a trace
// of 1, until only its principal part is left, u uᴴ: after n squarings the
// others are at (λ2/λ1)^(2ⁿ) of it.
func principalOfThree(pairs []phasor.Pair, gain whitener) (u [3]complex128, largest float64) {
	var m [3][3]complex128
	for k := range pairs {
		z := whiten(&pairs[k], gain)
		for i := range 3 {
			for j := range 3 {
				m[i][j] += z[i] * cmplx.Conj(z[j])
			}
		}
	}
	const squarings = 24 // brings a λ2 of 0.99999 λ1 below rounding
	for range squarings {
		trace := real(m[0][0]) + real(m[1][1]) + real(m[2][2])
		if !(trace > 0) {
			return [3]complex128{1}, 0
		}
		scale := complex(1/trace, 0)
		var next [3][3]complex128
		for i := range 3 {
			for j := range 3 {
				for l := range 3 {
					next[i][j] += m[i][l] * scale * (m[l][j] * scale)
				}
			}
		}
		m = next
	}
	// Each column of u uᴴ is u: the one of the largest part.
	best := 0
	for i := range 3 {
		if real(m[i][i]) > real(m[best][best]) {
			best = i
		}
	}
	length := 0.0
	for i := range 3 {
		u[i] = m[i][best]
		length += norm2(u[i])
	}
	for i := range 3 {
		u[i] /= complex(math.Sqrt(length), 0)
	}
	for k := range pairs {
		largest += norm2(level(whiten(&pairs[k], gain), u))
	}
	return u, largest
}

// scatterAcross is the power across u, in one capture, against the 1 that
// noise is expected to bring in each of the directions there, each with 2(K-1)
// degrees of freedom. It is 0 for one capture.
func scatterAcross(pairs []phasor.Pair, gain whitener, u [3]complex128) float64 {
	if len(pairs) < 2 {
		return 0
	}
	sum := 0.0
	for k := range pairs {
		z := whiten(&pairs[k], gain)
		// |z|² - |uᴴ z|², without what cancels in it (Lagrange's identity).
		sum += norm2(u[0]*z[1] - u[1]*z[0])
		if gain[2] > 0 {
			sum += norm2(u[0]*z[2]-u[2]*z[0]) + norm2(u[1]*z[2]-u[2]*z[1])
		}
	}
	return sum / float64(len(pairs)-1)
}

// apart is the number of captures from which their scatter in amplitude and in
// phase are judged one by one.
const apart = 4

// ratioCov is the covariance of the ratio of one channel against another, see
// Combine; signal is Σ|s|².
func ratioCov(pairs []phasor.Pair, gain whitener, u [3]complex128, of, against int, signal float64) uncertainty.Cov {
	ratio := over(u, gain, of, against)
	radial := complex(1, 0) // turns into the frame where the ratio is real
	if abs := cmplx.Abs(ratio); abs > 0 {
		radial = cmplx.Conj(ratio) / complex(abs, 0)
	}
	expected := uncertainty.Circular(resolution * norm2(ratio))
	var along, across float64
	for k := range pairs {
		p := &pairs[k]
		s := level(whiten(p, gain), u)
		// First order in the noise, an eigenvector moves by (u⊥ᴴ M u)/(λ1-λ2):
		// capture k adds weight·(P2 - R P1) to the ratio, 2 being of, 1 against.
		weight := radial * cmplx.Conj(s) / u[against] * complex(gain[against]/signal, 0)
		p2, held2, slope2 := channel(p, of)
		p1, held1, slope1 := channel(p, against)
		expected = expected.
			Add(held2.Through(weight)).
			Add(held1.Through(weight * ratio)).
			Add(uncertainty.Line(weight * (slope2 - ratio*slope1) * complex(float64(p.UFrequency), 0)))
		d := weight * (p2 - ratio*p1)
		along += real(d) * real(d)
		across += imag(d) * imag(d)
	}
	K := float64(len(pairs))
	along *= K / (K - 1)
	across *= K / (K - 1)
	// Taken apart only where one of them by itself is more than noise: what is
	// noise in both is better known from both together.
	byAlong := uncertainty.Scatter((along+across)/(expected.RR+expected.II), 2*(K-1))
	byAcross := byAlong
	alone, other := along/expected.RR, across/expected.II
	if len(pairs) >= apart && (uncertainty.Exceeds(alone, K-1) || uncertainty.Exceeds(other, K-1)) {
		byAlong, byAcross = uncertainty.Scatter(alone, K-1), uncertainty.Scatter(other, K-1)
	}
	return uncertainty.Cov{
		RR: byAlong * expected.RR,
		RI: math.Sqrt(byAlong*byAcross) * expected.RI,
		II: byAcross * expected.II,
	}.Through(cmplx.Conj(radial))
}

// amplitudes sets the amplitudes of both arms, c|u| sqrt(Σ|s|²/K), and their
// uncertainty. Two independent errors move them: that of the level, in
// proportion, and that of the direction u, in opposite senses; tilt is the
// variance of the latter. In terms of the signal-to-noise ratio g of one
// capture the level's relative variance is (2g + 1)/(4Kg²), enlarged where it
// wanders from capture to capture by more than noise explains.
func amplitudes(e *Estimate, pairs []phasor.Pair, gain whitener, u [3]complex128, signal, g, tilt float64) {
	K := float64(len(pairs))
	byLevel := (2*g + 1) / (4 * K * g * g) * uncertainty.Scatter(levelScatter(pairs, gain, u, g), K-1)
	rms := math.Sqrt(signal / K)
	var along, across [2]float64 // standard uncertainties in volts, by level and by direction
	for i := range e.Amplitude {
		own := cmplx.Abs(u[i])
		other := math.Hypot(cmplx.Abs(u[1-i]), cmplx.Abs(u[2]))
		e.Amplitude[i] = units.Volts(rms / gain[i] * own)
		along[i] = rms / gain[i] * own * math.Sqrt(byLevel)
		across[i] = rms / gain[i] * other * math.Sqrt(tilt/2)
		e.UAmplitude[i] = units.Volts(math.Hypot(along[i], across[i]))
	}
	// Errors of the direction have -u_i u_j* between two parts of it.
	between := rms * rms / (gain[0] * gain[1]) * cmplx.Abs(u[0]) * cmplx.Abs(u[1]) * tilt / 2
	e.RAmplitude = (along[0]*along[1] - between) / (float64(e.UAmplitude[0]) * float64(e.UAmplitude[1]))
}

// levelScatter is the variance of |s|² over the captures against the 2g + 1,
// in units of the noise power squared, that noise brings about; K-1 degrees
// of freedom.
func levelScatter(pairs []phasor.Pair, gain whitener, u [3]complex128, g float64) float64 {
	K := float64(len(pairs))
	mean := 0.0
	for k := range pairs {
		mean += norm2(level(whiten(&pairs[k], gain), u)) / K
	}
	sum := 0.0
	for k := range pairs {
		d := norm2(level(whiten(&pairs[k], gain), u)) - mean
		sum += d * d
	}
	// The mean is g + 1 noise powers.
	noise := mean / (g + 1)
	return sum / (K - 1) / (noise * noise * (2*g + 1))
}
