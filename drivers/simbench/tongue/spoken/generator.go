package spoken

import (
	"halfturn/drivers/simbench/device"
	"halfturn/drivers/simbench/tongue"
	"halfturn/units"
)

// digits of a level in volts.
const digits = 4

// Generator counts in megahertz and in volts rms into 50 Ω:
//
//	freq 30.000000 MHz    freq      30.000000 MHz
//	level 0.2236 V        level     0.2236 V
//	output on             output    on
//	                      ident     spoken generator 0.1
//	                      problem   none
func Generator(g tongue.Generator) device.Tongue {
	return speak("spoken generator 0.1", map[string]verb{
		"freq": {
			busy: g.Settle(),
			set: func(words []string) error {
				v, err := measured(words, "MHz")
				if err != nil {
					return err
				}
				return g.SetFrequency(units.Hertz(hertz(v)))
			},
			query: func(dst []byte, _ []string) ([]byte, error) {
				return append(tongue.AppendFixed(dst, float64(g.Frequency())/1e6, 6), " MHz"...), nil
			},
		},
		"level": {
			busy: g.Settle(),
			set: func(words []string) error {
				v, err := measured(words, "V")
				if err != nil {
					return err
				}
				level, err := tongue.LevelOf(v, 1, digits)
				if err != nil {
					return err
				}
				return g.SetLevel(level)
			},
			query: func(dst []byte, _ []string) ([]byte, error) {
				return append(tongue.AppendDigits(dst, float64(g.Level().VoltsRMS()), digits), " V"...), nil
			},
		},
		"output": {
			busy: g.Settle(),
			set: func(words []string) error {
				if len(words) > 1 {
					return device.ParameterNotAllowed
				}
				i, err := tongue.Word(words[0], "on", "off")
				if err != nil {
					return err
				}
				return g.SetRF(i == 0)
			},
			query: func(dst []byte, _ []string) ([]byte, error) {
				if g.RF() {
					return append(dst, "on"...), nil
				}
				return append(dst, "off"...), nil
			},
		},
	}, g.Reset)
}
