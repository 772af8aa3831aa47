package report

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"math"
	"math/cmplx"
	"slices"
	"strconv"
	"strings"
	"testing"

	"halfturn/analysis/balance"
	"halfturn/analysis/choke"
	"halfturn/analysis/fixture"
	"halfturn/analysis/linearity"
	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// exchanged is the failing balun with its arms exchanged, beside its straight
// run: the fixture's asymmetry is 0.3 dB and -2°.
func exchanged() Input {
	in := failing.input()
	in.Run.Kind = KindSwapped
	in.Swapped = combined(in.Steps, cmplx.Rect(math.Pow(10, 0.3/20), -2*math.Pi/180))
	return in
}

func combined(steps []Step, off complex128) *Swapped {
	x := &Swapped{Straight: 11, Swapped: 12, Calibration: 9, LeftOut: []LeftOut{{"no arm ratio in the straight run", 2, 50e6}}}
	const dB, degrees = 20 / math.Ln10, 180 / math.Pi
	for i := range steps {
		s := &steps[i]
		if !s.Measured {
			continue
		}
		cov := uncertainty.Circular(1e-6)
		e := Exchanged{
			Ratios: fixture.Swapped{Frequency: s.Point.Frequency, Ratio: s.Result.Ratio, Cov: cov, Fixture: off, CovH: cov},
			Asymmetry: fixture.Asymmetry{Frequency: s.Point.Frequency, Ratio: off, Cov: cov,
				Gain: units.DB(dB * real(cmplx.Log(off))), UGain: 0.02, Phase: units.Degrees(degrees * imag(cmplx.Log(off))), UPhase: 0.1, Significant: off != 1},
		}
		z := cmplx.Log(-s.Result.Ratio)
		e.Amplitude, e.UAmplitude, e.Phase, e.UPhase = units.DB(dB*real(z)), 0.02, units.Degrees(degrees*imag(z)), 0.1
		x.Steps = append(x.Steps, e)
	}
	if off != 1 {
		x.Beyond, x.Significant = len(x.Steps), true
	}
	return x
}

// levelled is a balun taken at two drives; gain and cable are what the higher
// one does to the arm ratio of balun and cable, in nepers.
func levelled(kind string, gain, cable float64) Input {
	in := failing.input()
	points := levelsOf(in.Steps, gain)
	calibration := levelsOf(in.Steps, cable)
	if kind == KindCalibration {
		in = proving()
		in.Linearity = &Linearity{Report: linearity.Cable(calibration)}
		return in
	}
	in.Linearity = &Linearity{Report: linearity.Balun(points, calibration), Calibration: linearity.Cable(calibration)}
	return in
}

func levelsOf(steps []Step, gain float64) []linearity.Point {
	var points []linearity.Point
	for i := 0; i < len(steps); i += 10 {
		s := &steps[i]
		if !s.Measured {
			continue
		}
		e := s.Point.Estimate
		e.Cov = uncertainty.Circular(1e-8)
		low := e
		low.Ratio *= complex(math.Exp(-gain), 0)
		for arm := range low.Amplitude {
			low.Amplitude[arm] /= 2
		}
		p := linearity.Point{
			Frequency: e.Frequency, Range: s.Point.Range,
			High: linearity.Level{Drive: 6, Fill: [2]float64{0.7, 0.7}, Estimate: e},
			Low:  linearity.Level{Drive: 0, Fill: [2]float64{0.35, 0.35}, Estimate: low},
		}
		for arm := range p.Harmonics {
			p.Harmonics[arm] = [2]linearity.Harmonic{{Ratio: 0.01, U: 1e-4}, {Ratio: 1e-4, U: 1e-4}}
		}
		points = append(points, p)
	}
	return points
}

func init() {
	inputs["exchanged"] = exchanged
	inputs["exchanged alone"] = func() Input { in := exchanged(); in.Swapped = &Swapped{Why: nasty}; return in }
	inputs["exchanged nowhere"] = func() Input {
		in := exchanged()
		in.Swapped = &Swapped{LargestAmplitude: -1, LargestPhase: -1, LargestGain: -1, LargestTurn: -1, Warnings: []string{nasty}, LeftOut: []LeftOut{{nasty, 1, units.Hertz(math.NaN())}}}
		return in
	}
	inputs["exchanged astray"] = func() Input {
		in := exchanged()
		for i := range in.Swapped.Steps {
			e := &in.Swapped.Steps[i]
			e.Amplitude, e.UPhase, e.Asymmetry.Gain, e.Asymmetry.UPhase = units.DB(math.NaN()), units.Degrees(math.Inf(1)), units.DB(math.Inf(-1)), units.Degrees(math.Inf(1))
		}
		return in
	}
	inputs["levelled"] = func() Input { return levelled(KindBalun, 0.02, 0) }
	inputs["levelled cable"] = func() Input { return levelled(KindCalibration, 0, 0.02) }
	inputs["levelled astray"] = func() Input {
		in := levelled(KindBalun, 0.02, 0.01)
		l := in.Linearity
		l.Steps = slices.Clone(l.Steps)
		l.Steps[0].Change.Gain, l.Steps[1].Scope.UGain, l.Steps[2].Rest.Phase = units.DB(math.NaN()), units.DB(math.Inf(1)), units.Degrees(math.NaN())
		l.Steps[3].Distortion[0].Source = linearity.NoSource
		l.Worst[0].At, l.Steps[l.Largest].Why = -1, nasty
		return in
	}
}

