package simbench

import (
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"halfturn/drivers/simbench/device"
	"halfturn/units"
)

// steppedBench is the shipped scenario's bench, with a clock set by hand.
func steppedBench(t *testing.T) (*bench, *time.Time) {
	b := newBench(load(t, "stepped-generator"), SCPI99)
	now := time.Date(2026, 3, 1, 22, 0, 0, 0, time.UTC)
	b.now = func() time.Time { return now }
	return b, &now
}

// The level and the frequency are off until band and attenuator have settled,
// and an attenuator's step by its error for ever.
func TestWhatIsMadeOfALevel(t *testing.T) {
	b, now := steppedBench(t)
	check := func(what string, f units.Hertz, level units.DBm) {
		t.Helper()
		gotF, got := b.made()
		if math.Abs(float64(gotF/f)-1) > 1e-12 || math.Abs(float64(got-level)) > 1e-9 {
			t.Errorf("%s: %v at %v, want %v at %v", what, got, gotF, level, f)
		}
	}
	b.setLevel(5)
	check("while it switches", 100e6, 5-40)
	*now = now.Add(26 * time.Millisecond)
	check("out", 100e6, 5)
	b.setLevel(0)
	check("within the hysteresis", 100e6, 0)
	b.setLevel(-1.1) // rounded to -1
	check("at its end", 100e6, -1)
	b.setLevel(-1.5)
	*now = now.Add(26 * time.Millisecond)
	check("in", 100e6, -1.5-0.7)
	b.setLevel(0)
	check("in, within the hysteresis", 100e6, -0.7)
	b.tune(64e6)
	check("at an edge", 64e6*(1+300e-6), -0.7-6)
	*now = now.Add(41 * time.Millisecond)
	check("settled", 64e6, -0.7)
	b.tune(63e6)
	check("from an edge", 63e6*(1+300e-6), -0.7-6)
	*now = now.Add(41 * time.Millisecond)
	b.tune(20e6)
	check("inside a band", 20e6, -0.7)
}

// A level ends between what its own value asks for from either side.
func TestStepsOfTheAttenuator(t *testing.T) {
	b, _ := steppedBench(t)
	levels := b.scenario.Generator.Attenuator.Levels
	rapid.Check(t, func(t *rapid.T) {
		before := b.generator.steps
		level := units.DBm(rapid.IntRange(-120, 26).Draw(t, "half dBm")) / 2
		b.setLevel(level)
		in := 0
		for i, at := range levels {
			was := i >= len(levels)-before
			if is := level < at && (was || level < at-4); is {
				in++
			}
		}
		if b.generator.steps != in {
			t.Fatalf("%v with %d steps in before has %d, want %d", level, before, b.generator.steps, in)
		}
	})
}

func TestFallingLimit(t *testing.T) {
	d, b := stepped(t)
	for _, c := range []struct {
		message string
		refused string
	}{
		{":FREQ 100 MHZ", ""}, {":POW 13", ""}, {":FREQ 300 MHZ", "-221"}, {":POW 10", ""}, {":FREQ 300 MHZ", ""},
		{":POW 10.5", "-222"}, {":FREQ 500 MHZ", "-221"}, {":FREQ 200 MHZ", ""}, {":POW 13", ""}, {":POW 13.5", "-222"},
	} {
		var out strings.Builder
		link := &talk{in: strings.NewReader(c.message + "\n:SYST:ERR?\n"), out: &out}
		_ = d.Converse(t.Context(), link, nil) // ends with the text
		got, _, _ := strings.Cut(out.String(), ",")
		if got == "0" {
			got = ""
		}
		if got != c.refused {
			t.Errorf("%s: %s, want %q", c.message, out.String(), c.refused)
		}
	}
	if b.generator.frequency != 200e6 || b.generator.level != 13 {
		t.Errorf("stands at %v and %v", b.generator.frequency, b.generator.level)
	}
}

func stepped(t *testing.T) (*device.Device, *bench) {
	b, _ := steppedBench(t)
	d, err := newGenerator(b)
	if err != nil {
		t.Fatal(err)
	}
	return d, b
}

// talk is a link whose one side is a text.
type talk struct {
	in  *strings.Reader
	out *strings.Builder
}

func (l *talk) Read(p []byte) (int, error)  { return l.in.Read(p) }
func (l *talk) Write(p []byte) (int, error) { return l.out.Write(p) }

func TestHabitsThatCannotBe(t *testing.T) {
	const text = "description: a test\ngenerator:\n"
	for _, c := range []struct{ lines, says string }{
		{"  level: {step: 11 dB}\n", "line 3: generator.level.step: 11 dB is not between 0 and 10 dB"},
		{"  level: {to: 13 dBm}\n", "line 3: generator.level.to: a list of 1 to 100 is expected"},
		{"  level: {to: []}\n", "a list of 1 to 100 is expected"},
		{"  level:\n    to:\n      - {up_to: 1 GHz, level: 10 dBm}\n      - {up_to: 1 MHz, level: 10 dBm}\n", "line 6: generator.level.to[1].up_to: must be above the 1 GHz"},
		{"  level: {to: [{up_to: 1 GHz, level: 20 dBm}]}\n", "generator.level.to[0].level: 20 dBm is not between -60 dBm and 13 dBm"},
		{"  bands: {edges: [16 MHz, 4 MHz]}\n", "line 3: generator.bands.edges[1]: 4 MHz is not above 16 MHz: they must rise"},
		{"  bands: {edges: [16 MHz], settle: 2 min}\n", "settle"},
		{"  bands: {edges: [16 MHz], level: 200 dB}\n", "generator.bands.level: 200 dB is not within"},
		{"  bands: {edges: [16 MHz], frequency: 200000 ppm}\n", "generator.bands.frequency"},
		{"  attenuator: {levels: [3 dBm, -7 dBm]}\n", "generator.attenuator.levels[1]: -7 dBm is not above 3 dBm"},
		{"  attenuator: {levels: [-7 dBm, 3 dBm], hysteresis: 10 dB}\n", "generator.attenuator.hysteresis: 10 dB is not less"},
		{"  attenuator: {levels: [-58 dBm], hysteresis: 2 dB}\n", "generator.attenuator.levels[0]: -58 dBm is not above -58 dBm"},
		{"  attenuator: {levels: [3 dBm], hysteresis: -1 dB}\n", "must not be negative"},
		{"  attenuator: {levels: [3 dBm], error: 4 dB}\n", "generator.attenuator.error"},
	} {
		if _, err := Parse([]byte(text + c.lines)); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s%v\nwant %q", c.lines, err, c.says)
		}
	}
}
