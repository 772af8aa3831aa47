package setup

import (
	"encoding"
	"errors"
	"fmt"
	"math"
	"reflect"
	"strconv"
	"strings"
	"time"
	"unicode"
)

// fromText is the decode hook that reads text into the types of the shape.
func fromText(from, to reflect.Value) (any, error) {
	if from.Kind() != reflect.String {
		return from.Interface(), nil
	}
	text := strings.TrimSpace(from.String())
	into := reflect.New(to.Type())
	switch v := into.Interface().(type) {
	case encoding.TextUnmarshaler:
		err := v.UnmarshalText([]byte(text))
		return into.Elem().Interface(), err
	case *time.Duration:
		return ParseDuration(text)
	case *int:
		n, err := strconv.Atoi(text)
		if err != nil {
			return nil, fmt.Errorf("%q is not a whole number, write it like 60", text)
		}
		return n, nil
	case *float64:
		x, err := strconv.ParseFloat(text, 64)
		if err != nil || math.IsNaN(x) || math.IsInf(x, 0) {
			return nil, fmt.Errorf("%q is not a number, write it like 0.7", text)
		}
		return x, nil
	case *[]string:
		// One value of the environment: "1, 2".
		list := strings.Split(text, ",")
		for i := range list {
			list[i] = strings.TrimSpace(list[i])
		}
		return list, nil
	}
	if strings.ContainsFunc(text, unicode.IsControl) {
		return nil, errors.New("holds a line break or a control character: write it in one line")
	}
	return text, nil
}

// ParseDuration reads "20 ms", "24 h", "7 d" and Go's "1h30m".
func ParseDuration(text string) (time.Duration, error) {
	s := strings.ReplaceAll(text, " ", "")
	if number, ok := strings.CutSuffix(s, "min"); ok {
		s = number + "m"
	}
	if number, ok := strings.CutSuffix(s, "d"); ok {
		if days, err := strconv.ParseUint(number, 10, 16); err == nil {
			return time.Duration(days) * 24 * time.Hour, nil
		}
	}
	d, err := time.ParseDuration(s)
	// ParseDuration takes a 0 without a unit.
	if err != nil || !strings.ContainsAny(s, "smh") {
		why := `write it like "20 ms" or "24 h"`
		if _, err := strconv.ParseFloat(s, 64); err == nil {
			why = "the unit is missing, " + why
		}
		return 0, fmt.Errorf("%q is not a time: %s", text, why)
	}
	return d, nil
}
