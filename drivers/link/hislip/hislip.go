// Package hislip talks to instruments over HiSLIP (IVI-6.1, versions 1.0 and
// 2.0) in synchronized mode, without locks, triggers and encryption.
//
//	header.go  messages: headers, types, limits
//	hislip.go  Conn: the client, as package link opens it
//	clear.go   device clear
//	peer.go    Serve: a simulated instrument's end
//
// A Conn is a byte stream to its user. A newline outside of a block goes out
// with the end of the message (DataEND), and a reply that ends without a
// newline gets one. README.md lists the clauses and their tests.
package hislip

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"net"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"halfturn/drivers/link/internal/message"
	"halfturn/drivers/link/internal/stream"
)

// Port is where servers listen (IVI-6.1, 2.2; registered with IANA).
const Port = "4880"

// writeChunk bounds one message that is sent, which is copied behind its header.
const writeChunk = 64 << 10

// Conn is a client's session. One goroutine may read while another writes.
type Conn struct {
	sync, async stream.Stream

	closed   atomic.Bool
	deadline atomic.Int64 // in Unix nanoseconds; 0: none
	lastID   atomic.Uint32
	// delivered: a reply was read to its end since a message was sent.
	delivered atomic.Bool

	writing sync.Mutex
	out     []byte
	sent    message.Scanner
	maximum uint64 // longest payload that the server takes
	cut     bool   // what was sent last broke off

	reading sync.Mutex
	in      incoming
	got     message.Scanner
	newline bool   // to be read next
	stale   bool   // in holds a message that is dropped
	text    []byte // of an error message, so far
	broken  error  // what was read made no sense

	aside     incoming // what comes on the asynchronous channel
	asideText []byte
}

// Open connects to the device subAddress, such as "hislip0", of the server at
// address, host:port. dial makes each of its two TCP connections.
func Open(ctx context.Context, dial func(ctx context.Context, address string) (stream.Stream, error), address, subAddress string) (*Conn, error) {
	c := &Conn{}
	err := c.open(ctx, dial, address, subAddress)
	if err == nil {
		err = ctx.Err() // then the deadlines may stand in the past
	}
	if err != nil {
		_ = c.Close() // the error of opening says more
		return nil, err
	}
	return c, nil
}

func (c *Conn) open(ctx context.Context, dial func(ctx context.Context, address string) (stream.Stream, error), address, subAddress string) (err error) {
	if c.sync, err = dial(ctx, address); err != nil {
		return err
	}
	defer context.AfterFunc(ctx, func() { _ = c.sync.SetDeadline(time.Unix(1, 0)) })()
	// IVI-6.1, 6.1 (from memory): the version above the vendor.
	reply, _, err := c.exchange(c.sync, &c.in, header{kind: initialize, parameter: offeredVersion<<16 | vendorID}, []byte(subAddress), initializeResponse)
	if err != nil {
		return fmt.Errorf("HiSLIP session for %q: %w", subAddress, err)
	}
	if major := reply.parameter >> 24; major != 1 && major != 2 {
		return fmt.Errorf("the instrument speaks HiSLIP %d.%d, and 1 and 2 are known", major, reply.parameter>>16&0xff)
	}
	if reply.parameter>>24 == 2 && reply.control&encryptBit != 0 {
		return errors.New("the instrument takes only encrypted HiSLIP, which is not supported: allow plain connections in its network settings")
	}
	if c.async, err = dial(ctx, address); err != nil {
		return err
	}
	defer context.AfterFunc(ctx, func() { _ = c.async.SetDeadline(time.Unix(1, 0)) })()
	if _, _, err := c.exchange(c.async, &c.aside, header{kind: asyncInitialize, parameter: reply.parameter & 0xffff}, nil, asyncInitializeResponse); err != nil {
		return fmt.Errorf("second HiSLIP channel: %w", err)
	}
	_, size, err := c.exchange(c.async, &c.aside, header{kind: asyncMaximumMessageSize}, binary.BigEndian.AppendUint64(nil, messageLimit), asyncMaximumMessageSizeResult)
	switch {
	case err != nil:
		return fmt.Errorf("HiSLIP message size: %w", err)
	case len(size) != 8:
		return fmt.Errorf("HiSLIP message size: %d bytes where a number of 8 was expected", len(size))
	}
	if c.maximum = binary.BigEndian.Uint64(size); c.maximum == 0 {
		return errors.New("the instrument says that it takes HiSLIP messages of no length")
	}
	// Servers count the header or not; less is right for both.
	if c.maximum > 2*headerSize {
		c.maximum -= headerSize
	}
	c.maximum = min(c.maximum, writeChunk)
	c.lastID.Store(firstID - 2)
	c.delivered.Store(false)
	if reply.control&overlapBit != 0 {
		// It prefers overlap mode; the device clear settles for the other.
		return c.Clear()
	}
	return nil
}

