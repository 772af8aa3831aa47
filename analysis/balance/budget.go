package balance

import (
	"fmt"
	"math"
	"math/cmplx"

	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// chain is the measurement model of one step: what was read, and what each
// error does to the results.
//
// An error x changes r by D x and ln q1 by Re(Q x), hence ln T, T being
// q1 |1 - r|/2, by Re(M x) with M = Q - D/(1 - r). Each has a coefficient for the
// balun run and one for the calibration run. An error of arm i, relative to its
// phasor, has for the balun run
//
//	arm 1: D = -r, Q = 1
//	arm 2: D = +r, Q = 0
//
// and the opposite for the calibration run, since r = R_d/R_c. With a phase
// reference Q counts with its phase: ln of arm 1's transmission changes by Q x,
// that of arm 2's by (Q + D/r) x, and an error of the reference's phasor has
// D = 0, Q = -1. The reference measures the drive, so that errors of the
// generator's level have no part in any of it. An error that is
// common to both runs counts with the sum of its coefficients, so that a gain
// cancels; one that is not, with both.
type chain struct {
	dut, cal   *Point
	load       Load
	r          complex128
	cov        uncertainty.Cov // type A, of r
	result     Result          // Frequency to AttenuatorsDiffer, but for what follows from r
	influences [most]influence
	n          int
	referred   bool // both runs have a phase reference
}

// influence is one independent error.
type influence struct {
	entry  *uncertainty.Entry
	common bool
	d      [2]complex128 // D in the balun and in the calibration run
	q      [2]complex128 // Q likewise
	m      [2]complex128 // M likewise
}

// most is the number of influences that there can be.
const most = 40

// newChain checks everything and sets the model up.
func newChain(dut, cal *Point, load Load, opts []Option) (*chain, error) {
	o := options{rangeGain: DefaultRangeGain}
	for _, option := range opts {
		o = option(o)
	}
	if err := checkPoints(dut, cal, load, o); err != nil {
		return nil, err
	}
	c := &chain{dut: dut, cal: cal, load: load, referred: dut.Reference.Read() && cal.Reference.Read()}
	c.r, c.cov = Deembed(dut.Estimate, cal.Estimate)
	c.result = Result{Frequency: dut.Frequency, Ratio: c.r}
	if c.r == 1 {
		return nil, c.notDifferential()
	}
	c.model(o)
	c.result.Cov = c.cov
	for i := range c.influences[:c.n] {
		c.result.Cov = c.result.Cov.Add(c.influences[i].ratio(dut.Frequency))
	}
	if cmplx.Abs(1-c.r) <= uncertainty.Coverage*c.result.Cov.Standard() {
		return nil, c.notDifferential()
	}
	return c, nil
}

func (c *chain) notDifferential() error {
	return fmt.Errorf("%w at %s: arm 2 over arm 1 is %.3g∠%.1f°, nothing differential to state; is the calibration cable still fitted?",
		ErrNotDifferential, c.dut.Frequency.Brief(), cmplx.Abs(c.r), cmplx.Phase(c.r)*180/math.Pi)
}

// checkBudget refuses a budget that cannot be used with these points.
func checkBudget(b uncertainty.Budget, dut, cal *Point) error {
	if err := b.Validate(); err != nil {
		return err
	}
	if e := b.Entry(uncertainty.NonLinearity); e != nil && e.Value > 0 {
		for arm := range dut.Range {
			if !(dut.Range[arm] > 0) || !(cal.Range[arm] > 0) || !(cal.Amplitude[arm] > 0) {
				return fmt.Errorf("step at %s: the range or amplitude of arm %d is not known, without which nothing can be said of the converter's non-linearity",
					dut.Frequency.Brief(), arm+1)
			}
		}
		if dut.Reference.Read() && cal.Reference.Read() && (!(dut.ReferenceRange > 0) || !(cal.ReferenceRange > 0) || !(cal.Reference.Amplitude > 0)) {
			return fmt.Errorf("step at %s: the range of the reference's channel is not known, without which nothing can be said of the converter's non-linearity", dut.Frequency.Brief())
		}
	}
	return nil
}

// model lists the influences.
func (c *chain) model(o options) {
	f := 2 * math.Pi * float64(c.dut.Frequency)
	one := func(dut, cal complex128) [2]complex128 { return [2]complex128{dut, cal} }
	none := one(0, 0)
	b := o.budget

	// An error of the gain of a channel against its other range: real and
	// imaginary part alike.
	gain := b.Entry(uncertainty.RangeGain)
	if gain == nil {
		u := float64(o.rangeGain) * math.Ln10 / 20
		gain = &uncertainty.Entry{Name: uncertainty.RangeGain, Value: u, Phase: u, Distribution: uncertainty.Normal}
	}
	for arm := range 2 {
		if c.dut.Range[arm] != c.cal.Range[arm] || c.dut.RangesDiffer || c.cal.RangesDiffer {
			c.arm(gain, arm, one(1, 0))
			c.result.RangesDiffer = true
		}
	}
	if c.dut.ReferenceRange != c.cal.ReferenceRange || c.dut.RangesDiffer || c.cal.RangesDiffer {
		c.reference(gain, one(1, 0))
	}

	// With a reference, which measures the drive, the attenuator's position is all the same.
	c.result.AttenuatorsDiffer = !c.referred && (c.dut.Attenuator != c.cal.Attenuator || c.dut.AttenuatorsDiffer || c.cal.AttenuatorsDiffer)
	for i := range b {
		switch e := &b[i]; e.Name {
		case uncertainty.RunRepeatability:
			c.arm(e, 1, one(1, 1))
			c.reference(e, one(1, 1))
		case uncertainty.ConnectorRepeatability: // that of the reference stays as it is
			c.arm(e, 0, one(1, 1))
			c.arm(e, 1, one(1, 1))
		case uncertainty.Harmonics:
			c.arm(e, 0, one(1, 1))
			c.arm(e, 1, one(1, 1))
			c.reference(e, one(1, 1))
		case uncertainty.SkewDrift:
			c.arm(e, 1, one(complex(0, -f), 0))
			c.reference(e, one(complex(0, -f), 0))
		case uncertainty.ClockError:
			// Turns all channels alike but for their skew.
			c.arm(e, 1, one(complex(0, -f*mostSkew), 0))
			c.reference(e, one(complex(0, -f*mostLead), 0))
		case uncertainty.Crosstalk:
			// P2 gains x P1: R grows by x. P1 gains x P2: R falls by x R².
			// An imbalance is thus seen that was not in the calibration: with
			// opposite arms the two runs differ by twice the crosstalk.
			rc, rd := c.cal.Ratio, c.dut.Ratio
			c.add(e, one(1/rc, -c.r/rc), none)
			c.add(e, one(-c.r*rd, c.r*rc), one(rd, -rc))
			c.crosstalk(e)
		case uncertainty.NonLinearity:
			c.converter(e)
		case uncertainty.LoadResistance, uncertainty.LoadCapacitance:
			c.loads(e)
		case uncertainty.SourceResistance:
			// ln T + ln K over ln Z0, for a lossless balun.
			z, z0 := c.load.Impedance(c.dut.Frequency), complex(float64(c.load.Source), 0)
			c.add(e, none, one(2*z0/(z+2*z0)-z0/(2*z+z0), 0))
		case uncertainty.LevelLinearity:
			if c.dut.Drive != c.cal.Drive && !c.referred {
				c.add(e, none, one(1, 0))
			}
		case uncertainty.LevelRepeatability:
			if !c.referred {
				c.add(e, none, one(1, -1))
			}
		case uncertainty.AttenuatorStep:
			if c.result.AttenuatorsDiffer {
				c.add(e, none, one(1, 0))
			}
		}
	}
}

// mostLead in seconds is the largest difference in delay between the way over
// the splitter to the reference's channel and that through the fixture: 2 m of
// cable. Common practice.
const mostLead = 10e-9

// reference lists an error by which the phasor of the reference is multiplied,
// 1 + times x, in the balun and the calibration run.
func (c *chain) reference(e *uncertainty.Entry, times [2]complex128) {
	if c.referred {
		c.add(e, [2]complex128{}, [2]complex128{-times[0], times[1]})
	}
}

// crosstalk lists that between the reference's channel and the arms': P_i gains
// x P_ref, so that t_i grows by x; P_ref gains x P_i, so that every t falls by
// x t_i of itself.
func (c *chain) crosstalk(e *uncertainty.Entry) {
	if !c.referred {
		return
	}
	td, tc := c.dut.Reference.Transmission, c.cal.Reference.Transmission
	c.add(e, [2]complex128{-c.r / td[0], c.r / tc[0]}, [2]complex128{1 / td[0], -1 / tc[0]})
	// r/t2 of the balun is 1/(R_c t1), which a silent arm 2 has too.
	c.add(e, [2]complex128{1 / (c.cal.Ratio * td[0]), -c.r / tc[1]}, [2]complex128{})
	for arm := range td {
		c.add(e, [2]complex128{}, [2]complex128{-td[arm], tc[arm]})
	}
}

// add lists an error that changes r by d x and ln q1 by Re(q x).
func (c *chain) add(e *uncertainty.Entry, d, q [2]complex128) {
	if e.Value == 0 && e.Phase == 0 {
		return
	}
	x := influence{entry: e, common: e.Common(), d: d, q: q}
	for run := range x.m {
		x.m[run] = q[run] - d[run]/(1-c.r)
	}
	c.influences[c.n] = x
	c.n++
}

// arm lists an error by which the phasor of an arm (0 or 1) is multiplied,
// 1 + times x, in the balun and the calibration run.
func (c *chain) arm(e *uncertainty.Entry, arm int, times [2]complex128) {
	times[1] = -times[1]
	if arm == 0 {
		c.add(e, [2]complex128{-c.r * times[0], -c.r * times[1]}, times)
	} else {
		c.add(e, [2]complex128{c.r * times[0], c.r * times[1]}, [2]complex128{})
	}
}

// converter lists the non-linearity of each channel in each run: x times half
// the range on its amplitude.
func (c *chain) converter(e *uncertainty.Entry) {
	for run, p := range [2]*Point{c.dut, c.cal} {
		sign := complex(float64(1-2*run), 0)
		for arm := range 2 {
			var d, q [2]complex128
			half := float64(p.Range[arm]) / 2
			switch {
			case arm == 0:
				q[run] = sign * complex(half/float64(p.Amplitude[0]), 0)
				d[run] = -c.r * q[run]
			case run == 1:
				d[run] = sign * c.r * complex(half/float64(p.Amplitude[1]), 0)
			default:
				// Arm 2 of the balun may be silent: along R_d where there is one.
				along := complex(1, 0)
				if abs := cmplx.Abs(p.Ratio); abs > 0 {
					along = p.Ratio / complex(abs, 0)
				}
				d[run] = along * complex(half/float64(p.Amplitude[0]), 0) / c.cal.Ratio
			}
			c.add(e, d, q)
		}
		if c.referred {
			var q [2]complex128
			q[run] = -sign * complex(float64(p.ReferenceRange/p.Reference.Amplitude)/2, 0)
			c.add(e, [2]complex128{}, q)
		}
	}
}

// loads lists the error of each arm's load. The calibration cable feeds both
// arms with one voltage, whatever their loads. The balun feeds them with one
// current, but for the part that its choke takes from arm 2, so that
// d ln r = -r d ln Z2 - d ln Z1 (r = -Z_c/(Z_c + Z2) · Z2/Z1, design formula 7
// with two loads). T changes by κ for each arm's ln Z, see lossOfLoad.
func (c *chain) loads(e *uncertainty.Entry) {
	z := c.load.Impedance(c.dut.Frequency)
	dlnZ := z / complex(float64(c.load.Resistance), 0) // over ln R: 1/(1 + jωRC)
	if e.Name == uncertainty.LoadCapacitance {
		dlnZ = -complex(0, 2*math.Pi*float64(c.dut.Frequency)) * z // over C: -jωR/(1 + jωRC)
	}
	kappa := lossOfLoad(z, complex(float64(c.load.Source), 0))
	for _, d := range [2]complex128{-c.r * dlnZ, -c.r * c.r * dlnZ} {
		// add counts what d does to |1 - r|, which kappa holds already.
		c.add(e, [2]complex128{d, 0}, [2]complex128{kappa*dlnZ + d/(1-c.r), 0})
	}
}

// lossOfLoad is d ln T over d ln Z of one arm's load Z, for a lossless balun:
// with S = Z1 + Z2 in series behind it and P = Z1 ∥ Z2 with the calibration
// cable, T = S/(S + Z0) · (P + Z0)/(2P).
func lossOfLoad(z, z0 complex128) complex128 {
	return z/(2*(z+2*z0)) - z/(2*z+z0)
}

// combined are the coefficients of an error: one where it is common to both
// runs, two where each run has its own.
func (x *influence) combined(k [2]complex128) [2]complex128 {
	if x.common {
		return [2]complex128{k[0] + k[1], 0}
	}
	return k
}

// ratio is the influence's covariance of r.
func (x *influence) ratio(f units.Hertz) uncertainty.Cov {
	v, d := x.entry.Cov(f), x.combined(x.d)
	return v.Through(d[0]).Add(v.Through(d[1]))
}

// transmission is the influence's variance of ln T.
func (x *influence) transmission(f units.Hertz) float64 {
	v, m := x.entry.Cov(f), x.combined(x.m)
	return v.Through(m[0]).RR + v.Through(m[1]).RR
}

// arm is the influence's covariance of an arm's transmission; both are the
// transmissions themselves. That of arm 2 is r times that of arm 1.
func (x *influence) arm(arm int, both [2]complex128, f units.Hertz) uncertainty.Cov {
	v, k := x.entry.Cov(f), [2]complex128{both[arm] * x.q[0], both[arm] * x.q[1]}
	if arm == 1 {
		for run := range k {
			k[run] += both[0] * x.d[run]
		}
	}
	k = x.combined(k)
	return v.Through(k[0]).Add(v.Through(k[1]))
}

// referredTo are both arms' transmissions.
func (c *chain) referredTo() (both [2]complex128) {
	k := c.load.TransmissionK(c.dut.Frequency)
	for arm := range both {
		both[arm] = c.dut.Reference.Transmission[arm] / c.cal.Reference.Transmission[arm] / k
	}
	return both
}

// readCov is the covariance of type A of an arm's transmission by the balun's
// and by the calibration's captures.
func (c *chain) readCov(arm int, value complex128) (dut, cal uncertainty.Cov) {
	k, tc := c.load.TransmissionK(c.dut.Frequency), c.cal.Reference.Transmission[arm]
	return c.dut.Reference.Cov[arm].Through(1 / (tc * k)), c.cal.Reference.Cov[arm].Through(value / tc)
}

// transmission is T over |K|, which insertion loss is the inverse of.
func (c *chain) transmission() float64 {
	if !c.referred {
		return c.byDrive()
	}
	return c.over(cmplx.Abs(c.dut.Reference.Transmission[0]) / cmplx.Abs(c.cal.Reference.Transmission[0]))
}

// byDrive is transmission with the drive for a reference.
func (c *chain) byDrive() float64 {
	return c.over(float64(c.dut.Amplitude[0]/c.cal.Amplitude[0]) * math.Exp(logDrive(c.cal.Drive)-logDrive(c.dut.Drive)))
}

// over is T over |K| for q1.
func (c *chain) over(q1 float64) float64 {
	return q1 * cmplx.Abs(1-c.r) / 2 / cmplx.Abs(c.load.TransmissionK(c.dut.Frequency))
}

// evaluate states the results.
func (c *chain) evaluate() Result {
	result := c.result
	result.state(c.r, -c.r)
	result.InsertionLoss = -units.DBOfRatio(c.transmission())
	variance := c.dut.TransmissionVariance(1/(1-c.r)) + c.cal.TransmissionVariance(1/(1-c.r))
	for i := range c.influences[:c.n] {
		variance += c.influences[i].transmission(c.dut.Frequency)
	}
	result.UInsertionLoss = inDB(uncertainty.Coverage * math.Sqrt(variance))
	if c.referred {
		result.Referred, result.LossByDrive = true, -units.DBOfRatio(c.byDrive())
		both := c.referredTo()
		for arm, value := range both {
			dut, cal := c.readCov(arm, value)
			cov := dut.Add(cal)
			for i := range c.influences[:c.n] {
				cov = cov.Add(c.influences[i].arm(arm, both, c.dut.Frequency))
			}
			result.Transmission[arm] = transmission(value, cov)
		}
	}
	return result
}

// Share is the part of one error in a result.
