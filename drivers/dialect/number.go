package dialect

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"

	"halfturn/drivers"
	"halfturn/drivers/scpi"
	"halfturn/units"
)

// The quantities that messages are filled with. In Go they are in hertz, dBm,
// volts and seconds; samples is a count.
const (
	qFrequency = "frequency"
	qDrive     = "drive"
	qRange     = "range"         // full scale, peak to peak
	qDivision  = "division"      // of the screen: the full scale has abilities.divisions of them
	qRate      = "rate"          // samples per second
	qInterval  = "interval"      // between samples
	qSpan      = "span"          // of the whole record
	qTimeDiv   = "time_division" // of the screen: the span has abilities.time_divisions of them
	qSamples   = "samples"
	qChannel   = "channel" // a text
	qRF        = "rf"      // 0 or 1
)

// vWindow is the verb that sets rate and samples.
const vWindow = "window"

// unit is one in which a number can be written.
type unit struct {
	name string
	size float64 // in the unit used in Go
	// level: the voltage of a level into 50 Ω, of which size is in volts rms.
	level bool
}

var (
	hertz   = []unit{{"Hz", 1, false}, {"kHz", 1e3, false}, {"MHz", 1e6, false}, {"GHz", 1e9, false}}
	seconds = []unit{{"s", 1, false}, {"ms", 1e-3, false}, {"us", 1e-6, false}, {"ns", 1e-9, false}, {"ps", 1e-12, false}}
	volts   = []unit{{"V", 1, false}, {"mV", 1e-3, false}, {"uV", 1e-6, false}}
	levels  = []unit{
		{"dBm", 1, false},
		{"Vrms", 1, true}, {"mVrms", 1e-3, true}, {"uVrms", 1e-6, true},
		{"Vpp", perRMS, true}, {"mVpp", 1e-3 * perRMS, true}, {"uVpp", 1e-6 * perRMS, true},
	}
)

// perRMS is the rms voltage of a sine of 1 V peak to peak.
const perRMS = 1 / (2 * math.Sqrt2)

// unitsOf says in which units a quantity can be written.
var unitsOf = map[string][]unit{
	qFrequency: hertz, qDrive: levels, qRange: volts, qDivision: volts, qRate: hertz, qInterval: seconds, qSpan: seconds, qTimeDiv: seconds,
}

// ofScale are the units of numbers that the scale asks for: volts, and what
// else an expression can make something of. In them "nV" is a volt's, too.
var ofScale = slices.Concat(volts, []unit{{"nV", 1e-9, false}, {"kV", 1e3, false}}, seconds, hertz)

func unitNames(known []unit) []string {
	names := make([]string, len(known))
	for i, u := range known {
		names[i] = u.name
	}
	return names
}

// value is v in the unit used in Go.
func (u unit) value(v float64) (float64, error) {
	if !u.level {
		return v * u.size, nil
	}
	if !(v > 0) {
		return 0, fmt.Errorf("%w: %g %s is no level", drivers.ErrReply, v, u.name)
	}
	return float64(units.DBmOfVoltsRMS(units.Volts(v * u.size))), nil
}

// number is a value in the unit used in Go as a number of u.
func (u unit) number(value float64) float64 {
	if u.level {
		return float64(units.DBm(value).VoltsRMS()) / u.size
	}
	return value / u.size
}

// readUnit finds the unit that stands behind a number. Instruments write units
// in capitals or not (IEEE 488.2, 7.7.3 has MV and MHZ, from memory); of one that
// mixes them the first letter must be exact: mHz is not MHz. Where own is a level's volts, V is what
// own says, rms or peak to peak.
func readUnit(name string, known []unit, own unit) (unit, error) {
	name = strings.NewReplacer("µ", "u", "μ", "u").Replace(name)
	uniform := name == strings.ToUpper(name) || name == strings.ToLower(name)
	suffix := ""
	if own.level {
		suffix = own.name[strings.IndexByte(own.name, 'V')+1:]
	}
	for _, u := range known {
		names := []string{u.name}
		if short, found := strings.CutSuffix(u.name, suffix); found && suffix != "" {
			names = append(names, short)
		}
		for _, n := range names {
			if strings.EqualFold(name, n) && (uniform || name[0] == n[0]) {
				return u, nil
			}
		}
	}
	if len(known) == 0 {
		return unit{}, fmt.Errorf("%w: the unit %q stands behind a count", drivers.ErrReply, name)
	}
	return unit{}, fmt.Errorf("%w: the unit %q is not known here, only %s are", drivers.ErrReply, name, strings.Join(unitNames(known), ", "))
}

