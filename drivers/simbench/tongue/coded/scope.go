package coded

import (
	"encoding/binary"
	"strconv"

	"halfturn/drivers/simbench/device"
	"halfturn/drivers/simbench/tongue"
	"halfturn/units"
)

const divisions = 10

// format is how a code is written. The converter's 8 bits are the upper byte of
// a code of two.
type format struct {
	width  int
	signed bool
	high   bool // byte first
}

var fresh = format{width: 2}

// codes in full scale, and middle the one that stands for 0 V.
func (f format) codes() int { return 1 << (8 * f.width) }

func (f format) middle() int {
	if f.signed {
		return 0
	}
	return f.codes() / 2
}

func (f format) append(dst []byte, code int16) []byte {
	v := int(code)*f.codes()/256 + f.middle()
	switch {
	case f.width == 1:
		return append(dst, byte(v))
	case f.high:
		return binary.BigEndian.AppendUint16(dst, uint16(v))
	}
	return binary.LittleEndian.AppendUint16(dst, uint16(v))
}

// Scope has ten divisions, and a block of both channels with nothing behind it:
// by turns, one sample of each, or one channel behind the other.
//
//	VDIV 2 0.05;VDIV? 2     0.05
//	RATE 5E8;RATE?          500000000
//	DEPTH 10000;DEPTH?      10000
//	FORMAT 2,U,LOW          width 1 or 2, signed S or unsigned U, byte that comes first
//	GO                      DONE?  0, later 1
//	STEP? 1                 volts per code
//	MIDDLE? 1               code that stands for 0 V
//	BOTH?                   #540000<40000 bytes>, by turns
//	ROWS?                   #540000<40000 bytes>, one behind the other
func Scope(s tongue.Scope) device.Tongue {
	f := fresh
	names := []string{"1", "2"}
	perChannel := func(reply func(dst []byte, channel int) []byte) tongue.Command {
		return tongue.Command{Query: func(dst []byte, params string) ([]byte, error) {
			channel, err := tongue.Word(params, names...)
			if err != nil {
				return dst, err
			}
			return reply(dst, channel), nil
		}}
	}
	scale := perChannel(func(dst []byte, channel int) []byte {
		return tongue.AppendPlain(dst, float64(s.Range(channel))/divisions)
	})
	scale.Set = func(params string) error {
		p, err := tongue.Split(params, " ", 2)
		if err != nil {
			return err
		}
		channel, err := tongue.Word(p[0], names...)
		if err != nil {
			return err
		}
		v, err := tongue.Number(p[1])
		if err != nil {
			return err
		}
		return s.SetRange(channel, units.Volts(v*divisions))
	}
	return speak("HALFTURN,coded scope,0,1", map[string]tongue.Command{
		"VDIV": scale,
		"RATE": tongue.Setting(
			func(rate float64) error { return s.SetWindow(units.Seconds(1/rate), s.Samples()) },
			func(dst []byte) []byte { return tongue.AppendFixed(dst, 1/float64(s.Interval()), 0) }),
		"DEPTH": tongue.Count(
			func(n int) error { return s.SetWindow(s.Interval(), n) },
			func(dst []byte) []byte { return strconv.AppendInt(dst, int64(s.Samples()), 10) }),
		"FORMAT": {Set: func(params string) error {
			next, err := parseFormat(params)
			if err == nil {
				f = next
			}
			return err
		}},
		"GO":   tongue.Do(func() { s.Start(0) }),
		"DONE": tongue.Ask(func(dst []byte) ([]byte, error) { return device.AppendBool(dst, s.Complete()), nil }),
		"STEP": perChannel(func(dst []byte, channel int) []byte {
			return strconv.AppendFloat(dst, float64(s.Range(channel))/float64(f.codes()), 'g', -1, 64)
		}),
		"MIDDLE": perChannel(func(dst []byte, _ int) []byte { return strconv.AppendInt(dst, int64(f.middle()), 10) }),
		"BOTH":   both(s, &f, format.byTurns),
		"ROWS":   both(s, &f, format.inRows),
	}, func() {
		f = fresh
		s.Reset()
	})
}

func (f format) byTurns(dst []byte, one, two []int16) []byte {
	for i := range one {
		dst = f.append(f.append(dst, one[i]), two[i])
	}
	return dst
}

func (f format) inRows(dst []byte, one, two []int16) []byte {
	for _, channel := range [][]int16{one, two} {
		for _, code := range channel {
			dst = f.append(dst, code)
		}
	}
	return dst
}

func both(s tongue.Scope, f *format, join func(f format, dst []byte, one, two []int16) []byte) tongue.Command {
	c := tongue.Ask(func(dst []byte) ([]byte, error) {
		one, two, err := tongue.Pair(s)
		if err != nil {
			return dst, err
		}
		return join(*f, device.AppendBlockHeader(dst, 2*len(one)*f.width), one, two), nil
	}).Taking(2 * s.Transfer())
	c.Bare = true
	return c
}

func parseFormat(params string) (f format, err error) {
	p, err := tongue.Split(params, ",", 3)
	if err != nil {
		return f, err
	}
	width, err := tongue.Word(p[0], "1", "2")
	if err != nil {
		return f, err
	}
	sign, err := tongue.Word(p[1], "U", "S")
	if err != nil {
		return f, err
	}
	order, err := tongue.Word(p[2], "LOW", "HIGH")
	return format{width: width + 1, signed: sign == 1, high: order == 1}, err
}
