// Package headed is the tongue whose replies carry their header and unit.
//
// One command a message, ended by LF; parameters behind one space. Errors wait
// in a queue: ERRORS? gives ERRORS 0,"none" when it is empty.
package headed

import (
	"strconv"

	"halfturn/drivers/simbench/device"
	"halfturn/drivers/simbench/tongue"
)

// Family is both instruments and what their scope can be set to.
func Family() tongue.Family {
	return tongue.Family{
		Name:      "headed",
		About:     "replies with header and unit, volts a division, a preamble that says how to read the 16-bit codes",
		Generator: Generator,
		Scope:     Scope,
	}
}

// speak is the commands that both instruments have, and commands.
func speak(identity string, commands map[string]tongue.Command, fresh func()) device.Tongue {
	var errors device.Queue
	commands["*IDN"] = tongue.Fixed(identity)
	commands["ERRORS"] = tongue.Ask(func(dst []byte) ([]byte, error) {
		code := errors.Next()
		text := code.Text()
		if code == 0 {
			text = "none"
		}
		dst = strconv.AppendInt(append(dst, "ERRORS "...), code.Magnitude(), 10)
		return strconv.AppendQuote(append(dst, ','), text), nil
	})
	return &tongue.Table{
		Frame:    device.Framing{Message: '\n', Reply: "\n"},
		Commands: commands,
		Problem:  errors.Report,
		Fresh: func() {
			errors.Clear()
			fresh()
		},
	}
}
