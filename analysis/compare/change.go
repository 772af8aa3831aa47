package compare

import (
	"math"
	"math/cmplx"

	"halfturn/analysis/balance"
	"halfturn/analysis/uncertainty"
)

// How an error of a run's arm ratio moves a quantity is a complex number K:
// dq = Re(K d ln r). It is constant for the two balances; for the imbalance
// g = (1 + r)/(1 - r), which stays complex here, dg = K d ln r, K = 2r/(1 - r)²;
// the differential transmission goes with the errors ε1 and ε2 of the arms as
// d ln T = Re(α ε1 + (1 - α) ε2), α = 1/(1 - r).
const (
	inDB      = 20 / math.Ln10
	inDegrees = 180 / math.Pi
)

// shares are the factors by which the errors of arm 1 and arm 2 enter.
type shares [2]complex128

// reference is how an error of the phase reference's phasor enters, which is in
// the transmission of both arms alike: not at all where only their ratio counts,
// nor in a run without one.
func (a *state) reference(s shares) complex128 {
	if !a.result.Referred {
		return 0
	}
	return -s[0] - s[1]
}

// ofRatio is how arm errors enter by the arm ratio, arm 2 over arm 1.
func ofRatio(k complex128) shares { return shares{-k, k} }

func (a *state) alpha() complex128 { return 1 / (1 - a.result.Ratio) }

func (a *state) shares(q Quantity) shares {
	r := a.result.Ratio
	switch q {
	case AmplitudeBalance:
		return ofRatio(inDB)
	case PhaseBalance:
		return ofRatio(complex(0, -inDegrees))
	case CommonModeRejection:
		return ofRatio(2 * r / ((1 - r) * (1 - r)))
	}
	return shares{-inDB * a.alpha(), -inDB * (1 - a.alpha())}
}

// own is the covariance of the quantity from the balun's step alone. A real
// quantity has its variance in RR.
func (a *state) own(q Quantity) uncertainty.Cov {
	if q == InsertionLoss {
		return uncertainty.Cov{RR: sq(inDB) * a.dut.TransmissionVariance(a.alpha())}
	}
	return a.dut.Cov.Relative(a.dut.Ratio).Through(a.shares(q)[1])
}

// calibrated is the same from the calibration's step alone.
func (a *state) calibrated(q Quantity) uncertainty.Cov {
	if q == InsertionLoss {
		return uncertainty.Cov{RR: sq(inDB) * a.cal.TransmissionVariance(a.alpha())}
	}
	return a.cal.Cov.Relative(a.cal.Ratio).Through(a.shares(q)[1])
}

// apart is the covariance of the quantity from what each run has for itself
// beside its noise: errors that hold over the whole band of a run, and are
// others in the next. An error of an arm enters by its share, one of both arms
// alike by their sum.
func (a *state) apart(q Quantity, shared bool, o Options) (cov uncertainty.Cov) {
	s, f := a.shares(q), a.dut.Frequency
	add := func(e *uncertainty.Entry, shares ...complex128) {
		for _, share := range shares {
			cov = cov.Add(e.Cov(f).Through(share))
		}
	}
	for i := range o.Budget {
		switch e := &o.Budget[i]; e.Name {
		case uncertainty.RunRepeatability:
			add(e, s[1], a.reference(s))
		case uncertainty.ConnectorRepeatability:
			if o.Refit == nil {
				add(e, s[0], s[1])
			}
		case uncertainty.SkewDrift:
			add(e, s[1]*complex(0, -2*math.Pi*float64(f)))
		case uncertainty.LevelRepeatability:
			if !a.result.Referred {
				add(e, s[0]+s[1])
			}
		}
	}
	cov = cov.Add(uncertainty.Circular(sq(relative(o.refit())) / 2 * (norm2(s[0]) + norm2(s[1]))))
	if !shared {
		cov = cov.Scale(2) // the calibration's own, as large
	}
	return cov
}

// difference is the covariance of a quantity's difference, b minus a, from
// noise and ranges. Both baluns' steps are in it. Of one shared calibration only that part remains by
// which the two runs depend on it differently: with the same error ε in ln C,
// it moves the difference by (K_b - K_a) ε, which is 0 for the balances, and
// small for the others while the two results are close.
func difference(q Quantity, a, b *state, shared bool, o Options) uncertainty.Cov {
	sa, sb := a.shares(q), b.shares(q)
	cov := a.own(q).Add(b.own(q))
	if shared {
		cov = cov.Add(b.cal.Cov.Relative(b.cal.Ratio).Through(sb[1] - sa[1]))
	} else {
		cov = cov.Add(a.calibrated(q)).Add(b.calibrated(q))
	}
	if e := o.Budget.Entry(uncertainty.AttenuatorStep); e != nil {
		cov.RR += attenuatorVariance(a, b, sa, sb, e.Cov(a.dut.Frequency).RR)
	}
	return cov.Add(uncertainty.Circular(rangeVariance(a, b, sa, sb, o.rangeGain(a.dut.Frequency))))
}

