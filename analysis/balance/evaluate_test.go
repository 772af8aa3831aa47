package balance

import (
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// Of testdata/choke-balun.cir.
var netlistLoad = Load{Resistance: 100, Capacitance: 15e-12, Source: 50}

// netlistChoke is Z_c of the netlist: 24 µH ∥ 2200 Ω ∥ 0.9 pF.
func netlistChoke(f units.Hertz) complex128 {
	w := 2 * math.Pi * float64(f)
	return 1 / (1/complex(0, w*24e-6) + 1/complex(2200, 0) + complex(0, w*0.9e-12))
}

type row struct {
	f           units.Hertz
	cal, a1, a2 complex128
}

// table reads testdata/choke-balun-ngspice.csv: AC analysis by ngspice 39 of
// testdata/choke-balun.cir, 1 V source, 11 significant digits.
func table(t *testing.T) []row {
	file, err := os.Open("../../testdata/choke-balun-ngspice.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	records, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows []row
	for _, record := range records[1:] {
		var v [7]float64
		for i := range v {
			if v[i], err = strconv.ParseFloat(record[i], 64); err != nil {
				t.Fatal(err)
			}
		}
		rows = append(rows, row{units.Hertz(v[0]), complex(v[1], v[2]), complex(v[3], v[4]), complex(v[5], v[6])})
	}
	if len(rows) != 33 {
		t.Fatalf("%d rows", len(rows))
	}
	return rows
}

// point is a step with these phasors, the scope's channels h, and no noise but
// a relative standard uncertainty u of each arm.
func point(f units.Hertz, p1, p2 complex128, drive units.DBm, u float64) Point {
	level := complex(math.Pow(10, float64(drive)/20), 0)
	p1, p2 = p1*level, p2*level
	r := p2 / p1
	return Point{
		Estimate: Estimate{
			Frequency:  f,
			Ratio:      r,
			Cov:        uncertainty.Circular(2 * u * u * norm2(r)),
			Amplitude:  [2]units.Volts{units.Volts(cmplx.Abs(p1)), units.Volts(cmplx.Abs(p2))},
			UAmplitude: [2]units.Volts{units.Volts(u * cmplx.Abs(p1)), units.Volts(u * cmplx.Abs(p2))},
			Captures:   4, Samples: 1000,
		},
		Drive: drive,
		Range: [2]units.Volts{1, 1},
	}
}

// Design formulas 4 to 6 against the ngspice table: r = -Zc/(Zc + Z_L), and the
// transmission that a lossless line of 50 Ω into Z_L and Z_L ∥ Zc gives, both
// from the netlist's values, to 1e-9 (the table has 11 digits of voltages down
// to 0.003 V). The runs are at different drives and seen through channels that
// differ, which must not matter.
func TestEvaluateAgainstNgspice(t *testing.T) {
	for _, row := range table(t) {
		h1, h2 := cmplx.Rect(0.8, -0.3), cmplx.Rect(0.7, 1.9)
		cal := point(row.f, row.cal*h1, row.cal*h2, -3, 1e-6)
		dut := point(row.f, row.a1*h1, row.a2*h2, 10, 1e-6)
		result, err := Evaluate(dut, cal, netlistLoad)
		if err != nil {
			t.Fatal(err)
		}

		zl, zc := netlistLoad.Impedance(row.f), netlistChoke(row.f)
		r := -zc / (zc + zl)
		if d := cmplx.Abs(result.Ratio - r); d > 1e-9 {
			t.Errorf("%v: r is off by %.2g", row.f, d)
		}
		closeTo := func(what string, got, want, tolerance float64) {
			if !(math.Abs(got-want) <= tolerance) {
				t.Errorf("%v: %s %.12g, want %.12g within %g", row.f, what, got, want, tolerance)
			}
		}
		closeTo("amplitude balance", float64(result.AmplitudeBalance), 20*math.Log10(cmplx.Abs(r)), 1e-8)
		closeTo("phase balance", float64(result.PhaseBalance), cmplx.Phase(-r)*180/math.Pi, 1e-7)
		closeTo("imbalance", result.Imbalance, cmplx.Abs((1+r)/(1-r)), 1e-9)

		// The line sees Z_L + Z_L ∥ Zc; a matched source in front of it makes
		// |V_a1 - V_a2| = |Z/(Z + Z0)|, and the cable gives |Z_L/(Z_L + 2 Z0)|.
		differential := zl + zl*zc/(zl+zc)
		transmission := cmplx.Abs(differential/(differential+50)) / 2 / cmplx.Abs(zl/(zl+100))
		k := cmplx.Abs(netlistLoad.TransmissionK(row.f))
		closeTo("insertion loss", float64(result.InsertionLoss), -20*math.Log10(transmission/k), 1e-8)
	}
}

// With no current on the outside of the shield, Zc infinite, the balun loses
// nothing and |T| must be |K|: nodes of the netlist solved for the line's two
// ends, source 1 V behind 50 Ω, line 50 Ω and 3 ns, load 2 Z_L, to 1e-12.
func TestTransmissionK(t *testing.T) {
	if k := netlistLoad.TransmissionK(0); cmplx.Abs(k-0.8) > 1e-15 {
		t.Errorf("K is %v at 0 Hz, want (100 + 2·50)/(2·100 + 50) = 0.8", k)
	}
	for _, f := range []units.Hertz{1e6, 33e6, 200e6, 500e6} {
		zl := netlistLoad.Impedance(f)
		load := func(z complex128) complex128 { // voltage across z at the end of the line
			// [V1; I1] = [cos θ, j Z0 sin θ; j sin θ/Z0, cos θ] [V2; I2]
			cos, sin := math.Cos(2*math.Pi*float64(f)*3e-9), math.Sin(2*math.Pi*float64(f)*3e-9)
			v := complex(cos, 0) + complex(0, 50*sin)/z
			i := complex(0, sin/50) + complex(cos, 0)/z
			return 1 / (v + 50*i)
		}
		v := load(2 * zl)   // arms at +v/2 and -v/2
		cal := load(zl / 2) // both arms in parallel
		result, err := Evaluate(point(f, v/2, -v/2, 0, 0), point(f, cal, cal, 0, 0), netlistLoad)
		if err != nil {
			t.Fatal(err)
		}
		if math.Abs(float64(result.InsertionLoss)) > 1e-12*8.7 || result.Imbalance > 1e-15 {
			t.Errorf("%v: insertion loss %v, imbalance %v of a perfect balun", f, result.InsertionLoss, result.Imbalance)
		}
	}
}

// Mixed-mode parameters of a three-port after Bockelman and Eisenstadt,
// "Combined differential and common-mode scattering parameters: theory and
// simulation", IEEE Trans. Microwave Theory Tech. 43 (1995) 1530, equations 15
// and 16: b_d = (b2 - b3)/√2, b_c = (b2 + b3)/√2, hence Sds21 = (S21 - S31)/√2
// and Scs21 = (S21 + S31)/√2 of single-ended port 1. The ratio of the two is
// the rejection, with r = S31/S21.
func TestRejectionIsMixedMode(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var s [3][3]complex128
		for i := range s {
			for j := range s[i] {
				s[i][j] = cmplx.Rect(rapid.Float64Range(0.05, 1).Draw(t, "abs"), rapid.Float64Range(-math.Pi, math.Pi).Draw(t, "arg"))
			}
		}
		// M S M⁻¹ with port 1 kept and ports 2, 3 turned into d and c.
		h := complex(math.Sqrt(0.5), 0)
		m := [3][3]complex128{{1, 0, 0}, {0, h, -h}, {0, h, h}}
		var mixed [3][3]complex128
		for i := range mixed {
			for j := range mixed {
				for a := range s {
					for b := range s {
						mixed[i][j] += m[i][a] * s[a][b] * m[j][b] // M is orthogonal
					}
				}
			}
		}
		sds21, scs21 := cmplx.Abs(mixed[1][0]), cmplx.Abs(mixed[2][0])
		if sds21 < 1e-3 || scs21 < 1e-3 {
			t.Skip("no rejection to speak of")
		}
		result, err := Evaluate(point(1e6, s[1][0], s[2][0], 0, 0), point(1e6, 1, 1, 0, 0), netlistLoad)
		if err != nil {
			t.Fatal(err)
		}
		if d := float64(result.CommonModeRejection) - 20*math.Log10(sds21/scs21); math.Abs(d) > 1e-9 {
			t.Errorf("rejection off by %g dB", d)
		}
	})
}

