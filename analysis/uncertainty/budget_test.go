package uncertainty

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"halfturn/units"
)

func amount(t testing.TB, text string) Amount {
	t.Helper()
	var a Amount
	if err := a.UnmarshalText([]byte(text)); err != nil {
		t.Fatal(err)
	}
	return a
}

func TestDefaults(t *testing.T) {
	b := Defaults()
	if err := b.Validate(); err != nil {
		t.Fatal(err)
	}
	if len(b) != len(kinds) {
		t.Errorf("%d entries, want %d", len(b), len(kinds))
	}
	for i, e := range b {
		if e.Name != kinds[i].name || e.Value <= 0 || e.Source == "" || e.Name.Meaning() == string(e.Name) {
			t.Errorf("entry %d: %+v", i, e)
		}
		if b.Entry(e.Name) != &b[i] {
			t.Errorf("%s is not found", e.Name)
		}
	}
	if b.Entry("gremlins") != nil {
		t.Error("an entry that does not exist is found")
	}
}

// Draws have the covariance stated: 40 000 of them, to 4 % of its trace.
func TestDrawHasTheCovariance(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 9))
	entries := Defaults()
	for _, d := range []Distribution{Normal, Rectangular, Triangular, Arcsine} {
		entries = append(entries,
			Entry{Name: SkewDrift, Value: 2, Distribution: d},
			Entry{Name: RunRepeatability, Value: 2, Phase: 0.5, Distribution: d, Reference: 10e6})
	}
	for _, d := range []Distribution{Normal, Arcsine, Disc} {
		entries = append(entries, Entry{Name: Crosstalk, Value: 0.3, Distribution: d, Reference: 60e6})
	}
	for _, r := range []float64{-1, -0.4, 0.9, 1} {
		entries = append(entries, Entry{Name: ConnectorRepeatability, Value: 1, Phase: 3, Correlation: r, Distribution: Normal})
	}
	const f, n = 30e6, 40000
	for i := range entries {
		e := &entries[i]
		want := e.Cov(f)
		var got Cov
		var mean complex128
		for range n {
			z := e.Draw(rng, f)
			got = got.Add(Line(z).Scale(1. / n))
			mean += z / n
		}
		if trace := want.RR + want.II; !equal(got, want, 0.04*trace) || norm(mean) > 0.03*math.Sqrt(trace) {
			t.Errorf("%+v: drawn %v about %v, stated %v", *e, got, mean, want)
		}
	}
}

func norm(z complex128) float64 { return math.Hypot(real(z), imag(z)) }

func TestStandard(t *testing.T) {
	for d, want := range map[Distribution]float64{
		Normal: 1, Rectangular: 0.5774, Triangular: 0.4082, Arcsine: 0.7071, Disc: 0.5,
	} {
		near(t, string(d), d.Standard(), want, 5e-5)
	}
	if !math.IsNaN(Distribution("guess").Standard()) {
		t.Error("an unknown distribution has a width")
	}
}

func TestBudgetConfig(t *testing.T) {
	c := BudgetConfig{
		RunRepeatability: EntryConfig{Value: amount(t, "0.05 dB"), Phase: amount(t, "0.3 deg"), Correlation: 0.5, Distribution: Normal},
		Crosstalk:        EntryConfig{Value: amount(t, "40 dB"), Distribution: Arcsine, Reference: 100e6},
		SkewDrift:        EntryConfig{Value: amount(t, "2 ps"), Distribution: Triangular},
		LoadResistance:   EntryConfig{Value: amount(t, "0.1 %"), Distribution: Rectangular},
		LoadCapacitance:  EntryConfig{Value: amount(t, "0.1 pF"), Distribution: Rectangular},
		ClockError:       EntryConfig{Value: amount(t, "2 ppm"), Distribution: Normal},
		RangeGain:        EntryConfig{Value: amount(t, "0 %"), Distribution: Normal},
	}
	b, err := c.Budget()
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []Entry{
		{Name: RunRepeatability, Value: 0.05 * math.Ln10 / 20, Phase: 0.3 * math.Pi / 180, Correlation: 0.5, Distribution: Normal},
		{Name: Crosstalk, Value: 0.01, Distribution: Arcsine, Reference: 100e6},
		{Name: SkewDrift, Value: 2e-12, Distribution: Triangular},
		{Name: LoadResistance, Value: 1e-3, Distribution: Rectangular},
		{Name: LoadCapacitance, Value: 0.1e-12, Distribution: Rectangular},
		{Name: ClockError, Value: 2e-6, Distribution: Normal},
		{Name: RangeGain, Distribution: Normal},
	} {
		got := *b.Entry(want.Name)
		if math.Abs(got.Value-want.Value) > 1e-12*want.Value || math.Abs(got.Phase-want.Phase) > 1e-12 || got.Source != "bench file" {
			t.Errorf("%+v, want %+v", got, want)
		}
		got.Value, got.Phase, got.Source = want.Value, want.Phase, ""
		if got != want {
			t.Errorf("%+v, want %+v", got, want)
		}
	}
	if got, want := *b.Entry(Harmonics), *Defaults().Entry(Harmonics); got != want {
		t.Errorf("not stated: %+v, want %+v", got, want)
	}
	// Stored with a run and read again.
	text, err := json.Marshal(c)
	if err != nil {
		t.Fatal(err)
	}
	var back BudgetConfig
	if err := json.Unmarshal(text, &back); err != nil || back != c {
		t.Errorf("%s became %+v, %v", text, back, err)
	}
	if text, _ := json.Marshal(BudgetConfig{}); string(text) != "{}" {
		t.Errorf("an empty budget is %s", text)
	}
}

