package dialect

import (
	"encoding/binary"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"halfturn/drivers"
	"halfturn/drivers/scpi"
)

// encoding is how the codes of a record come.
type encoding struct {
	width       int // bytes of a sample; 0: text, numbers with commas between
	signed      bool
	big         bool // the most significant byte comes first
	least, most int
	// shift is what is taken off the codes so that they fit in an int16.
	shift int
}

var encodings = map[string]encoding{
	"int8":   {width: 1, signed: true, least: math.MinInt8, most: math.MaxInt8},
	"uint8":  {width: 1, least: 0, most: math.MaxUint8},
	"int16":  {width: 2, signed: true, least: math.MinInt16, most: math.MaxInt16},
	"uint16": {width: 2, least: 0, most: math.MaxUint16, shift: 1 << 15},
	"ascii":  {signed: true, least: math.MinInt16, most: math.MaxInt16},
}

func encodingNames() []string { return slices.Sorted(maps.Keys(encodings)) }

// decode reads a record of n samples into codes' storage. The error wraps
// drivers.ErrReply.
func (e encoding) decode(codes []int16, raw []byte, n int) ([]int16, error) {
	if e.width == 0 {
		return e.decodeText(codes, raw, n)
	}
	if extra := len(raw) % e.width; extra != 0 {
		return codes, fmt.Errorf("%w: %d bytes came, which is not a whole number of %d-byte samples; %d samples in %d bytes were expected",
			drivers.ErrReply, len(raw), e.width, n, n*e.width)
	}
	if len(raw) != n*e.width {
		return codes, wrongCount(len(raw)/e.width, n)
	}
	if cap(codes) < n {
		codes = make([]int16, n)
	}
	codes = codes[:n]
	switch {
	case e.width == 1 && e.signed:
		for i, b := range raw {
			codes[i] = int16(int8(b))
		}
	case e.width == 1:
		for i, b := range raw {
			codes[i] = int16(b)
		}
	default:
		// Turning the highest bit over takes 32768 off an unsigned code.
		turn := uint16(e.shift)
		if e.big {
			for i := range codes {
				codes[i] = int16(binary.BigEndian.Uint16(raw[2*i:]) ^ turn)
			}
		} else {
			for i := range codes {
				codes[i] = int16(binary.LittleEndian.Uint16(raw[2*i:]) ^ turn)
			}
		}
	}
	return codes, nil
}

func wrongCount(got, want int) error {
	return fmt.Errorf("%w: %d samples came, %d were expected", drivers.ErrReply, got, want)
}

// decodeText reads whole numbers with commas between them.
func (e encoding) decodeText(codes []int16, raw []byte, n int) ([]int16, error) {
	if cap(codes) < n {
		codes = make([]int16, n)
	}
	codes = codes[:n]
	got := 0
	for rest, more := raw, len(raw) > 0; more; got++ {
		item := rest
		end := slices.Index(rest, ',')
		if more = end >= 0; more {
			item, rest = rest[:end], rest[end+1:]
		}
		if got >= n { // counted to the end, for the message
			continue
		}
		code, err := e.code(item)
		if err != nil {
			return codes, fmt.Errorf("sample %d of %d: %w", got+1, n, err)
		}
		codes[got] = code
	}
	if got != n {
		return codes, wrongCount(got, n)
	}
	return codes, nil
}

// code reads a whole number in any of the forms of IEEE 488.2.
func (e encoding) code(item []byte) (int16, error) {
	v, digits, negative := 0, 0, false
	for i, c := range item {
		switch {
		case isDigit(c) && digits < 6:
			v = v*10 + int(c-'0')
			digits++
		case c == '-' && i == 0:
			negative = true
		default:
			return e.looseCode(string(item))
		}
	}
	if digits == 0 {
		return e.looseCode(string(item))
	}
	if negative {
		v = -v
	}
	return e.fitting(float64(v))
}

// looseCode is code for what is not written as plainly.
func (e encoding) looseCode(item string) (int16, error) {
	v, err := scpi.ParseNumber(strings.TrimSpace(item))
	if err != nil {
		return 0, err
	}
	if v != math.Trunc(v) {
		return 0, fmt.Errorf("%w: %g is not a code, those are whole numbers", drivers.ErrReply, v)
	}
	return e.fitting(v)
}

func (e encoding) fitting(v float64) (int16, error) {
	if v < float64(e.least) || v > float64(e.most) {
		return 0, fmt.Errorf("%w: the code %g is not between %d and %d", drivers.ErrReply, v, e.least, e.most)
	}
	return int16(v), nil
}