func pageOf(t *testing.T, in Input) string {
	t.Helper()
	var b bytes.Buffer
	if err := HTML(&b, in); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// The same figures stand in the text, on the page and in JSON, and an asymmetry
// is not put down to the cable alone.
func TestSwappedEverywhere(t *testing.T) {
	in := exchanged()
	text, page := textOf(t, in), pageOf(t, in)
	for _, want := range []string{"Straight and swapped together, runs 11 and 12", "0.300 dB ± 0.020 dB", "-2.00° ± 0.10°", "ignificant: at ", "rms that load the balun unequally", "2 steps left out from 50 MHz on: no arm ratio in the straight run"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in the text\n%s", want, text)
		}
		if !strings.Contains(page, want) {
			t.Errorf("no %q on the page", want)
		}
	}
	for _, heading := range []string{"Amplitude balance / dB", "Fixture&#39;s own asymmetry, gain / dB", "Fixture&#39;s own asymmetry, phase / degrees"} {
		if strings.Count(page, "<title>"+heading) < 1 {
			t.Errorf("no plot %q", heading)
		}
	}
	var b bytes.Buffer
	if err := JSON(&b, in); err != nil {
		t.Fatal(err)
	}
	var got struct {
		Swapped struct {
			Straight int64
			Beyond   int `json:"steps_beyond_uncertainty"`
			Steps    []struct {
				Gain float64 `json:"asymmetry_gain_db"`
				Turn float64 `json:"asymmetry_phase_deg"`
			}
		}
	}
	if err := json.Unmarshal(b.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	if got.Swapped.Straight != 11 || len(got.Swapped.Steps) != len(in.Swapped.Steps) || got.Swapped.Beyond != len(in.Swapped.Steps) {
		t.Errorf("%+v", got.Swapped)
	}
	for _, s := range got.Swapped.Steps {
		if math.Abs(s.Gain-0.3) > 1e-9 || math.Abs(s.Turn+2) > 1e-9 {
			t.Fatalf("%+v", s)
		}
	}
	in.Swapped = combined(in.Steps, 1)
	if text := textOf(t, in); !strings.Contains(text, "not significant: calibration 9 says the same") || strings.Contains(text, "unequally") {
		t.Error(text)
	}
}

// Either run alone is the balun with the fixture's asymmetry on it, this way
// and that way; phases stay within half a turn.
func TestEitherRunAloneIsApartByTheAsymmetry(t *testing.T) {
	for _, c := range []struct{ gain, turn float64 }{{0.3, -2}, {-1, 170}} {
		in := failing.input()
		x := combined(in.Steps, cmplx.Rect(math.Pow(10, c.gain/20), c.turn*math.Pi/180))
		for k, want := range []float64{c.gain, c.turn} {
			straight, swapped, both, own := x.traces(parts[k])
			if len(both.points) != len(x.Steps) || !both.band || !own.band {
				t.Fatalf("%d points", len(both.points))
			}
			for i, p := range both.points {
				up, down := straight.points[i].y, swapped.points[i].y
				off := [2]float64{up - p.y - want, p.y - down - want}
				for _, v := range off {
					if parts[k].turn > 0 {
						v = math.Remainder(v, 360)
					}
					if math.Abs(v) > 1e-9 {
						t.Fatalf("%s, step %d: straight %g, swapped %g, both %g", parts[k].name, i, up, down, p.y)
					}
				}
				if parts[k].turn > 0 && max(math.Abs(up), math.Abs(down)) > 180 {
					t.Fatalf("step %d: %g° and %g°", i, up, down)
				}
				if math.Abs(own.points[i].y-want) > 1e-9 || !(own.points[i].hi > own.points[i].y) {
					t.Fatalf("step %d: asymmetry %+v", i, own.points[i])
				}
			}
		}
	}
}

func TestLinearityEverywhere(t *testing.T) {
	for name, c := range map[string]struct {
		in   Input
		says []string
	}{
		"balun": {levelled(KindBalun, 0.02, 0), []string{"Linearity: balun non-linear", "harmonic 2", "40.00 dB", "generator or scope", "nothing above the noise", "0.1737 dB ± "}},
		"scope": {levelled(KindBalun, 0.02, 0.02), []string{"Linearity: scope non-linear", "the calibration shows"}},
		"cable": {levelled(KindCalibration, 0, 0.02), []string{"Linearity: scope non-linear", "the cable is copper"}},
	} {
		text, page := textOf(t, c.in), pageOf(t, c.in)
		for _, want := range c.says {
			if !strings.Contains(text, want) || !strings.Contains(page, want) {
				t.Errorf("%s: no %q in\n%s", name, want, text)
			}
		}
		for _, heading := range []string{"Change of gain / dB", "Change of phase / degrees", "Second harmonic / dB below", "Third harmonic / dB below"} {
			if strings.Count(page, "<title>"+heading+"<") != 1 {
				t.Errorf("%s: no plot %q", name, heading)
			}
		}
		if got, want := strings.Contains(page, ">rest<"), name != "cable"; got != want {
			t.Errorf("%s: rest drawn: %v", name, got)
		}
		var b bytes.Buffer
		if err := JSON(&b, c.in); err != nil {
			t.Fatal(err)
		}
		var got struct {
			Linearity struct {
				Verdict string
				Steps   []struct {
					Drive     [2]float64 `json:"drive_dbm"`
					Harmonics []struct {
						Below *float64 `json:"below_db"`
					}
				}
			}
		}
		if err := json.Unmarshal(b.Bytes(), &got); err != nil {
			t.Fatal(err)
		}
		l := got.Linearity
		if l.Verdict != string(c.in.Linearity.Verdict) || len(l.Steps) != len(c.in.Linearity.Steps) || l.Steps[0].Drive != [2]float64{6, 0} {
			t.Fatalf("%s: %+v", name, l)
		}
		// The second harmonic is seen, the third one is not.
		if h := l.Steps[0].Harmonics; len(h) != 2 || h[0].Below == nil || math.Abs(*h[0].Below-40) > 1e-9 || h[1].Below != nil {
			t.Errorf("%s: %+v", name, h)
		}
	}
	in := failing.input()
	in.Linearity = &Linearity{}
	if text := textOf(t, in); strings.Contains(text, "Linearity") {
		t.Error("a run without a second drive speaks of linearity")
	}
}

// Z_c stands in the CSV step by step, as the winding has it, and a bound is no
// value.
func TestChokeInCSV(t *testing.T) {
	for _, kind := range []string{KindBalun, KindSwapped} {
		in := assessed()
		s := &in.Steps[40]
		s.Result.Ratio = -1 // Z_c cannot be told from infinity
		s = &in.Steps[41]
		s.Measured, s.Remark = false, "no signal"
		want := make([]choke.Impedance, len(in.Steps))
		for i := range in.Steps {
			r := &in.Steps[i].Result
			if !in.Steps[i].Measured {
				continue
			}
			var err error
			if want[i], err = choke.At(*r, in.Bench.Load); err != nil {
				t.Fatal(err)
			}
			if kind == KindSwapped {
				*r = balance.Result{Frequency: r.Frequency, Ratio: 1 / r.Ratio, Cov: r.Cov.Through(-1 / (r.Ratio * r.Ratio))}
			}
		}
		in.Run.Kind = kind
		var b bytes.Buffer
		if err := CSV(&b, in); err != nil {
			t.Fatal(err)
		}
		rows, err := csv.NewReader(&b).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		for name, value := range map[string]func(*choke.Impedance) units.Ohms{
			"choke_resistance": func(z *choke.Impedance) units.Ohms { return z.R }, "u_choke_resistance": func(z *choke.Impedance) units.Ohms { return z.UR },
			"choke_reactance": func(z *choke.Impedance) units.Ohms { return z.X }, "u_choke_reactance": func(z *choke.Impedance) units.Ohms { return z.UX },
			"choke_impedance": func(z *choke.Impedance) units.Ohms { return z.Magnitude }, "u_choke_impedance": func(z *choke.Impedance) units.Ohms { return z.UMagnitude },
			"choke_impedance_low": func(z *choke.Impedance) units.Ohms { return z.AtLeast },
		} {
			at := slices.Index(rows[0], name)
			if at < 0 || rows[1][at] != "ohm" {
				t.Fatalf("column %s is not there in ohm", name)
			}
			for i, row := range rows[2:] {
				z := &want[i]
				if !in.Steps[i].Measured || !told(z) && name != "choke_impedance_low" {
					if row[at] != "" {
						t.Errorf("%s, step %d: %s is %q where it is not known", kind, i, name, row[at])
					}
					continue
				}
				got, err := strconv.ParseFloat(row[at], 64)
				if w := float64(value(z)); err != nil || math.Abs(got-w) > 1e-6*max(1, float64(z.Magnitude)) && told(z) || math.Abs(got-float64(z.AtLeast)) > 1e-6*got && !told(z) {
					t.Errorf("%s, step %d: %s is %q, want %g", kind, i, name, row[at], w)
				}
			}
		}
	}
	for name, in := range map[string]Input{"refused": refused(), "no winding": failing.input(), "calibration": cable.input()} {
		var b bytes.Buffer
		if err := CSV(&b, in); err != nil || strings.Contains(b.String(), "choke") {
			t.Errorf("%s: choke columns, %v", name, err)
		}
	}
}
