package headed

import (
	"encoding/binary"
	"fmt"
	"strconv"
	"time"

	"halfturn/drivers/simbench/device"
	"halfturn/drivers/simbench/tongue"
	"halfturn/units"
)

const (
	divisions = 8
	// acquiring is the shortest time that an acquisition runs.
	acquiring = 5 * time.Millisecond
	// zeroCode is the code that stands for 0 V. The converter's 8 bits are the
	// upper byte of a code, so that the rails are -32768 and 32512.
	zeroCode = -10
	perCode  = 65536 // codes in full scale
)

// Scope has eight divisions; a channel is selected for the two queries of its
// record:
//
//	CH1:SCALE 0.05     CH1:SCALE?      CH1:SCALE 5.0000E-02 V
//	TIME:RATE 5.0E+08  TIME:RATE?      TIME:RATE 5.0000E+08 HZ
//	TIME:POINTS 10000  TIME:POINTS?    TIME:POINTS 10000
//	ACQUIRE SINGLE     ACQUIRE:STATE?  ACQUIRE:STATE RUNNING, later STOPPED
//	SELECT 1
//	                   PREAMBLE?       PREAMBLE 2,"RI",10000,2.0000000E-09,6.1035156E-06,-1.0000000E+01,"V"
//	                   CURVE?          CURVE #520000<20000 bytes>
//
// The preamble is bytes of a code, signed with the high byte first, samples,
// interval in seconds, volts per code, the code for 0 V, and unit.
func Scope(s tongue.Scope) device.Tongue {
	selected := 0
	commands := map[string]tongue.Command{
		"TIME:RATE": tongue.Setting(
			func(rate float64) error { return s.SetWindow(units.Seconds(1/rate), s.Samples()) },
			func(dst []byte) []byte {
				dst = tongue.AppendExponent(append(dst, "TIME:RATE "...), 1/float64(s.Interval()), 4)
				return append(dst, " HZ"...)
			}),
		"TIME:POINTS": tongue.Count(
			func(n int) error { return s.SetWindow(s.Interval(), n) },
			func(dst []byte) []byte {
				return strconv.AppendInt(append(dst, "TIME:POINTS "...), int64(s.Samples()), 10)
			}),
		"ACQUIRE": {Set: func(params string) error {
			if _, err := tongue.Word(params, "SINGLE"); err != nil {
				return err
			}
			s.Start(acquiring)
			return nil
		}},
		"ACQUIRE:STATE": tongue.Ask(func(dst []byte) ([]byte, error) {
			if s.Busy() {
				return append(dst, "ACQUIRE:STATE RUNNING"...), nil
			}
			return append(dst, "ACQUIRE:STATE STOPPED"...), nil
		}),
		"SELECT": {Set: func(params string) error {
			n, err := tongue.Word(params, "1", "2")
			if err == nil {
				selected = n
			}
			return err
		}},
		"PREAMBLE": tongue.Ask(func(dst []byte) ([]byte, error) {
			return fmt.Appendf(dst, `PREAMBLE 2,"RI",%d,%.7E,%.7E,%.7E,"V"`,
				s.Samples(), float64(s.Interval()), float64(s.Range(selected))/perCode, float64(zeroCode)), nil
		}),
		"CURVE": tongue.Ask(func(dst []byte) ([]byte, error) {
			record, err := s.Record(selected)
			if err != nil {
				return dst, err
			}
			dst = device.AppendBlockHeader(append(dst, "CURVE "...), 2*len(record))
			for _, code := range record {
				dst = binary.BigEndian.AppendUint16(dst, uint16(code)<<8)
			}
			return dst, nil
		}).Taking(s.Transfer()),
	}
	for i := range 2 {
		header := fmt.Sprintf("CH%d:SCALE", i+1)
		commands[header] = tongue.Setting(
			func(v float64) error { return s.SetRange(i, units.Volts(v*divisions)) },
			func(dst []byte) []byte {
				dst = tongue.AppendExponent(append(dst, header+" "...), float64(s.Range(i))/divisions, 4)
				return append(dst, " V"...)
			})
	}
	return speak("HALFTURN,headed scope,0,1", commands, func() {
		selected = 0
		s.Reset()
	})
}