// entry is how an error that belongs to a setting, a range or a position of the
// attenuator, enters a difference.
type entry struct {
	setting float64
	share   complex128
}

// eachItsOwn is the sum of the squared shares of all settings: what enters by
// one setting more than once is added first, and may cancel.
func eachItsOwn(entries [4]entry) (sum float64) {
	for i, e := range entries {
		seen := false
		var share complex128
		for j, other := range entries {
			if other.setting == e.setting {
				seen = seen || j < i
				share += other.share
			}
		}
		if !seen {
			sum += norm2(share)
		}
	}
	return sum
}

// attenuatorVariance is the variance of a difference from the positions that
// the generator's attenuator had in the four steps, as rangeVariance has it:
// two of them are off by v against each other. It moves both arms alike, so
// that balances are free of it.
func attenuatorVariance(a, b *state, sa, sb shares, v float64) float64 {
	if a.result.Referred && b.result.Referred {
		return 0 // the drive does not enter
	}
	both := func(s shares) complex128 { return s[0] + s[1] }
	variance := v / 2 * eachItsOwn([4]entry{
		{float64(b.dut.Attenuator), both(sb)}, {float64(b.cal.Attenuator), -both(sb)},
		{float64(a.dut.Attenuator), -both(sa)}, {float64(a.cal.Attenuator), both(sa)},
	})
	if a.cal.AttenuatorsDiffer || b.cal.AttenuatorsDiffer { // read between steps of two positions
		variance += v * norm2(both(sb)-both(sa))
	}
	return variance
}

// rangeVariance is the variance of a difference from the gains of the ranges
// that the four steps were taken on. Each range of each channel is off by an
// amount of its own, u/√2 so that two of them are off by u against each other,
// and an amount that enters on both sides cancels.
func rangeVariance(a, b *state, sa, sb shares, u float64) (variance float64) {
	for channel := range 3 { // the third is the reference's
		ka, kb := a.reference(sa), b.reference(sb)
		if channel < 2 {
			ka, kb = sa[channel], sb[channel]
		}
		variance += sq(u) / 2 * eachItsOwn([4]entry{
			{channelRange(&b.dut, channel), kb}, {channelRange(&b.cal, channel), -kb},
			{channelRange(&a.dut, channel), -ka}, {channelRange(&a.cal, channel), ka},
		})
		for _, p := range []struct {
			mixed bool
			share complex128
		}{
			{a.dut.RangesDiffer, ka}, {b.dut.RangesDiffer, kb},
			{a.cal.RangesDiffer || b.cal.RangesDiffer, kb - ka},
		} {
			if p.mixed { // read between steps of two ranges
				variance += sq(u) * norm2(p.share)
			}
		}
	}
	return variance
}

// channelRange is the range of an arm's channel, or as the third of the reference's.
func channelRange(p *balance.Point, channel int) float64 {
	if channel < 2 {
		return float64(p.Range[channel])
	}
	return float64(p.ReferenceRange)
}

// offset is a quantity's distance from its ideal, of which a smaller magnitude
// is better: real for the balances, complex for the imbalance. Insertion loss
// has no magnitude to take; the smaller of two is the better.
func (a *state) offset(q Quantity) complex128 {
	if q == CommonModeRejection {
		r := a.result.Ratio
		return (1 + r) / (1 - r)
	}
	return complex(q.Of(&a.result), 0)
}

// Change is the difference of one quantity at one frequency, run minus
// baseline, in the quantity's unit.
type Change struct {
	Measured   bool
	Difference float64
	// U is the expanded uncertainty of Difference, k = 2. That of a rejection
	// is +Inf where the two imbalances cannot be told from none.
	U       float64
	Exceeds bool // |Difference| > U

	// Toward says whether the change, should it be real, brings the balun
	// nearer to the ideal: Better, Worse, or Mixed for one that leads past
	// the ideal to about the other side of it. Unchanged for none.
	Toward Verdict

	test test
}

// test is what decide weighs.
type test struct {
	change      float64 // change over its standard uncertainty
	improvement float64 // part of it that leads nearer to the ideal, positive for better
	common      float64 // part of the standard uncertainty that holds over the band
}