// readIn reads a number in one of the known units; without one it is in own.
func readIn(s string, known []unit, own unit) (float64, error) {
	number, name := scpi.CutUnit(s)
	v, err := scpi.ParseNumber(number)
	if err != nil {
		if name != "" { // show all of it
			_, err = scpi.ParseNumber(s)
		}
		return 0, err
	}
	u := own
	if name != "" {
		if u, err = readUnit(name, known, own); err != nil {
			return 0, err
		}
	}
	return u.value(v)
}

// format is how a quantity is written in messages and read in replies.
type format struct {
	unit     unit
	known    []unit // that replies may have
	decimals int    // after the point; negative: not fixed
	digits   int    // significant, with an exponent; 0: not fixed
	// least is the lowest level there is, in dBm, where unit is a level's volts.
	least float64
	node  *yaml.Node
}

// count is how a number of samples is written.
var count = format{unit: unit{size: 1}, decimals: 0}

func (f format) write(v float64) string {
	number := f.unit.number(v)
	s := f.written(number)
	if f.unit.level {
		s = f.roundedDown(number)
	}
	if strings.Trim(s, "-0.E+") == "" { // some instruments stumble over -0
		return strings.TrimPrefix(s, "-")
	}
	return s
}

// roundedDown writes a level so that what is sent never exceeds a limit that
// was kept; the lowest level there is alone is rounded up.
func (f format) roundedDown(number float64) string {
	// The factors forgive how far the computing of a level is off.
	step, least := f.step(number), f.unit.number(f.least)*(1-1e-12)
	s := f.written(number)
	for n := 1.0; n < 3 && reads(s) > number*(1+1e-12); n++ {
		s = f.written(number - n*step)
	}
	for n := 0.0; n < 3 && number >= least && reads(s) < least; n++ {
		s = f.written(number + n*step)
	}
	return s
}

// reads is the number that was written.
func reads(s string) float64 {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return math.NaN() // compares with nothing
	}
	return v
}

// step is the distance of the numbers that can be written near v.
func (f format) step(v float64) float64 {
	switch {
	case f.digits > 0:
		return math.Pow(10, math.Floor(math.Log10(math.Abs(v)))+1-float64(f.digits))
	case f.decimals >= 0:
		return math.Pow10(-f.decimals)
	}
	return math.Abs(v) * 1e-14 // 15 digits
}

func (f format) written(v float64) string {
	switch {
	case f.digits > 0:
		return strconv.FormatFloat(v, 'E', f.digits-1, 64)
	case f.decimals >= 0:
		return strconv.FormatFloat(v, 'f', f.decimals, 64)
	}
	// v was divided by an inexact factor: 15 digits hide that, and are enough.
	short, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 15, 64), 64)
	if err != nil { // rounded up beyond the largest number
		short = v
	}
	return strconv.FormatFloat(short, 'f', -1, 64)
}

// rounding is the largest difference between a value near v and what write
// makes of it.
func (f format) rounding(v float64) float64 {
	switch {
	case f.digits > 0:
		return math.Abs(v) * math.Pow10(1-f.digits) / 2
	case f.decimals >= 0:
		return f.unit.size * math.Pow10(-f.decimals) / 2
	}
	return 0 // 15 digits
}

// read reads a number that an instrument sends, with a unit behind it or in
// the same one.
func (f format) read(s string) (float64, error) { return readIn(s, f.known, f.unit) }

// formats by quantity, as far as the file declares them.
type formats map[string]format

// formats reads the section numbers. quantities are those of the instrument.
func (d *document) formats(m mapping, quantities ...string) formats {
	all := formats{qSamples: count}
	section := d.mapping(m.at("numbers"), "numbers", quantities...)
	for _, q := range quantities {
		if !section.has(q) {
			continue
		}
		s := section.section(q, "unit", "decimals", "digits")
		known := unitsOf[q]
		names := unitNames(known)
		name := d.word(s.need("unit", strings.Join(names, ", ")), names...)
		f := format{known: known, decimals: -1, node: s.node}
		if i := slices.Index(names, name); i >= 0 {
			f.unit = known[i]
		}
		if s.has("decimals") {
			f.decimals = d.whole(s.at("decimals"), 0, 15)
		}
		if s.has("digits") {
			f.digits = d.whole(s.at("digits"), 1, 17)
		}
		if s.has("decimals") && s.has("digits") {
			d.fail(s.node, "either decimals (fixed point) or digits (with an exponent) is expected, not both")
		}
		all[q] = f
	}
	return all
}

