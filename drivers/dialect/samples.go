package dialect

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"

	"halfturn/drivers"
	"halfturn/drivers/scpi"
)

// encoding is how the samples of a record come: as codes of the converter, or
// as volts.
type encoding struct {
	name        string
	width       int // bytes of a sample; 0: text, numbers with commas between
	signed      bool
	volts       bool
	big         bool // the most significant byte comes first
	least, most int  // codes
	// shift is what is taken off the codes so that they fit in an int16.
	shift int
	// spare is how many bits at the low end say nothing: codes of 8 bits may
	// come in the upper half of 16. They are dropped, so that a step of the
	// codes is one of the converter, which the analysis goes by.
	spare int
}

var encodings = map[string]encoding{
	"int8":        {width: 1, signed: true, least: math.MinInt8, most: math.MaxInt8},
	"uint8":       {width: 1, least: 0, most: math.MaxUint8},
	"int16":       {width: 2, signed: true, least: math.MinInt16, most: math.MaxInt16},
	"uint16":      {width: 2, least: 0, most: math.MaxUint16, shift: 1 << 15},
	"float32":     {width: 4, volts: true, least: math.MinInt16, most: math.MaxInt16},
	"ascii":       {signed: true, least: math.MinInt16, most: math.MaxInt16},
	"ascii_volts": {volts: true, least: math.MinInt16, most: math.MaxInt16},
}

func encodingNames() []string { return slices.Sorted(maps.Keys(encodings)) }

// layout says where the samples of one channel stand in what was transferred:
// the first, and every step after it, of total. All channels have n.
type layout struct{ first, step, n, total int }

// decode reads one channel's record into t.Codes' storage. Volts are rounded
// to the codes that t says stand for them. The error wraps drivers.ErrReply.
func (e encoding) decode(t *drivers.Trace, raw []byte, at layout) error {
	if e.width > 0 {
		if extra := len(raw) % e.width; extra != 0 {
			return fmt.Errorf("%w: %d bytes came, which is not a whole number of %d-byte samples; %d samples in %d bytes were expected",
				drivers.ErrReply, len(raw), e.width, at.total, at.total*e.width)
		}
		if len(raw) != at.total*e.width {
			return wrongCount(len(raw)/e.width, at.total)
		}
	}
	if cap(t.Codes) < at.n {
		t.Codes = make([]int16, at.n)
	}
	t.Codes = t.Codes[:at.n]
	switch {
	case e.width == 0:
		return e.decodeText(t, raw, at)
	case e.volts:
		return e.decodeFloats(t, raw, at)
	}
	e.decodeCodes(t.Codes, raw[at.first*e.width:], at.step*e.width)
	if e.spare > 0 {
		for i := range t.Codes {
			t.Codes[i] >>= e.spare
		}
	}
	return nil
}

func wrongCount(got, want int) error {
	return fmt.Errorf("%w: %d samples came, %d were expected", drivers.ErrReply, got, want)
}

// decodeCodes reads a code every so many bytes.
func (e encoding) decodeCodes(codes []int16, raw []byte, every int) {
	// Turning the highest bit over takes 32768 off an unsigned code.
	turn := uint16(e.shift)
	switch at := 0; {
	case e.width == 1 && e.signed:
		for i := range codes {
			codes[i] = int16(int8(raw[at]))
			at += every
		}
	case e.width == 1:
		for i := range codes {
			codes[i] = int16(raw[at])
			at += every
		}
	case e.big:
		for i := range codes {
			codes[i] = int16(binary.BigEndian.Uint16(raw[at:]) ^ turn)
			at += every
		}
	default:
		for i := range codes {
			codes[i] = int16(binary.LittleEndian.Uint16(raw[at:]) ^ turn)
			at += every
		}
	}
}

// decodeFloats reads volts in IEEE 754's four bytes.
func (e encoding) decodeFloats(t *drivers.Trace, raw []byte, at layout) error {
	grid := gridOf(t)
	for i := range t.Codes {
		four := raw[4*(at.first+i*at.step):]
		bits := binary.LittleEndian.Uint32(four)
		if e.big {
			bits = binary.BigEndian.Uint32(four)
		}
		v := float64(math.Float32frombits(bits))
		if v != v || float32(v) == noValue {
			return fmt.Errorf("%w: sample %d of %d is not a number", drivers.ErrReply, i+1, at.n)
		}
		t.Codes[i] = grid.code(v)
	}
	return nil
}

// noValue is what SCPI-99, volume 1, 7.2.1.5 sends for not a number, in four bytes.
const noValue = float32(9.91e37)

