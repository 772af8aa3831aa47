package simbench

import (
	"math"
	"strconv"

	"halfturn/drivers/simbench/device"
	"halfturn/units"
)

// newScope is the digitiser, of two channels or with a reference of four: the commands of SCPI-99 for a sense
// function, a trace and a format.
//
// Volts are code · range/256 for blocks of 8-bit samples, with rails at -128
// and 127, and code · range/65536 for 16-bit samples, which are the 8 bits of
// the converter moved up; there the rails are -32768 and 32767.
func newScope(b *bench) (*device.Device, error) {
	s, set := &b.scope, digitiser{b}
	suffixes, names := "<1|2>", []string{"CH1", "CH2"}
	if b.scenario.Reference.Fitted() {
		suffixes, names = "<1|2|3|4>", []string{"CH1", "CH2", "CH3", "CH4"}
	}
	locked := func(f func(dst []byte, p device.Params) ([]byte, error)) func([]byte, device.Params) ([]byte, error) {
		return func(dst []byte, p device.Params) ([]byte, error) {
			b.mu.Lock()
			defer b.mu.Unlock()
			return f(dst, p)
		}
	}
	return device.New(device.Config{
		Identity: identity(b.scenario, "digitiser"),
		Reset:    set.Reset,
		Commands: []device.Command{
			{
				Header: ":INPut" + suffixes + "[:STATe]",
				Set: func(p device.Params) error {
					on, err := p.Bool()
					if err != nil {
						return err
					}
					return b.change(func() error {
						after := s.on
						after[p.Suffix-1] = on
						if s.interval < fastest(after) {
							return device.SettingsConflict
						}
						s.on = after
						return nil
					})
				},
				Query: locked(func(dst []byte, p device.Params) ([]byte, error) {
					return device.AppendBool(dst, s.on[p.Suffix-1]), nil
				}),
			},
			{
				Header: "[:SENSe" + suffixes + "]:VOLTage[:DC]:RANGe:PTPeak",
				Set: func(p device.Params) error {
					v, err := p.Number(device.Voltage, float64(b.abilities.Ranges[0]), float64(b.abilities.Ranges[len(b.abilities.Ranges)-1]))
					if err != nil {
						return err
					}
					return set.SetRange(p.Suffix-1, units.Volts(v))
				},
				Query: locked(func(dst []byte, p device.Params) ([]byte, error) {
					return device.AppendNumber(dst, float64(s.ranges[p.Suffix-1])), nil
				}),
			},
			{
				Header: "[:SENSe]:SWEep:POINts",
				Set: func(p device.Params) error {
					v, err := p.Number(device.Plain, minPoints, maxPoints)
					if err != nil {
						return err
					}
					return set.SetWindow(set.Interval(), int(math.Round(v)))
				},
				Query: locked(func(dst []byte, _ device.Params) ([]byte, error) {
					return strconv.AppendInt(dst, int64(s.points), 10), nil
				}),
			},
			{
				Header: "[:SENSe]:SWEep:TINTerval",
				Set: func(p device.Params) error {
					return b.change(func() error {
						v, err := p.Number(device.Time, fastest(s.on), slowest)
						if err == nil {
							s.interval = v
						}
						return err
					})
				},
				Query: locked(func(dst []byte, _ device.Params) ([]byte, error) {
					return device.AppendNumber(dst, s.interval), nil
				}),
			},
			{
				Header: ":INITiate:CONTinuous",
				Set: func(p device.Params) error {
					on, err := p.Bool()
					if err != nil {
						return err
					}
					return b.change(func() error { s.continuous = on; return nil })
				},
				Query: locked(func(dst []byte, _ device.Params) ([]byte, error) {
					return device.AppendBool(dst, s.continuous), nil
				}),
			},
			{
				// An acquisition is over before the next command, so that there is
				// nothing to break off but the record.
				Header: ":ABORt",
				Set: func(p device.Params) error {
					if err := p.Count(0); err != nil {
						return err
					}
					b.mu.Lock()
					defer b.mu.Unlock()
					b.valid = false
					return nil
				},
			},
			{
				Header: ":INITiate[:IMMediate]",
				Busy:   duration(b.scenario.Scope.Acquire),
				Set: func(p device.Params) error {
					if err := p.Count(0); err != nil {
						return err
					}
					b.mu.Lock()
					defer b.mu.Unlock()
					if s.continuous {
						return device.InitIgnored
					}
					b.acquire()
					return nil
				},
			},
			{
				Header: ":FORMat[:DATA]",
				Set: func(p device.Params) error {
					if _, err := p.Choice(0, "INTeger"); err != nil {
						return err
					}
					if err := p.Count(2); err != nil {
						return err
					}
					switch p.List[1] {
					case "8":
						s.set(b, 8)
					case "16":
						s.set(b, 16)
					default:
						return device.IllegalParameterValue
					}
					return nil
				},
				Query: locked(func(dst []byte, _ device.Params) ([]byte, error) {
					return strconv.AppendInt(append(dst, "INT,"...), int64(s.bits), 10), nil
				}),
			},
			{
				Header: ":FORMat:BORDer",
				Set: func(p device.Params) error {
					n, err := p.Choice(0, "NORMal", "SWAPped")
					if err != nil {
						return err
					}
					if err := p.Count(1); err != nil {
						return err
					}
					return b.change(func() error { s.swapped = n == 1; return nil })
				},
				Query: locked(func(dst []byte, _ device.Params) ([]byte, error) {
					if s.swapped {
						return append(dst, "SWAP"...), nil
					}
					return append(dst, "NORM"...), nil
				}),
			},
			{
				Header: ":TRACe[:DATA]",
				Busy:   duration(b.scenario.Scope.Transfer),
				Query: locked(func(dst []byte, p device.Params) ([]byte, error) {
					channel, err := p.Choice(0, names...)
					if err != nil {
						return dst, err
					}
					if err := p.Count(1); err != nil {
						return dst, err
					}
					return b.block(dst, channel)
				}),
			},
		},
	})
}

