package simbench

import (
	"math"
	"math/cmplx"

	"halfturn/units"
)

// Truth is what a perfect measurement of the balun run would find.
type Truth struct {
	Ratio               complex128    // arm ratio r, fixture and scope out
	AmplitudeBalance    units.DB      // 20 log10 |r|
	PhaseBalance        units.Degrees // arg(-r)
	CommonModeRejection units.DB      // 20 log10 |(1 - r)/(1 + r)|
	InsertionLoss       units.DB
	// Voltages of the arms where the balun ends, volts peak for a source
	// whose open circuit gives 1 V peak.
	Voltages [2]complex128
	// Transmission of each arm against the reference, that of the calibration
	// cable and K taken out: q_i/K, +1 and -1 for a lossless balun without
	// delay; zeros without a reference.
	Transmission [2]complex128
}

// Truth is the exact result at f for what is in the fixture during a balun
// run, by design formulas 5 and 6: q1 is arm 1's voltage over the calibration
// cable's, with a reference both over its own, T = q1 |1 - r|/2, K = (Z_L + 2 Z0)/(2 Z_L + Z0) with the nominal
// load of an arm. Everything is NaN where no signal reaches the arms.
func (s *Scenario) Truth(f units.Hertz) Truth {
	with, without := s.solve(f, s.Fixture.Balun), s.solve(f, FitCalibrationCable)
	balun, cable := with.node, without.node
	r := balun[1] / balun[0]
	if balun[0] == 0 {
		r = cmplx.NaN()
	}
	q1 := cmplx.Abs(balun[0]) / cmplx.Abs(cable[0])
	var transmission [2]complex128
	if with.reference != 0 {
		for i := range transmission {
			transmission[i] = (balun[i] / with.reference) / (cable[i] / without.reference) / s.NominalLoad.transmission(f)
		}
		q1 /= cmplx.Abs(with.reference) / cmplx.Abs(without.reference)
	}
	loss := units.DB(math.NaN())
	if !cmplx.IsNaN(r) {
		loss = -units.DBOfRatio(q1 * cmplx.Abs(1-r) / 2 / cmplx.Abs(s.NominalLoad.transmission(f)))
	}
	return Truth{
		Ratio:               r,
		AmplitudeBalance:    units.DBOfRatio(cmplx.Abs(r)),
		PhaseBalance:        units.Degrees(cmplx.Phase(-r) * 180 / math.Pi),
		CommonModeRejection: units.DBOfRatio(cmplx.Abs(1-r) / cmplx.Abs(1+r)),
		InsertionLoss:       loss,
		Voltages:            balun,
		Transmission:        transmission,
	}
}

// transmission is K of a lossless 1:1 balun in the same fixture.
func (l Nominal) transmission(f units.Hertz) complex128 {
	zl := 1 / complex(1/float64(l.Resistance), 2*math.Pi*float64(f)*float64(l.Capacitance))
	z0 := complex(float64(l.Source), 0)
	return (zl + 2*z0) / (2*zl + z0)
}