// measured is one noisy run of both, through the whole chain.
func measured(t *testing.T, rng *rand.Rand, r complex128, sigma float64, captures int) (dut, cal Point) {
	h := cmplx.Rect(0.9, 0.4) // channel 2 over channel 1
	one := func(ratio complex128) Point {
		b := bench{amplitude: 1, ratio: ratio, sigma: [2]float64{sigma, sigma}, samples: 1000}
		e, err := Combine(30e6, b.pairs(rng, captures))
		if err != nil {
			t.Fatal(err)
		}
		return Point{Estimate: e, Range: [2]units.Volts{1, 1}}
	}
	return one(r * h), one(h)
}

// How often the stated expanded uncertainty holds the truth, in 2000 seeded
// trials (standard deviation of a frequency near 0.95: 0.005), and its size
// against the scatter found: mean U/2 over the standard deviation.
func TestEvaluateCoverage(t *testing.T) {
	const trials = 2000
	for _, c := range []struct {
		r        complex128
		sigma    float64
		captures int
	}{
		{-1, 0.01, 4},
		{cmplx.Rect(0.9, 3), 0.3, 4},
		{cmplx.Rect(0.98, -3.1), 1, 16}, // a rejection near what noise allows to see
		{cmplx.Rect(0.5, 2.4), 0.1, 1},
		{cmplx.Rect(0.8, 2), 2, 64},
	} {
		t.Run(fmt.Sprintf("%.3g∠%.3g, noise %g, %d captures", cmplx.Abs(c.r), cmplx.Phase(c.r), c.sigma, c.captures), func(t *testing.T) {
			rng := rand.New(rand.NewPCG(21, 22))
			truth, err := Evaluate(point(30e6, 1, c.r, 0, 0), point(30e6, 1, 1, 0, 0), netlistLoad)
			if err != nil {
				t.Fatal(err)
			}
			const quantities = 4
			var covered, square, u [quantities]float64
			low := 0.0
			for range trials {
				dut, cal := measured(t, rng, c.r, c.sigma, c.captures)
				result, err := Evaluate(dut, cal, netlistLoad)
				if err != nil {
					t.Fatal(err)
				}
				for i, q := range [quantities][3]float64{
					{float64(result.AmplitudeBalance), float64(truth.AmplitudeBalance), float64(result.UAmplitudeBalance)},
					{float64(result.PhaseBalance), float64(truth.PhaseBalance), float64(result.UPhaseBalance)},
					{result.Imbalance, truth.Imbalance, result.UImbalance},
					{float64(result.InsertionLoss), float64(truth.InsertionLoss), float64(result.UInsertionLoss)},
				} {
					d := q[0] - q[1]
					if math.Abs(d) <= q[2] {
						covered[i] += 1. / trials
					}
					square[i] += d * d / trials
					u[i] += q[2] / 2 / trials
				}
				if truth.CommonModeRejection >= result.CommonModeRejectionLow {
					low += 1. / trials
				}
			}
			t.Logf("covered %.3f; u over scatter %.2f %.2f %.2f %.2f; assured rejection holds %.3f", covered,
				u[0]/math.Sqrt(square[0]), u[1]/math.Sqrt(square[1]), u[2]/math.Sqrt(square[2]), u[3]/math.Sqrt(square[3]), low)
			for i := range covered {
				if covered[i] < 0.93 {
					t.Errorf("quantity %d covered in %.3f of the cases", i, covered[i])
				}
				if ratio := u[i] / math.Sqrt(square[i]); i != 2 && (ratio < 0.95 || ratio > 1.3) {
					t.Errorf("quantity %d: standard uncertainty is %.2f of the scatter", i, ratio)
				}
			}
			// One-sided, 95 %; a true imbalance of 0 is inside any bound.
			if most := 0.97; low < 0.935 || low > most && truth.Imbalance > 0 {
				t.Errorf("the assured rejection holds in %.3f of the cases", low)
			}
		})
	}
}

