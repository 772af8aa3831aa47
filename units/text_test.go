package units

import (
	"encoding"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"
	"pgregory.net/rapid"
)

// reading is one quantity as the tests use it.
type reading struct {
	dimension
	parse  func(string) (float64, error)
	format func(float64) string
	text   func(float64) encoding.TextMarshaler
	fresh  func() (encoding.TextUnmarshaler, func() float64)
}

func of[Q interface {
	~float64
	fmt.Stringer
	encoding.TextMarshaler
}](d dimension, parse func(string) (Q, error)) reading {
	return reading{
		dimension: d,
		parse:     func(s string) (float64, error) { q, err := parse(s); return float64(q), err },
		format:    func(v float64) string { return Q(v).String() },
		text:      func(v float64) encoding.TextMarshaler { return Q(v) },
		fresh: func() (encoding.TextUnmarshaler, func() float64) {
			q := new(Q)
			return any(q).(encoding.TextUnmarshaler), func() float64 { return float64(*q) }
		},
	}
}

var quantities = map[string]reading{
	"Hertz":   of(frequency, ParseHertz),
	"Seconds": of(duration, ParseSeconds),
	"Volts":   of(voltage, ParseVolts),
	"DBm":     of(level, ParseDBm),
	"DB":      of(ratio, ParseDB),
	"Degrees": of(angle, ParseDegrees),
	"Ohms":    of(resistance, ParseOhms),
	"Farads":  of(capacitance, ParseFarads),
	"Henries": of(inductance, ParseHenries),
	"PPM":     of(deviation, ParsePPM),
}

func TestParse(t *testing.T) {
	for _, c := range []struct {
		quantity, text string
		want           float64 // exactly: the nearest float64
	}{
		{"Hertz", "30 MHz", 30e6},
		{"Hertz", "30MHz", 30e6},
		{"Hertz", "  30   MHz ", 30e6},
		{"Hertz", "30\u00a0MHz", 30e6}, // no-break space
		{"Hertz", "0.3 GHz", 0.3e9},
		{"Hertz", "1e6 Hz", 1e6},
		{"Hertz", "1E+6Hz", 1e6},
		{"Hertz", "2.5e-3 kHz", 2.5},
		{"Hertz", "1.2 THz", 1.2e12},
		{"Hertz", "1 mHz", 1e-3},
		{"Hertz", "-5 kHz", -5e3},
		{"Hertz", "5. Hz", 5},
		{"Hertz", ".5 Hz", 0.5},
		{"Seconds", "20 µs", 20e-6},
		{"Seconds", "20 us", 20e-6},
		{"Seconds", "20 \u03bcs", 20e-6},
		{"Seconds", "0.3 ms", 0.0003},
		{"Seconds", "2.3 ns", 2.3e-9},
		{"Seconds", "7 fs", 7e-15},
		{"Seconds", "0 s", 0},
		{"Volts", "500 mV", 0.5},
		{"Volts", "+4.7 V", 4.7},
		{"DBm", "13 dBm", 13},
		{"DBm", "+13 dBm", 13},
		{"DBm", "-20dBm", -20},
		{"DBm", "\u221220 dBm", -20}, // a typeset minus
		{"DBm", "0 dBm", 0},
		{"DB", "0.5 dB", 0.5},
		{"Degrees", "3 deg", 3},
		{"Degrees", "3°", 3},
		{"Degrees", "3 °", 3},
		{"Ohms", "1 M\u03a9", 1e6},
		{"Ohms", "1 M\u2126", 1e6}, // the ohm sign
		{"Ohms", "50 ohm", 50},
		{"Ohms", "1 Mohm", 1e6},
		{"Ohms", "1 kOhm", 1e3},
		{"Farads", "15 pF", 15e-12},
		{"Farads", "3 fF", 3e-15},
		{"Farads", "1 F", 1},
		{"Henries", "24 µH", 24e-6},
		{"Henries", "24 uH", 24e-6},
		{"PPM", "50 ppm", 50},
		{"Volts", "1e-400 V", 0}, // nearer to 0 than to any other float64
	} {
		got, err := quantities[c.quantity].parse(c.text)
		if err != nil || got != c.want {
			t.Errorf("%s %q: got %v, %v, want %v", c.quantity, c.text, got, err, c.want)
		}
	}
}

