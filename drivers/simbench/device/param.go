package device

import (
	"math"
	"strconv"
	"strings"
)

// Params is what came with a command.
type Params struct {
	Suffix int // numeric suffix of the header, from 1
	List   []string
}

// Count checks how many parameters there are.
func (p Params) Count(n int) error {
	switch {
	case len(p.List) < n:
		return MissingParameter
	case len(p.List) > n:
		return ParameterNotAllowed
	}
	return nil
}

// Unit is the suffixes that a number may carry and what each multiplies by.
type Unit map[string]float64

// Suffixes of SCPI-99 Volume 1, 7.1; MHZ is mega as IEEE 488.2, 7.7.3.4 has it.
var (
	Frequency = Unit{"HZ": 1, "KHZ": 1e3, "MHZ": 1e6, "MAHZ": 1e6, "GHZ": 1e9}
	Level     = Unit{"DBM": 1}
	Voltage   = Unit{"V": 1, "MV": 1e-3, "UV": 1e-6}
	Time      = Unit{"S": 1, "MS": 1e-3, "US": 1e-6, "NS": 1e-9, "PS": 1e-12}
	Plain     = Unit{}
)

// Number is the one numeric parameter, from lowest to highest, in the unit's
// base; MINimum and MAXimum stand for the ends.
func (p Params) Number(unit Unit, lowest, highest float64) (float64, error) {
	if err := p.Count(1); err != nil {
		return 0, err
	}
	text := strings.ToUpper(p.List[0])
	switch text {
	case "MIN", "MINIMUM":
		return lowest, nil
	case "MAX", "MAXIMUM":
		return highest, nil
	}
	v, rest, err := leadingNumber(text)
	if err != nil {
		return 0, err
	}
	if rest != "" {
		factor, known := unit[rest]
		if !known {
			return 0, InvalidSuffix
		}
		v *= factor
	}
	if !(v >= lowest && v <= highest) {
		return 0, DataOutOfRange
	}
	return v, nil
}

// leadingNumber reads NRf, IEEE 488.2, 7.7.2: sign, digits with a point
// anywhere, exponent. What follows is the suffix.
func leadingNumber(text string) (v float64, rest string, err error) {
	end := strings.IndexFunc(text, func(r rune) bool { return !strings.ContainsRune("+-.0123456789", r) })
	if end < 0 {
		end = len(text)
	}
	if e := end; e < len(text) && text[e] == 'E' {
		e++
		if e < len(text) && (text[e] == '+' || text[e] == '-') {
			e++
		}
		digits := e
		for e < len(text) && text[e] >= '0' && text[e] <= '9' {
			e++
		}
		if e > digits {
			end = e
		}
	}
	if end == 0 {
		return 0, "", DataTypeError
	}
	v, err = strconv.ParseFloat(text[:end], 64)
	if math.IsInf(v, 0) { // larger than any range
		return v, strings.TrimSpace(text[end:]), nil
	}
	if err != nil {
		return 0, "", SyntaxError
	}
	return v, strings.TrimSpace(text[end:]), nil
}

// Bool is the one parameter ON, OFF or a number, where 0 is off.
func (p Params) Bool() (bool, error) {
	if err := p.Count(1); err != nil {
		return false, err
	}
	switch text := strings.ToUpper(p.List[0]); text {
	case "ON":
		return true, nil
	case "OFF":
		return false, nil
	default:
		v, rest, err := leadingNumber(text)
		if err != nil || rest != "" {
			return false, IllegalParameterValue
		}
		return math.Round(v) != 0, nil
	}
}

// Choice is parameter number i as one of the words, written as in a header
// ("NORMal"); the result is the word's place.
func (p Params) Choice(i int, words ...string) (int, error) {
	if i >= len(p.List) {
		return 0, MissingParameter
	}
	text := strings.ToUpper(p.List[i])
	for n, word := range words {
		if text == strings.TrimRight(word, "abcdefghijklmnopqrstuvwxyz") || text == strings.ToUpper(word) {
			return n, nil
		}
	}
	return 0, IllegalParameterValue
}

// AppendNumber writes v as NR3 of IEEE 488.2, 8.7.4: 3.0E+07.
func AppendNumber(dst []byte, v float64) []byte {
	text := strconv.FormatFloat(v, 'E', -1, 64)
	if mantissa, exponent, found := strings.Cut(text, "E"); found && !strings.Contains(mantissa, ".") {
		text = mantissa + ".0E" + exponent
	}
	return append(dst, text...)
}

// AppendBool writes 1 or 0.
func AppendBool(dst []byte, v bool) []byte {
	if v {
		return append(dst, '1')
	}
	return append(dst, '0')
}

// AppendBlockHeader starts a definite block of n bytes, IEEE 488.2, 8.7.9: #41000.
func AppendBlockHeader(dst []byte, n int) []byte {
	count := strconv.Itoa(n)
	dst = append(dst, '#', byte('0'+len(count)))
	return append(dst, count...)
}