func (s *scopeState) set(b *bench, bits int) {
	_ = b.change(func() error { s.bits = bits; return nil })
}

// fastest is the shortest sample interval: the converters of the channels that
// are on share one memory.
func fastest(on [channels]bool) float64 {
	count := 0
	for _, is := range on {
		count += int(flag(is))
	}
	switch {
	case count > 2:
		return fastestAll
	case count == 2:
		return fastestBoth
	}
	return fastestAlone
}

// rangeFor is the smallest range that holds v, as SCPI-99 Volume 2, 18 has it
// for RANGe; a part in a million lets a range written in decimals be itself.
func rangeFor(ranges []units.Volts, v units.Volts) units.Volts {
	for _, full := range ranges {
		if v <= full*(1+rounding) {
			return full
		}
	}
	return ranges[len(ranges)-1]
}

// block appends one channel's record as a definite block of signed codes.
// While acquiring continuously each block is of an acquisition of its own. The
// lock is held.
func (b *bench) block(dst []byte, channel int) ([]byte, error) {
	if !b.scope.on[channel] {
		return dst, device.SettingsConflict
	}
	if b.scope.continuous {
		b.acquire()
	}
	if !b.valid {
		return dst, device.DataCorruptOrStale
	}
	record := b.record[channel]
	dst = device.AppendBlockHeader(dst, len(record)*b.scope.bits/8)
	if b.scope.bits == 8 {
		for _, c := range record {
			dst = append(dst, byte(c))
		}
		return dst, nil
	}
	for _, c := range record {
		wide := uint16(c) << 8
		if c == railHigh {
			wide = math.MaxInt16 // clipped, in whatever way rails are looked for
		}
		if b.scope.swapped {
			dst = append(dst, byte(wide), byte(wide>>8))
		} else {
			dst = append(dst, byte(wide>>8), byte(wide))
		}
	}
	return dst, nil
}
