// Package simbench is a simulated bench: a generator and a two-channel scope
// on real sockets and serial lines, with a fixture between them that obeys
// circuit theory.
//
// A scenario (a YAML file, see configs/simbench) says what the instruments,
// the cable, the balun and the arms are made of. Serve answers for both
// instruments; whatever speaks SCPI-99 may talk to them. The drivers know
// nothing of it, and it knows nothing of them. Truth gives the exact result
// that a measurement should have found.
//
//	scenario.go load.go decode.go   what is simulated, from YAML
//	network.go fixture.go truth.go  the circuits, solved at each frequency
//	signal.go synth.go random.go    source, channels, converter, noise
//	bench.go                        the state that the instruments share
//	generator.go digitiser.go       the two command sets
//	serve.go pty_linux.go           sockets and serial lines
//	device/                         the instrument's side of IEEE 488.2
//
// All randomness of a capture follows from the seed, the settings and the
// number of captures since the last setting was sent, so that a run which is
// interrupted and resumed sees the very captures of an uninterrupted one.
package simbench

import "halfturn/drivers/simbench/device"

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

// Options says where the instruments listen.
type Options struct {
	GeneratorListen string // host:port; empty is 127.0.0.1:0, a free port
	ScopeListen     string
	PTY             bool // each on a pseudo-terminal, too (Linux)
}