func TestParseRefuses(t *testing.T) {
	for _, c := range []struct{ quantity, text, want string }{
		{"Hertz", "30000000", `"30000000" is not a frequency: the unit is missing, write it like "30 MHz"`},
		{"Hertz", "0", `"0" is not a frequency: the unit is missing, write it like "30 MHz"`},
		{"Hertz", "", `"" is not a frequency: it does not start with a number, write it like "30 MHz"`},
		{"Hertz", "MHz", `"MHz" is not a frequency: it does not start with a number, write it like "30 MHz"`},
		{"Hertz", "thirty MHz", `"thirty MHz" is not a frequency: it does not start with a number, write it like "30 MHz"`},
		{"Hertz", "NaN Hz", `"NaN Hz" is not a frequency: it does not start with a number, write it like "30 MHz"`},
		{"Hertz", "+Inf Hz", `"+Inf Hz" is not a frequency: it does not start with a number, write it like "30 MHz"`},
		{"Hertz", "- 5 Hz", `"- 5 Hz" is not a frequency: it does not start with a number, write it like "30 MHz"`},
		{"Hertz", "--5 Hz", `"--5 Hz" is not a frequency: it does not start with a number, write it like "30 MHz"`},
		{"Hertz", ". Hz", `". Hz" is not a frequency: it does not start with a number, write it like "30 MHz"`},
		{"Hertz", "30 mhz", `"30 mhz" is not a frequency: the unit "mhz" is not known here, write it like "30 MHz"`},
		{"Hertz", "30 M", `"30 M" is not a frequency: the unit "M" is not known here, write it like "30 MHz"`},
		{"Hertz", "30 kMHz", `"30 kMHz" is not a frequency: the unit "kMHz" is not known here, write it like "30 MHz"`},
		{"Hertz", "30 M Hz", `"30 M Hz" is not a frequency: the unit "M Hz" is not known here, write it like "30 MHz"`},
		{"Hertz", "1.2.3 Hz", `"1.2.3 Hz" is not a frequency: the unit ".3 Hz" is not known here, write it like "30 MHz"`},
		{"Hertz", "0x10 Hz", `"0x10 Hz" is not a frequency: the unit "x10 Hz" is not known here, write it like "30 MHz"`},
		{"Hertz", "1_000 Hz", `"1_000 Hz" is not a frequency: the unit "_000 Hz" is not known here, write it like "30 MHz"`},
		{"Hertz", "1,5 MHz", `"1,5 MHz" is not a frequency: there is a comma in the number, write it like "30 MHz"`},
		{"Hertz", "1e400 Hz", `"1e400 Hz" is not a frequency: the number cannot be read, write it like "30 MHz"`},
		{"Hertz", "1e300 THz", `"1e300 THz" is not a frequency: the number cannot be read, write it like "30 MHz"`},
		{"Hertz", "1e99999999999999999999 Hz", `"1e99999999999999999999 Hz" is not a frequency: the number cannot be read, write it like "30 MHz"`},
		{"Hertz", "5 e", `"5 e" is not a frequency: the unit "e" is not known here, write it like "30 MHz"`},
		{"Hertz", "5e Hz", `"5e Hz" is not a frequency: the unit "e Hz" is not known here, write it like "30 MHz"`},
		{"Seconds", "20", `"20" is not a time: the unit is missing, write it like "20 µs"`},
		{"Volts", "5 W", `"5 W" is not a voltage: the unit "W" is not known here, write it like "500 mV"`},
		{"DBm", "13 dB", `"13 dB" is not a level: the unit "dB" is not known here, write it like "13 dBm"`},
		{"DBm", "1 mdBm", `"1 mdBm" is not a level: the unit "mdBm" is not known here, write it like "13 dBm"`},
		{"DB", "13 dBm", `"13 dBm" is not a ratio in dB: the unit "dBm" is not known here, write it like "0.5 dB"`},
		{"Degrees", "3 rad", `"3 rad" is not an angle: the unit "rad" is not known here, write it like "3 deg"`},
		{"Ohms", "1 Meg", `"1 Meg" is not a resistance: the unit "Meg" is not known here, write it like "1 MΩ"`},
		{"Farads", "15 p", `"15 p" is not a capacitance: the unit "p" is not known here, write it like "15 pF"`},
		{"Henries", "24 F", `"24 F" is not an inductance: the unit "F" is not known here, write it like "24 µH"`},
		{"PPM", "5 %", `"5 %" is not a relative deviation: the unit "%" is not known here, write it like "50 ppm"`},
	} {
		got, err := quantities[c.quantity].parse(c.text)
		if err == nil || err.Error() != c.want || got != 0 {
			t.Errorf("%s %q: got %v and\n%v, want\n%s", c.quantity, c.text, got, err, c.want)
		}
	}
}

