package scpi

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"halfturn/drivers"
)

// The Parse functions read reply data; their errors wrap drivers.ErrReply.

// What SCPI-99, volume 1, 7.2.1.4 and 7.2.1.5 send in place of a number.
const (
	infinity  = 9.9e37
	notNumber = 9.91e37
)

// ParseNumber reads a numeric reply: an integer (NR1), a fixed-point number
// (NR2) or one with an exponent (NR3) of 488.2, 8.7.2 to 8.7.4, and the
// looser forms of 7.7.2. A unit behind it is refused, and so are the numbers
// that stand for infinity and for not a number.
func ParseNumber(reply string) (float64, error) {
	s := strings.Trim(reply, " \t\r\n")
	if !isNumber(s) {
		return 0, fmt.Errorf("%w: %s is not a number", drivers.ErrReply, quote([]byte(reply)))
	}
	v, err := strconv.ParseFloat(s, 64)
	switch {
	case v == notNumber:
		return 0, fmt.Errorf("%w: the instrument has no value (%s, SCPI's not a number)", drivers.ErrReply, s)
	case math.Abs(v) == infinity:
		return 0, fmt.Errorf("%w: the instrument's value is infinite (%s), out of its range or overloaded", drivers.ErrReply, s)
	case err != nil:
		return 0, fmt.Errorf("%w: %s is too large a number", drivers.ErrReply, quote([]byte(s)))
	}
	return v, nil
}

// isNumber keeps out what strconv takes beyond decimal numbers.
func isNumber(s string) bool {
	digits := func() (seen bool) {
		for s != "" && s[0] >= '0' && s[0] <= '9' {
			s, seen = s[1:], true
		}
		return seen
	}
	sign := func() {
		if s != "" && (s[0] == '+' || s[0] == '-') {
			s = s[1:]
		}
	}
	sign()
	seen := digits()
	if s != "" && s[0] == '.' {
		s = s[1:]
		seen = digits() || seen
	}
	if !seen {
		return false
	}
	if s != "" && (s[0] == 'e' || s[0] == 'E') {
		s = s[1:]
		sign()
		if !digits() {
			return false
		}
	}
	return s == ""
}

// CutUnit parts a number from the unit behind it, "3.0E+07 HZ" or "50mV". The
// unit is empty where there is none; whether the number is one is not looked at.
func CutUnit(reply string) (number, unit string) {
	s := strings.Trim(reply, " \t\r\n")
	end := 0
	for end < len(s) && !(isLetter(s[end]) || s[end] >= 0x80) {
		end++
	}
	// An E with digits behind it is an exponent.
	if rest := s[end:]; end > 0 && rest != "" && (rest[0] == 'e' || rest[0] == 'E') {
		digits := 1
		if digits < len(rest) && (rest[digits] == '+' || rest[digits] == '-') {
			digits++
		}
		first := digits
		for digits < len(rest) && rest[digits] >= '0' && rest[digits] <= '9' {
			digits++
		}
		if digits > first {
			end += digits
		}
	}
	return strings.TrimRight(s[:end], " \t"), strings.TrimLeft(s[end:], " \t")
}

func isLetter(c byte) bool { return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' }

// ParseStatus reads a status register: a whole number of up to 16 bits (488.2,
// 11.2 and 11.5: NR1, 0 to 255; SCPI-99, volume 1, 20: 15 bits).
func ParseStatus(reply string) (int, error) {
	v, err := ParseNumber(reply)
	if err != nil {
		return 0, err
	}
	if v != math.Trunc(v) || v < 0 || v > math.MaxUint16 {
		return 0, fmt.Errorf("%w: %g is not a status, those are whole numbers from 0 to 65535", drivers.ErrReply, v)
	}
	return int(v), nil
}

// ParseBool reads a Boolean reply, which is 0 or 1 (SCPI-99, volume 1, 7.3);
// OFF and ON are taken too.
func ParseBool(reply string) (bool, error) {
	s := strings.Trim(reply, " \t\r\n")
	switch strings.ToUpper(s) {
	case "ON":
		return true, nil
	case "OFF":
		return false, nil
	}
	if v, err := ParseNumber(s); err == nil && (v == 0 || v == 1) {
		return v == 1, nil
	}
	return false, fmt.Errorf("%w: %s is neither 0 nor 1", drivers.ErrReply, quote([]byte(reply)))
}
