package level

import (
	"fmt"
	"math"
	"testing"

	"pgregory.net/rapid"

	"halfturn/drivers"
	"halfturn/units"
)

func rules() Rules {
	return Rules{
		Aim: 0.7, Min: 0.5, Max: 0.9, Headroom: 4,
		MinDrive: -60, MaxDrive: 13, DriveStep: 0.1,
		Ranges: []units.Volts{0.016, 0.04, 0.08, 0.16, 0.4, 0.8, 1.6, 4, 8},
		Windows: []drivers.Window{
			{Rate: 500e6, Samples: 10000}, {Rate: 250e6, Samples: 10000}, {Rate: 100e6, Samples: 10000},
			{Rate: 50e6, Samples: 10000}, {Rate: 25e6, Samples: 10000}, {Rate: 10e6, Samples: 10000}, {Rate: 5e6, Samples: 10000},
		},
		ClockTolerance: 100,
	}
}

func planner(t interface {
	Helper()
	Fatal(...any)
}, r Rules) *Planner {
	t.Helper()
	p, err := New(r)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// rolledOff is the larger arm's peak volts at 0 dBm behind a two-pole scope.
func rolledOff(f units.Hertz) units.Volts {
	x := float64(f) / 100e6
	return units.Volts(0.316 / (1 + x*x))
}

// sweepWith walks a planner through a response and counts acquisitions.
func sweepWith(p *Planner, grid []units.Hertz, response func(units.Hertz) units.Volts, cal func(units.Hertz) *Precedent, visit func(units.Hertz, Setting, float64)) (acquisitions int) {
	for _, f := range grid {
		r := cal(f)
		s := p.Next(f, drivers.Window{}, r)
		for range 8 {
			acquisitions++
			a := response(f) * units.Volts(units.DB(s.Drive).Ratio())
			fill := 2 * float64(a) / float64(s.Range)
			j := p.Judge(s, a, fill > 1, r)
			if !j.Retake {
				visit(f, s, fill)
				p.Learn(f, s.Drive, a, r)
				break
			}
			s = j.Next
		}
	}
	return acquisitions
}

func grid(from, to units.Hertz, n int) []units.Hertz {
	g := make([]units.Hertz, n)
	for i := range g {
		g[i] = from * units.Hertz(math.Pow(float64(to/from), float64(i)/float64(n-1)))
	}
	return g
}

func none(units.Hertz) *Precedent { return nil }

func TestCalibrationRaisesDriveThenLowersRange(t *testing.T) {
	p := planner(t, rules())
	settings := map[units.Hertz]Setting{}
	g := grid(3e6, 500e6, 60)
	n := sweepWith(p, g, rolledOff, none, func(f units.Hertz, s Setting, fill float64) {
		settings[f] = s
		if fill < 0.5 || fill > 0.9 {
			t.Errorf("%s: fill %.2f", f.Brief(), fill)
		}
		if s.Drive > 9.05 {
			t.Errorf("%s: drive %v uses the headroom", f.Brief(), s.Drive)
		}
	})
	if limit := 72; n > limit { // 1.2 per step
		t.Errorf("%d acquisitions for %d steps, want at most %d", n, len(g), limit)
	}
	for i := 1; i < len(g); i++ {
		was, is := settings[g[i-1]], settings[g[i]]
		if is.Range > was.Range {
			t.Errorf("%s: range went up from %v to %v while the scope rolls off", g[i].Brief(), was.Range, is.Range)
		}
		if is.Range == was.Range && is.Drive < was.Drive {
			t.Errorf("%s: drive went down from %v to %v on one range", g[i].Brief(), was.Drive, is.Drive)
		}
	}
}

func TestBalunKeepsTheCalibrationsRange(t *testing.T) {
	cal := map[units.Hertz]*Precedent{}
	g := grid(3e6, 500e6, 60)
	sweepWith(planner(t, rules()), g, rolledOff, none, func(f units.Hertz, s Setting, _ float64) {
		cal[f] = &Precedent{Drive: s.Drive, Range: s.Range, Amplitude: rolledOff(f) * units.Volts(units.DB(s.Drive).Ratio())}
	})
	// A balun of 0.8 of the cable's voltage that loses 3 dB at the low end.
	balun := func(f units.Hertz) units.Volts {
		return rolledOff(f) * units.Volts(0.8/math.Sqrt(1+math.Pow(4e6/float64(f), 2)))
	}
	n := sweepWith(planner(t, rules()), g, balun, func(f units.Hertz) *Precedent { return cal[f] }, func(f units.Hertz, s Setting, fill float64) {
		if s.Range != cal[f].Range {
			t.Errorf("%s: range %v, calibrated on %v", f.Brief(), s.Range, cal[f].Range)
		}
		if fill < 0.5 || fill > 0.9 {
			t.Errorf("%s: fill %.2f", f.Brief(), fill)
		}
	})
	if n > 72 {
		t.Errorf("%d acquisitions for %d steps", n, len(g))
	}
}

// Whatever the signal does, no setting leaves the limits, and a step ends.
func TestLimitsHoldWhateverTheSignal(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rules()
		r.MaxDrive = units.DBm(rapid.Float64Range(-40, 20).Draw(t, "max"))
		r.DriveStep = units.DB(rapid.SampledFrom([]float64{0, 0.01, 0.1, 0.5, 1}).Draw(t, "step"))
		p := planner(t, r)
		f := units.Hertz(1e6)
		for range rapid.IntRange(1, 20).Draw(t, "steps") {
			f *= units.Hertz(rapid.Float64Range(1.001, 3).Draw(t, "ratio"))
			var cal *Precedent
			if rapid.Bool().Draw(t, "calibrated") {
				cal = &Precedent{
					Drive:     units.DBm(rapid.Float64Range(-60, float64(r.MaxDrive)).Draw(t, "drive")),
					Range:     rapid.SampledFrom(r.Ranges).Draw(t, "range"),
					Amplitude: units.Volts(rapid.Float64Range(0, 10).Draw(t, "cal")),
				}
			}
			s := p.Next(f, drivers.Window{}, cal)
			for n := 0; ; n++ {
				if s.Drive > r.MaxDrive || s.Drive < r.MinDrive {
					t.Fatalf("drive %v outside %v to %v", s.Drive, r.MinDrive, r.MaxDrive)
				}
				known := false
				for _, full := range r.Ranges {
					known = known || full == s.Range
				}
				if !known {
					t.Fatalf("range %v does not exist", s.Range)
				}
				if n == 40 {
					t.Skip("a signal that jumps at random may never settle; the executor gives up on it")
				}
				amplitude := units.Volts(rapid.Float64Range(0, 20).Draw(t, "amplitude"))
				j := p.Judge(s, amplitude, rapid.Bool().Draw(t, "clipped"), cal)
				if !j.Retake {
					p.Learn(f, s.Drive, amplitude, cal)
					break
				}
				if j.Next == s {
					t.Fatal("a retake with the same setting")
				}
				s = j.Next
			}
		}
	})
}

