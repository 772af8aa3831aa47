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

import "math"

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

// String writes a quantity so that its Parse function gives back the same float64.

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

// MarshalText is String; it refuses what is not finite, which could not be read back.

func (h Hertz) MarshalText() ([]byte, error)   { return frequency.marshal(float64(h)) }
func (s Seconds) MarshalText() ([]byte, error) { return duration.marshal(float64(s)) }
func (v Volts) MarshalText() ([]byte, error)   { return voltage.marshal(float64(v)) }
func (l DBm) MarshalText() ([]byte, error)     { return level.marshal(float64(l)) }
func (d DB) MarshalText() ([]byte, error)      { return ratio.marshal(float64(d)) }
func (d Degrees) MarshalText() ([]byte, error) { return angle.marshal(float64(d)) }
func (o Ohms) MarshalText() ([]byte, error)    { return resistance.marshal(float64(o)) }
func (f Farads) MarshalText() ([]byte, error)  { return capacitance.marshal(float64(f)) }
func (h Henries) MarshalText() ([]byte, error) { return inductance.marshal(float64(h)) }
func (p PPM) MarshalText() ([]byte, error)     { return deviation.marshal(float64(p)) }

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

// Brief writes a frequency with three significant digits for people: "30 MHz", "1.21 MHz".
func (h Hertz) Brief() string { return frequency.brief(float64(h)) }

// Brief writes a voltage with three significant digits for people.
func (v Volts) Brief() string { return voltage.brief(float64(v)) }

// Brief writes a resistance with three significant digits for people.
func (o Ohms) Brief() string { return resistance.brief(float64(o)) }

// Brief writes a time with three significant digits for people.
func (s Seconds) Brief() string { return duration.brief(float64(s)) }

// VoltsRMS is the rms voltage of level l across a matched 50 Ω load:
// P = 1 mW · 10^(l/10), V = sqrt(P · 50 Ω). 0 dBm is 223.6 mV.
func (l DBm) VoltsRMS() Volts { return Volts(math.Sqrt(50e-3 * math.Pow(10, float64(l)/10))) }

// Add raises level l by d.
func (l DBm) Add(d DB) DBm { return l + DBm(d) }

// DBmOfVoltsRMS is the inverse of DBm.VoltsRMS; v must be above zero.
func DBmOfVoltsRMS(v Volts) DBm { return DBm(20 * math.Log10(float64(v)/math.Sqrt(50e-3))) }

// DBOfRatio is 20 log10 of an amplitude ratio above zero.
func DBOfRatio(r float64) DB { return DB(20 * math.Log10(r)) }

// Ratio is the amplitude ratio 10^(d/20).
func (d DB) Ratio() float64 { return math.Pow(10, float64(d)/20) }