// tryWriting complains if v cannot be told from its neighbours when written.
func (d *document) tryWriting(q string, f format, v, within float64) {
	if d.err != nil {
		return
	}
	s := f.write(v)
	back, err := f.read(s)
	if err != nil || !(math.Abs(back-v) <= within) {
		d.fail(f.node, "%s %s would be written as %q: more decimals or digits are needed", q, inUnit(q, v), s)
	}
}

// inUnit writes a value for people.
func inUnit(q string, v float64) string {
	// A number that was converted has a last digit of its own.
	if short, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 12, 64), 64); err == nil {
		v = short
	}
	switch q {
	case qFrequency, qRate:
		return units.Hertz(v).String()
	case qDrive:
		const places = 1e4 // a level that was read in volts has any number of them
		return units.DBm(math.Round(v*places) / places).String()
	case qRange, qDivision:
		return units.Volts(v).String()
	case qInterval, qSpan, qTimeDiv:
		return units.Seconds(v).String()
	case qRF:
		if v == 0 {
			return "off"
		}
		return "on"
	}
	return strconv.FormatFloat(v, 'g', -1, 64)
}

// tolerance is how far a value that is read back may be off.
type tolerance struct {
	absolute, relative float64
	in                 unit // that a level is compared in, where absolute is its volts
}

func (t tolerance) allows(want, got float64) bool {
	if t.in.level {
		want, got = t.in.number(want), t.in.number(got)
	}
	// The last term is for the rounding of the unit's factor.
	return math.Abs(got-want) <= t.absolute+(t.relative+1e-9)*math.Abs(want)
}

// tolerance reads "1 Hz", "0.5 %", "10 ppm", or "0" for a count. own is the unit
// that the quantity is read in: a level in volts may be off by some volts of
// the same kind, since an instrument shows so many places of it.
func (d *document) tolerance(n *yaml.Node, q string, own unit) tolerance {
	s := d.text(n)
	if d.err != nil {
		return tolerance{}
	}
	var v float64
	var t tolerance
	var err error
	if percent, found := strings.CutSuffix(s, "%"); found && q != qDrive {
		v, err = strconv.ParseFloat(strings.TrimSpace(percent), 64)
		t.relative = v / 100
	} else if ppm, wrong := units.ParsePPM(s); wrong == nil && q != qDrive {
		v = float64(ppm)
		t.relative = v * 1e-6
	} else {
		switch q {
		case qFrequency, qRate:
			v, err = parsed(units.ParseHertz(s))
		case qDrive:
			if v, err = parsed(units.ParseDB(s)); err != nil && own.level {
				if v, err = parsed(units.ParseVolts(s)); err == nil {
					// One volt of the unit's kind, whatever its prefix.
					t.in = unit{name: own.name, size: 1, level: true}
					if strings.HasSuffix(own.name, "pp") {
						t.in.size = perRMS
					}
				}
			}
		case qRange, qDivision:
			v, err = parsed(units.ParseVolts(s))
		case qInterval, qSpan, qTimeDiv:
			v, err = parsed(units.ParseSeconds(s))
		default:
			v, err = strconv.ParseFloat(s, 64)
		}
		t.absolute = v
	}
	if err != nil {
		d.fail(n, "how far a %s may be off is expected, like %s", q, exampleTolerance[q])
	} else if !(v >= 0 && v < math.Inf(1)) {
		d.fail(n, "%s: how far a %s may be off cannot be negative", s, q)
	}
	return t
}

func parsed[Q ~float64](v Q, err error) (float64, error) { return float64(v), err }

var exampleTolerance = map[string]string{
	qFrequency: "1 Hz or 0.1 ppm",
	qDrive:     "0.05 dB",
	qRange:     "1 mV or 0.1 %",
	qDivision:  "1 mV or 0.1 %",
	qRate:      "1 Hz or 1 ppm",
	qInterval:  "1 ps or 1 ppm",
	qSpan:      "1 ns or 1 ppm",
	qTimeDiv:   "1 ns or 1 ppm",
	qSamples:   "0",
}
