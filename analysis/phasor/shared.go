package phasor

import (
	"fmt"
	"math"

	"halfturn/units"
)

const (
	// weakSpan is the largest UFrequency·N/rate, in cycles, at which a fitted
	// frequency is taken: beyond, the estimate nears the threshold below
	// which noise decides which peak is found. It stands for a signal of
	// 20 log10(√12/(2π·0.05)) = 21 dB over the noise of the whole record.
	weakSpan = 0.05
	// pullIn is how far from the signal, in cycles over the record, a
	// Gauss-Newton fit may start and surely find it. The main lobe reaches to
	// 1 cycle.
	pullIn = 0.4
	// faint is the ratio of signal power to residual power, in the stronger
	// channel, below which the fit may sit on a side lobe of a signal next to
	// it: the first and highest has (2/3π)² of the power and leaves the
	// rest as residual, 0.047.
	faint = 0.1
	// beyondDoubt is how many standard uncertainties, above the tolerance, the
	// fitted frequency may be off. A sweep fits thousands of captures, of
	// which three uncertainties would stop one in 370 without a cause; five,
	// one in two million (normal distribution).
	beyondDoubt = 5
	// farthest bounds the search, in cycles over the record to either side.
	farthest = 32
)

// FitShared finds the phasors of both channels and the one frequency that
// they share: seven parameters, Gauss-Newton from the commanded f, each
// channel weighted by its own residual (with equal noise, plain least
// squares). Sigma has N-3½ degrees of freedom a channel. Nothing is allocated.
//
// Where tolerance allows more than 0.4 cycles over the record, or where f
// itself shows next to nothing, the fit starts from the best of the
// frequencies half a cycle apart, from two cycles below to two above what
// the tolerance allows, 32 cycles at most.
//
// ErrOffFrequency: the fitted frequency differs from f by more than the
// tolerance and five times its uncertainty. A signal too weak to tell the
// frequency, UFrequency·N/rate above 0.05 cycles, is fitted at f as by Fit,
// and UFrequency is 0 to say so. Other errors as for Fit.
//
// Both phasors are turned by an error of the frequency, and by the same
// angle: Cov of each contains it, the arm ratio does not suffer from it; see
// Pair.RatioVariance and Pair.Held.
func FitShared(records *[2]Record, rate, f units.Hertz, tolerance units.PPM) (Pair, error) {
	c, err := open(records, rate, f)
	if err != nil {
		return Pair{}, err
	}
	if !(tolerance >= 0) || math.IsInf(float64(tolerance), 0) {
		return Pair{}, fmt.Errorf("clock tolerance of %v: it must be zero or more", tolerance)
	}
	allowed := float64(f) * float64(tolerance) * 1e-6
	span := float64(c.n) / float64(rate)

	start := alias(rate, f)
	c.free = 1
	found, ok := c.refineNear(start, allowed*span)
	if !ok || math.Sqrt(found.cov[0][0])*float64(c.n)/(2*math.Pi) > weakSpan {
		return c.held()
	}
	off := (found.nu[0] - start) * float64(rate)
	p := c.pair(&found, f+units.Hertz(off))
	if !(p.Condition <= MaxCondition) {
		return Pair{}, fmt.Errorf("signal at %v, %v commanded, in %d samples at %v has a condition of %.3g, at most %d is accepted: %w",
			p.Frequency, f, c.n, rate, p.Condition, MaxCondition, ErrDegenerate)
	}
	if math.Abs(off) > allowed+beyondDoubt*float64(p.UFrequency) {
		return Pair{}, fmt.Errorf("signal at %v, %v commanded: %.3g ppm off, tolerance %v and %.2g ppm of uncertainty: %w",
			p.Frequency, f, off/float64(f)*1e6, tolerance, beyondDoubt*float64(p.UFrequency/f)*1e6, ErrOffFrequency)
	}
	return p, nil
}

// refineNear is refine from the best start within reach, in cycles over the record.
func (c *capture) refineNear(nu, reach float64) (fit, bool) {
	best, ok := c.at([maxTones]float64{nu})
	if !ok {
		return best, false
	}
	if reach <= pullIn && !best.faint() {
		return c.refine(best)
	}
	last := math.Floor(2 * min(reach+2, farthest))
	for i := -last; i <= last; i++ {
		next := nu + i/(2*float64(c.n))
		if !(condition(c.n, next) <= MaxCondition) {
			continue
		}
		if f, ok := c.at([maxTones]float64{next}); ok && f.misfit() < best.misfit() {
			best = f
		}
	}
	return c.refine(best)
}

// misfit is what maximum likelihood with unknown noise in each channel makes
// least: the product of the residual variances.
func (f *fit) misfit() float64 { return f.channels[0].variance * f.channels[1].variance }

func (f *fit) faint() bool {
	for i := range f.channels {
		s := &f.channels[i]
		if a := abs(s.p[0]); a*a/2 > faint*s.variance {
			return false
		}
	}
	return true
}
