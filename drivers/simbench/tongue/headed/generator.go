package headed

import (
	"time"

	"halfturn/drivers/simbench/device"
	"halfturn/drivers/simbench/tongue"
	"halfturn/units"
)

// levelsPerDB is the resolution of a level: 0.01 dB.
const levelsPerDB = 100

// Generator takes settings at once and settles afterwards, which READY? tells:
//
//	FREQUENCY 30000000    FREQUENCY?   FREQUENCY 3.0000000E+07 HZ
//	LEVEL -3.5            LEVEL?       LEVEL -3.50 DBM
//	OUTPUT ON             OUTPUT?      OUTPUT ON
//	                      READY?       READY 1
func Generator(g tongue.Generator) device.Tongue {
	var ready time.Time
	settling := func(err error) error {
		if err == nil {
			ready = time.Now().Add(g.Settle())
		}
		return err
	}
	return speak("HALFTURN,headed generator,0,1", map[string]tongue.Command{
		"FREQUENCY": tongue.Setting(
			func(v float64) error { return settling(g.SetFrequency(units.Hertz(v))) },
			func(dst []byte) []byte {
				dst = tongue.AppendExponent(append(dst, "FREQUENCY "...), float64(g.Frequency()), 7)
				return append(dst, " HZ"...)
			}),
		"LEVEL": tongue.Setting(
			func(v float64) error { return settling(g.SetLevel(units.DBm(tongue.Steps(v, levelsPerDB)))) },
			func(dst []byte) []byte {
				dst = tongue.AppendFixed(append(dst, "LEVEL "...), float64(g.Level()), 2)
				return append(dst, " DBM"...)
			}),
		"OUTPUT": tongue.Switch(func(on bool) error { return settling(g.SetRF(on)) }, g.RF, "OUTPUT ", "ON", "OFF"),
		"READY": tongue.Ask(func(dst []byte) ([]byte, error) {
			if time.Now().Before(ready) {
				return append(dst, "READY 0"...), nil
			}
			return append(dst, "READY 1"...), nil
		}),
	}, func() {
		ready = time.Time{}
		g.Reset()
	})
}