// A refused text must leave what was there.
func TestUnmarshalLeavesTheOldValue(t *testing.T) {
	h := Hertz(5)
	if err := h.UnmarshalText([]byte("30")); err == nil || h != 5 {
		t.Errorf("got %v, %v", h, err)
	}
}

// Each example that an error shows can be read.
func TestExamplesAreRead(t *testing.T) {
	for name, q := range quantities {
		if _, err := q.parse(q.example); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestString(t *testing.T) {
	for _, c := range []struct {
		quantity fmt.Stringer
		want     string
	}{
		{Hertz(30e6), "30 MHz"},
		{Hertz(433.92e6), "433.92 MHz"},
		{Hertz(999.999e6), "999.999 MHz"},
		{Hertz(1e9), "1 GHz"},
		{Hertz(999), "999 Hz"},
		{Hertz(1000), "1 kHz"},
		{Hertz(0), "0 Hz"},
		{Hertz(-5e3), "-5 kHz"},
		{Hertz(1e15), "1000 THz"},
		{Hertz(1.5e300), "1.5e+300 Hz"},
		{Hertz(2e-300), "2e-300 Hz"},
		{Hertz(math.MaxFloat64), "1.7976931348623157e+308 Hz"},
		{Seconds(20e-6), "20 \u00b5s"},
		{Seconds(0.0003), "300 \u00b5s"},
		{Seconds(1e-18), "0.001 fs"},
		{Volts(0.5), "500 mV"},
		// Not 0.3 V, and it has to be told from it.
		{Volts(math.Nextafter(0.3, 1)), "300.00000000000004 mV"},
		{DBm(13), "13 dBm"},
		{DBm(-0.25), "-0.25 dBm"},
		{DBm(1234.5), "1234.5 dBm"},
		{DB(0.0005), "0.0005 dB"},
		{Degrees(4), "4°"},
		{Degrees(-187.5), "-187.5°"},
		{Ohms(1e6), "1 M\u03a9"},
		{Ohms(50), "50 \u03a9"},
		{Farads(15e-12), "15 pF"},
		{Henries(24e-6), "24 \u00b5H"},
		{PPM(0.5), "0.5 ppm"},
		{Hertz(math.NaN()), "NaN Hz"},
		{DB(math.Inf(1)), "+Inf dB"},
		{Ohms(math.Inf(-1)), "-Inf Ω"},
	} {
		if got := c.quantity.String(); got != c.want {
			t.Errorf("got %q, want %q", got, c.want)
		}
	}
}

func TestBrief(t *testing.T) {
	for _, c := range []struct {
		quantity interface{ Brief() string }
		want     string
	}{
		{Hertz(30e6), "30 MHz"},
		{Hertz(1.2149e6), "1.21 MHz"},
		{Hertz(1.2151e6), "1.22 MHz"},
		{Hertz(433.92e6), "434 MHz"},
		{Hertz(999.4e6), "999 MHz"},
		{Hertz(999.6e6), "1 GHz"}, // and not 1000 MHz
		{Hertz(-999.6e6), "-1 GHz"},
		{Hertz(100), "100 Hz"},
		{Hertz(0), "0 Hz"},
		{Hertz(1234e12), "1230 THz"},
		{Hertz(5e-324), "4.94e-324 Hz"},
		{Volts(0.22360679), "224 mV"},
		{Volts(1), "1 V"},
		{Volts(-0.0123456), "-12.3 mV"},
		{Volts(math.NaN()), "NaN V"},
		{Ohms(1004), "1 k\u03a9"},
		{Ohms(1006), "1.01 k\u03a9"},
		{Ohms(math.Inf(1)), "+Inf \u03a9"},
		{Seconds(20e-6), "20 \u00b5s"},
		{Seconds(1.5e-17), "0.015 fs"},
	} {
		if got := c.quantity.Brief(); got != c.want {
			t.Errorf("got %q, want %q", got, c.want)
		}
	}
}

// anyFloat draws from every finite float64, and often from numbers that people write.
func anyFloat() *rapid.Generator[float64] {
	return rapid.OneOf(
		rapid.Custom(func(t *rapid.T) float64 {
			v := math.Float64frombits(rapid.Uint64().Draw(t, "bits"))
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return 0
			}
			return v
		}),
		rapid.Custom(func(t *rapid.T) float64 {
			v, err := strconv.ParseFloat(fmt.Sprintf("%de%d", rapid.IntRange(-99999, 99999).Draw(t, "digits"), rapid.IntRange(-20, 15).Draw(t, "power")), 64)
			if err != nil {
				t.Fatal(err)
			}
			return v
		}),
		rapid.SampledFrom([]float64{0, math.Copysign(0, -1), 1, 999.9999999999999, 1e3, 0.1 + 0.2, math.MaxFloat64, -math.MaxFloat64, math.SmallestNonzeroFloat64, 2.2250738585072014e-308}),
	)
}

func TestRoundTrip(t *testing.T) {
	for name, q := range quantities {
		t.Run(name, func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				v := anyFloat().Draw(t, "value")
				text := q.format(v)
				got, err := q.parse(text)
				if err != nil || math.Float64bits(got) != math.Float64bits(v) {
					t.Fatalf("%v is written %q and read %v, %v", v, text, got, err)
				}
			})
		})
	}
}

