package dialect

import (
	"math"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"

	"halfturn/drivers/scpi"
	"halfturn/units"
)

// The quantities that messages are filled with. In Go they are in hertz, dBm,
// volts and seconds; samples is a count.
const (
	qFrequency = "frequency"
	qDrive     = "drive"
	qRange     = "range"    // full scale, peak to peak
	qRate      = "rate"     // samples per second
	qInterval  = "interval" // between samples
	qSpan      = "span"     // of the whole record
	qSamples   = "samples"
	qChannel   = "channel" // a text
	qRF        = "rf"      // 0 or 1
)

// scaled is a unit that a number can be written in, by its size in the unit
// used in Go. A unit that is more than a factor would need functions here.
type scaled map[string]float64

var (
	hertz   = scaled{"Hz": 1, "kHz": 1e3, "MHz": 1e6, "GHz": 1e9}
	seconds = scaled{"s": 1, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "ps": 1e-12}
)

// unitsOf says in which units a quantity can be written.
var unitsOf = map[string]scaled{
	qFrequency: hertz,
	qDrive:     {"dBm": 1},
	qRange:     {"V": 1, "mV": 1e-3, "uV": 1e-6},
	qRate:      hertz,
	qInterval:  seconds,
	qSpan:      seconds,
}

// unitNames in the order in which a message lists them.
var unitNames = []string{"Hz", "kHz", "MHz", "GHz", "dBm", "V", "mV", "uV", "s", "ms", "us", "ns", "ps"}

// format is how a quantity is written in messages and read in replies.
type format struct {
	factor   float64 // of the unit, in that used in Go
	decimals int     // after the point; negative: not fixed
	digits   int     // significant, with an exponent; 0: not fixed
	node     *yaml.Node
}

// count is how a number of samples is written.
var count = format{factor: 1, decimals: 0}

func (f format) write(v float64) string {
	s := f.written(v / f.factor)
	if strings.Trim(s, "-0.E+") == "" { // some instruments stumble over -0
		return strings.TrimPrefix(s, "-")
	}
	return s
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
		return f.factor * math.Pow10(-f.decimals) / 2
	}
	return 0 // 15 digits
}

// read reads a number that an instrument sends in the same unit.
func (f format) read(s string) (float64, error) {
	v, err := scpi.ParseNumber(s)
	return v * f.factor, err
}

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
		var names []string
		for _, u := range unitNames {
			if unitsOf[q][u] != 0 {
				names = append(names, u)
			}
		}
		unit := d.word(s.need("unit", strings.Join(names, ", ")), names...)
		f := format{factor: unitsOf[q][unit], decimals: -1, node: s.node}
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
	switch q {
	case qFrequency, qRate:
		return units.Hertz(v).String()
	case qDrive:
		return units.DBm(v).String()
	case qRange:
		return units.Volts(v).String()
	case qInterval, qSpan:
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
type tolerance struct{ absolute, relative float64 }

func (t tolerance) allows(want, got float64) bool {
	// The last term is for the rounding of the unit's factor.
	return math.Abs(got-want) <= t.absolute+(t.relative+1e-9)*math.Abs(want)
}

// tolerance reads "1 Hz", "0.5 %", "10 ppm", or "0" for a count.
func (d *document) tolerance(n *yaml.Node, q string) tolerance {
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
			v, err = parsed(units.ParseDB(s))
		case qRange:
			v, err = parsed(units.ParseVolts(s))
		case qInterval, qSpan:
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
	qRate:      "1 Hz or 1 ppm",
	qInterval:  "1 ps or 1 ppm",
	qSpan:      "1 ns or 1 ppm",
	qSamples:   "0",
}
