package check

import (
	"context"
	"fmt"
	"math"
	"math/cmplx"

	"halfturn/analysis/phasor"
	"halfturn/drivers"
	"halfturn/sweep/level"
	"halfturn/units"
)

const (
	together    = 8             // captures
	scatterMost = 5             // times what the noise explains
	scatterMore = math.Pi / 180 // radians that a sound scope may add
	drowned     = 0.3           // radians of noise beyond which any scatter looks like noise
	locked      = 0.99          // mean of the unit phasors above which captures begin alike
	inTurn      = 0.1           // of the time between samples that the skew may change with it
	largeSkew   = 0.5           // of the shortest time between samples
)

// tryTogether tells whether both channels belong to one acquisition. Where
// they do not, nothing that follows would mean anything.
func (s *session) tryTogether(ctx context.Context) error {
	if s.kind == nothing {
		return nil
	}
	f, w, err := s.base()
	var pairs []phasor.Pair
	if err == nil {
		pairs, err = s.atRange(ctx, f, w, together)
	}
	if err != nil {
		s.failed("scope", "together", err, "capture")
		s.kind = nothing
		return nil
	}
	if !s.tellTogether(f, pairs) {
		s.kind = nothing
		s.skip("bench", "signal", "what follows needs both channels of one acquisition")
	}
	return nil
}

// trySkew tells whether both channels are sampled at the same moments.
func (s *session) trySkew(ctx context.Context) error {
	switch s.kind {
	case nothing:
		return nil
	case oneArm:
		s.skip("scope", "skew", "with one arm dead it cannot be told")
		return nil
	}
	_, w, err := s.base()
	if err != nil {
		return nil // told before
	}
	s.tellSkew(w)
	return s.tryInTurn(ctx)
}

// tellTogether: the phase that a capture begins at is whatever the trigger
// makes it, and must be the same in both channels.
func (s *session) tellTogether(f units.Hertz, pairs []phasor.Pair) bool {
	var ratio, start complex128
	variance := 0.0
	for i := range pairs {
		p := &pairs[i]
		ratio += unit(between(p))
		start += unit(p.P[0])
		_, v := p.RatioVariance()
		variance += v / float64(len(pairs))
	}
	n := float64(len(pairs))
	sum := 0.0
	for i := range pairs {
		d := cmplx.Phase(between(&pairs[i]) * cmplx.Conj(ratio))
		sum += d * d
	}
	scatter, explained := math.Sqrt(sum/(n-1)), math.Sqrt(variance)
	const degrees = 180 / math.Pi
	if !(explained < drowned) {
		s.skip("scope", "together", "too little signal in one arm to tell")
		return true
	}
	if scatter > scatterMost*explained+scatterMore {
		s.wrong("scope", "together", fmt.Sprintf("the phase between the channels scatters by %.3g° from capture to capture, and noise explains %.2g°: they are not of one acquisition", scatter*degrees, explained*degrees),
			fmt.Sprintf("%d captures at %s", len(pairs), f.Brief()), fmt.Sprintf("a scatter of %.3g°", scatter*degrees), "together")
		return false
	}
	said := "captures begin at any phase, the same in both channels"
	if mean := cmplx.Abs(start) / n; mean > locked {
		// Circular standard deviation, the jitter that both have in common.
		jitter := math.Sqrt(-2*math.Log(min(mean, 1))) / (2 * math.Pi * float64(f))
		said = fmt.Sprintf("captures begin at the same phase within %s, in both channels", units.Seconds(jitter).Brief())
	}
	s.ok("scope", "together", "%s; the phase between them scatters by %.2g°, noise explains %.2g°", said, scatter*degrees, explained*degrees)
	return true
}

// between is arm 2 over arm 1; 0 where arm 1 is silent.
func between(p *phasor.Pair) complex128 {
	if p.P[0] == 0 {
		return 0
	}
	return p.P[1] / p.P[0]
}

func unit(z complex128) complex128 {
	if a := cmplx.Abs(z); a > 0 {
		return z / complex(a, 0)
	}
	return 0
}

