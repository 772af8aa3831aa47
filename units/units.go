// Package units holds the physical quantities that cross package borders.
//
// A quantity is a float64 with its unit in the type, in the base unit of the
// name: a units.Hertz is always hertz. Text as people write it ("30 MHz",
// "13 dBm", "1 MΩ", "500 mV") is read by the Parse functions and by
// UnmarshalText, so that configuration and flags need no code of their own; a
// bare number without a unit is refused, since nobody can tell 30 Hz from
// 30 MHz afterwards. Every other package may import units; units imports none
// of them.
package units

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

type (
	// Hertz is a frequency.
	Hertz float64
	// Seconds is a duration on the scale of samples, where time.Duration's
	// nanosecond is too coarse.
	Seconds float64
	// Volts is a voltage; whether peak, peak to peak or rms is said where it is used.
	Volts float64
	// DBm is a power level relative to 1 mW, into 50 Ω unless said otherwise.
	DBm float64
	// DB is a ratio of amplitudes as 20 log10.
	DB float64
	// Degrees is a plane angle.
	Degrees float64
	// Ohms is a resistance or the magnitude of an impedance.
	Ohms float64
	// Farads is a capacitance.
	Farads float64
	// Henries is an inductance.
	Henries float64
	// PPM is a relative deviation in parts per million.
	PPM float64
)

// prefix factors, largest first; dB-like units take none.
var prefixes = []struct {
	symbol string
	factor float64
}{
	{"T", 1e12}, {"G", 1e9}, {"M", 1e6}, {"k", 1e3}, {"", 1}, {"m", 1e-3}, {"µ", 1e-6}, {"n", 1e-9}, {"p", 1e-12}, {"f", 1e-15},
}

// dimension says how one quantity is written.
type dimension struct {
	name     string   // for messages: "a frequency"
	symbols  []string // the first is the one written
	prefixed bool
	example  string
}

var (
	frequency   = dimension{"a frequency", []string{"Hz"}, true, "30 MHz"}
	duration    = dimension{"a time", []string{"s"}, true, "20 µs"}
	voltage     = dimension{"a voltage", []string{"V"}, true, "500 mV"}
	level       = dimension{"a level", []string{"dBm"}, false, "13 dBm"}
	ratio       = dimension{"a ratio in dB", []string{"dB"}, false, "0.5 dB"}
	angle       = dimension{"an angle", []string{"°", "deg"}, false, "3 deg"}
	resistance  = dimension{"a resistance", []string{"Ω", "Ω", "ohm", "Ohm"}, true, "1 MΩ"}
	capacitance = dimension{"a capacitance", []string{"F"}, true, "15 pF"}
	inductance  = dimension{"an inductance", []string{"H"}, true, "24 µH"}
	deviation   = dimension{"a relative deviation", []string{"ppm"}, false, "50 ppm"}
)

// parse reads "number unit" with an optional space between.
func (d dimension) parse(text string) (float64, error) {
	s := strings.TrimSpace(text)
	n := numberLength(s)
	fail := func(why string) (float64, error) {
		return 0, fmt.Errorf("%q is not %s: %s, write it like %q", text, d.name, why, d.example)
	}
	if n == 0 {
		return fail("it does not start with a number")
	}
	value, err := strconv.ParseFloat(s[:n], 64)
	if err != nil || math.IsInf(value, 0) || math.IsNaN(value) {
		return fail("the number cannot be read")
	}
	unit := strings.TrimSpace(s[n:])
	if unit == "" {
		return fail("the unit is missing")
	}
	for _, symbol := range d.symbols {
		head, found := strings.CutSuffix(unit, symbol)
		if !found {
			continue
		}
		if head == "u" || head == "μ" { // plain u and the Greek letter stand for the micro sign
			head = "µ"
		}
		for _, p := range prefixes {
			if head == p.symbol && (d.prefixed || p.symbol == "") {
				return scale(value, p.factor), nil
			}
		}
	}
	return fail(fmt.Sprintf("the unit %q is not known here", unit))
}