// over is x/u, 0 for nothing over nothing.
func over(x, u float64) float64 {
	if x == 0 {
		return 0
	}
	return x / u
}

// compare states the change of quantity q from a to b.
//
// The direction is found without a bias: |x2| - |x1| of two noisy values is
// not zero on average where nothing changed but one run is the noisier. With δ
// = x2 - x1 and the mean h of x1 and x2 weighted by their inverse variances,
// which is independent of δ,
//
//	improvement = -2 Re(h* δ)/(|h + δ/2| + |h - δ/2|)
//
// is odd in δ and so has the mean zero where nothing changed, whatever h is;
// with equal weights it is |x1| - |x2| itself.
func compare(q Quantity, a, b *state, shared bool, o Options) Change {
	if !q.known(&a.result) || !q.known(&b.result) {
		return Change{}
	}
	common := a.apart(q, shared, o).Add(b.apart(q, shared, o))
	cov := difference(q, a, b, shared, o).Add(common)
	x1, x2 := a.offset(q), b.offset(q)
	delta := x2 - x1
	if q == PhaseBalance {
		delta = complex(math.Remainder(real(delta), 360), 0)
	}
	if q == InsertionLoss {
		return scalar(real(delta), -real(delta), math.Sqrt(cov.RR), math.Sqrt(common.RR))
	}
	v1, v2 := a.noise(q, shared), b.noise(q, shared)
	h := x1 + delta/2
	if v1+v2 > 0 {
		h = x1 + delta*complex(v1/(v1+v2), 0)
	}
	improvement := nearer(h, delta)
	if q == PhaseBalance && math.Abs(real(x2-x1)) > 180 { // the short way round is past half a turn off
		improvement = math.Abs(real(x1)) - math.Abs(real(x2))
	}
	if q != CommonModeRejection {
		return scalar(real(delta), improvement, math.Sqrt(cov.RR), math.Sqrt(common.RR))
	}
	toward := h
	if h == 0 {
		toward = 1
	}
	along := cmplx.Conj(toward) / complex(cmplx.Abs(toward), 0)
	u := math.Sqrt(cov.Through(along).RR)
	c := scalar(-improvement, improvement, u, math.Sqrt(common.Through(along).RR))
	// In dB: with x = (m1 - m2)/(m1 + m2) the rejections differ by
	// 20 log10(m1/m2) = (40/ln 10) artanh x, and U goes the same way, so that
	// one exceeds the other in dB where it does in the imbalance.
	m1, m2 := a.result.Imbalance, b.result.Imbalance
	sum := m1 + m2
	if sum == 0 {
		return Change{}
	}
	c.Difference = 2 * inDB * math.Atanh((m1-m2)/sum)
	c.U = math.Inf(1)
	if expanded := uncertainty.Coverage * u; expanded < sum {
		c.U = 2 * inDB * math.Atanh(expanded/sum)
	}
	c.Exceeds = math.Abs(c.Difference) > c.U
	return c
}

// noise is the variance of a quantity that the other run has no part in.
func (a *state) noise(q Quantity, shared bool) float64 {
	cov := a.own(q)
	if !shared {
		cov = cov.Add(a.calibrated(q))
	}
	return q.size(cov)
}

// size is the variance of a quantity, both parts of it where it has two.
func (q Quantity) size(cov uncertainty.Cov) float64 {
	if q != CommonModeRejection {
		return cov.RR
	}
	return cov.RR + cov.II
}

// nearer is how much |x| falls by going from h - δ/2 to h + δ/2.
func nearer(h, delta complex128) float64 {
	sum := cmplx.Abs(h+delta/2) + cmplx.Abs(h-delta/2)
	if sum == 0 {
		return 0
	}
	return -2 * (real(h)*real(delta) + imag(h)*imag(delta)) / sum
}

// scalar fills a change of a real quantity with standard uncertainty u.
func scalar(delta, improvement, u, common float64) Change {
	c := Change{Measured: true, Difference: delta, U: uncertainty.Coverage * u}
	c.Exceeds = math.Abs(delta) > c.U
	c.test = test{change: over(delta, u), improvement: over(improvement, u), common: over(common, u)}
	switch {
	case improvement == 0 && delta == 0:
		c.Toward = Unchanged
	case math.Abs(improvement) < math.Abs(delta)/2:
		c.Toward = Mixed
	case improvement > 0:
		c.Toward = Better
	default:
		c.Toward = Worse
	}
	return c
}