// tellSkew fits the delay between the arms to the ratios over the band:
// channels, cables and what is in the fixture together.
func (s *session) tellSkew(w drivers.Window) {
	if s.kind != cable && s.kind != balun {
		return
	}
	up, down, delay := 0.0, 0.0, 0.0
	for i := range s.probes {
		p := &s.probes[i]
		if p.lost {
			continue
		}
		r, omega := p.estimate.Ratio, 2*math.Pi*float64(p.estimate.Frequency)
		if s.kind == balun {
			r = -r
		}
		// Unwrapped by the delay so far, from low frequencies up.
		turn := delay*omega - cmplx.Phase(r*cmplx.Exp(complex(0, delay*omega)))
		weight := 1 / (p.estimate.Cov.Standard()/cmplx.Abs(r) + 1e-3)
		up += weight * weight * turn * omega
		down += weight * weight * omega * omega
		delay = up / down
	}
	if down == 0 {
		return
	}
	fastest := s.scope.Abilities().Windows[0]
	for _, other := range s.scope.Abilities().Windows {
		if other.Rate > fastest.Rate {
			fastest = other
		}
	}
	interval := 1 / float64(fastest.Rate)
	later := 2
	if delay < 0 {
		later = 1
	}
	said := fmt.Sprintf("arm %d is %s later than the other one: %.2g samples at %s, %.2g of the window of %s", later,
		units.Seconds(math.Abs(delay)).Brief(), math.Abs(delay)/interval, fastest.Rate.Brief(), math.Abs(delay)/float64(w.Span()), w.Span().Brief())
	if math.Abs(delay) > largeSkew*interval {
		s.note("scope", "skew", "%s: a calibration takes it out; are both cables alike?", said)
		return
	}
	s.ok("scope", "skew", "%s", said)
}

// tryInTurn takes one frequency with the slowest window and with a fast one:
// channels that are sampled in turn are apart by a part of the time between
// samples, and so by more in the slow window.
func (s *session) tryInTurn(ctx context.Context) error {
	if len(s.timed) < 2 {
		return nil
	}
	slow := &s.timed[0]
	for i := range s.timed {
		if s.timed[i].window.Rate < slow.window.Rate {
			slow = &s.timed[i]
		}
	}
	fast, ok := s.fasterFor(slow)
	if !ok {
		s.skip("scope", "sampled in turn", "no frequency suits two windows: whether the channels are sampled in turn cannot be told")
		return nil
	}
	pairs, err := s.atRange(ctx, slow.at, fast, len(slow.pairs))
	if err != nil {
		s.failed("scope", "sampled in turn", err, "capture")
		return nil
	}
	a, ua := phaseBetween(slow.pairs)
	b, ub := phaseBetween(pairs)
	omega := 2 * math.Pi * float64(slow.at)
	change := math.Abs(math.Remainder(a-b, 2*math.Pi)) / omega
	u := math.Hypot(ua, ub) / omega
	interval := 1 / float64(slow.window.Rate)
	if !(u < inTurn*interval) {
		s.skip("scope", "sampled in turn", "too little signal at %s to tell", slow.at.Brief())
		return nil
	}
	said := fmt.Sprintf("the skew differs by %s between %s and %s", units.Seconds(change).Brief(), slow.window.Rate.Brief(), fast.Rate.Brief())
	if change > inTurn*interval+beyondDoubt*u {
		s.wrong("scope", "sampled in turn", said+": the channels are sampled one after the other", "captures at "+slow.at.Brief(),
			fmt.Sprintf("%.2g of the time between samples", change/interval), "together")
		return nil
	}
	s.ok("scope", "sampled in turn", "no: %s, %.1g of the time between samples", said, change/interval)
	return nil
}

// fasterFor is the fastest window that also suits what slow was taken at.
func (s *session) fasterFor(slow *timed) (best drivers.Window, ok bool) {
	for _, w := range s.scope.Abilities().Windows {
		if w.Rate <= slow.window.Rate || w.Rate <= best.Rate {
			continue
		}
		p, err := level.New(s.rules([]drivers.Window{w}))
		if err != nil {
			continue
		}
		if f, _, err := p.Place(slow.at); err == nil && f == slow.at {
			best, ok = w, true
		}
	}
	return best, ok
}

// phaseBetween is the mean phase of arm 2 against arm 1 in radians, with its
// standard uncertainty.
func phaseBetween(pairs []phasor.Pair) (phase, u float64) {
	var sum complex128
	variance := 0.0
	for i := range pairs {
		sum += unit(between(&pairs[i]))
		_, v := pairs[i].RatioVariance()
		variance += v
	}
	return cmplx.Phase(sum), math.Sqrt(variance) / float64(len(pairs))
}