func TestBudgetConfigRefuses(t *testing.T) {
	good := func() EntryConfig { return EntryConfig{Value: amount(t, "1 %"), Distribution: Normal} }
	for _, c := range []struct {
		name  string
		entry Name
		spoil func(*EntryConfig)
		lines []string // what each must name
	}{
		{"no distribution", Crosstalk, func(e *EntryConfig) { e.Distribution = "" }, []string{"crosstalk: distribution is missing"}},
		{"unknown distribution", Crosstalk, func(e *EntryConfig) { e.Distribution = "bell" }, []string{`crosstalk: distribution is "bell"`}},
		{"a distribution of other entries", NonLinearity, func(e *EntryConfig) { e.Distribution = Disc }, []string{"nonlinearity: distribution is disc, which"}},
		{"negative value", Harmonics, func(e *EntryConfig) { e.Value = amount(t, "-3 %") }, []string{"harmonics: value is -3 %"}},
		{"negative level", Crosstalk, func(e *EntryConfig) { e.Value = amount(t, "-50 dB") }, []string{"crosstalk: value is -50 dB"}},
		{"as large as the signal", Crosstalk, func(e *EntryConfig) { e.Value = amount(t, "0 dB") }, []string{"crosstalk: value is 0 dB below"}},
		{"negative phase", RunRepeatability, func(e *EntryConfig) { e.Phase = amount(t, "-1 deg") }, []string{"run_repeatability: phase is -1"}},
		{"correlation above 1", RunRepeatability, func(e *EntryConfig) { e.Correlation = 1.2 }, []string{"run_repeatability: correlation is 1.2"}},
		{"correlation below -1", RunRepeatability, func(e *EntryConfig) { e.Correlation = -1.2 }, []string{"run_repeatability: correlation is -1.2"}},
		{"correlation not a number", RunRepeatability, func(e *EntryConfig) { e.Correlation = math.NaN() }, []string{"run_repeatability: correlation is NaN"}},
		{"correlation of one part", ClockError, func(e *EntryConfig) { e.Correlation = 0.5 }, []string{"clock_error: correlation"}},
		{"correlation of no normal", RunRepeatability, func(e *EntryConfig) { e.Correlation, e.Distribution = 0.5, Arcsine }, []string{"run_repeatability: correlation"}},
		{"no value", LevelLinearity, func(e *EntryConfig) { e.Value = Amount{} }, []string{"level_linearity: value is missing"}},
		{"wrong unit", SkewDrift, func(*EntryConfig) {}, []string{`skew_drift: value is 1 %, write it like "5 ps"`}},
		{"time where a ratio is wanted", RangeGain, func(e *EntryConfig) { e.Value = amount(t, "5 ps") }, []string{"range_gain: value is 5 ps"}},
		{"angle where a ratio is wanted", RangeGain, func(e *EntryConfig) { e.Value = amount(t, "5 deg") }, []string{"range_gain: value is 5"}},
		{"phase that is none", RangeGain, func(e *EntryConfig) { e.Phase = amount(t, "1 %") }, []string{"range_gain: phase is 1 %"}},
		{"phase of one part", ClockError, func(e *EntryConfig) { e.Phase = amount(t, "1 deg") }, []string{"clock_error: phase is 1"}},
		{"negative frequency", Crosstalk, func(e *EntryConfig) { e.Reference = -1 }, []string{"crosstalk: reference is -1 Hz"}},
		{"two mistakes", Crosstalk, func(e *EntryConfig) { e.Value, e.Distribution = amount(t, "-1 %"), "" }, []string{"crosstalk: value", "crosstalk: distribution"}},
	} {
		e := good()
		c.spoil(&e)
		var config BudgetConfig
		if err := config.Set(c.entry, e); err != nil {
			t.Fatal(err)
		}
		err := config.Validate()
		if err == nil {
			t.Errorf("%s: accepted", c.name)
			continue
		}
		lines := strings.Split(err.Error(), "\n")
		if len(lines) != len(c.lines) {
			t.Errorf("%s: %d lines, want %d:\n%v", c.name, len(lines), len(c.lines), err)
			continue
		}
		for i, want := range c.lines {
			if !strings.HasPrefix(lines[i], "budget."+want) {
				t.Errorf("%s: %q does not begin with %q", c.name, lines[i], "budget."+want)
			}
		}
	}
	var config BudgetConfig
	if err := config.Set("skewdrift", good()); err == nil || !strings.Contains(err.Error(), "budget.skewdrift: there is no such entry") {
		t.Errorf("unknown name: %v", err)
	}
}

