package simbench

import (
	"encoding/csv"
	"math"
	"math/cmplx"
	"os"
	"strconv"
	"testing"

	"pgregory.net/rapid"

	"halfturn/units"
)

// netlist is testdata/choke-balun.cir.
func netlist() *Scenario {
	s := defaults()
	s.Description = "the netlist's values"
	s.Balun.Sleeves = 1
	s.Balun.Sleeve = Sleeve{Inductance: 24e-6, Resistance: 2200, Capacitance: 0.9e-12}
	return &s
}

// Source: ngspice 39, AC analysis of testdata/choke-balun.cir. Tolerance: 1e-6
// of the source's 1 V; the table itself has ten digits.
func TestCircuitsAgreeWithNgspice(t *testing.T) {
	rows := readTable(t)
	s := netlist()
	worst := 0.0
	for _, row := range rows {
		f := units.Hertz(row[0])
		cable, balun := s.solve(f, FitCalibrationCable), s.solve(f, FitBalun)
		for _, c := range []struct {
			what string
			got  complex128
			want complex128
		}{
			{"cable, arm 1", cable.channel[0], complex(row[1], row[2])},
			{"cable, arm 2", cable.channel[1], complex(row[1], row[2])},
			{"balun, arm 1", balun.channel[0], complex(row[3], row[4])},
			{"balun, arm 2", balun.channel[1], complex(row[5], row[6])},
		} {
			d := cmplx.Abs(c.got - c.want)
			worst = max(worst, d)
			if !(d <= 1e-6) {
				t.Errorf("%v, %s: %v, ngspice has %v", f, c.what, c.got, c.want)
			}
		}
	}
	t.Logf("%d frequencies, largest difference %.2g V", len(rows), worst)
}

// Source: the same table, with design formulas 5 to 7 applied to its voltages.
func TestTruthAgreesWithNgspice(t *testing.T) {
	s := netlist()
	for _, row := range readTable(t) {
		f := units.Hertz(row[0])
		cable, a1, a2 := complex(row[1], row[2]), complex(row[3], row[4]), complex(row[5], row[6])
		got := s.Truth(f)
		r := a2 / a1
		if d := cmplx.Abs(got.Ratio - r); !(d < 1e-6) {
			t.Errorf("%v: ratio %v, table %v", f, got.Ratio, r)
		}
		w := 2 * math.Pi * row[0]
		zl := 1 / complex(1/100., w*15e-12)
		k := (zl + 100) / (2*zl + 50)
		want := -20 * math.Log10(cmplx.Abs(a1)/cmplx.Abs(cable)*cmplx.Abs(1-r)/2/cmplx.Abs(k))
		if !(math.Abs(float64(got.InsertionLoss)-want) < 1e-5) {
			t.Errorf("%v: insertion loss %v, table %g dB", f, got.InsertionLoss, want)
		}
		// The choke from the ratio, Z_c = -Z_L r/(1 + r), against the netlist's.
		zc := 1 / complex(1/2200., w*0.9e-12-1/(w*24e-6))
		if est := -zl * got.Ratio / (1 + got.Ratio); !(cmplx.Abs(est-zc) < 1e-9*cmplx.Abs(zc)) {
			t.Errorf("%v: choke %v, netlist %v", f, est, zc)
		}
		if b := float64(got.AmplitudeBalance); math.Abs(b-20*math.Log10(cmplx.Abs(r))) > 1e-5 {
			t.Errorf("%v: amplitude balance %g", f, b)
		}
		if p := float64(got.PhaseBalance); math.Abs(p-cmplx.Phase(-r)*180/math.Pi) > 1e-4 {
			t.Errorf("%v: phase balance %g", f, p)
		}
	}
}

