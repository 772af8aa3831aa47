package units

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// prefix is an SI prefix, as a power of ten.
type prefix struct {
	symbol   string
	exponent int
}

// prefixes that are read and written, largest first.
var prefixes = []prefix{
	{"T", 12}, {"G", 9}, {"M", 6}, {"k", 3}, {"", 0}, {"m", -3}, {micro, -6}, {"n", -9}, {"p", -12}, {"f", -15},
}

const (
	micro      = "\u00b5" // the micro sign
	greekMu    = "\u03bc"
	greekOmega = "\u03a9"
	ohmSign    = "\u2126"
	minusSign  = "\u2212"
)

// dimension says how one quantity is written.
type dimension struct {
	name     string   // for messages: "a frequency"
	symbols  []string // the first is the one written
	prefixed bool     // takes SI prefixes; dB and the like take none
	example  string
}

var (
	frequency   = dimension{"a frequency", []string{"Hz"}, true, "30 MHz"}
	duration    = dimension{"a time", []string{"s"}, true, "20 µs"}
	voltage     = dimension{"a voltage", []string{"V"}, true, "500 mV"}
	level       = dimension{"a level", []string{"dBm"}, false, "13 dBm"}
	ratio       = dimension{"a ratio in dB", []string{"dB"}, false, "0.5 dB"}
	angle       = dimension{"an angle", []string{"°", "deg"}, false, "3 deg"}
	resistance  = dimension{"a resistance", []string{greekOmega, ohmSign, "ohm", "Ohm"}, true, "1 MΩ"}
	capacitance = dimension{"a capacitance", []string{"F"}, true, "15 pF"}
	inductance  = dimension{"an inductance", []string{"H"}, true, "24 µH"}
	deviation   = dimension{"a relative deviation", []string{"ppm"}, false, "50 ppm"}
)

// parse reads "number unit" with an optional space between.
func (d dimension) parse(text string) (float64, error) {
	fail := func(why string) (float64, error) {
		return 0, fmt.Errorf("%q is not %s: %s, write it like %q", text, d.name, why, d.example)
	}
	s := strings.TrimSpace(text)
	if rest, ok := strings.CutPrefix(s, minusSign); ok {
		s = "-" + rest
	}
	n := numberLength(s)
	if n == 0 {
		return fail("it does not start with a number")
	}
	unit := strings.TrimSpace(s[n:])
	switch {
	case unit == "":
		return fail("the unit is missing")
	case unit[0] == ',':
		return fail("there is a comma in the number")
	}
	p, ok := d.prefixOf(unit)
	if !ok {
		return fail(fmt.Sprintf("the unit %q is not known here", unit))
	}
	value, err := scaled(s[:n], p.exponent)
	if err != nil {
		return fail("the number cannot be read")
	}
	return value, nil
}

// prefixOf finds the prefix that stands before one of the symbols.
func (d dimension) prefixOf(unit string) (prefix, bool) {
	for _, symbol := range d.symbols {
		head, found := strings.CutSuffix(unit, symbol)
		if !found {
			continue
		}
		if head == "u" || head == greekMu { // both stand for the micro sign
			head = micro
		}
		for _, p := range prefixes {
			if head == p.symbol && (d.prefixed || head == "") {
				return p, true
			}
		}
	}
	return prefix{}, false
}

// scaled reads number times a power of ten. The power goes into the text, so
// that "0.3" and -3 give the float64 nearest to 0.0003: multiplying afterwards
// would round a second time.
func scaled(number string, power int) (float64, error) {
	if i := strings.IndexAny(number, "eE"); i >= 0 {
		own, err := strconv.Atoi(number[i+1:])
		if err != nil {
			return 0, err
		}
		number, power = number[:i], power+own
	}
	return strconv.ParseFloat(number+"e"+strconv.Itoa(power), 64)
}

// numberLength is how much of s is a decimal number.
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
func (d dimension) format(v float64) string { return d.write(v, -1) }

// brief writes v with at most three significant digits.
func (d dimension) brief(v float64) string { return d.write(v, 2) }

// longest is how many zeros may stand between the digits and the point before
// the number is written with an exponent.
const longest = 18

// write writes v with the given number of digits after the first, or with as
// many as tell v from every other float64 where that is -1. Only digits are
// moved: a division by the prefix would round.
func (d dimension) write(v float64, precision int) string {
	if !d.prefixed || v == 0 || math.IsNaN(v) || math.IsInf(v, 0) {
		return d.withUnit(strconv.FormatFloat(v, 'g', -1, 64), "")
	}
	exact := strconv.FormatFloat(v, 'e', precision, 64)
	mantissa, power, _ := strings.Cut(exact, "e")
	exponent, _ := strconv.Atoi(power) // FormatFloat ends in e and a number
	sign := ""
	if mantissa[0] == '-' {
		sign, mantissa = "-", mantissa[1:]
	}
	digits := strings.TrimRight(strings.Replace(mantissa, ".", "", 1), "0")
	p := prefixFor(exponent)
	point := exponent - p.exponent + 1 // digits before the decimal point
	switch {
	case point < -longest || point > len(digits)+longest:
		return d.withUnit(exact, "")
	case point <= 0:
		digits = "0." + strings.Repeat("0", -point) + digits
	case point >= len(digits):
		digits += strings.Repeat("0", point-len(digits))
	default:
		digits = digits[:point] + "." + digits[point:]
	}
	return d.withUnit(sign+digits, p.symbol)
}

// withUnit puts a space between number and unit, but none before a degree sign
// (SI Brochure, 9th edition, 5.4.3; from memory).
func (d dimension) withUnit(number, prefix string) string {
	symbol := d.symbols[0]
	if symbol == "°" {
		return number + symbol
	}
	return number + " " + prefix + symbol
}

// prefixFor is the largest prefix that leaves a digit before the point.
func prefixFor(exponent int) prefix {
	for _, p := range prefixes {
		if exponent >= p.exponent {
			return p
		}
	}
	return prefixes[len(prefixes)-1]
}

func (d dimension) marshal(v float64) ([]byte, error) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return nil, fmt.Errorf("%s of %s cannot be written: it could not be read back", d.name, d.format(v))
	}
	return []byte(d.format(v)), nil
}

func unmarshal[Q ~float64](q *Q, d dimension, text []byte) error {
	v, err := d.parse(string(text))
	if err != nil {
		return err
	}
	*q = Q(v)
	return nil
}