// Brief is within half a unit of its third digit.
func TestBriefIsNear(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := anyFloat().Draw(t, "value")
		if math.Abs(v) > 1e308 || v != 0 && math.Abs(v) < 1e-300 {
			t.Skip("rounding leaves the float64 range, or its full precision")
		}
		text := Hertz(v).Brief()
		got, err := ParseHertz(text)
		if err != nil || math.Abs(float64(got)-v) > 0.00501*math.Abs(v) {
			t.Fatalf("%v in brief is %q, read as %v, %v", v, text, float64(got), err)
		}
	})
}

// What the prefix does is one rounding, the same as writing the power of ten.
func TestPrefixRoundsOnce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		number := fmt.Sprintf("%d.%d", rapid.IntRange(0, 9999).Draw(t, "whole"), rapid.IntRange(0, 999999).Draw(t, "part"))
		p := rapid.SampledFrom(prefixes).Draw(t, "prefix")
		want, err := strconv.ParseFloat(fmt.Sprintf("%se%d", number, p.exponent), 64)
		if err != nil {
			t.Fatal(err)
		}
		got, err := ParseHertz(number + " " + p.symbol + "Hz")
		if err != nil || float64(got) != want {
			t.Fatalf("%s %sHz: got %v, %v, want %v", number, p.symbol, float64(got), err, want)
		}
	})
}

