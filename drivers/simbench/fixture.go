package simbench

import (
	"math"
	"math/cmplx"

	"halfturn/units"
)

// arms is voltages at both arms, volts peak for a source whose open circuit
// gives 1 V peak.
type arms struct {
	node    [2]complex128 // where the cable or the balun ends and the arms begin
	channel [2]complex128 // across R ∥ C, where the scope reads
	sleeves complex128    // across all of them, in series

	reference complex128 // where the splitter feeds the scope; 0 where it does not
}

// Nodes of both circuits.
const (
	ground  = 0
	fed     = 1 // end of the source, start of the line
	core    = 2 // far end of the centre conductor
	shield  = 3 // far end of the shield; the cable's is grounded
	arm1    = 4 // where the arms begin
	arm2    = 5
	lead1   = 6 // behind the inductance of the lead
	lead2   = 7
	load1   = 8 // R ∥ C and the channel
	load2   = 9
	highest = load2

	// Between the source and fed where there is a splitter.
	split   = 10
	padded  = 11 // inside of the pad
	third   = 12 // the third channel
	withAll = third
)

// solve gives the voltages at f with the given thing in the fixture. Nothing
// gives zeros.
//
//	source: EMF ── R ── fed, or with a splitter
//	        EMF ── R ── split ── R ── pad ── fed
//	                      └───── R ── channel 3, ended in R
//	cable:  source ── line ── core ──┬── arm 1
//	                                 └── arm 2
//	balun:  source ── line ── core ──── wire ── arm 1
//	                      └── shield ── wire ── arm 2
//	                            └── n sleeves in series ── ground
//	arm:    ── L ── lead ──┬── R ∥ C
//	                       └── channel
func (s *Scenario) solve(f units.Hertz, what Fixture) arms {
	if what == FitNothing && !s.Reference.Fitted() {
		return arms{}
	}
	n := s.circuit(f, what)
	source := complex(1/float64(s.Generator.Resistance), 0)
	if s.Reference.Fitted() {
		n.inject(split, source)
	} else {
		n.inject(fed, source)
	}
	v, ok := n.solve()
	if !ok {
		return arms{} // cannot be: the loads tie every node to ground
	}
	a := arms{
		node:    [2]complex128{v[arm1], v[arm2]},
		channel: [2]complex128{v[load1], v[load2]},
		sleeves: v[shield],
	}
	if s.Reference.Fitted() && !s.Reference.Uncabled {
		a.reference = v[third]
	}
	return a
}

// rounds bring an inductance that follows its own voltage to rest: the
// voltage across the sleeves hardly moves with it.
const rounds = 20

// driven is the scenario with the sleeves' inductance as it is at f with a
// source of so many volts peak, open circuit. Ferrite at low fields: its
// permeability rises with the amplitude of the field (Rayleigh's law, 1887,
// from memory); the rise is put down to the voltage, which at one frequency is
// in proportion.
func (s *Scenario) driven(f units.Hertz, what Fixture, peak float64) *Scenario {
	sleeve := s.Balun.Sleeve
	if sleeve.Doubling == 0 || s.Balun.Sleeves == 0 || what == FitCalibrationCable || what == FitNothing {
		return s
	}
	d := *s
	for range rounds {
		one := cmplx.Abs(d.solve(f, what).sleeves) * peak / float64(s.Balun.Sleeves)
		d.Balun.Sleeve.Inductance = sleeve.Inductance * units.Henries(1+one/float64(sleeve.Doubling))
	}
	return &d
}

// circuit is the network with the source's resistance and without its drive.
func (s *Scenario) circuit(f units.Hertz, what Fixture) *network {
	w := 2 * math.Pi * float64(f)
	n := s.source()
	switch what {
	case FitNothing:
		// Nothing is tied to the source; the rest to ground, to be solved.
		for node := core; node <= highest; node++ {
			n.admit(node, ground, 1)
		}
		return n
	case FitCalibrationCable:
		n.line(fed, ground, core, ground, float64(s.Cable.Impedance), w*float64(s.Cable.Delay))
		n.series(core, arm1, 0)
		n.series(core, arm2, 0)
		n.series(shield, ground, 0)
	default:
		l := s.Balun.Line
		n.line(fed, ground, core, shield, float64(l.Impedance), w*float64(l.Delay))
		if s.Balun.Sleeves == 0 {
			n.series(shield, ground, 0)
		} else {
			n.admit(shield, ground, s.Balun.admittance(w))
		}
		first, second := arm1, arm2
		if what == FitSwapped {
			first, second = arm2, arm1
		}
		s.Balun.Wires[0].connect(n, w, core, first)
		s.Balun.Wires[1].connect(n, w, shield, second)
	}
	for i, a := range s.Arms {
		a.connect(n, w, arm1+i, lead1+i, load1+i)
	}
	return n
}

// source is the network up to fed, without its drive.
func (s *Scenario) source() *network {
	inner := complex(1/float64(s.Generator.Resistance), 0)
	if !s.Reference.Fitted() {
		n := newNetwork(highest)
		n.admit(fed, ground, inner)
		return n
	}
	n := newNetwork(withAll)
	n.admit(split, ground, inner)
	branch := float64(s.Reference.Resistance)
	if s.Reference.Uncabled {
		n.admit(third, ground, 1)
	} else {
		n.admit(split, third, complex(1/branch, 0))
		n.admit(third, ground, complex(1/branch, 0))
	}
	if s.Reference.Pad == 0 {
		n.admit(padded, ground, 1)
		n.admit(split, fed, complex(1/branch, 0))
		return n
	}
	// A pad in T form, matched to the branch.
	a := s.Reference.Pad.Ratio()
	arm, shunt := branch*(a-1)/(a+1), 2*branch*a/(a*a-1)
	n.admit(split, padded, complex(1/(branch+arm), 0))
	n.admit(padded, ground, complex(1/shunt, 0))
	n.admit(padded, fed, complex(1/arm, 0))
	return n
}

// admittance of all sleeves in series.
func (c *Choke) admittance(w float64) complex128 {
	one := complex(1/float64(c.Sleeve.Resistance), w*float64(c.Sleeve.Capacitance)-1/(w*float64(c.Sleeve.Inductance)))
	return one / complex(float64(c.Sleeves), 0)
}

func (c Wire) connect(n *network, w float64, from, to int) {
	if c.Broken {
		n.admit(from, to, complex(0, w*float64(c.Gap)))
		return
	}
	n.series(from, to, complex(0, w*float64(c.Inductance)))
}

func (a Arm) connect(n *network, w float64, from, lead, load int) {
	n.series(from, lead, complex(0, w*float64(a.Inductance)))
	if a.Lead.Delay == 0 {
		n.series(lead, load, 0)
	} else {
		n.line(lead, ground, load, ground, float64(a.Lead.Impedance), w*float64(a.Lead.Delay))
	}
	n.admit(load, ground, complex(1/float64(a.Resistance), w*float64(a.Capacitance)))
}