// A signal that answers in proportion settles in a few acquisitions from any start.
func TestAProportionalSignalSettles(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := planner(t, rules())
		gain := units.Volts(math.Pow(10, rapid.Float64Range(-4, 1.5).Draw(t, "gain")))
		response := func(units.Hertz) units.Volts { return gain }
		visited := 0
		n := sweepWith(p, []units.Hertz{10e6, 11e6}, response, none, func(_ units.Hertz, s Setting, fill float64) {
			visited++
			atMost := s.Drive >= 12.9 && s.Range == 0.016
			if fill > 0.9 || (fill < 0.5 && !atMost) {
				t.Fatalf("gain %v ends at fill %.3f with %v on %v", gain, fill, s.Drive, s.Range)
			}
		})
		if visited != 2 || n > 12 {
			t.Fatalf("gain %v: %d steps done, %d acquisitions", gain, visited, n)
		}
	})
}

func TestMaxDriveIsTheSmallestLimit(t *testing.T) {
	for _, c := range []struct {
		ability, generator, balun units.DBm
		input                     units.Volts
		want                      units.DBm
	}{
		{13, 20, 20, 0, 13},
		{20, 13, 20, 0, 13},
		{20, 20, 7, 0, 7},
		{30, 30, 30, 5, 17.96}, // 5 V peak open circuit: 2.5 V peak matched, 62.5 mW
		{30, 30, 30, 0.5, -2.04},
	} {
		if got := MaxDrive(c.ability, c.generator, c.balun, c.input); math.Abs(float64(got-c.want)) > 0.005 {
			t.Errorf("%v, %v, %v, %v: got %v, want %v", c.ability, c.generator, c.balun, c.input, got, c.want)
		}
	}
}

