package balance

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"

	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// Simulation is the results of a step by the Monte Carlo method.
type Simulation struct {
	Trials           int
	Stable           bool                    // to the digits asked for, see uncertainty.Simulate
	AmplitudeBalance uncertainty.Distributed // dB
	PhaseBalance     uncertainty.Distributed // degrees
	Imbalance        uncertainty.Distributed // 1
	InsertionLoss    uncertainty.Distributed // dB
	// CommonModeRejectionLow is the rejection that 95 % of the imbalances
	// drawn keep.
	CommonModeRejectionLow units.DB
	Ratio                  complex128 // mean of r
	Cov                    uncertainty.Cov
	Ellipse                float64 // coverage factor of r's ellipse (JCGM 102:2011, 7.7.2)
}

// Results of a trial.
const (
	simAmplitude = iota
	simPhase
	simImbalance
	simLoss
	simReal
	simImaginary
	simResults
)

// Simulate evaluates a step with a budget by the Monte Carlo method: every
// error is drawn from its own distribution, type A as a normal one, and taken
// through the formulas of Evaluate as they are, not to first order. The
// results say what is known of the quantities given what was read; see
// uncertainty.Simulate for the number of trials and the intervals.
func Simulate(dut, cal Point, load Load, b uncertainty.Budget, t uncertainty.Trials, opts ...Option) (Simulation, error) {
	c, err := newChain(&dut, &cal, load, append(append([]Option(nil), opts...), Budget(b)))
	if err != nil {
		return Simulation{}, err
	}
	sim, err := uncertainty.Simulate(simResults, c.trial(), t)
	if err != nil {
		return Simulation{}, fmt.Errorf("step at %s: %w", dut.Frequency.Brief(), err)
	}
	s := Simulation{
		Trials: sim.Trials, Stable: sim.Stable,
		AmplitudeBalance: sim.Results[simAmplitude],
		PhaseBalance:     sim.Results[simPhase],
		Imbalance:        sim.Results[simImbalance],
		InsertionLoss:    sim.Results[simLoss],
		Ratio:            complex(sim.Results[simReal].Mean, sim.Results[simImaginary].Mean),
		Cov:              sim.Cov(simReal, simImaginary),
		Ellipse:          sim.Ellipse(simReal, simImaginary),
	}
	s.CommonModeRejectionLow = -units.DBOfRatio(sim.Quantile(simImbalance, assured))
	return s, nil
}

// trial draws one r and one T from what is known.
func (c *chain) trial() uncertainty.Trial {
	major, minor, angle := c.cov.Axes()
	axis := cmplx.Rect(1, angle)
	// Type A of the transmission is drawn by itself: that of r is part of it,
	// so that T takes only the other errors of r.
	level := math.Sqrt(c.dut.TransmissionVariance(1/(1-c.r)) + c.cal.TransmissionVariance(1/(1-c.r)))
	transmission := math.Log(c.transmission() / cmplx.Abs(1-c.r))
	phase := degrees(cmplx.Phase(-c.r))
	frequency := c.dut.Frequency
	return func(rng *rand.Rand, results []float64) {
		r, change := c.r, level*rng.NormFloat64() // change is of ln q1
		for i := range c.influences[:c.n] {
			x := &c.influences[i]
			e := x.entry.Draw(rng, frequency)
			if x.common {
				r += (x.d[0] + x.d[1]) * e
				change += real((x.q[0] + x.q[1]) * e)
				continue
			}
			r += x.d[0] * e
			change += real(x.q[0] * e)
			if x.d[1] != 0 || x.q[1] != 0 {
				e = x.entry.Draw(rng, frequency)
				r += x.d[1] * e
				change += real(x.q[1] * e)
			}
		}
		results[simLoss] = -20 / math.Ln10 * (transmission + change + math.Log(cmplx.Abs(1-r)))
		r += axis * complex(major*rng.NormFloat64(), minor*rng.NormFloat64())
		results[simAmplitude] = 20 * math.Log10(cmplx.Abs(r))
		// About the phase that was read, so that no half turn cuts it in two.
		turn := cmplx.Phase(-r)
		if c.r != 0 {
			turn = cmplx.Phase(r/c.r) + float64(phase)*math.Pi/180
		}
		results[simPhase] = turn * 180 / math.Pi
		results[simImbalance] = cmplx.Abs((1 + r) / (1 - r))
		results[simReal], results[simImaginary] = real(r), imag(r)
	}
}
