package compare

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"time"

	"halfturn/analysis/balance"
	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// bench draws runs with known truth and noise.
type bench struct {
	frequencies []units.Hertz
	load        balance.Load
	rng         *rand.Rand
	fixture     func(units.Hertz) complex128 // ratio of the calibration cable as read
}

func newBench(seed uint64, points int) *bench {
	b := &bench{
		load: balance.Load{Resistance: 100, Capacitance: 15e-12, Source: 50},
		rng:  rand.New(rand.NewPCG(seed, 7)),
		fixture: func(f units.Hertz) complex128 { // 85 ps and 0.2 dB
			return cmplx.Rect(0.977, -2*math.Pi*float64(f)*85e-12)
		},
	}
	for i := range points {
		b.frequencies = append(b.frequencies, units.Hertz(10e6*math.Pow(30, float64(i)/float64(max(points-1, 1)))))
	}
	return b
}

// choked is the arm ratio of a balun whose choke is L ∥ R with n sleeves:
// r = -Z_c/(Z_c + Z_L).
func (b *bench) choked(sleeves float64) func(units.Hertz) complex128 {
	return func(f units.Hertz) complex128 {
		z := complex(0, 2*math.Pi*float64(f)*4.2e-6)
		z = complex(sleeves, 0) * z * 430 / (z + 430)
		return -z / (z + b.load.Impedance(f))
	}
}

// ideal is a balun without any imbalance.
func ideal(units.Hertz) complex128 { return -1 }

// step draws one step: two phasors of 1 V times ratio, each with relative
// complex noise u per component, the estimate's uncertainty being what it is.
func (b *bench) step(f units.Hertz, ratio complex128, u float64) balance.Point {
	noise := func() complex128 { return complex(u*b.rng.NormFloat64(), u*b.rng.NormFloat64()) }
	p1 := 1 + noise()
	p2 := ratio * (1 + noise())
	var p balance.Point
	p.Frequency = f
	p.Ratio = p2 / p1
	p.Cov = uncertainty.Circular(2 * u * u * norm2(p.Ratio))
	p.Amplitude = [2]units.Volts{units.Volts(cmplx.Abs(p1)), units.Volts(cmplx.Abs(p2))}
	p.UAmplitude = [2]units.Volts{units.Volts(u) * p.Amplitude[0], units.Volts(u) * p.Amplitude[1]}
	p.Captures, p.Samples = 4, 10000
	p.Range = [2]units.Volts{2, 2}
	return p
}

// calibration draws one.
func (b *bench) calibration(u float64) func(units.Hertz) (balance.Point, error) {
	var points []balance.Point
	for _, f := range b.frequencies {
		points = append(points, b.step(f, b.fixture(f), u))
	}
	c, err := balance.NewCalibration(points)
	if err != nil {
		panic(err)
	}
	return c.At
}

// run draws a balun run of the given arm ratio.
func (b *bench) run(id, calibration int64, cal func(units.Hertz) (balance.Point, error), r func(units.Hertz) complex128, u float64) *Run {
	run := &Run{ID: id, Load: b.load, Calibration: calibration, CalibrationAt: cal,
		Started: time.Date(2031, 5, 14, 9, 0, 0, 0, time.UTC).Add(time.Duration(id) * time.Hour)}
	for _, f := range b.frequencies {
		run.Steps = append(run.Steps, Reading{Point: b.step(f, r(f)*b.fixture(f), u), Measured: true})
	}
	return run
}

// scaled multiplies an arm ratio, as a change of the winding does.
func scaled(r func(units.Hertz) complex128, by complex128) func(units.Hertz) complex128 {
	return func(f units.Hertz) complex128 { return by * r(f) }
}

func ptr(db float64) *units.DB {
	u := units.DB(db)
	return &u
}