func TestNewRefusesRulesThatCannotBeKept(t *testing.T) {
	for name, spoil := range map[string]func(*Rules){
		"fill order":  func(r *Rules) { r.Min = 0.8 },
		"fill at 1":   func(r *Rules) { r.Max = 1 },
		"fill NaN":    func(r *Rules) { r.Aim = math.NaN() },
		"no ranges":   func(r *Rules) { r.Ranges = nil },
		"no windows":  func(r *Rules) { r.Windows = nil },
		"no drive":    func(r *Rules) { r.MaxDrive = r.MinDrive },
		"no headroom": func(r *Rules) { r.Headroom = 200 },
		"negative":    func(r *Rules) { r.Headroom = -1 },
	} {
		r := rules()
		spoil(&r)
		if _, err := New(r); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

func TestPlaceKeepsClearOfTheSampleRate(t *testing.T) {
	p := planner(t, rules())
	for _, c := range []struct {
		f     units.Hertz
		moved bool
	}{
		{1e6, false}, {5e6, false}, {10e6, false}, {30e6, false}, {100e6, false}, {433e6, false},
		{125e6, true},                // the third harmonic falls on it at every rate there is
		{250e6, true}, {500e6, true}, // multiples of half of every rate
	} {
		got, w, err := p.Place(c.f)
		if err != nil {
			t.Fatal(err)
		}
		if (got != c.f) != c.moved || got < c.f || got > c.f*1.01 {
			t.Errorf("%s placed at %s", c.f.Brief(), got.Brief())
		}
		if cycles := float64(got) * float64(w.Span()); cycles < fewestCycles {
			t.Errorf("%s: %g cycles in the window", c.f.Brief(), cycles)
		}
		if d := away(2*got, w.Rate) * float64(w.Span()); d < clearance {
			t.Errorf("%s: %.1f cycles from a multiple of half of %s", c.f.Brief(), d, w.Rate.Brief())
		}
	}
	if _, _, err := p.Place(1); err == nil {
		t.Error("1 Hz has no window and no error")
	}
}

func TestPlaceAlwaysSuits(t *testing.T) {
	p := planner(t, rules())
	rapid.Check(t, func(t *rapid.T) {
		f := units.Hertz(math.Round(math.Pow(10, rapid.Float64Range(5, 9).Draw(t, "decade"))))
		got, w, err := p.Place(f)
		if err != nil {
			t.Fatal(err)
		}
		if !p.suits(got, w, false) {
			t.Fatalf("%v placed at %v in %v", f, got, w)
		}
	})
}

func BenchmarkAcquisitionsPerStep(b *testing.B) {
	for _, steps := range []int{30, 60, 300} {
		b.Run(fmt.Sprint(steps, " steps"), func(b *testing.B) {
			g := grid(3e6, 500e6, steps)
			n := 0
			for b.Loop() {
				p := planner(b, rules())
				n = sweepWith(p, g, rolledOff, none, func(units.Hertz, Setting, float64) {})
			}
			b.ReportMetric(float64(n)/float64(steps), "acquisitions/step")
		})
	}
}

// A lower setting keeps range and window, is a drive that the generator has,
// and at least so much lower; where there is none that is said.
func TestLower(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rules()
		r.DriveStep = units.DB(rapid.SampledFrom([]float64{0, 0.1, 0.25, 1}).Draw(t, "step"))
		p := planner(t, r)
		s := Setting{Drive: p.roundDown(units.DBm(rapid.Float64Range(-60, 13).Draw(t, "drive"))), Range: 0.8, Window: r.Windows[2]}
		drop := units.DB(rapid.Float64Range(0.5, 20).Draw(t, "drop"))
		low, ok := p.Lower(s, drop)
		if low.Range != s.Range || low.Window != s.Window || low.Drive < r.MinDrive {
			t.Fatalf("%+v after %+v", low, s)
		}
		lower := float64(s.Drive - low.Drive)
		if room := float64(s.Drive - r.MinDrive); ok != (room >= float64(drop)-1e-6) {
			t.Fatalf("%v lower than %v: ok is %v", drop, s.Drive, ok)
		}
		if ok && (lower < float64(drop)-1e-6 || lower > float64(drop)+float64(r.DriveStep)+1e-6) {
			t.Fatalf("%v is %g dB below %v, %v was asked for", low.Drive, lower, s.Drive, drop)
		}
	})
}
