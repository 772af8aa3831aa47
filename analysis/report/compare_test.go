package report

import (
	"bytes"
	"encoding/json"
	"io"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode"

	"halfturn/analysis/balance"
	"halfturn/analysis/compare"
	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// comparedBench draws runs of a choke balun whose ferrite, noise and frequencies
// the test chooses, all against one calibration.
type comparedBench struct {
	points int
	noise  float64
	from   float64
}

func (b comparedBench) run(id int64, sleeves float64, hours float64) *compare.Run {
	rng := rand.New(rand.NewPCG(uint64(id), 3))
	load := balance.Load{Resistance: 100, Capacitance: 15e-12, Source: 50}
	step := func(f units.Hertz, ratio complex128) balance.Point {
		noise := func() complex128 { return complex(b.noise*rng.NormFloat64(), b.noise*rng.NormFloat64()) }
		p1, p2 := 1+noise(), ratio*(1+noise())
		var p balance.Point
		p.Frequency, p.Ratio = f, p2/p1
		p.Cov = uncertainty.Circular(2 * b.noise * b.noise * (real(p.Ratio)*real(p.Ratio) + imag(p.Ratio)*imag(p.Ratio)))
		p.Amplitude = [2]units.Volts{units.Volts(cmplx.Abs(p1)), units.Volts(cmplx.Abs(p2))}
		p.UAmplitude = [2]units.Volts{units.Volts(b.noise), units.Volts(b.noise)}
		return p
	}
	run := &compare.Run{ID: id, Load: load, Calibration: 1, Started: start.Add(time.Duration(hours * float64(time.Hour))),
		CalibrationAt: func(f units.Hertz) (balance.Point, error) {
			var p balance.Point
			p.Frequency, p.Ratio, p.Amplitude, p.Captures = f, 1, [2]units.Volts{1, 1}, 4
			return p, nil
		}}
	for i := range b.points {
		f := units.Hertz(b.from * math.Pow(300e6/b.from, float64(i)/float64(max(b.points-1, 1))))
		z := complex(0, 2*math.Pi*float64(f)*4.2e-6)
		z = complex(sleeves, 0) * z * 430 / (z + 430)
		run.Steps = append(run.Steps, compare.Reading{Point: step(f, -z/(z+load.Impedance(f))), Measured: true})
	}
	return run
}

// comparedRuns describes runs for the report.
func comparedRuns(runs []*compare.Run, label string) (list []ComparedRun) {
	for _, r := range runs {
		list = append(list, ComparedRun{Calibration: r.Calibration, Bench: "Harbour bench", Fixture: "brass box 3",
			Run: Run{ID: r.ID, Kind: KindBalun, Label: label, State: StateDone, Started: r.Started}})
	}
	return list
}

func comparedPair(t testing.TB, a, b *compare.Run) Compared {
	t.Helper()
	c, err := compare.Pair(a, b, compare.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return Compared{Pair: c, Runs: comparedRuns([]*compare.Run{a, b}, "12 sleeves"), BaselineName: "before",
		Generated: start, Program: "halfturn 0.1.0"}
}

func comparedSeries(t testing.TB, runs ...*compare.Run) Compared {
	t.Helper()
	s, err := compare.Spread(runs, compare.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return Compared{Series: s, Runs: comparedRuns(runs, "batch 4"), Generated: start, Program: "halfturn 0.1.0"}
}

// comparisons are reports of every sort.
func comparisons(t testing.TB) map[string]Compared {
	usual := comparedBench{points: 40, noise: 1e-3, from: 10e6}
	noisy := comparedBench{points: 25, noise: 0.15, from: 10e6}
	one := comparedBench{points: 1, noise: 1e-3, from: 30e6}
	exact := comparedBench{points: 10, noise: 0, from: 10e6}
	night := make([]*compare.Run, 9)
	for i := range night {
		night[i] = usual.run(int64(i+2), 12+0.4*float64(i), float64(i))
	}
	gap := usual.run(3, 8, 0)
	gap.Steps[5] = compare.Reading{Point: balance.Point{Estimate: balance.Estimate{Frequency: gap.Steps[5].Point.Frequency}}}
	hostile := comparedPair(t, usual.run(2, 12, 0), gap)
	hostile.Options.Refit = ptr(units.DB(0.02))
	nasty := "\x1b[31m<script>alert(1)</script>\n# \u202eend\" onload=\"x"
	hostile.BaselineName, hostile.Program, hostile.Warnings = nasty, nasty, []string{nasty}
	for i := range hostile.Runs {
		r := &hostile.Runs[i]
		r.Label, r.Bench, r.Fixture, r.State = nasty, nasty, nasty, nasty
	}
	return map[string]Compared{
		"unchanged": comparedPair(t, usual.run(2, 12, 0), usual.run(3, 12, 1)),
		"worse":     comparedPair(t, usual.run(2, 12, 0), usual.run(3, 8, 1)),
		"better":    comparedPair(t, usual.run(2, 8, 0), usual.run(3, 12, 1)),
		"noisy":     comparedPair(t, noisy.run(2, 12, 0), noisy.run(3, 12, 1)),
		"one step":  comparedPair(t, one.run(2, 12, 0), one.run(3, 12, 1)),
		"exact":     comparedPair(t, exact.run(2, 12, 0), exact.run(3, 11, 1)),
		"hostile":   hostile,
		"night":     comparedSeries(t, night...),
		"batch":     comparedSeries(t, usual.run(2, 12, 0), usual.run(3, 11, 0), usual.run(4, 14, 0)),
		"alike":     comparedSeries(t, usual.run(2, 12, 0), usual.run(3, 12, 0), usual.run(4, 12, 0)),
		"dim":       comparedSeries(t, noisy.run(2, 12, 0), noisy.run(3, 12, 2), noisy.run(4, 12, 4)),
		"single":    comparedSeries(t, one.run(2, 12, 0), one.run(3, 12, 2), one.run(4, 12, 4)),
		"flawless":  comparedSeries(t, exact.run(2, 12, 0), exact.run(3, 11, 2), exact.run(4, 12, 4)),
	}
}

var comparedOutputs = map[string]func(io.Writer, Compared) error{
	"text": func(w io.Writer, c Compared) error { return CompareText(w, c, Options{Table: true}) },
	"html": CompareHTML,
	"json": CompareJSON,
	"plots": func(w io.Writer, c Compared) error {
		for _, p := range ComparePlots(c) {
			if err := p.WriteSVG(w); err != nil {
				return err
			}
		}
		return nil
	},
}

func comparedText(t testing.TB, write func(io.Writer, Compared) error, c Compared) string {
	t.Helper()
	var b bytes.Buffer
	if err := write(&b, c); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// TestCompareSaysOnlyNumbers: no output holds a NaN, an infinity, or text that
// is not shown as such.
func TestCompareSaysOnlyNumbers(t *testing.T) {
	for name, c := range comparisons(t) {
		for kind, write := range comparedOutputs {
			s := comparedText(t, write, c)
			for _, bad := range []string{"NaN", "Inf", "nan,", "%!", "-0.00 "} {
				if strings.Contains(s, bad) {
					t.Errorf("%s as %s holds %q", name, kind, bad)
				}
			}
			if kind == "json" {
				continue
			}
			if kind != "text" && strings.Contains(s, "<script") || strings.ContainsFunc(s, func(r rune) bool {
				return r != '\n' && r != '\t' && unicode.IsControl(r) || unicode.Is(unicode.Cf, r)
			}) {
				t.Errorf("%s as %s holds a script or a control character", name, kind)
			}
		}
	}
}

func TestComparePageIsWellFormedAndAlone(t *testing.T) {
	for name, c := range comparisons(t) {
		page := comparedText(t, CompareHTML, c)
		a, err := parseXML([]byte(page))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for _, attribute := range []string{"src", "href", "onload", "id", "action", "xmlns"} {
			if len(a[attribute]) > 0 {
				t.Errorf("%s: attribute %s=%q", name, attribute, a[attribute])
			}
		}
		for _, element := range []string{"script", "link", "img", "iframe", "a"} {
			if slices.Contains(a["element"], element) {
				t.Errorf("%s: element %s", name, element)
			}
		}
		for _, reference := range []string{"http://", "https://", "url(", "@import", "#22262B"} {
			if strings.Contains(page, reference) {
				t.Errorf("%s holds %s", name, reference)
			}
		}
		plots := 8
		if c.Series != nil && !c.Series.Timed() {
			plots = 4
		}
		if n := strings.Count(page, "<svg"); n != plots {
			t.Errorf("%s: %d plots", name, n)
		}
	}
}

func TestCompareTextSaysWhatChanged(t *testing.T) {
	all := comparisons(t)
	for name, wants := range map[string][]string{
		"unchanged": {"= UNCHANGED", "run 3 “12 sleeves” against baseline “before”, run 2", "Nothing changed that the uncertainty does not explain, at 40 steps, 10 MHz to 300 MHz", "1.8 expected by chance", "share calibration 1", "refit the same balun"},
		"worse":     {"✗ WORSE", "Farther from the ideal in", "for certain worse at", "worse over the band as a whole"},
		"better":    {"✓ BETTER", "Nearer to the ideal in"},
		"hostile":   {"and 0.02 dB (standard", "passed over, since not every run has a result there: 1 step"},
		"night":     {"DRIFT", "9 runs: 2, 3, 4", "per hour", "certain at"},
		"batch":     {"? SPREAD", "times what the uncertainties explain", "too short for a drift"},
		"alike":     {"= ALIKE", "no more than their uncertainties explain"},
	} {
		s := comparedText(t, comparedOutputs["text"], all[name])
		for _, want := range wants {
			if !strings.Contains(s, want) {
				t.Errorf("%s: %q is not in\n%s", name, want, s)
			}
		}
	}
}

func TestCompareJSONIsWhole(t *testing.T) {
	for name, c := range comparisons(t) {
		var got struct {
			Verdict *string
			Runs    []map[string]any
			Summary struct {
				Band       [2]float64 `json:"band_hz"`
				Steps      int
				Quantities map[string]map[string]any
			}
			Steps []map[string]any
		}
		if err := json.Unmarshal([]byte(comparedText(t, CompareJSON, c)), &got); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if len(got.Runs) != len(c.Runs) || len(got.Steps) != got.Summary.Steps || len(got.Summary.Quantities) != 4 || (got.Verdict == nil) != (c.Pair == nil) {
			t.Errorf("%s: %+v", name, got.Summary)
		}
		for key := range got.Summary.Quantities {
			prefix := "change_"
			if c.Pair == nil {
				prefix = "spread_"
			}
			if values, ok := got.Steps[0][key].([]any); !ok || len(values) != len(c.Runs) || got.Steps[0][prefix+key] == nil {
				t.Errorf("%s: a step has no whole %s", name, key)
			}
		}
	}
}

// A difference of nothing is drawn inside of its interval, not in a shade that
// fills the chart.
func TestHeightOfDifferences(t *testing.T) {
	l := line{points: []point{{lo: -0.05, hi: 0.05}, {lo: -0.04, hi: 0.04}, {lo: -2, hi: 2}}}
	if h := l.height(0.01); math.Abs(h-0.12) > 1e-12 {
		t.Errorf("%v, want 1.2 times the middle interval, 0.1", h)
	}
	if h := l.height(1); h != 1 {
		t.Errorf("%v, want the least height", h)
	}
	if h := (&line{}).height(0.01); h != 0.01 {
		t.Errorf("%v without points", h)
	}
}