// overload is what SCPI-99, volume 1, 7.2.1.4 sends for infinity, which a
// scope sends for what is beyond its range.
const overload = 9.9e37

// grid is what volts are rounded to: code = volts/step, between the rails.
//
// A record is kept and analysed in whole codes. With the step of the converter
// itself nothing is lost, since the volts that a scope sends are its codes
// times that step. With a finer one, where a scope averages, rounding adds
// step²/12 to the noise's variance: a step of 1/16 of the converter's adds
// 1/256 of what the converter's own rounding has put there.
type grid struct{ perVolt, low, high float64 }

func gridOf(t *drivers.Trace) grid {
	return grid{1 / float64(t.VoltsPerCode), float64(t.Low), float64(t.High)}
}

// code is the code of volts that are a number; what is beyond a rail counts as
// on it, infinity too.
func (g grid) code(volts float64) int16 {
	return int16(min(max(math.Floor(volts*g.perVolt+0.5), g.low), g.high))
}

// decodeText reads numbers with commas between them.
func (e encoding) decodeText(t *drivers.Trace, raw []byte, at layout) error {
	grid := gridOf(t)
	got, mine, next := 0, 0, at.first
	for rest, more := raw, len(raw) > 0; more; got++ {
		item := rest
		end := bytes.IndexByte(rest, ',')
		if more = end >= 0; more {
			item, rest = rest[:end], rest[end+1:]
		}
		if got != next || mine == at.n { // of another channel, or too many: counted for the message
			continue
		}
		code, err := e.code(item, grid)
		if err != nil {
			return fmt.Errorf("sample %d of %d: %w", got+1, at.total, err)
		}
		t.Codes[mine] = code
		mine++
		next += at.step
	}
	if got != at.total {
		return wrongCount(got, at.total)
	}
	return nil
}

// code reads one item of a text.
func (e encoding) code(item []byte, grid grid) (int16, error) {
	v, ok := plainNumber(item)
	if !ok {
		text := strings.TrimSpace(string(item))
		beyond, err := strconv.ParseFloat(text, 64)
		if e.volts && err == nil && math.Abs(beyond) == overload {
			return grid.code(beyond), nil
		}
		if v, err = scpi.ParseNumber(text); err != nil {
			return 0, err
		}
	}
	switch {
	case e.volts:
		return grid.code(v), nil
	case v != math.Trunc(v):
		return 0, fmt.Errorf("%w: %g is not a code, those are whole numbers", drivers.ErrReply, v)
	case v < float64(e.least) || v > float64(e.most):
		return 0, fmt.Errorf("%w: the code %g is not between %d and %d", drivers.ErrReply, v, e.least, e.most)
	}
	return int16(v), nil
}

// plainNumber reads a decimal number that takes no care: up to 15 digits and a
// power of ten up to 22, both exact in a float64, so that their product or
// quotient is rounded once, as strconv rounds (Clinger, "How to read floating
// point numbers accurately", 1990).
func plainNumber(s []byte) (v float64, ok bool) {
	i := 0
	negative := len(s) > 0 && s[0] == '-'
	if negative {
		i++
	}
	mantissa, digits, power, pointed := 0, 0, 0, false
scan:
	for ; i < len(s); i++ {
		switch c := s[i]; {
		case isDigit(c) && digits < 15:
			mantissa = mantissa*10 + int(c-'0')
			digits++
			if pointed {
				power--
			}
		case c == '.' && !pointed:
			pointed = true
		default:
			break scan
		}
	}
	if digits == 0 {
		return 0, false
	}
	if i < len(s) {
		if s[i] != 'e' && s[i] != 'E' {
			return 0, false
		}
		exponent, ok := smallExponent(s[i+1:])
		if !ok {
			return 0, false
		}
		power += exponent
	}
	v = float64(mantissa)
	switch {
	case power < -22 || power > 22:
		return 0, false
	case power < 0:
		v /= tens[-power]
	default:
		v *= tens[power]
	}
	if negative {
		v = -v
	}
	return v, true
}

// smallExponent reads up to two digits with a sign or none.
func smallExponent(s []byte) (exponent int, ok bool) {
	negative := len(s) > 0 && s[0] == '-'
	if len(s) > 0 && (s[0] == '-' || s[0] == '+') {
		s = s[1:]
	}
	if len(s) == 0 || len(s) > 2 {
		return 0, false
	}
	for _, c := range s {
		if !isDigit(c) {
			return 0, false
		}
		exponent = exponent*10 + int(c-'0')
	}
	if negative {
		exponent = -exponent
	}
	return exponent, true
}

// tens are the powers of ten that a float64 has exactly.
var tens = [...]float64{1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11,
	1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22}
