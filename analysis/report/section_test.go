package report

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"

	"halfturn/analysis/balance"
	"halfturn/analysis/choke"
	"halfturn/analysis/fixture"
	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// sleevesOfSynth is what the synthetic winding is said to have.
const sleevesOfSynth = 4

// assessed is a failing balun with everything that stands beside its results;
// each call gives one to change.
func assessed() Input {
	in := assessedOnce()
	w, p := *in.Winding, *in.Proof
	w.Impedances, w.Bands = slices.Clone(w.Impedances), slices.Clone(w.Bands)
	in.Winding, in.Proof, in.Budgets, in.Steps = &w, &p, slices.Clone(in.Budgets), slices.Clone(in.Steps)
	return in
}

var assessedOnce = sync.OnceValue(func() Input {
	in, calibration := failing.input(), cable.input()
	in.Entries = uncertainty.Defaults()
	w := wind()
	in.Winding = &w
	for _, at := range append(in.WorstSteps(), 60) {
		in.Budgets = append(in.Budgets, budgeted(&in, &calibration, at))
	}
	in.Proof = proved(&calibration)
	in.Proof.Limited = true
	return in
})

// wind is the winding of the failing balun.
func wind() Winding {
	in := failing.input()
	var results []balance.Result
	for i := range in.Steps {
		results = append(results, in.Steps[i].Result)
	}
	wound, err := choke.NewWinding(results, in.Bench.Load, sleevesOfSynth)
	if err != nil {
		panic(err)
	}
	w := Winding{Sleeves: sleevesOfSynth, Unit: sleevesOfSynth, Impedances: wound.Impedances, Model: wound.Model}
	if w.Bands, err = wound.Bands(in.Limits, -2, 6); err != nil {
		panic(err)
	}
	need, err := wound.SleevesFor(in.Limits, in.Limits.From)
	if err != nil {
		w.WhyNoNeed = err.Error()
	} else {
		w.Need = &need
	}
	return w
}

func budgeted(in, calibration *Input, at int) Budget {
	b := Budget{Step: at}
	var err error
	_, b.Shares, err = balance.EvaluateWith(in.Steps[at].Point, calibration.Steps[at].Point, in.Bench.Load, in.Entries)
	if err != nil {
		panic(err)
	}
	return b
}

func proved(calibration *Input) *Proof {
	var points []balance.Point
	for i := range calibration.Steps {
		points = append(points, calibration.Steps[i].Point)
	}
	limits := failing.input().Limits
	proof, err := fixture.Prove(points, limits, calibration.Bench.Load)
	if err != nil {
		panic(err)
	}
	return &Proof{Proof: proof}
}

// proving is a calibration with its proof and the one before it.
func proving() Input {
	in := provingOnce()
	p := *in.Proof
	in.Proof, in.Steps = &p, slices.Clone(in.Steps)
	return in
}

var provingOnce = sync.OnceValue(func() Input {
	in := cable.input()
	in.Proof = proved(&in)
	in.Proof.Limited = true
	in.Proof.Earlier = &Run{ID: 9, Kind: KindCalibration, Started: start}
	var points []balance.Point
	for i := range in.Steps {
		points = append(points, in.Steps[i].Point)
	}
	a, err := fixture.Repeatability(points, points)
	if err != nil {
		panic(err)
	}
	in.Proof.Agreement = &a
	return in
})

// astray has no number where a section could have one.
func astray() Input {
	in := assessed()
	nan, inf := math.NaN(), math.Inf(1)
	w := in.Winding
	for i := range w.Impedances {
		z := &w.Impedances[i]
		switch i % 3 {
		case 0:
			z.Bounded, z.Z = true, complex(nan, nan)
			z.R, z.X, z.Magnitude = units.Ohms(nan), units.Ohms(nan), units.Ohms(nan)
			z.UR, z.UX, z.UMagnitude = units.Ohms(inf), units.Ohms(inf), units.Ohms(inf)
			z.AtLeast = 0
		case 1:
			z.Bounded, z.Magnitude, z.UMagnitude, z.AtLeast = true, units.Ohms(nan), units.Ohms(inf), 300
		}
	}
	w.Model.R, w.Model.UR, w.Model.RAtLeast, w.Model.C, w.Model.UC = units.Ohms(inf), units.Ohms(inf), units.Ohms(inf), 0, 0
	w.Model.Enlarged, w.Model.ChiSquare, w.Model.Bounded = true, nan, 3
	w.Sleeves, w.Unit, w.Need, w.WhyNoNeed = 0, 4, nil, nasty
	in.Summary.LeastProbable.Probability, in.Summary.LeastProbable.Quantity = nan, "phase balance"
	in.Budgets[0].Simulation = &balance.Simulation{
		Trials: 10000, Imbalance: uncertainty.Distributed{Mean: nan, Low: inf}, CommonModeRejectionLow: units.DB(inf),
	}
	in.Proof.Earlier, in.Proof.WhyNot = &Run{ID: 3}, nasty
	in.Proof.RollOff = nil
	in.Proof.Resonances = []fixture.Resonance{{Frequency: 3e6, Quantity: fixture.RatioPhase, Turn: 4}, {Frequency: 5e6, Quantity: fixture.RatioGain, Depth: 0.5}}
	return in
}

