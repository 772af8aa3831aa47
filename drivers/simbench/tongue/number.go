package tongue

import (
	"math"
	"strconv"
	"strings"

	"halfturn/drivers/simbench/device"
	"halfturn/units"
)

// Number reads a decimal with an optional exponent.
func Number(text string) (float64, error) {
	if text == "" {
		return 0, device.MissingParameter
	}
	if strings.Trim(text, "+-.0123456789eE") != "" {
		return 0, device.DataTypeError
	}
	v, err := strconv.ParseFloat(text, 64)
	if math.IsInf(v, 0) {
		return 0, device.DataOutOfRange
	}
	if err != nil {
		return 0, device.SyntaxError
	}
	return v, nil
}

// Whole reads a decimal that is a whole number.
func Whole(text string) (int, error) {
	v, err := Number(text)
	if err == nil && (v != math.Trunc(v) || math.Abs(v) > math.MaxInt32) {
		err = device.DataOutOfRange
	}
	if err != nil {
		return 0, err
	}
	return int(v), nil
}

// Word is the place of text among words.
func Word(text string, words ...string) (int, error) {
	for i, w := range words {
		if text == w {
			return i, nil
		}
	}
	if text == "" {
		return 0, device.MissingParameter
	}
	return 0, device.IllegalParameterValue
}

// Split is exactly n parameters.
func Split(params, between string, n int) ([]string, error) {
	list := strings.Split(params, between)
	switch {
	case len(list) < n || params == "" && n > 0:
		return nil, device.MissingParameter
	case len(list) > n:
		return nil, device.ParameterNotAllowed
	}
	return list, nil
}

// Steps rounds v to so many steps per unit; a zero comes without a sign.
func Steps(v, perUnit float64) float64 { return math.Round(v*perUnit)/perUnit + 0 }

// AppendPlain writes v in as many decimals as it takes: 0.05.
func AppendPlain(dst []byte, v float64) []byte { return strconv.AppendFloat(dst, v, 'f', -1, 64) }

// AppendFixed writes v with so many decimals: 30.000000.
func AppendFixed(dst []byte, v float64, decimals int) []byte {
	return strconv.AppendFloat(dst, v, 'f', decimals, 64)
}

// AppendExponent writes v with so many digits behind the point and an exponent:
// 5.0000E-02.
func AppendExponent(dst []byte, v float64, decimals int) []byte {
	return strconv.AppendFloat(dst, v, 'E', decimals, 64)
}

// AppendDigits writes v, which is not 0, in decimals with so many significant
// digits, without zeros at the end: 0.6325.
func AppendDigits(dst []byte, v float64, digits int) []byte {
	return strconv.AppendFloat(dst, digitsOf(v, digits), 'f', -1, 64)
}

func digitsOf(v float64, digits int) float64 {
	short, _ := strconv.ParseFloat(strconv.FormatFloat(v, 'e', digits-1, 64), 64) // what was written can be read
	return short
}

// LevelOf is the level of an rms voltage into 50 Ω that is set with so many
// significant digits times scale volts rms. Where a tenth of a decibel is
// written with the same digits that is meant, so that the instrument is set as
// one that is spoken to in dBm.
func LevelOf(value, scale float64, digits int) (units.DBm, error) {
	value = digitsOf(value, digits)
	if !(value > 0) {
		return 0, device.DataOutOfRange
	}
	level := units.DBmOfVoltsRMS(units.Volts(value * scale))
	tenth := units.DBm(Steps(float64(level), 10))
	if digitsOf(float64(tenth.VoltsRMS())/scale, digits) == value {
		return tenth, nil
	}
	return level, nil
}
