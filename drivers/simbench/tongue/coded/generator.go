package coded

import (
	"halfturn/drivers/simbench/device"
	"halfturn/drivers/simbench/tongue"
	"halfturn/units"
)

// levelsPerDB is the resolution of a level: 0.1 dB.
const levelsPerDB = 10

// Generator answers with the value that is in force, frequencies to 1 Hz:
//
//	FREQ 30000000;FREQ?    30000000
//	LEV -3.5;LEV?          -3.5
//	OUT 1;OUT?             1
func Generator(g tongue.Generator) device.Tongue {
	return speak("HALFTURN,coded generator,0,1", map[string]tongue.Command{
		"FREQ": tongue.Setting(
			func(v float64) error { return g.SetFrequency(units.Hertz(tongue.Steps(v, 1))) },
			func(dst []byte) []byte { return tongue.AppendFixed(dst, float64(g.Frequency()), 0) },
		).Taking(g.Settle()),
		"LEV": tongue.Setting(
			func(v float64) error { return g.SetLevel(units.DBm(tongue.Steps(v, levelsPerDB))) },
			func(dst []byte) []byte { return tongue.AppendPlain(dst, float64(g.Level())) },
		).Taking(g.Settle()),
		"OUT": tongue.Switch(g.SetRF, g.RF, "", "1", "0").Taking(g.Settle()),
	}, g.Reset)
}