// refused has the reasons alone.
func refused() Input {
	in := failing.input()
	in.Winding, in.Proof = &Winding{Why: nasty}, &Proof{Why: nasty}
	return in
}

func init() {
	inputs["assessed"], inputs["proving"], inputs["astray"], inputs["refused"] = assessed, proving, astray, refused
}

func textOf(t testing.TB, in Input) string {
	t.Helper()
	var b bytes.Buffer
	if err := Text(&b, in, Options{}); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// linesOf are the lines of a section of the text.
func linesOf(text, heading string) []string {
	_, rest, ok := strings.Cut(text, "\n"+heading+"\n")
	if !ok {
		return nil
	}
	block, _, _ := strings.Cut(rest, "\n\n")
	return strings.Split(block, "\n")
}

func TestChokeIsThreeLinesAtMost(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*Winding)
		says   []string
	}{
		"more": {func(w *Winding) { w.Need.Assured, w.Need.Nominal = 6, 5 },
			[]string{"|Z_c| ", "2 more sleeves bring 1.8 MHz to 30 MHz, 6 in all; 1 more by the estimates alone"}},
		"one more":     {func(w *Winding) { w.Need.Assured, w.Need.Nominal = 5, 4 }, []string{"1 more sleeve brings 1.8 MHz to 30 MHz, 5 in all; by the estimates alone the 4 there are do"}},
		"as it is":     {func(w *Winding) { w.Need.Assured = 4 }, []string{"4 sleeves bring 1.8 MHz to 30 MHz, and no fewer"}},
		"fewer":        {func(w *Winding) { w.Need.Assured = 3 }, []string{"3 sleeves would bring 1.8 MHz to 30 MHz; there are 4"}},
		"extrapolated": {func(w *Winding) { w.Need.Extrapolated = true }, []string{"(extrapolated below the lowest step)"}},
		"factors": {func(w *Winding) { w.Sleeves, w.Unit, w.Need.Assured = 0, 100, 151 },
			[]string{"1.51 times the impedance bring 1.8 MHz to 30 MHz"}},
		"enough":    {func(w *Winding) { w.Sleeves, w.Unit, w.Need.Assured = 0, 100, 80 }, []string{"0.8 times the impedance would do"}},
		"no need":   {func(w *Winding) { w.Need, w.WhyNoNeed = nil, "not even 1000 sleeves" }, []string{"not even 1000 sleeves"}},
		"no limits": {func(w *Winding) { w.Need, w.Bands = nil, nil }, []string{"fitted L "}},
	} {
		in := assessed()
		need := choke.Need{From: 1.8e6, To: 30e6, Assured: 9, Nominal: 8}
		in.Winding.Need = &need
		c.change(in.Winding)
		text := textOf(t, in)
		lines := linesOf(text, "Choke")
		if len(lines) == 0 || len(lines) > 3 {
			t.Errorf("%s: %q", name, lines)
		}
		for _, want := range c.says {
			if !strings.Contains(strings.Join(lines, "\n"), want) {
				t.Errorf("%s: %q is not in %q", name, want, lines)
			}
		}
	}
}

// A lower bound is drawn as an arrow and never as a value.
func TestBoundsAreDrawnAsBounds(t *testing.T) {
	in := assessed()
	in.Winding.Impedances = in.Winding.Impedances[:8]
	strokes := func() int {
		var b bytes.Buffer
		if err := in.Winding.magnitudePlot().WriteSVG(&b); err != nil {
			t.Fatal(err)
		}
		return strings.Count(b.String(), "<path")
	}
	before := strokes()
	z := &in.Winding.Impedances[3]
	z.Bounded, z.Magnitude, z.UMagnitude = true, units.Ohms(math.NaN()), units.Ohms(math.Inf(1))
	if after := strokes(); after <= before {
		t.Errorf("%d paths with a bound, %d without", after, before)
	}
	if got := impedanceText(z); !strings.HasPrefix(got, "at least ") {
		t.Errorf("a bound reads %q", got)
	}
}