// Small uncertainties: 8.686 u/|r| dB and u/|r| rad, doubled, to 1 %.
func TestEvaluateSmallUncertainty(t *testing.T) {
	const u = 1e-4
	result, err := Evaluate(point(30e6, 1, -0.9, 0, u), point(30e6, 1, 1, 0, u), netlistLoad)
	if err != nil {
		t.Fatal(err)
	}
	relative := math.Sqrt(4) * u // four arms
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"amplitude balance", float64(result.UAmplitudeBalance), 2 * 20 / math.Ln10 * relative},
		{"phase balance", float64(result.UPhaseBalance), 2 * 180 / math.Pi * relative},
		// |dg| = 2|dr|/|1 - r|²
		{"imbalance", result.UImbalance, 2 * 2 * 0.9 * relative / (1.9 * 1.9)},
		// α = 1/1.9 of arm 1, 0.9/1.9 of arm 2, in two runs
		{"insertion loss", float64(result.UInsertionLoss), 2 * 20 / math.Ln10 * u * math.Sqrt(2*(1+0.81)) / 1.9},
	} {
		if math.Abs(c.got/c.want-1) > 0.01 {
			t.Errorf("%s: U %g, want %g", c.name, c.got, c.want)
		}
	}
}

func TestEvaluateLargeUncertainty(t *testing.T) {
	cal := point(30e6, 1, 1, 0, 1e-4)
	dut := point(30e6, 1, -0.1, 0, 1e-4)
	for _, c := range []struct {
		u          float64 // standard, of r
		amplitude  float64 // dB, expanded
		phase      float64
		unmeasured bool
	}{
		// 2u/|r| = 0.5: 0.1 down to 0.05 is 6.02 dB, and asin 0.5 = 30°.
		{0.025, 20 * math.Log10(2), 30, false},
		{0.05, math.Inf(1), 180, true}, // 0 is inside
		{1, math.Inf(1), 180, true},
	} {
		dut.Cov = uncertainty.Circular(c.u * c.u)
		if c.u >= 1 {
			dut.Ratio, dut.Amplitude[1] = -1.5, 1.5
		}
		result, err := Evaluate(dut, cal, netlistLoad)
		if err != nil {
			t.Fatal(err)
		}
		if c.unmeasured {
			if !math.IsInf(float64(result.UAmplitudeBalance), 1) || result.UPhaseBalance != 180 {
				t.Errorf("u %g: %v and %v", c.u, result.UAmplitudeBalance, result.UPhaseBalance)
			}
			continue
		}
		if math.Abs(float64(result.UAmplitudeBalance)-c.amplitude) > 0.01 || math.Abs(float64(result.UPhaseBalance)-c.phase) > 0.1 {
			t.Errorf("u %g: %v and %v, want %g dB and %g°", c.u, result.UAmplitudeBalance, result.UPhaseBalance, c.amplitude, c.phase)
		}
	}
}

