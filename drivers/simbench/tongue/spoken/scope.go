package spoken

import (
	"math"
	"strconv"

	"halfturn/drivers/simbench/device"
	"halfturn/drivers/simbench/tongue"
	"halfturn/units"
)

const (
	divisions = 8
	codes     = 256 // of the converter in full scale
	// decimals in which every code of every range is written exactly: the
	// smallest step is 16 mV/256, the finest of the others 40 mV/256.
	decimals = 1e8
)

// Scope has eight divisions, channels a and b, and records in a line of volts:
//
//	scale a 50 mV         scale a   50 mV
//	sweep 500 MHz 1000    sweep     500 MHz 1000
//	single                state     busy, later idle
//	                      volts a   0.0125,-0.003125,…
//
// The rails are half of full scale at the bottom, 127/128 of that at the top.
func Scope(s tongue.Scope) device.Tongue {
	channel := func(words []string) (int, error) {
		if len(words) == 0 {
			return 0, device.MissingParameter
		}
		return tongue.Word(words[0], "a", "b")
	}
	return speak("spoken scope 0.1", map[string]verb{
		"scale": {
			ask: 1,
			set: func(words []string) error {
				n, err := channel(words)
				if err != nil {
					return err
				}
				millivolts, err := measured(words[1:], "mV")
				if err != nil {
					return err
				}
				return s.SetRange(n, units.Volts(millivolts*divisions/1e3))
			},
			query: func(dst []byte, words []string) ([]byte, error) {
				n, err := channel(words)
				if err != nil {
					return dst, err
				}
				return append(tongue.AppendDigits(dst, float64(s.Range(n))*1e3/divisions, 6), " mV"...), nil
			},
		},
		"sweep": {
			set: func(words []string) error {
				if len(words) < 3 {
					return device.MissingParameter
				}
				rate, err := measured(words[:2], "MHz")
				if err != nil {
					return err
				}
				if len(words) > 3 {
					return device.ParameterNotAllowed
				}
				samples, err := tongue.Whole(words[2])
				if err != nil {
					return err
				}
				return s.SetWindow(units.Seconds(1/hertz(rate)), samples)
			},
			query: func(dst []byte, _ []string) ([]byte, error) {
				dst = tongue.AppendPlain(dst, math.Round(1/float64(s.Interval()))/1e6)
				return strconv.AppendInt(append(dst, " MHz "...), int64(s.Samples()), 10), nil
			},
		},
		"single": {set: func(words []string) error {
			if len(words) > 0 {
				return device.ParameterNotAllowed
			}
			s.Start(0)
			return nil
		}},
		"state": {query: func(dst []byte, _ []string) ([]byte, error) {
			if s.Busy() {
				return append(dst, "busy"...), nil
			}
			return append(dst, "idle"...), nil
		}},
		"volts": {
			ask:  1,
			busy: s.Transfer(),
			query: func(dst []byte, words []string) ([]byte, error) {
				n, err := channel(words)
				if err != nil {
					return dst, err
				}
				record, err := s.Record(n)
				if err != nil {
					return dst, err
				}
				step := float64(s.Range(n)) / codes
				for i, code := range record {
					if i > 0 {
						dst = append(dst, ',')
					}
					dst = tongue.AppendPlain(dst, tongue.Steps(float64(code)*step, decimals))
				}
				return dst, nil
			},
		},
	}, s.Reset)
}
