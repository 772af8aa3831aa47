package simbench

import (
	"fmt"
	"math"

	"halfturn/drivers/simbench/device"
	"halfturn/units"
)

// newGenerator is the signal generator: the commands of SCPI-99 for a source,
// and :SIMulate:FIXTure, which does what hands do at a real bench.
func newGenerator(b *bench) (*device.Device, error) {
	read := func(value func() float64) func([]byte, device.Params) ([]byte, error) {
		return func(dst []byte, _ device.Params) ([]byte, error) {
			b.mu.Lock()
			defer b.mu.Unlock()
			return device.AppendNumber(dst, value()), nil
		}
	}
	g, set := &b.generator, signalGenerator{b}
	settle := set.Settle()
	return device.New(device.Config{
		Identity: identity(b.scenario, "generator"),
		Reset:    set.Reset,
		Commands: []device.Command{
			{
				Header: "[:SOURce]:FREQuency[:CW|:FIXed]",
				Busy:   settle,
				Set: func(p device.Params) error {
					v, err := p.Number(device.Frequency, float64(minFrequency), float64(maxFrequency))
					if err != nil {
						return err
					}
					return set.SetFrequency(units.Hertz(v))
				},
				Query: read(func() float64 { return float64(g.frequency) }),
			},
			{
				Header: "[:SOURce]:POWer[:LEVel][:IMMediate][:AMPLitude]",
				Busy:   settle,
				Set: func(p device.Params) error {
					v, err := p.Number(device.Level, float64(minLevel), float64(set.most()))
					if err != nil {
						return err
					}
					return set.SetLevel(units.DBm(math.Round(v*levelsPerDB) / levelsPerDB))
				},
				Query: read(func() float64 { return float64(g.level) }),
			},
			{
				Header: ":OUTPut[:STATe]",
				Busy:   settle,
				Set: func(p device.Params) error {
					on, err := p.Bool()
					if err != nil {
						return err
					}
					return set.SetRF(on)
				},
				Query: func(dst []byte, _ device.Params) ([]byte, error) {
					b.mu.Lock()
					defer b.mu.Unlock()
					return device.AppendBool(dst, g.on), nil
				},
			},
			{
				Header: ":SIMulate:FIXTure",
				Set: func(p device.Params) error {
					n, err := p.Choice(0, "CALibration", "BALun", "SWAPped", "NONE")
					if err != nil {
						return err
					}
					if err := p.Count(1); err != nil {
						return err
					}
					b.fit([...]Fixture{b.scenario.Fixture.Calibration, b.scenario.Fixture.Balun, FitSwapped, FitNothing}[n])
					return nil
				},
				Query: func(dst []byte, _ device.Params) ([]byte, error) {
					b.mu.Lock()
					defer b.mu.Unlock()
					return append(dst, [...]string{"NONE", "CAL", "BAL", "SWAP"}[b.fixture]...), nil
				},
			},
		},
	})
}

// identity is four fields, IEEE 488.2, 10.14: maker, model, serial number, version.
func identity(s *Scenario, what string) string {
	return fmt.Sprintf("halfturn,simulated %s,%d,1", what, s.Seed)
}
