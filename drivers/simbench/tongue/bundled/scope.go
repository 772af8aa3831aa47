package bundled

import (
	"encoding/binary"
	"math"
	"strconv"

	"halfturn/drivers/simbench/device"
	"halfturn/drivers/simbench/tongue"
	"halfturn/units"
)

// codes of the converter in full scale.
const codes = 256

// Scope sets rate and samples together and sends both records together:
//
//	RANGE 1,0.4               RANGE? 1  0.4
//	WINDOW 500000000,10000    WINDOW?   500000000,10000
//	START                     STATUS?   1 when it is complete
//	                          DATA?     #0<float32 volts, low byte first>
//
// DATA? gives channel 1's samples, then channel 2's, then the newline. Rails
// are half the range at the bottom and 127/128 of it at the top.
func Scope(s tongue.Scope) device.Tongue {
	names := []string{"1", "2"}
	return speak("HALFTURN,bundled scope,0,1", map[string]tongue.Command{
		"RANGE": {
			Set: func(params string) error {
				p, err := tongue.Split(params, ",", 2)
				if err != nil {
					return err
				}
				channel, err := tongue.Word(p[0], names...)
				if err != nil {
					return err
				}
				full, err := tongue.Number(p[1])
				if err != nil {
					return err
				}
				return s.SetRange(channel, units.Volts(full))
			},
			Query: func(dst []byte, params string) ([]byte, error) {
				channel, err := tongue.Word(params, names...)
				if err != nil {
					return dst, err
				}
				return tongue.AppendPlain(dst, float64(s.Range(channel))), nil
			},
		},
		"WINDOW": {
			Set: func(params string) error {
				p, err := tongue.Split(params, ",", 2)
				if err != nil {
					return err
				}
				rate, err := tongue.Number(p[0])
				if err != nil {
					return err
				}
				samples, err := tongue.Whole(p[1])
				if err != nil {
					return err
				}
				return s.SetWindow(units.Seconds(1/rate), samples)
			},
			Query: tongue.Ask(func(dst []byte) ([]byte, error) {
				dst = tongue.AppendFixed(dst, 1/float64(s.Interval()), 0)
				return strconv.AppendInt(append(dst, ','), int64(s.Samples()), 10), nil
			}).Query,
		},
		"START": tongue.Do(func() { s.Start(0) }),
		"DATA": tongue.Ask(func(dst []byte) ([]byte, error) {
			one, two, err := tongue.Pair(s)
			if err != nil {
				return dst, err
			}
			dst = append(dst, "#0"...)
			for channel, record := range [...][]int16{one, two} {
				step := float64(s.Range(channel)) / codes
				for _, code := range record {
					dst = binary.LittleEndian.AppendUint32(dst, math.Float32bits(float32(float64(code)*step)))
				}
			}
			return dst, nil
		}).Taking(2 * s.Transfer()),
	}, s.Complete, s.Reset)
}