// exchange sends a message and reads its reply while a session is set up.
func (c *Conn) exchange(s stream.Stream, in *incoming, h header, payload []byte, want messageType) (header, []byte, error) {
	h.length = uint64(len(payload))
	if _, err := s.Write(append(h.append(nil), payload...)); err != nil {
		return header{}, nil, err
	}
	var text []byte
	for {
		if _, err := in.next(s.Read); err != nil {
			return header{}, nil, err
		}
		if in.length > textLimit {
			return header{}, nil, fmt.Errorf("a HiSLIP message of %d bytes (type %d) where type %d was expected", in.length, in.kind, want)
		}
		text = make([]byte, in.length)
		for n := 0; n < len(text); {
			k, err := in.payload(text[n:], s.Read)
			if err != nil {
				return header{}, nil, err
			}
			n += k
		}
		in.open = false
		switch in.kind {
		case want:
			return in.header, text, nil
		case fatalError, nonFatalError:
			return header{}, nil, complain(in.header, text)
		case asyncServiceRequest: // may come at any time on its channel
			continue
		}
		return header{}, nil, fmt.Errorf("a HiSLIP message of type %d where type %d was expected", in.kind, want)
	}
}

// usable says why nothing may be done now.
func (c *Conn) usable() error {
	if c.closed.Load() {
		return net.ErrClosed
	}
	if t := c.deadline.Load(); t != 0 && time.Now().UnixNano() >= t {
		return os.ErrDeadlineExceeded
	}
	return nil
}

// errCut is a session whose stream of messages stops in the middle of one.
var errCut = errors.New("an earlier HiSLIP message was not sent to its end")

// Write sends p, and the end of a message with each newline that is one.
func (c *Conn) Write(p []byte) (written int, err error) {
	c.writing.Lock()
	defer c.writing.Unlock()
	if err := c.usable(); err != nil {
		return 0, err
	}
	if c.cut {
		return 0, errCut
	}
	for written < len(p) {
		n, ended := c.sent.Next(p[written:min(len(p), written+int(c.maximum))])
		h := header{kind: data, parameter: c.lastID.Load() + 2, length: uint64(n)}
		if ended {
			h.kind = dataEnd
		}
		if c.delivered.Swap(false) {
			h.control = deliveredBit
		}
		// The reply may come before the write returns.
		c.lastID.Store(h.parameter)
		c.out = append(h.append(c.out[:0]), p[written:written+n]...)
		k, err := c.sync.Write(c.out)
		if err != nil {
			c.cut = c.cut || k > 0
			return written + min(n, max(0, k-headerSize)), err
		}
		written += n
	}
	return written, nil
}

// Read waits for bytes of a reply.
func (c *Conn) Read(p []byte) (int, error) {
	c.reading.Lock()
	defer c.reading.Unlock()
	return c.read(p, c.sync.Read)
}

// ReadPending reads what has arrived, and looks at the other channel as well.
func (c *Conn) ReadPending(p []byte) (int, error) {
	c.reading.Lock()
	defer c.reading.Unlock()
	if c.broken == nil && c.usable() == nil {
		if err := c.lookAside(c.async.ReadPending, 0); err != nil {
			return 0, err
		}
	}
	return c.read(p, c.sync.ReadPending)
}