func TestSectionsInJSON(t *testing.T) {
	in := assessed()
	var b bytes.Buffer
	if err := JSON(&b, in); err != nil {
		t.Fatal(err)
	}
	var got struct {
		Choke struct {
			Sleeves    int
			Model      map[string]any
			Impedances []map[string]any
			Bands      []map[string]any
		}
		Budgets []struct {
			Step   int
			Shares map[string][]struct {
				Name           string
				Standard, Part float64
			}
		}
		Fixture struct{ Proof map[string]any }
	}
	if err := json.Unmarshal(b.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	if got.Choke.Sleeves != sleevesOfSynth || len(got.Choke.Impedances) != len(in.Winding.Impedances) || len(got.Choke.Bands) == 0 {
		t.Errorf("choke: %+v", got.Choke)
	}
	for _, k := range []string{"l_h", "u_l_h", "r_ohm", "c_f", "reduced_chi_square"} {
		if _, ok := got.Choke.Model[k]; !ok {
			t.Errorf("the model has no %s", k)
		}
	}
	if len(got.Budgets) != len(in.Budgets) {
		t.Fatalf("%d budgets", len(got.Budgets))
	}
	for _, budget := range got.Budgets {
		for _, key := range []string{"phase_balance_deg", "amplitude_balance_db", "imbalance", "insertion_loss_db"} {
			sum, last := 0.0, math.Inf(1)
			for _, s := range budget.Shares[key] {
				if s.Part > last {
					t.Errorf("step %d, %s: %s is larger than the share before it", budget.Step, key, s.Name)
				}
				sum, last = sum+s.Part, s.Part
			}
			if math.Abs(sum-1) > 1e-9 {
				t.Errorf("step %d, %s: the shares make %g", budget.Step, key, sum)
			}
		}
	}
	if _, ok := got.Fixture.Proof["skew"]; !ok {
		t.Errorf("fixture: %v", got.Fixture.Proof)
	}
}

func TestBudgetTextIsSortedAndSaysItsQuantity(t *testing.T) {
	in := assessed()
	b := in.Budgets[0]
	dut, calibration := in.Steps[b.Step].Point, cable.input()
	simulation, err := balance.Simulate(dut, calibration.Steps[b.Step].Point, in.Bench.Load, in.Entries, uncertainty.Trials{Seed: 1, Most: 10000})
	if err != nil {
		t.Fatal(err)
	}
	b.Simulation = &simulation
	var out bytes.Buffer
	if err := BudgetText(&out, in, b); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Phase balance at ", "Amplitude balance at ", "as imbalance ", "Insertion loss at ", "Monte Carlo (JCGM 101:2008), 10000 trials", "95 % interval", "one-sided", "noise balun"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is not in\n%s", want, out.String())
		}
	}
	// The largest share stands first.
	if first := b.Shares.PhaseBalance[0].Name; !strings.Contains(strings.Split(out.String(), "\n")[5], title(first)) {
		t.Errorf("%q is not first in\n%s", first, out.String())
	}
}

func TestCalibrationSaysWhereItDecides(t *testing.T) {
	in := proving()
	text := textOf(t, in)
	for _, want := range []string{"decides the limits", "skew", "against calibration 9", "as the noise of both explains"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q is not in\n%s", want, text)
		}
	}
	in.Proof.Decides.All = nil
	if text := textOf(t, in); !strings.Contains(text, "nowhere") {
		t.Error("a bench that decides nothing does not say so")
	}
}

func TestPrefixed(t *testing.T) {
	for _, c := range []struct {
		v, u float64
		unit string
		want string
	}{
		{18e-6, 0.05e-6, "H", "18.000 µH ± 0.050 µH"},
		{1800, 16, "Ω", "1.800 kΩ ± 0.016 kΩ"},
		{999.99, 0, "Ω", "1000 Ω"},
		{1000, 0, "Ω", "1.00 kΩ"},
		{61.2e-12, 0.3e-12, "s", "61.20 ps ± 0.30 ps"},
		{0, 2e-12, "F", "0.0 pF ± 2.0 pF"},
		{0, 0, "F", "0 F"},
		{2e-15, 0, "F", "0.00200 pF"},
		{math.NaN(), 1, "H", notMeasurable},
		{1, math.Inf(1), "H", notMeasurable},
	} {
		if got := inPrefixed(c.v, c.u, c.unit); got != c.want {
			t.Errorf("%g ± %g: %q, want %q", c.v, c.u, got, c.want)
		}
	}
}

