// Package device is the instrument's side of an IEEE 488.2 conversation: it
// reads program messages, finds the command that SCPI-99 headers name, runs
// it, keeps the status registers and the error queue, and answers.
//
//	device.go     Device: commands, status, Converse (one client)
//	header.go     headers: long and short forms, optional nodes, suffixes
//	message.go    a line as units, headers and parameters
//	param.go      numbers with unit suffixes, booleans, choices
//	status.go     error codes, error queue, event registers
//	interfere.go  Action: what a test makes an instrument do wrong
//
// What the commands do is given by the owner; the simulated bench makes its
// generator and its digitiser of it. It imports nothing of the project.
package device
