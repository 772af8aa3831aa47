package simbench

import (
	"fmt"
	"strings"

	"halfturn/drivers/simbench/device"
	"halfturn/drivers/simbench/tongue"
	"halfturn/drivers/simbench/tongue/bundled"
	"halfturn/drivers/simbench/tongue/coded"
	"halfturn/drivers/simbench/tongue/headed"
	"halfturn/drivers/simbench/tongue/spoken"
)

// Family is what an instrument speaks; empty is SCPI99.
type Family string

const (
	SCPI99  Family = "scpi99"
	Headed  Family = "headed"
	Bundled Family = "bundled"
	Spoken  Family = "spoken"
	Coded   Family = "coded"
)

// Families is all of them.
func Families() []Family { return []Family{SCPI99, Headed, Bundled, Spoken, Coded} }

// UnmarshalText reads a family's name.
func (f *Family) UnmarshalText(text []byte) error {
	var names []string
	for _, known := range Families() {
		if string(text) == string(known) {
			*f = known
			return nil
		}
		names = append(names, string(known))
	}
	return fmt.Errorf("%q is not one of %s", text, strings.Join(names, ", "))
}

// About says what a family is good for, in a line.
func (f Family) About() string {
	if t, invented := f.invented(); invented {
		return t.About
	}
	return "IEEE 488.2 and SCPI-99, as most instruments of today have it"
}

// Serial says whether a family is made for a serial line.
func (f Family) Serial() bool {
	t, _ := f.invented()
	return t.Terminal
}

// Dialect is the name of the shipped dialect for an instrument of the family.
func (f Family) Dialect(i Instrument) string {
	if f == "" || f == SCPI99 {
		return [...]string{"scpi99-generator", "scpi99-digitiser"}[i]
	}
	return fmt.Sprintf("%s-%v", f, i)
}

// invented is the family in its folder; false for SCPI-99.
func (f Family) invented() (t tongue.Family, ok bool) {
	for _, t := range []tongue.Family{headed.Family(), bundled.Family(), spoken.Family(), coded.Family()} {
		if t.Name == string(f) {
			return t, true
		}
	}
	return tongue.Family{}, false
}

// abilities is what the family's scope can be set to.
func (f Family) abilities() tongue.Abilities {
	t, _ := f.invented()
	a := t.Abilities
	if a.Ranges == nil {
		a.Ranges = ranges
	}
	if a.Samples == [2]int{} {
		a.Samples = [2]int{minPoints, maxPoints}
	}
	return a
}

// device is one of the bench's instruments as the family has it.
func (f Family) device(i Instrument, b *bench) (*device.Device, error) {
	t, invented := f.invented()
	switch {
	case invented && i == Generator:
		return device.Speaking(t.Generator(signalGenerator{b})), nil
	case invented:
		return device.Speaking(t.Scope(digitiser{b})), nil
	case f != "" && f != SCPI99:
		return nil, new(Family).UnmarshalText([]byte(f))
	case i == Generator:
		return newGenerator(b)
	}
	return newScope(b)
}