func TestTextThroughJSONAndYAML(t *testing.T) {
	type codec struct {
		marshal   func(any) ([]byte, error)
		unmarshal func([]byte, any) error
	}
	codecs := map[string]codec{
		"JSON": {json.Marshal, json.Unmarshal},
		"YAML": {yaml.Marshal, yaml.Unmarshal},
	}
	for name, q := range quantities {
		for format, c := range codecs {
			for _, v := range []float64{0, 13, -20, 0.3, 433.92e6, 15e-12, 1.5e300, 0.1 + 0.2} {
				text, err := c.marshal(q.text(v))
				if err != nil || !strings.Contains(string(text), q.format(v)) {
					t.Errorf("%s of %v in %s is written %s, %v", name, v, format, text, err)
					continue
				}
				into, value := q.fresh()
				if err := c.unmarshal(text, into); err != nil || value() != v {
					t.Errorf("%s in %s: %v came back as %v, %v", name, format, v, value(), err)
				}
			}
			for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
				if text, err := c.marshal(q.text(v)); err == nil {
					t.Errorf("%s of %v in %s is written as %s", name, v, format, text)
				}
			}
		}
	}
}

// A struct of quantities reads and refuses in both formats.
func TestStructs(t *testing.T) {
	type part struct {
		Resistance Ohms   `json:"resistance" yaml:"resistance"`
		Loss       *DB    `json:"loss" yaml:"loss"`
		Capacity   Farads `json:"capacity" yaml:"capacity"`
	}
	loss := DB(0.5)
	want := part{100, &loss, 15e-12}
	for name, c := range map[string]struct {
		unmarshal func([]byte, any) error
		text      string
	}{
		"JSON": {json.Unmarshal, `{"resistance": "100 Ω", "loss": "0.5 dB", "capacity": "15 pF"}`},
		"YAML": {yaml.Unmarshal, "resistance: 100 Ω\nloss: 0.5 dB\ncapacity: 15 pF\n"},
	} {
		var got part
		if err := c.unmarshal([]byte(c.text), &got); err != nil {
			t.Errorf("%s: %v", name, err)
		} else if got.Resistance != want.Resistance || *got.Loss != *want.Loss || got.Capacity != want.Capacity {
			t.Errorf("%s: got %+v", name, got)
		}
		bare := strings.NewReplacer(`"100 Ω"`, `"100"`, "100 Ω", "100").Replace(c.text)
		if err := c.unmarshal([]byte(bare), &got); err == nil || !strings.Contains(err.Error(), "the unit is missing") {
			t.Errorf("%s: a bare number gives %v", name, err)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, seed := range []string{"30 MHz", "13 dBm", "1 MΩ", "1 M\u2126", "\u22123.5e-2 µs", "5e", "1e999 THz", ".", "+.5 V", "0x1p4 Hz", "1,5 dB", "NaN Hz", "3°", "\xff 5 V"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		for name, q := range quantities {
			v, err := q.parse(text)
			if err != nil {
				if v != 0 {
					t.Errorf("%s: %q gives %v and an error", name, text, v)
				}
				if m := err.Error(); strings.ContainsAny(m, "\n\r") || !strings.Contains(m, "write it like") {
					t.Errorf("%s: %q gives %q", name, text, m)
				}
				if errors.Unwrap(err) != nil {
					t.Errorf("%s: %q lets an error of the library through", name, text)
				}
				continue
			}
			if math.IsNaN(v) || math.IsInf(v, 0) {
				t.Errorf("%s: %q gives %v", name, text, v)
			}
			again, err := q.parse(q.format(v))
			if err != nil || math.Float64bits(again) != math.Float64bits(v) {
				t.Errorf("%s: %q is %v, and %v again, %v", name, text, v, again, err)
			}
		}
	})
}

func BenchmarkParse(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := ParseHertz("433.92 MHz"); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkString(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		_ = Hertz(433.92e6).String()
	}
}