// scale multiplies so that "0.3 m" gives the float64 nearest to 0.0003:
// division by an exact power of ten rounds once where a product with an
// inexact 1e-3 would round twice.
func scale(v, factor float64) float64 {
	if factor >= 1 {
		return v * factor
	}
	return v / math.Round(1/factor)
}

func numberLength(s string) int {
	i := 0
	digits := func() (seen bool) {
		for i < len(s) && s[i] >= '0' && s[i] <= '9' {
			i++
			seen = true
		}
		return seen
	}
	if i < len(s) && (s[i] == '+' || s[i] == '-') {
		i++
	}
	seen := digits()
	if i < len(s) && s[i] == '.' {
		i++
		seen = digits() || seen
	}
	if !seen {
		return 0
	}
	mark := i
	if i < len(s) && (s[i] == 'e' || s[i] == 'E') {
		i++
		if i < len(s) && (s[i] == '+' || s[i] == '-') {
			i++
		}
		if !digits() {
			i = mark // "5 e" is a number and an unknown unit, not half a number
		}
	}
	return i
}

// format writes v so that parse gives back the same float64.
func (d dimension) format(v float64) string {
	symbol := d.symbols[0]
	plain := strconv.FormatFloat(v, 'g', -1, 64) + " " + symbol
	if !d.prefixed || v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return plain
	}
	p := prefixFor(math.Abs(v))
	short := strconv.FormatFloat(v/p.factor, 'g', 15, 64)
	if m, err := strconv.ParseFloat(short, 64); err == nil && scale(m, p.factor) == v {
		return short + " " + p.symbol + symbol
	}
	return plain
}

func prefixFor(abs float64) struct {
	symbol string
	factor float64
} {
	for _, p := range prefixes {
		if abs >= p.factor*(1-1e-12) {
			return p
		}
	}
	return prefixes[len(prefixes)-1]
}

// Brief writes a frequency with three significant digits for people: "30 MHz", "1.21 MHz".
func (h Hertz) Brief() string { return frequency.brief(float64(h)) }

// Brief writes a voltage with three significant digits for people.
func (v Volts) Brief() string { return voltage.brief(float64(v)) }

// Brief writes a resistance with three significant digits for people.
func (o Ohms) Brief() string { return resistance.brief(float64(o)) }

// Brief writes a time with three significant digits for people.
func (s Seconds) Brief() string { return duration.brief(float64(s)) }

func (d dimension) brief(v float64) string {
	if v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return strconv.FormatFloat(v, 'g', 3, 64) + " " + d.symbols[0]
	}
	// Round first, so that 999.6 MHz becomes 1 GHz and not 1e+03 MHz.
	step := math.Pow(10, math.Floor(math.Log10(math.Abs(v)))-2)
	v = math.Round(v/step) * step
	p := prefixFor(math.Abs(v))
	return strconv.FormatFloat(math.Round(v/p.factor*1000)/1000, 'f', -1, 64) + " " + p.symbol + d.symbols[0]
}

// The Parse functions read text as people write it; the error says what was
// expected and gives an example.

// ParseHertz reads "30 MHz".
func ParseHertz(s string) (Hertz, error) { v, err := frequency.parse(s); return Hertz(v), err }

// ParseSeconds reads "20 µs"; u stands for µ.
func ParseSeconds(s string) (Seconds, error) { v, err := duration.parse(s); return Seconds(v), err }

// ParseVolts reads "500 mV".
func ParseVolts(s string) (Volts, error) { v, err := voltage.parse(s); return Volts(v), err }

// ParseDBm reads "13 dBm".
func ParseDBm(s string) (DBm, error) { v, err := level.parse(s); return DBm(v), err }

// ParseDB reads "0.5 dB".
func ParseDB(s string) (DB, error) { v, err := ratio.parse(s); return DB(v), err }

// ParseDegrees reads "3 deg" or "3°".
func ParseDegrees(s string) (Degrees, error) { v, err := angle.parse(s); return Degrees(v), err }

// ParseOhms reads "1 MΩ"; ohm stands for Ω.
func ParseOhms(s string) (Ohms, error) { v, err := resistance.parse(s); return Ohms(v), err }

// ParseFarads reads "15 pF".
func ParseFarads(s string) (Farads, error) { v, err := capacitance.parse(s); return Farads(v), err }

