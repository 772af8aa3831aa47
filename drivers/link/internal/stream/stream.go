// Package stream is what the kinds of link are built on: the byte stream that
// a message protocol runs over, and time limits that can be moved.
package stream

import "time"

// Stream carries bytes as link.Link does, without an address.
type Stream interface {
	Read(p []byte) (int, error)
	Write(p []byte) (int, error)
	// ReadPending reads what has arrived and never waits; 0 and nil: nothing.
	ReadPending(p []byte) (int, error)
	SetDeadline(t time.Time) error
	Close() error
}
