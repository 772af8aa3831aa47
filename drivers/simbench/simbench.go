// Package simbench is a simulated bench: a generator and a scope of two channels,
// or of four where one samples a phase reference, on real sockets and serial lines, with a
// fixture between them that obeys circuit theory.
//
// A scenario (a YAML file, see configs/simbench) says what the instruments,
// the cable, the balun and the arms are made of. Serve answers for both
// instruments, in SCPI-99 or in the tongue of an invented family; whatever
// speaks that may talk to them. The drivers know nothing of it, and it knows
// nothing of them. Truth gives the exact result that a measurement should have
// found.
//
//	scenario.go load.go decode.go   what is simulated, from YAML
//	network.go fixture.go truth.go  the circuits, solved at each frequency
//	signal.go synth.go random.go    source, channels, converter, noise
//	bench.go                        the state that the instruments share
//	habits.go                       what the generator does beside what it is told
//	instruments.go                  what can be set and read, whatever they speak
//	generator.go digitiser.go       the two command sets of SCPI-99
//	families.go tongue/             the invented families, each in a folder
//	serve.go pty_linux.go wire.go   sockets and serial lines
//	device/                         one instrument that answers, and goes wrong on demand
//
// All randomness of a capture follows from the seed, the settings and the
// number of captures since the last setting was sent, so that a run which is
// interrupted and resumed sees the very captures of an uninterrupted one.
package simbench

import (
	"time"

	"halfturn/drivers/simbench/device"
)

// Instrument is one of the two that are served.
type Instrument int

const (
	Generator Instrument = iota
	Scope
)

func (i Instrument) String() string {
	if i == Scope {
		return "scope"
	}
	return "generator"
}

// What a test makes an instrument do wrong; see package device.
type (
	Action = device.Action
	Hook   = device.Hook
)

// Options says where the instruments listen and what they speak.
type Options struct {
	GeneratorListen string // host:port; empty is 127.0.0.1:0, a free port
	ScopeListen     string
	GeneratorSpeaks Family // empty is SCPI99
	ScopeSpeaks     Family
	PTY             bool // each on a pseudo-terminal, too (Linux)
	// CharacterTime is how long an instrument made for a serial line needs to
	// take a character out of its input buffer; 0 is 0.5 ms. What comes faster
	// than that when the buffer is full is lost. On a pseudo-terminal only.
	CharacterTime time.Duration
	// Now is the clock that bands and attenuator settle by; nil is time.Now.
	Now func() time.Time
}