func TestPercent(t *testing.T) {
	for p, want := range map[float64]string{0: "0 %", 1: "100 %", 0.5: "50.0 %", 0.9999: "above 99.9 %", 1e-9: "below 0.1 %", 0.9989: "99.9 %"} {
		if got := percent(p); got != want {
			t.Errorf("%g: %q, want %q", p, got, want)
		}
	}
}

func TestLogarithmicTicksAreInsideAndLabelled(t *testing.T) {
	for _, c := range [][2]float64{{83, 1900}, {0.2, 9}, {1, 1e6}, {900, 1100}, {95, 105}} {
		labels := 0
		for _, tick := range (&chart{logarithmic: true}).valueTicks(c[0], c[1]) {
			if tick.Value < c[0] || tick.Value > c[1] {
				t.Errorf("%v: tick at %g", c, tick.Value)
			}
			if tick.Label != "" {
				labels++
			}
		}
		if labels < 2 {
			t.Errorf("%v has %d labels", c, labels)
		}
	}
}

func captured(seed uint64, samples int) []Capture {
	rng := rand.New(rand.NewPCG(seed, 7))
	list := make([]Capture, 2)
	for i := range list {
		list[i].Rate = 500e6
		for arm := range list[i].Traces {
			t := &list[i].Traces[arm]
			t.VoltsPerCode, t.Zero, t.Low, t.High = 0.00625, 0.5, math.MinInt16, math.MaxInt16
			for range samples {
				t.Codes = append(t.Codes, int16(rng.IntN(1<<16)-1<<15))
			}
		}
	}
	return list
}

// Every code comes back, beside what JSON has without them.
func TestCapturesReadBack(t *testing.T) {
	in := good.input()
	in.Steps = in.Steps[:5]
	var b bytes.Buffer
	err := JSONWithCaptures(&b, in, func(index int) ([]Capture, error) {
		if index == 2 {
			return nil, nil // no longer kept
		}
		return captured(uint64(index), 300), nil
	})
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		Steps []struct {
			Index    int
			Captures int
			Captured []struct {
				Rate   float64 `json:"rate_hz"`
				Traces []struct {
					Arm          int
					VoltsPerCode float64 `json:"volts_per_code"`
					Zero         float64
					Low, High    int16
					Codes        []int16
				}
			}
		}
	}
	if err := json.Unmarshal(b.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	for i, s := range got.Steps {
		want := captured(uint64(i), 300)
		if i == 2 {
			want = nil
		}
		if s.Captures != 4 || len(s.Captured) != len(want) {
			t.Fatalf("step %d: %d captures, %d captured", i, s.Captures, len(s.Captured))
		}
		for k, c := range s.Captured {
			for arm, trace := range c.Traces {
				w := want[k].Traces[arm]
				if c.Rate != 500e6 || trace.Arm != arm+1 || trace.VoltsPerCode != 0.00625 || trace.Zero != 0.5 || trace.Low != w.Low || trace.High != w.High || len(trace.Codes) != len(w.Codes) {
					t.Fatalf("step %d, capture %d: %+v", i, k, trace)
				}
				for n := range w.Codes {
					if trace.Codes[n] != w.Codes[n] {
						t.Fatalf("step %d, capture %d, arm %d, sample %d: %d, want %d", i, k, arm+1, n, trace.Codes[n], w.Codes[n])
					}
				}
			}
		}
	}
}

func TestCapturesErrorsAreReturned(t *testing.T) {
	broken := errors.New("disk gone")
	in := good.input()
	if err := JSONWithCaptures(io.Discard, in, func(int) ([]Capture, error) { return nil, broken }); !errors.Is(err, broken) {
		t.Errorf("got %v", err)
	}
	if err := JSONWithCaptures(brokenWriter{}, in, func(i int) ([]Capture, error) { return captured(uint64(i), 20000), nil }); !errors.Is(err, errBroken) {
		t.Errorf("got %v", err)
	}
}

// A long run's captures take the memory of one step.
func TestCapturesTakeTheMemoryOfOneStep(t *testing.T) {
	in := good.input()
	one := captured(1, 10000)
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	if err := JSONWithCaptures(io.Discard, in, func(int) ([]Capture, error) { return one, nil }); err != nil {
		t.Fatal(err)
	}
	runtime.ReadMemStats(&after)
	// 121 steps of 4 records of 10 000 codes are 30 MB of text.
	if grown := after.TotalAlloc - before.TotalAlloc; grown > 4<<20 {
		t.Errorf("%d bytes were allocated", grown)
	}
}
