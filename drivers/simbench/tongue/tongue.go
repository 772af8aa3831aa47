// Package tongue is what an instrument of the simulated bench is, whatever it
// is spoken to in: Generator and Scope are its settings and physics, and each
// folder below is one invented family's way to get at them.
//
//	headed/   replies carry their header and unit; channels selected, preamble, 16-bit codes
//	bundled/  megahertz and volts peak to peak; both channels as floats in one indefinite block
//	spoken/   a terminal: echo, lower case, numbers with units, records as text
//	coded/    set and confirm in one message; both channels interleaved in codes of any width
//
//	tongue.go    Generator, Scope, Family
//	table.go     messages of keywords, as all four have them
//	number.go    reading numbers, writing them with so many digits
//
// A family is written from its manual: what a reply looks like is beside the
// command that gives it. All of them set the same things by the same calls, so
// that the same settings give the same captures.
package tongue

import (
	"time"

	"halfturn/drivers/simbench/device"
	"halfturn/units"
)

// Generator is a signal generator. A setting that is refused leaves the old
// value; the error is a device.Code.
type Generator interface {
	Frequency() units.Hertz
	SetFrequency(units.Hertz) error
	Level() units.DBm
	SetLevel(units.DBm) error
	RF() bool
	SetRF(on bool) error
	Settle() time.Duration // that a change takes
	Reset()
}

// Scope is a digitiser of 8 bits. Channels count from 0; the families have the
// first two, those of the arms. A setting
// that is refused leaves the old value; the error is a device.Code.
type Scope interface {
	Range(channel int) units.Volts                // full scale, peak to peak
	SetRange(channel int, full units.Volts) error // the smallest range that holds it is taken
	Interval() units.Seconds                      // between samples
	Samples() int                                 // in each channel
	SetWindow(interval units.Seconds, samples int) error
	// Start takes one acquisition of all channels, which is Complete after the
	// time that the record and the instrument need, and not sooner than atLeast.
	Start(atLeast time.Duration)
	Busy() bool     // an acquisition is under way
	Complete() bool // there is a record of the settings that hold now
	// Record is the codes of one channel, from -128 to 127, of range/256 each; it
	// holds until the next Start. The error says that there is none.
	Record(channel int) ([]int16, error)
	Transfer() time.Duration // that a channel's record takes
	Reset()
}

// Family is a generator and a scope that are spoken to alike.
type Family struct {
	Name      string // of its dialects, too: headed-generator
	About     string // what it is good for, in a line
	Generator func(Generator) device.Tongue
	Scope     func(Scope) device.Tongue
	Abilities Abilities
	Terminal  bool // made for a serial line: small input buffer, XON/XOFF
}

// Abilities is what a family's scope can be set to.
type Abilities struct {
	Ranges  []units.Volts // full scale, peak to peak, rising
	Samples [2]int        // fewest and most
}