// ParseHenries reads "24 µH".
func ParseHenries(s string) (Henries, error) { v, err := inductance.parse(s); return Henries(v), err }

// ParsePPM reads "50 ppm".
func ParsePPM(s string) (PPM, error) { v, err := deviation.parse(s); return PPM(v), err }

func (h Hertz) String() string   { return frequency.format(float64(h)) }
func (s Seconds) String() string { return duration.format(float64(s)) }
func (v Volts) String() string   { return voltage.format(float64(v)) }
func (l DBm) String() string     { return level.format(float64(l)) }
func (d DB) String() string      { return ratio.format(float64(d)) }
func (d Degrees) String() string { return angle.format(float64(d)) }
func (o Ohms) String() string    { return resistance.format(float64(o)) }
func (f Farads) String() string  { return capacitance.format(float64(f)) }
func (h Henries) String() string { return inductance.format(float64(h)) }
func (p PPM) String() string     { return deviation.format(float64(p)) }

func (h Hertz) MarshalText() ([]byte, error)   { return []byte(h.String()), nil }
func (s Seconds) MarshalText() ([]byte, error) { return []byte(s.String()), nil }
func (v Volts) MarshalText() ([]byte, error)   { return []byte(v.String()), nil }
func (l DBm) MarshalText() ([]byte, error)     { return []byte(l.String()), nil }
func (d DB) MarshalText() ([]byte, error)      { return []byte(d.String()), nil }
func (d Degrees) MarshalText() ([]byte, error) { return []byte(d.String()), nil }
func (o Ohms) MarshalText() ([]byte, error)    { return []byte(o.String()), nil }
func (f Farads) MarshalText() ([]byte, error)  { return []byte(f.String()), nil }
func (h Henries) MarshalText() ([]byte, error) { return []byte(h.String()), nil }
func (p PPM) MarshalText() ([]byte, error)     { return []byte(p.String()), nil }

func unmarshal[Q ~float64](q *Q, d dimension, text []byte) error {
	v, err := d.parse(string(text))
	if err != nil {
		return err
	}
	*q = Q(v)
	return nil
}

func (h *Hertz) UnmarshalText(b []byte) error   { return unmarshal(h, frequency, b) }
func (s *Seconds) UnmarshalText(b []byte) error { return unmarshal(s, duration, b) }
func (v *Volts) UnmarshalText(b []byte) error   { return unmarshal(v, voltage, b) }
func (l *DBm) UnmarshalText(b []byte) error     { return unmarshal(l, level, b) }
func (d *DB) UnmarshalText(b []byte) error      { return unmarshal(d, ratio, b) }
func (d *Degrees) UnmarshalText(b []byte) error { return unmarshal(d, angle, b) }
func (o *Ohms) UnmarshalText(b []byte) error    { return unmarshal(o, resistance, b) }
func (f *Farads) UnmarshalText(b []byte) error  { return unmarshal(f, capacitance, b) }
func (h *Henries) UnmarshalText(b []byte) error { return unmarshal(h, inductance, b) }
func (p *PPM) UnmarshalText(b []byte) error     { return unmarshal(p, deviation, b) }

// VoltsRMS is the rms voltage of level l across a matched 50 Ω load:
// P = 1 mW · 10^(l/10), V = sqrt(P · 50 Ω). 0 dBm is 223.6 mV.
func (l DBm) VoltsRMS() Volts { return Volts(math.Sqrt(50e-3 * math.Pow(10, float64(l)/10))) }

// Add raises level l by d.
func (l DBm) Add(d DB) DBm { return l + DBm(d) }

// DBmOfVoltsRMS is the inverse of DBm.VoltsRMS; v must be above zero.
func DBmOfVoltsRMS(v Volts) DBm { return DBm(10 * math.Log10(float64(v)*float64(v)/50e-3)) }

// DBOfRatio is 20 log10 of an amplitude ratio above zero.
func DBOfRatio(r float64) DB { return DB(20 * math.Log10(r)) }

// Ratio is the amplitude ratio 10^(d/20).
func (d DB) Ratio() float64 { return math.Pow(10, float64(d)/20) }