// read gives what get gives, without headers.
func (c *Conn) read(p []byte, get source) (int, error) {
	if err := c.usable(); err != nil {
		return 0, err
	}
	for len(p) > 0 {
		if c.broken != nil {
			return 0, c.broken
		}
		switch {
		case c.newline:
			c.newline = false
			p[0] = '\n'
			return 1, nil
		case !c.in.open:
			ok, err := c.in.next(get)
			if err != nil {
				return 0, c.failed(err)
			}
			if !ok {
				return 0, nil
			}
			if err := c.begin(); err != nil {
				return 0, c.failed(err)
			}
		case c.stale:
			if done, err := c.in.skip(get); !done || err != nil {
				return 0, c.failed(err)
			}
			c.stale = false
		case c.in.kind == fatalError || c.in.kind == nonFatalError:
			if done, err := c.in.complaint(&c.text, get); !done || err != nil {
				return 0, c.failed(err)
			}
		default:
			n := 0
			if c.in.left > 0 {
				var err error
				if n, err = c.in.payload(p, get); n == 0 || err != nil {
					return 0, c.failed(err)
				}
				c.follow(p[:n])
			}
			if c.in.left == 0 {
				c.in.open = false
				if n = c.finish(p, n); n == 0 {
					continue
				}
			}
			return n, nil
		}
	}
	return 0, nil
}

// begin looks at the header of a message on the synchronous channel.
func (c *Conn) begin() error {
	switch c.in.kind {
	case data, dataEnd:
		// IVI-6.1, 3.1.2 (from memory): a reply has the ID of the message it
		// answers. One to an earlier message is dropped whole.
		last := c.lastID.Load()
		behind := last - c.in.parameter
		switch {
		case c.in.parameter == last, c.in.kind == data && c.in.parameter == anyID:
			return nil
		case behind%2 != 0 || behind > 1<<31:
			return fmt.Errorf("a HiSLIP reply answers message %#x, and %#x was the last that was sent", c.in.parameter, last)
		}
		c.stale = true
		return c.dropPart()
	case interrupted:
		// IVI-6.1, 3.1.2 (from memory): the reply so far is void.
		c.stale = true
		return c.dropPart()
	case fatalError, nonFatalError:
		c.text = c.text[:0]
		return nil
	}
	return fmt.Errorf("a HiSLIP message of type %d where a reply was expected", c.in.kind)
}

// dropPart forgets the part of a reply that came. If it has been read by the
// user already, the next reply must not be taken for its rest.
func (c *Conn) dropPart() error {
	begun := c.got.Begun()
	c.got.Reset()
	if begun {
		return errors.New("the instrument broke off a HiSLIP reply and went on to the next")
	}
	return nil
}

func (c *Conn) follow(p []byte) {
	for len(p) > 0 {
		n, _ := c.got.Next(p)
		p = p[n:]
	}
}

// finish ends a message after n bytes of p, and adds the newline if it must.
func (c *Conn) finish(p []byte, n int) int {
	if c.in.kind != dataEnd {
		return n
	}
	c.delivered.Store(true)
	if c.got.End() {
		if n < len(p) {
			p[n] = '\n'
			return n + 1
		}
		c.newline = true
	}
	return n
}

// failed keeps an error that no later call can mend.
func (c *Conn) failed(err error) error {
	if err == nil || errors.Is(err, os.ErrDeadlineExceeded) || errors.Is(err, net.ErrClosed) {
		return err
	}
	c.broken = err
	return err
}

// complaint reads the text of an error message and returns its error.
func (in *incoming) complaint(text *[]byte, get source) (done bool, err error) {
	var some [256]byte
	for in.left > 0 {
		n, err := in.payload(some[:], get)
		if n == 0 || err != nil {
			return false, err
		}
		*text = append(*text, some[:n]...)
	}
	in.open = false
	return true, complain(in.header, *text)
}

// SetDeadline holds for both channels.
func (c *Conn) SetDeadline(t time.Time) error {
	if c.closed.Load() {
		return net.ErrClosed
	}
	var nanoseconds int64
	if !t.IsZero() {
		nanoseconds = t.UnixNano()
	}
	c.deadline.Store(nanoseconds)
	return errors.Join(c.sync.SetDeadline(t), c.async.SetDeadline(t))
}

// Close ends the session; what waits on it ends with net.ErrClosed.
func (c *Conn) Close() error {
	if c.closed.Swap(true) {
		return nil
	}
	var err error
	for _, s := range []stream.Stream{c.sync, c.async} {
		if s != nil {
			err = errors.Join(err, s.Close())
		}
	}
	return err
}