func TestEvaluateBrokenArm(t *testing.T) {
	cal := point(30e6, 1, 1, 0, 1e-3)
	dut := point(30e6, 1, 0, 0, 1e-3)
	dut.Cov, dut.UAmplitude[1] = uncertainty.Circular(1e-6), 1e-3
	result, err := Evaluate(dut, cal, netlistLoad)
	if err != nil {
		t.Fatal(err)
	}
	if !math.IsInf(float64(result.AmplitudeBalance), -1) || !math.IsInf(float64(result.UAmplitudeBalance), 1) || result.UPhaseBalance != 180 {
		t.Errorf("%+v", result)
	}
	if math.Abs(result.Imbalance-1) > 1e-12 || math.Abs(result.UImbalance-4e-3) > 1e-4 { // g' = 2/(1-r)² = 2
		t.Errorf("imbalance %g ± %g", result.Imbalance, result.UImbalance)
	}
	if math.IsNaN(float64(result.InsertionLoss)) || math.IsNaN(float64(result.UInsertionLoss)) {
		t.Errorf("insertion loss %v ± %v", result.InsertionLoss, result.UInsertionLoss)
	}
}

func TestEvaluateRanges(t *testing.T) {
	cal, dut := point(30e6, 1, 1, 0, 1e-6), point(30e6, 1, -1, 0, 1e-6)
	evaluate := func(opts ...Option) Result {
		result, err := Evaluate(dut, cal, netlistLoad, opts...)
		if err != nil {
			t.Fatal(err)
		}
		return result
	}
	if r := evaluate(); r.RangesDiffer || r.UAmplitudeBalance > 1e-4 {
		t.Errorf("same ranges: %+v", r)
	}
	dut.Range[1] = 0.5
	// One channel moved: 2 · 0.106 dB on the balance, half of that on the
	// differential signal of two equal arms. 1 % is for the larger side in dB.
	r := evaluate()
	if !r.RangesDiffer || math.Abs(float64(r.UAmplitudeBalance)/(2*0.106)-1) > 0.02 || math.Abs(float64(r.UInsertionLoss)/0.106-1) > 0.02 {
		t.Errorf("one range differs: %+v", r)
	}
	dut.Range[0] = 0.5
	both := evaluate()
	if math.Abs(float64(both.UAmplitudeBalance)/(2*0.106*math.Sqrt2)-1) > 0.03 {
		t.Errorf("both ranges differ: %+v", both)
	}
	if r := evaluate(RangeGain(0)); !r.RangesDiffer || r.UAmplitudeBalance > 1e-4 {
		t.Errorf("no range gain: %+v", r)
	}
	dut.Range = cal.Range
	cal.RangesDiffer = true
	if r := evaluate(); r != both {
		t.Errorf("calibration interpolated between ranges: %+v, want %+v", r, both)
	}
}

