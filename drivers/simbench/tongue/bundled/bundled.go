// Package bundled is the tongue that transfers both channels in one indefinite
// block of floats, and has a status byte in place of an error queue.
//
// One command a message, ended by LF. STATUS? gives the byte as a decimal: 1
// for an acquisition that is complete, 32 for an error since it was last read.
package bundled

import (
	"strconv"

	"halfturn/drivers/simbench/device"
	"halfturn/drivers/simbench/tongue"
)

// Family is both instruments.
func Family() tongue.Family {
	return tongue.Family{
		Name:      "bundled",
		About:     "MHz and volts peak to peak, a status byte for errors, both channels as floats in one indefinite block",
		Generator: Generator,
		Scope:     Scope,
	}
}

// Bits of the status byte.
const (
	complete = 1 << 0
	failed   = 1 << 5
)

// speak is the commands that both instruments have, and commands. done says
// whether an acquisition is complete.
func speak(identity string, commands map[string]tongue.Command, done func() bool, fresh func()) device.Tongue {
	var status int64
	commands["*IDN"] = tongue.Fixed(identity)
	commands["STATUS"] = tongue.Ask(func(dst []byte) ([]byte, error) {
		if done() {
			status |= complete
		}
		dst = strconv.AppendInt(dst, status, 10)
		status = 0
		return dst, nil
	})
	return &tongue.Table{
		Frame:    device.Framing{Message: '\n', Reply: "\n"},
		Commands: commands,
		Problem:  func(device.Code) { status |= failed },
		Fresh: func() {
			status = 0
			fresh()
		},
	}
}
