// Package device is one instrument that answers clients: it reads messages off
// any number of links, carries their commands out one after the other, and
// lets a test make it do each of them wrong.
//
//	device.go     Device: hooks, links, Converse (one client)
//	tongue.go     Tongue: what Device must know of how an instrument is spoken to
//	interfere.go  Action: what a test makes an instrument do wrong
//	code.go       error codes and the error queue
//
// One tongue lives here, the message exchange of IEEE 488.2 with the headers of
// SCPI-99; New makes a Device that speaks it, Speaking one of any other.
//
//	scpi99.go     commands, and the common ones of the standards
//	header.go     headers: long and short forms, optional nodes, suffixes
//	message.go    a line as units, headers and parameters
//	param.go      numbers with unit suffixes, booleans, choices
//	status.go     event registers
//
// What the commands do is given by the owner; the simulated bench makes its
// generator and its digitiser of it. It imports nothing of the project.
package device
