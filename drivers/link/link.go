// Package link carries bytes to and from an instrument, by address.
//
//	drivers/scpi    messages: terminators, blocks, the error queue
//	drivers/link    Link (this page); Open finds the kind by the address
//	  tcp://host:port                        a raw socket
//	  serial:///dev/ttyUSB0?baud=115200      a serial line on Unix
//	  serial:///COM3                         a serial line on Windows
//	  hislip://host/hislip0                  HiSLIP (IVI-6.1), at port 4880 or host:port
//	  vxi11://host/inst0                     VXI-11; host:port is the portmapper's, 111
//	  usbtmc:///dev/usbtmc0                  USB488 through the device file of Linux
//
// hislip0 and inst0 name the device at that host and may be left out.
//
// Options of a serial address, each with its default first:
//
//	baud=9600        any rate that the line library and the adapter know
//	bits=8           5 to 8
//	parity=none      none, odd, even
//	stop=1           1, 2
//	flow=none        none, xonxoff, rtscts: how a side that has no room stops the other
//	pace=0s          0s to 1s: waited after each character, for slow instruments
//	library=bugst    bugst, tarm: which line library drives the port
//
// The second library is for adapters that refuse the modem-control calls of
// the first one. Flow control is there on Linux and macOS. With xonxoff, and
// with fewer than eight bits, the line does not carry all byte values
// (Transparent). A USB adapter may gather characters, and so undo a short pace.
//
// Raw sockets and serial lines are plain streams: they do not know where a
// message ends. HiSLIP, VXI-11 and USB488 do, and turn it into the newline that
// a reader of a stream goes by (packages of their names): a newline outside of
// a block goes out with the end of the message, and a reply that ends without
// a newline gets one. They can also clear the instrument's end of the link,
// which Discard makes use of. README.md lists the clauses of the standards and
// the tests of each.
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

// Opener opens links in place of Open: one that listens in, say.
type Opener interface {
	// OpenTo connects to address. instrument is its part in the bench, such as
	// "scope", and identity the query of its identity, empty if it has none.
	OpenTo(ctx context.Context, instrument, identity, address string) (Link, error)
}

// opener connects to an address that has been read and found good.
type opener func(ctx context.Context) (Link, error)

// kind is one kind of link.
type kind struct {
	parse  func(address string, u *url.URL) (opener, error) // reads the rest of an address
	remedy string                                           // what a person looks at when it fails
}

// kinds are known by the scheme of an address.
var kinds = map[string]kind{
	"tcp":    {parseTCP, "check the cable, the address and the port"},
	"serial": {parseSerial, "check the cable and the name of the line, and that no other program has it"},
	"hislip": {parseHiSLIP, "look in the instrument's network settings whether HiSLIP is on, and for its port (4880) and the name of the device (hislip0)"},
	"vxi11":  {parseVXI11, "look in the instrument's network settings whether VXI-11 is on, and for the name of the device (inst0); its portmapper answers at port 111"},
	"usbtmc": {parseUSBTMC, "look whether the device file is there and your user's group may have it (a udev rule gives it to one), then unplug the instrument's USB and plug it in again; the kernel's log says more"},
}

// Remedy is what a person can look at when the link at address fails.
func Remedy(address string) string {
	scheme, _, _ := strings.Cut(address, "://")
	return kinds[scheme].remedy
}

// Open connects to address. A connection over the network that does not come
// about ends with ctx.
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

// clearer is a link whose protocol can clear the instrument's end as well.
type clearer interface {
	Clear() error
}

// Discard drops the input that has arrived and was not read. Over a link that
// has a device clear the instrument drops what it has not sent, too, and what
// it has not done; the link's deadline holds for that.
func Discard(l Link) error {
	if c, ok := l.(clearer); ok {
		return c.Clear()
	}
	var waste [512]byte
	for {
		n, err := l.ReadPending(waste[:])
		if n == 0 || err != nil {
			return err
		}
	}
}

// Transparent says whether l carries all 256 byte values, so that binary data
// can go over it.
func Transparent(l Link) bool {
	t, ok := l.(interface{ Transparent() bool })
	return !ok || t.Transparent()
}

const examples = "write it like tcp://192.0.2.7:5025, hislip://192.0.2.7/hislip0, vxi11://192.0.2.7/inst0, usbtmc:///dev/usbtmc0 or serial:///dev/ttyUSB0?baud=115200"

func parse(address string) (opener, error) {
	bad := func(format string, args ...any) (opener, error) {
		return nil, fmt.Errorf("address %q: %s", address, fmt.Sprintf(format, args...))
	}
	scheme, _, found := strings.Cut(address, "://")
	if !found {
		return bad("no kind of link is named, %s", examples)
	}
	k, known := kinds[scheme]
	if !known {
		return bad("%q is no kind of link, there are %s", scheme, strings.Join(slices.Sorted(maps.Keys(kinds)), ", "))
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
	open, err := k.parse(address, u)
	if err != nil {
		return bad("%v", err)
	}
	return open, nil
}
