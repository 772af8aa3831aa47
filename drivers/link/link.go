// Package link carries bytes to and from an instrument, by address.
//
//	drivers/scpi    messages: terminators, blocks, the error queue
//	drivers/link    Link (this page); Open finds the kind by the address
//	  tcp://host:port                        a raw socket
//	  serial:///dev/ttyUSB0?baud=115200      a serial line on Unix
//	  serial:///COM3                         a serial line on Windows
//
// Options of a serial address, each with its default first:
//
//	baud=9600        any rate that the line library and the adapter know
//	bits=8           5 to 8
//	parity=none      none, odd, even
//	stop=1           1, 2
//	library=bugst    bugst, tarm: which line library drives the port
//
// The second library is for adapters that refuse the modem-control calls of
// the first one. Hardware and software flow control are off.
//
// Both kinds are plain streams: they do not know where a message ends. A kind
// that does (one over USB, say) joins by one more entry in kinds; what it
// knows of message ends it can offer as a further method on its own type.
package link

import (
	"context"
	"fmt"
	"maps"
	"net/url"
	"slices"
	"strings"
	"time"
)

// Link is an open connection to one instrument. One goroutine may read while
// another writes; SetDeadline and Close may be called by any at any time.
type Link interface {
	// Read waits for at least one byte. After the deadline it fails with
	// os.ErrDeadlineExceeded, after Close with net.ErrClosed, and with
	// another error, io.EOF among them, when the far end is gone.
	Read(p []byte) (int, error)
	// Write sends all of p or fails, with the errors of Read.
	Write(p []byte) (int, error)
	// ReadPending reads what has arrived already and never waits: 0 and nil
	// say that nothing has. It tells that the far end is gone as Read does.
	ReadPending(p []byte) (int, error)
	// SetDeadline ends pending and later calls at t; the zero time never
	// does. A new deadline applies to calls that are already waiting, so a
	// time in the past ends them at once.
	SetDeadline(t time.Time) error
	// Close ends a pending Read or Write. Closing twice is no error.
	Close() error
	// String is the address that was opened.
	String() string
}

// opener connects to an address that has been read and found good.
type opener func(ctx context.Context) (Link, error)

// kinds reads the rest of an address by its scheme.
var kinds = map[string]func(address string, u *url.URL) (opener, error){
	"tcp":    parseTCP,
	"serial": parseSerial,
}

// Open connects to address. A TCP connection that does not come about ends
// with ctx.
func Open(ctx context.Context, address string) (Link, error) {
	open, err := parse(address)
	if err != nil {
		return nil, err
	}
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("cannot open %s: %w", address, err)
	}
	l, err := open(ctx)
	if err != nil {
		return nil, fmt.Errorf("cannot open %s: %w", address, err)
	}
	return l, nil
}

// Check says what is wrong with an address, without opening it.
func Check(address string) error {
	_, err := parse(address)
	return err
}

// Discard drops the input that has arrived and was not read.
func Discard(l Link) error {
	var waste [512]byte
	for {
		n, err := l.ReadPending(waste[:])
		if n == 0 || err != nil {
			return err
		}
	}
}

const examples = "write it like tcp://192.0.2.7:5025 or serial:///dev/ttyUSB0?baud=115200"

func parse(address string) (opener, error) {
	bad := func(format string, args ...any) (opener, error) {
		return nil, fmt.Errorf("address %q: %s", address, fmt.Sprintf(format, args...))
	}
	scheme, _, found := strings.Cut(address, "://")
	if !found {
		return bad("no kind of link is named, %s", examples)
	}
	read, known := kinds[scheme]
	if !known {
		return bad("%q is no kind of link, there are %s", scheme, strings.Join(slices.Sorted(maps.Keys(kinds)), " and "))
	}
	u, err := url.Parse(address)
	if err != nil {
		// url.Error repeats the address; its cause is enough.
		if e, ok := err.(*url.Error); ok {
			err = e.Err
		}
		return bad("%v, %s", err, examples)
	}
	if u.User != nil || u.Fragment != "" || u.Opaque != "" {
		return bad("names and fragments have no meaning here, %s", examples)
	}
	open, err := read(address, u)
	if err != nil {
		return bad("%v", err)
	}
	return open, nil
}
