package usbtmc

import (
	"errors"
	"time"
)

// urbSize is what the driver moves in one piece, and the least that its
// asynchronous read gives when a transfer goes on (USBTMC_BUFSIZE in Linux
// 6.1, drivers/usb/class/usbtmc.c).
const urbSize = 4096

// maxURBs is how many pieces the driver takes before it says ErrAgain
// (MAX_URBS_IN_FLIGHT, as above).
const maxURBs = 16

// What a File fails with, beside other errors.
var (
	// ErrAgain: nothing can be moved now; Wait says when.
	ErrAgain = errors.New("not yet")
	// ErrStall: the device halted the endpoint.
	ErrStall = errors.New("the device halted the transfer (USB stall)")
	// ErrGone: the device is not there any more.
	ErrGone = errors.New("the device was unplugged or switched off")
)

// File is what a Conn needs of an open device file: the driver's asynchronous
// input and output of raw transfers, headers included. One goroutine uses it
// at a time. But for Clear and ClearHalt no call waits for the device.
type File interface {
	// Write queues p for Bulk-OUT and says how much of it was taken.
	Write(p []byte) (int, error)
	// Written says how many bytes went out since the last Write, once Wait
	// says that output is done, and what went wrong with them.
	Written() (int, error)
	// Read gives bytes of Bulk-IN into p, of urbSize bytes. Fewer end the
	// transfer. With ErrAgain it has asked the device.
	Read(p []byte) (int, error)
	// Wait waits, d at most, until all output is done or until Read would
	// give something.
	Wait(what Event, d time.Duration) (bool, error)
	// Cancel forgets what was queued and asked.
	Cancel() error
	// Clear makes the device drop all input and output (INITIATE_CLEAR).
	Clear() error
	// ClearHalt lets an endpoint go on after a stall.
	ClearHalt(of Event) error
	Close() error
}

// Event is what a File waits for, and the endpoint that it stands for.
type Event int

const (
	Input  Event = iota // Bulk-IN
	Output              // Bulk-OUT
)
