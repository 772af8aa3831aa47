package bundled

import (
	"math"

	"halfturn/drivers/simbench/device"
	"halfturn/drivers/simbench/tongue"
	"halfturn/units"
)

const (
	// digits of a level in volts.
	digits = 5
	// peakToPeak of a sine, per volt rms.
	peakToPeak = 2 * math.Sqrt2
)

// Generator counts in megahertz, to 1 Hz, and in volts peak to peak into 50 Ω:
//
//	F 30.000000    F?     30.000000
//	A 0.6325       A?     0.6325
//	RF 1           RF?    1
//	               STATUS?
func Generator(g tongue.Generator) device.Tongue {
	return speak("HALFTURN,bundled generator,0,1", map[string]tongue.Command{
		"F": tongue.Setting(
			func(v float64) error { return g.SetFrequency(units.Hertz(math.Round(v * 1e6))) },
			func(dst []byte) []byte { return tongue.AppendFixed(dst, float64(g.Frequency())/1e6, 6) },
		).Taking(g.Settle()),
		"A": tongue.Setting(
			func(v float64) error {
				level, err := tongue.LevelOf(v, 1/peakToPeak, digits)
				if err != nil {
					return err
				}
				return g.SetLevel(level)
			},
			func(dst []byte) []byte {
				return tongue.AppendDigits(dst, float64(g.Level().VoltsRMS())*peakToPeak, digits)
			},
		).Taking(g.Settle()),
		"RF": tongue.Switch(g.SetRF, g.RF, "", "1", "0").Taking(g.Settle()),
	}, func() bool { return false }, g.Reset)
}