// Level drift moves both arms alike: the insertion loss feels all of it, not
// the 1/√2 of independent arms.
func TestEvaluateCommonDrift(t *testing.T) {
	const u = 1e-3
	cal, dut := point(30e6, 1, 1, 0, 0), point(30e6, 1, -1, 0, u)
	dut.RAmplitude, dut.Cov = 1, uncertainty.Cov{}
	result, err := Evaluate(dut, cal, netlistLoad)
	if err != nil {
		t.Fatal(err)
	}
	if want := 2 * 20 / math.Ln10 * u; math.Abs(float64(result.UInsertionLoss)/want-1) > 0.01 {
		t.Errorf("U %v, want %g dB", result.UInsertionLoss, want)
	}
}

func TestEvaluateRefuses(t *testing.T) {
	for name, spoil := range map[string]func(dut, cal *Point, load *Load){
		"frequencies differ":       func(_, cal *Point, _ *Load) { cal.Frequency = 31e6 },
		"negative frequency":       func(dut, cal *Point, _ *Load) { dut.Frequency, cal.Frequency = -1, -1 },
		"calibration of nothing":   func(_, cal *Point, _ *Load) { cal.Ratio = 0 },
		"ratio not a number":       func(dut, _ *Point, _ *Load) { dut.Ratio = cmplx.NaN() },
		"no amplitude":             func(_, cal *Point, _ *Load) { cal.Amplitude[0] = 0 },
		"drive not a number":       func(dut, _ *Point, _ *Load) { dut.Drive = units.DBm(math.NaN()) },
		"negative uncertainty":     func(dut, _ *Point, _ *Load) { dut.UAmplitude[0] = -1 },
		"covariance not one":       func(dut, _ *Point, _ *Load) { dut.Cov.RI = 1 },
		"correlation above 1":      func(dut, _ *Point, _ *Load) { dut.RAmplitude = 2 },
		"no load":                  func(_, _ *Point, load *Load) { *load = Load{} },
		"negative capacitance":     func(_, _ *Point, load *Load) { load.Capacitance = -1e-12 },
		"source not a number":      func(_, _ *Point, load *Load) { load.Source = units.Ohms(math.NaN()) },
		"calibration cable fitted": func(dut, _ *Point, _ *Load) { dut.Ratio = 1 },
	} {
		dut, cal, load := point(30e6, 1, -1, 0, 1e-3), point(30e6, 1, 1, 0, 1e-3), netlistLoad
		spoil(&dut, &cal, &load)
		result, err := Evaluate(dut, cal, load)
		if err == nil || result != (Result{}) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %+v, %v", name, result, err)
		}
		if errors.Is(err, ErrNotDifferential) != (name == "calibration cable fitted") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := Evaluate(point(1, 1, -1, 0, 0), point(1, 1, 1, 0, 0), netlistLoad, RangeGain(-1)); err == nil {
		t.Error("negative range gain accepted")
	}
}

func TestCable(t *testing.T) {
	result := Cable(point(30e6, 1, cmplx.Rect(1.1, 0.1), 0, 1e-4))
	if math.Abs(float64(result.AmplitudeBalance)-20*math.Log10(1.1)) > 1e-12 ||
		math.Abs(float64(result.PhaseBalance)-0.1*180/math.Pi) > 1e-12 ||
		math.Abs(result.Imbalance-cmplx.Abs((1-cmplx.Rect(1.1, 0.1))/(1+cmplx.Rect(1.1, 0.1)))) > 1e-12 ||
		math.Abs(float64(result.UPhaseBalance)/(2*math.Sqrt2*1e-4*180/math.Pi)-1) > 1e-3 {
		t.Errorf("%+v", result)
	}
}

// Any fixture cancels: whatever the channels do, alike in both runs.
func TestDeembedCancelsTheFixture(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(what string) complex128 {
			return cmplx.Rect(rapid.Float64Range(0.01, 10).Draw(t, what), rapid.Float64Range(-math.Pi, math.Pi).Draw(t, what))
		}
		r, h := draw("r"), draw("h")
		got, cov := Deembed(point(1e6, 1, r*h, 0, 1e-3).Estimate, point(1e6, 1, h, 0, 1e-3).Estimate)
		if cmplx.Abs(got/r-1) > 1e-12 {
			t.Fatalf("r %v, want %v", got, r)
		}
		if want := 2e-3 * cmplx.Abs(r); math.Abs(cov.Standard()/want-1) > 1e-9 {
			t.Fatalf("u %v, want %v", cov.Standard(), want)
		}
	})
}

func BenchmarkEvaluate(b *testing.B) {
	dut, cal := point(30e6, 1, -1, 0, 1e-3), point(30e6, 1, 1, 0, 1e-3)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Evaluate(dut, cal, netlistLoad); err != nil {
			b.Fatal(err)
		}
	}
}
