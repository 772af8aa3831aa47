package simbench

import (
	"math"
	"time"

	"halfturn/drivers/simbench/device"
	"halfturn/units"
)

// signalGenerator is the generator's settings, whatever it speaks.
type signalGenerator struct{ *bench }

func (g signalGenerator) state() generatorState {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.generator
}

func (g signalGenerator) Frequency() units.Hertz { return g.state().frequency }
func (g signalGenerator) Level() units.DBm       { return g.state().level }
func (g signalGenerator) RF() bool               { return g.state().on }

func (g signalGenerator) Settle() time.Duration { return duration(g.scenario.Generator.Settle) }

func (g signalGenerator) Reset() {
	_ = g.change(func() error { g.switchOn(); return nil })
}

func (g signalGenerator) SetFrequency(f units.Hertz) error {
	return g.change(func() error {
		if !(f >= minFrequency && f <= maxFrequency) {
			return device.DataOutOfRange
		}
		if g.generator.level > g.scenario.Generator.Level.most(f) {
			return device.SettingsConflict
		}
		g.tune(f)
		return nil
	})
}

func (g signalGenerator) SetLevel(level units.DBm) error {
	return g.change(func() error {
		if !(level >= minLevel && level <= g.scenario.Generator.Level.most(g.generator.frequency)) {
			return device.DataOutOfRange
		}
		g.setLevel(level)
		return nil
	})
}

// most is the largest level at the present frequency.
func (g signalGenerator) most() units.DBm { return g.scenario.Generator.Level.most(g.Frequency()) }

func (g signalGenerator) SetRF(on bool) error {
	return g.change(func() error { g.generator.on = on; return nil })
}

// digitiser is the scope's settings and records, whatever it speaks.
type digitiser struct{ *bench }

func (d digitiser) state() scopeState {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.scope
}

func (d digitiser) Range(channel int) units.Volts { return d.state().ranges[channel] }
func (d digitiser) Interval() units.Seconds       { return units.Seconds(d.state().interval) }
func (d digitiser) Samples() int                  { return d.state().points }

func (d digitiser) Transfer() time.Duration { return duration(d.scenario.Scope.Transfer) }

func (d digitiser) Reset() {
	_ = d.change(func() error { d.scope = d.freshScope(); return nil })
}

func (d digitiser) SetRange(channel int, full units.Volts) error {
	return d.change(func() error {
		list := d.abilities.Ranges
		// A range written in decimals, times its divisions, is itself.
		if !(full >= list[0]*(1-rounding) && full <= list[len(list)-1]*(1+rounding)) {
			return device.DataOutOfRange
		}
		d.scope.ranges[channel] = rangeFor(list, full)
		return nil
	})
}

func (d digitiser) SetWindow(interval units.Seconds, samples int) error {
	return d.change(func() error {
		s := &d.scope
		if !(float64(interval) >= fastest(s.on) && interval <= slowest) ||
			samples < d.abilities.Samples[0] || samples > d.abilities.Samples[1] {
			return device.DataOutOfRange
		}
		s.interval, s.points = float64(interval), samples
		return nil
	})
}

func (d digitiser) Start(atLeast time.Duration) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.acquire()
	record := duration(units.Seconds(float64(d.scope.points) * d.scope.interval))
	d.complete = time.Now().Add(max(atLeast, record, duration(d.scenario.Scope.Acquire)))
}

// acquired says whether there is a record of the settings that hold now, and
// whether the time for it is over. The lock is held.
func (b *bench) acquired() (valid, complete bool) {
	return b.valid, b.valid && !time.Now().Before(b.complete)
}

func (d digitiser) Busy() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	valid, complete := d.acquired()
	return valid && !complete
}

func (d digitiser) Complete() bool {
	d.mu.Lock()
	defer d.mu.Unlock()
	_, complete := d.acquired()
	return complete
}

func (d digitiser) Record(channel int) ([]int16, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if _, complete := d.acquired(); !complete {
		return nil, device.DataCorruptOrStale
	}
	return d.record[channel], nil
}

func duration(s units.Seconds) time.Duration {
	return time.Duration(math.Round(float64(s) * float64(time.Second)))
}
