package balance

import (
	"math"
	"math/cmplx"
	"sort"

	"halfturn/analysis/uncertainty"
)

type Share struct {
	Name uncertainty.Name
	// Standard is its standard uncertainty in the unit of the result, to first order.
	Standard float64
	// Part is its part of the result's variance; all parts make 1.
	Part float64
}

// Shares are the errors in each result, largest first. What does not act at
// this step is left out.
type Shares struct {
	AmplitudeBalance []Share // dB
	PhaseBalance     []Share // degrees
	Imbalance        []Share // 1
	InsertionLoss    []Share // dB
	// Of each arm against the phase reference; nil without one.
	Gain  [2][]Share // dB
	Phase [2][]Share // degrees
}

// EvaluateWith is Evaluate with a budget, and the share of every error in
// every result (JCGM 100:2008, 5.1.3: u_i(y) = |c_i| u(x_i)).
//
// Imbalance is a modulus: of an error of r, the part along it counts in full
// and the part across it the more the nearer the imbalance is to its own
// standard uncertainty s, by s²/(m² + s²).
func EvaluateWith(dut, cal Point, load Load, b uncertainty.Budget, opts ...Option) (Result, Shares, error) {
	c, err := newChain(&dut, &cal, load, append(append([]Option(nil), opts...), Budget(b)))
	if err != nil {
		return Result{}, Shares{}, err
	}
	return c.evaluate(), c.shares(), nil
}

func (c *chain) shares() Shares {
	var s Shares
	g := (1 + c.r) / (1 - c.r)
	m2, total := norm2(g), imbalanceCov(c.r, c.result.Cov)
	spread := (total.RR + total.II) / 2
	radial, across := complex(1, 0), 1.0
	if m2 > 0 {
		radial, across = cmplx.Conj(g)/complex(math.Sqrt(m2), 0), spread/(m2+spread)
	}
	const dB, degree = 20 / math.Ln10, 180 / math.Pi
	add := func(n uncertainty.Name, cov uncertainty.Cov, transmission float64) {
		if c.r != 0 {
			relative := cov.Relative(c.r)
			s.AmplitudeBalance = share(s.AmplitudeBalance, n, relative.RR*dB*dB)
			s.PhaseBalance = share(s.PhaseBalance, n, relative.II*degree*degree)
		}
		about := imbalanceCov(c.r, cov).Through(radial)
		s.Imbalance = share(s.Imbalance, n, about.RR+across*about.II)
		s.InsertionLoss = share(s.InsertionLoss, n, transmission*dB*dB)
	}
	add(uncertainty.NoiseBalun, c.dut.Cov.Through(1/c.cal.Ratio), c.dut.TransmissionVariance(1/(1-c.r)))
	add(uncertainty.NoiseCalibration, c.cal.Cov.Through(c.r/c.cal.Ratio), c.cal.TransmissionVariance(1/(1-c.r)))
	for i := range c.influences[:c.n] {
		x := &c.influences[i]
		add(x.entry.Name, x.ratio(c.dut.Frequency), x.transmission(c.dut.Frequency))
	}
	if c.referred {
		both := c.referredTo()
		for arm, value := range both {
			if value == 0 {
				continue
			}
			add := func(n uncertainty.Name, cov uncertainty.Cov) {
				relative := cov.Relative(value)
				s.Gain[arm] = share(s.Gain[arm], n, relative.RR*dB*dB)
				s.Phase[arm] = share(s.Phase[arm], n, relative.II*degree*degree)
			}
			dut, cal := c.readCov(arm, value)
			add(uncertainty.NoiseBalun, dut)
			add(uncertainty.NoiseCalibration, cal)
			for i := range c.influences[:c.n] {
				add(c.influences[i].entry.Name, c.influences[i].arm(arm, both, c.dut.Frequency))
			}
		}
	}
	for _, list := range [][]Share{s.AmplitudeBalance, s.PhaseBalance, s.Imbalance, s.InsertionLoss, s.Gain[0], s.Gain[1], s.Phase[0], s.Phase[1]} {
		finish(list)
	}
	return s
}

// share adds a variance to the share of n; Part holds it until finish.
func share(list []Share, n uncertainty.Name, variance float64) []Share {
	for i := range list {
		if list[i].Name == n {
			list[i].Part += variance
			return list
		}
	}
	if variance > 0 {
		list = append(list, Share{Name: n, Part: variance})
	}
	return list
}

func finish(list []Share) {
	total := 0.0
	for i := range list {
		total += list[i].Part
	}
	for i := range list {
		list[i].Standard = math.Sqrt(list[i].Part)
		list[i].Part /= total
	}
	sort.SliceStable(list, func(a, b int) bool { return list[a].Part > list[b].Part })
}