func readTable(t *testing.T) [][7]float64 {
	t.Helper()
	file, err := os.Open("../../testdata/choke-balun-ngspice.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	lines, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var rows [][7]float64
	for _, line := range lines[1:] {
		var row [7]float64
		for i := range row {
			if row[i], err = strconv.ParseFloat(line[i], 64); err != nil {
				t.Fatal(err)
			}
		}
		rows = append(rows, row)
	}
	if len(rows) < 30 {
		t.Fatalf("%d rows in the table", len(rows))
	}
	return rows
}

// drawScenario is any circuit that a scenario file may describe.
func drawScenario(t *rapid.T) *Scenario {
	between := func(name string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
	s := defaults()
	s.Description = "drawn"
	s.Generator.Resistance = units.Ohms(between("source", 5, 500))
	s.Cable = Line{units.Ohms(between("cable z0", 10, 300)), units.Seconds(between("cable delay", 0, 20e-9))}
	s.Balun.Line = Line{units.Ohms(between("balun z0", 10, 300)), units.Seconds(between("balun delay", 0, 20e-9))}
	s.Balun.Sleeves = rapid.IntRange(1, 30).Draw(t, "sleeves")
	s.Balun.Sleeve = Sleeve{
		Inductance: units.Henries(between("L", 0.1e-6, 50e-6)), Resistance: units.Ohms(between("R", 10, 5000)), Capacitance: units.Farads(between("C", 0, 20e-12)),
	}
	for i := range s.Arms {
		s.Arms[i] = Arm{
			Resistance: units.Ohms(between("load", 10, 1000)), Capacitance: units.Farads(between("input", 0, 50e-12)),
			Inductance: units.Henries(between("lead", 0, 30e-9)),
			Lead:       Line{units.Ohms(between("lead z0", 20, 200)), units.Seconds(between("lead delay", 0, 1e-9))},
		}
		s.Balun.Wires[i] = Wire{Inductance: units.Henries(between("wire", 0, 30e-9))}
	}
	if rapid.Bool().Draw(t, "broken") {
		s.Balun.Wires[rapid.IntRange(0, 1).Draw(t, "which")] = Wire{Broken: true, Gap: units.Farads(between("gap", 0, 1e-12))}
	}
	return &s
}

var fitted = rapid.SampledFrom([]Fixture{FitCalibrationCable, FitBalun, FitSwapped})

// Lines keep no energy: what the source gives is what loads and sleeves take,
// and never more than the source has available, |E|²/(4 R).
func TestEnergyIsConserved(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, what := drawScenario(t), fitted.Draw(t, "fitted")
		f := units.Hertz(rapid.Float64Range(1e5, 3e9).Draw(t, "f"))
		n := s.circuit(f, what)
		rs := float64(s.Generator.Resistance)
		n.inject(fed, complex(1/rs, 0))
		v, ok := n.solve()
		if !ok {
			t.Fatal("no solution")
		}
		given := real(v[fed] * cmplx.Conj((1-v[fed])/complex(rs, 0)))
		taken := 0.0
		for i, a := range s.Arms {
			taken += norm(v[load1+i]) / float64(a.Resistance)
		}
		if what != FitCalibrationCable {
			taken += norm(v[shield]) * real(s.Balun.admittance(2*math.Pi*float64(f)))
		}
		available := 1 / (4 * rs)
		if math.Abs(given-taken) > 1e-9*available {
			t.Fatalf("given %g W, taken %g W", given, taken)
		}
		if given > available*(1+1e-9) {
			t.Fatalf("given %g W of %g W", given, available)
		}
	})
}

// A current into node i gives at node j what the same current into j gives at i.
func TestNetworksAreReciprocal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, what := drawScenario(t), fitted.Draw(t, "fitted")
		f := units.Hertz(rapid.Float64Range(1e5, 3e9).Draw(t, "f"))
		i := rapid.SampledFrom([]int{fed, load1, load2, arm1, arm2}).Draw(t, "i")
		j := rapid.SampledFrom([]int{fed, load1, load2, arm1, arm2}).Draw(t, "j")
		transfer := func(from, to int) complex128 {
			n := s.circuit(f, what)
			n.inject(from, 1)
			v, ok := n.solve()
			if !ok {
				t.Fatal("no solution")
			}
			return v[to]
		}
		there, back := transfer(i, j), transfer(j, i)
		// Impedances here are within 1 Ω and 100 kΩ; 1e-7 Ω is their rounding.
		if cmplx.Abs(there-back) > 1e-9*cmplx.Abs(there)+1e-7 {
			t.Fatalf("%d to %d: %v, back %v", i, j, there, back)
		}
	})
}

func TestSwappedArmsTradePlaces(t *testing.T) {
	s := netlist()
	s.Balun.Wires = [2]Wire{{Inductance: 4e-9}, {Inductance: 7e-9}}
	for _, f := range []units.Hertz{1e6, 30e6, 300e6} {
		as, swapped := s.solve(f, FitBalun), s.solve(f, FitSwapped)
		for i := range 2 {
			if d := cmplx.Abs(as.channel[i] - swapped.channel[1-i]); d > 1e-12 {
				t.Errorf("%v: arm %d %v, swapped %v", f, i+1, as.channel[i], swapped.channel[1-i])
			}
		}
	}
}

// More sleeves of the same kind bring the ratio nearer to -1: n times the
// impedance, so 1 + 1/r falls as 1/n exactly.
func TestSleevesAddUp(t *testing.T) {
	s := netlist()
	f := units.Hertz(5e6)
	one := 1 + 1/s.Truth(f).Ratio
	for _, n := range []int{2, 5, 20} {
		s.Balun.Sleeves = n
		if got := (1 + 1/s.Truth(f).Ratio) * complex(float64(n), 0); cmplx.Abs(got-one) > 1e-9*cmplx.Abs(one) {
			t.Errorf("%d sleeves: %v, one %v", n, got, one)
		}
	}
}

func norm(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }

func BenchmarkSolve(b *testing.B) {
	s := netlist()
	b.ReportAllocs()
	for b.Loop() {
		s.solve(30e6, FitBalun)
	}
}