func TestBudgetRefuses(t *testing.T) {
	for name, b := range map[string]Budget{
		"twice":          {{Name: SkewDrift, Distribution: Normal}, {Name: SkewDrift, Distribution: Normal}},
		"unknown":        {{Name: "gremlins", Distribution: Normal}},
		"of type A":      {{Name: NoiseBalun, Distribution: Normal}},
		"NaN":            {{Name: SkewDrift, Value: math.NaN(), Distribution: Normal}},
		"infinite":       {{Name: SkewDrift, Value: math.Inf(1), Distribution: Normal}},
		"phase":          {{Name: SkewDrift, Phase: 1, Distribution: Normal}},
		"negative phase": {{Name: RangeGain, Phase: -1, Distribution: Normal}},
	} {
		if err := b.Validate(); err == nil || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestAmountRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		unit := rapid.SampledFrom([]string{"dB", "%", "ppm", "°", "s", "F"}).Draw(t, "unit")
		a := Amount{rapid.Float64Range(-1e3, 1e3).Draw(t, "number"), unit}
		var back Amount
		if err := back.UnmarshalText([]byte(a.String())); err != nil || back != a {
			t.Fatalf("%v became %v, %v", a, back, err)
		}
	})
}

func FuzzAmount(f *testing.F) {
	for _, s := range []string{"0.02 dB", "1 %", "50ppm", "0.1°", "0.1 deg", "5 ps", "0.3 pF", "5", "", "%", "nan %", "1e999 %", "0.1 MHz"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		var a Amount
		if err := a.UnmarshalText([]byte(s)); err != nil {
			if a != (Amount{}) || strings.Contains(err.Error(), "\n") {
				t.Fatalf("%q: %v, %v", s, a, err)
			}
			return
		}
		if a.IsZero() || math.IsNaN(a.number) || math.IsInf(a.number, 0) {
			t.Fatalf("%q read as %v", s, a)
		}
		var back Amount
		if err := back.UnmarshalText([]byte(a.String())); err != nil || back != a {
			t.Fatalf("%q: %v became %v, %v", s, a, back, err)
		}
	})
}

// Proportional to frequency: the skew of a cable is not, its phase is.
func TestReference(t *testing.T) {
	e := Entry{Name: Crosstalk, Value: 0.01, Distribution: Normal, Reference: 100e6}
	for f, want := range map[units.Hertz]float64{100e6: 0.01, 50e6: 0.005, 500e6: 0.05} {
		near(t, "crosstalk", math.Sqrt(e.Cov(f).RR), want, 1e-12)
	}
}

func TestEntryText(t *testing.T) {
	for want, e := range map[string]Entry{
		"0.02 dB and 0.1°, correlation 0.5, normal":                   {Name: RunRepeatability, Value: ofDB(0.02), Phase: 0.1 * math.Pi / 180, Correlation: 0.5, Distribution: Normal},
		"50 dB below at 100 MHz, in proportion to frequency, arcsine": {Name: Crosstalk, Value: math.Pow(10, -2.5), Distribution: Arcsine, Reference: 100e6},
		"0 %, arcsine":        {Name: Crosstalk, Distribution: Arcsine},
		"5 ps, rectangular":   {Name: SkewDrift, Value: 5e-12, Distribution: Rectangular},
		"0.3 pF, rectangular": {Name: LoadCapacitance, Value: 0.3e-12, Distribution: Rectangular},
		"1 %, triangular":     {Name: LoadResistance, Value: 0.01, Distribution: Triangular},
		"":                    {Name: NoiseBalun},
	} {
		if got := e.Text(); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
