// Package coded is the tongue that sets and confirms in one message, and sends
// both channels interleaved in codes of any width.
//
// Commands of a message are separated by semicolons, messages end with LF.
// Errors are numbers that wait in a queue: ERR? takes one off, 0 says that
// there is none. A setting that is refused leaves the old value.
package coded

import (
	"strconv"

	"halfturn/drivers/simbench/device"
	"halfturn/drivers/simbench/tongue"
	"halfturn/units"
)

// Family is both instruments. The scope has ten divisions and ranges to match.
func Family() tongue.Family {
	return tongue.Family{
		Name:      "coded",
		About:     "set and confirm in one message, single queries for the scaling, both channels interleaved in one block without an end",
		Generator: Generator,
		Scope:     Scope,
		Abilities: tongue.Abilities{Ranges: []units.Volts{20e-3, 50e-3, 100e-3, 200e-3, 500e-3, 1, 2, 5, 10}},
	}
}

// speak is the commands that both instruments have, and commands.
func speak(identity string, commands map[string]tongue.Command, fresh func()) device.Tongue {
	var errors device.Queue
	commands["ID"] = tongue.Fixed(identity)
	commands["ERR"] = tongue.Ask(func(dst []byte) ([]byte, error) {
		return strconv.AppendInt(dst, errors.Next().Magnitude(), 10), nil
	})
	return &tongue.Table{
		Frame:    device.Framing{Message: '\n', Join: ";", Reply: "\n"},
		Between:  ";",
		Commands: commands,
		Problem:  errors.Report,
		Fresh: func() {
			errors.Clear()
			fresh()
		},
	}
}
