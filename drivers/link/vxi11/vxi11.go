// Package vxi11 talks to instruments over VXI-11 (TCP/IP Instrument Protocol,
// rev 1.0): ONC RPC over TCP, with the portmapper, without locks, service
// requests and the abort channel.
//
//	rpc.go       ONC RPC: records, XDR, calls and replies
//	protocol.go  programs, procedures, flags, errors
//	vxi11.go     Conn: the client, as package link opens it
//	peer.go      Serve: a simulated instrument's end
//
// A Conn is a byte stream to its user. A newline outside of a block goes out
// with END, and a reply that ends without a newline gets one. Over VXI-11 an
// instrument says nothing that is not fetched with device_read, and one that
// has nothing to say may log an error when it is asked to (488.2, 6.3.1.7
// unterminated query; from memory). So a Conn fetches only from the end of a
// message that was sent until the END of a reply, and is silent otherwise:
// of two replies to one message only the first is read.
//
// README.md lists the clauses and their tests.
package vxi11

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"strconv"
	"sync"
	"time"

	"halfturn/drivers/link/internal/fetch"
	"halfturn/drivers/link/internal/stream"
)

// PortmapperPort is where portmappers listen (RFC 1833, 3.1; from memory).
const PortmapperPort = "111"

const (
	// readSize is asked for in one device_read.
	readSize = 256 << 10
	// writeSize bounds one device_write; the instrument may take less.
	writeSize = 64 << 10
	// overhead is what an RPC record holds beside data, generously.
	overhead = 1 << 10
	// longestWait bounds the io_timeout of a call; a longer wait makes more.
	longestWait = 10 * time.Second
	// pause comes after a device_read that an instrument gave up early.
	pause = 5 * time.Millisecond
	// farewell bounds the goodbye to an instrument.
	farewell = 200 * time.Millisecond
)

// Conn is a link to one device. A Write waits for a Read that is fetching.
type Conn struct {
	state   *fetch.State // its mutex guards all below closing, too
	closing sync.Once

	core     caller
	link     uint32
	chunk    int
	fetching bool      // a device_read is under way
	since    time.Time // when it was sent
	patience time.Duration
}

// Dialer makes a TCP connection to host:port.
type Dialer = func(ctx context.Context, address string) (stream.Stream, error)

// Open asks the portmapper at address, host:port, for the core channel and
// makes a link to device, such as "inst0".
func Open(ctx context.Context, dial Dialer, address, device string) (*Conn, error) {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return nil, err
	}
	port, err := findPort(ctx, dial, address)
	if err != nil {
		return nil, fmt.Errorf("portmapper at %s: %w", address, err)
	}
	s, err := dial(ctx, net.JoinHostPort(host, strconv.Itoa(port)))
	if err != nil {
		return nil, fmt.Errorf("VXI-11 core channel: %w", err)
	}
	c := &Conn{state: fetch.New(), core: caller{s: s, xid: uint32(time.Now().UnixNano())}}
	defer endWith(ctx, s)()
	err = c.create(device)
	if err == nil {
		err = ctx.Err() // then the deadline may stand in the past
	}
	if err != nil {
		c.state.Release()
		_ = s.Close() // the error of opening says more
		return nil, err
	}
	return c, nil
}

// endWith ends calls on s when ctx does, until the function it returns is called.
func endWith(ctx context.Context, s stream.Stream) func() bool {
	return context.AfterFunc(ctx, func() { _ = s.SetDeadline(time.Unix(1, 0)) })
}

func findPort(ctx context.Context, dial Dialer, address string) (int, error) {
	s, err := dial(ctx, address)
	if err != nil {
		return 0, err
	}
	defer s.Close()
	defer endWith(ctx, s)()
	c := caller{s: s, xid: uint32(time.Now().UnixNano())}
	v, err := c.call(portmapProgram, portmapVersion, portmapGetPort, overhead, func(dst []byte) []byte {
		return appendUints(dst, coreProgram, coreVersion, protocolTCP, 0)
	})
	if err != nil {
		return 0, err
	}
	port := v.uint()
	switch {
	case v.err != nil:
		return 0, fmt.Errorf("its reply: %w", v.err)
	case port == 0:
		return 0, errors.New("VXI-11 is not registered there: switch it on in the instrument's network settings")
	case port > 65535:
		return 0, fmt.Errorf("it gives %d for a port", port)
	}
	return int(port), nil
}

func (c *Conn) create(device string) error {
	v, err := c.core.call(coreProgram, coreVersion, createLink, overhead, func(dst []byte) []byte {
		return appendOpaque(appendUints(dst, c.core.xid, 0, 0), []byte(device)) // client, no lock, its time limit
	})
	if err != nil {
		return fmt.Errorf("create_link: %w", err)
	}
	code, link, _, size := v.uint(), v.uint(), v.uint(), v.uint() // the third is the abort channel's port
	switch {
	case v.err != nil:
		return fmt.Errorf("reply to create_link: %w", v.err)
	case code != errNone:
		return refused(fmt.Sprintf("a link to %q", device), code)
	case size == 0:
		return errors.New("the instrument says that it takes VXI-11 messages of no length")
	}
	c.link, c.chunk = link, int(min(size, writeSize))
	return nil
}

// wait is the io_timeout in milliseconds for a call that is made now.
func (c *Conn) wait() uint32 {
	return uint32(max(time.Millisecond, min(c.state.Left(), longestWait)) / time.Millisecond)
}

// errCut is a core channel on which a call is under way that nobody awaits.
var errCut = errors.New("an earlier VXI-11 call was not finished")

// call makes a call other than device_read.
func (c *Conn) call(procedure uint32, args func(dst []byte) []byte) (values, error) {
	for c.fetching { // what began comes first
		if _, err := c.fetched(c.core.s.Read); err != nil {
			return values{}, err
		}
	}
	started, err := c.core.send(coreProgram, coreVersion, procedure, args)
	var v values
	if err == nil {
		started = true
		v, _, err = c.core.await(c.core.s.Read, overhead)
	}
	if err != nil && started {
		c.state.Broken = errCut
		if !errors.Is(err, os.ErrDeadlineExceeded) && !errors.Is(err, net.ErrClosed) {
			c.state.Broken = err
		}
	}
	return v, err
}

// Write sends p, and END with each newline that ends a message.
func (c *Conn) Write(p []byte) (written int, err error) {
	c.state.Mutex.Lock()
	defer c.state.Mutex.Unlock()
	if err := c.state.Usable(); err != nil {
		return 0, err
	}
	for written < len(p) {
		n, ended := c.state.Sent.Next(p[written:min(len(p), written+c.chunk)])
		for part := p[written : written+n]; len(part) > 0; {
			var flags uint32
			if ended {
				flags = flagEnd
			}
			v, err := c.call(deviceWrite, func(dst []byte) []byte {
				return appendOpaque(appendUints(dst, c.link, c.wait(), 0, flags), part)
			})
			if err != nil {
				return written, err
			}
			code, size := v.uint(), v.uint()
			switch {
			case v.err != nil:
				return written, c.state.Failed(fmt.Errorf("reply to device_write: %w", v.err))
			case uint64(size) > uint64(len(part)):
				return written, c.state.Failed(fmt.Errorf("device_write took %d bytes of %d", size, len(part)))
			case code == errIOTimeout:
				// Where in the message the instrument stands is not known.
				c.state.Broken = errCut
				return written + int(size), fmt.Errorf("%w: the instrument did not take the message", os.ErrDeadlineExceeded)
			case code != errNone:
				return written, c.state.Failed(refused("device_write", code))
			case size == 0:
				return written, c.state.Failed(errors.New("device_write took nothing"))
			}
			written += int(size)
			part = part[size:]
		}
		if ended {
			c.state.Asked()
		}
	}
	return written, nil
}

// Read waits for bytes of a reply.
func (c *Conn) Read(p []byte) (int, error) {
	c.state.Mutex.Lock()
	defer c.state.Mutex.Unlock()
	for {
		if n, err := c.state.Ready(p); n > 0 || err != nil || len(p) == 0 {
			return n, err
		}
		var err error
		switch {
		case c.fetching:
			_, err = c.fetched(c.core.s.Read)
		case c.state.Due:
			err = c.fetch()
		default:
			err = c.idle()
		}
		if err != nil {
			return 0, err
		}
	}
}

// ReadPending gives what was fetched already: it does not ask the instrument.
func (c *Conn) ReadPending(p []byte) (int, error) {
	c.state.Mutex.Lock()
	defer c.state.Mutex.Unlock()
	if n, err := c.state.Ready(p); n > 0 || err != nil || len(p) == 0 {
		return n, err
	}
	if !c.fetching {
		return 0, c.present()
	}
	if _, err := c.fetched(c.core.s.ReadPending); err != nil {
		return 0, err
	}
	return c.state.Ready(p)
}

// idle waits, without holding up others, until something may be fetched.
func (c *Conn) idle() error {
	if err := c.state.Idle(); err != nil || c.fetching || c.state.Due {
		return err
	}
	return c.present()
}

// present looks whether the instrument is still there while no call is under way.
func (c *Conn) present() error {
	var some [1]byte
	n, err := c.core.s.ReadPending(some[:])
	if n > 0 {
		err = errors.New("an RPC reply to no call")
	}
	return c.state.Failed(err)
}

// fetch sends a device_read.
func (c *Conn) fetch() error {
	c.since, c.patience = time.Now(), time.Duration(c.wait())*time.Millisecond
	started, err := c.core.send(coreProgram, coreVersion, deviceRead, func(dst []byte) []byte {
		return appendUints(dst, c.link, readSize, uint32(c.patience/time.Millisecond), 0, 0, 0) // no lock, no termination character
	})
	if err != nil {
		if started {
			c.state.Broken = errCut
		}
		return c.state.Failed(err)
	}
	c.fetching = true
	return nil
}

// fetched takes the reply of the device_read that is under way.
func (c *Conn) fetched(get source) (done bool, err error) {
	v, done, err := c.core.await(get, readSize+overhead)
	if !done || err != nil {
		return false, c.state.Failed(err)
	}
	c.fetching = false
	code, reason := v.uint(), v.uint()
	data := v.opaque(readSize)
	switch {
	case v.err != nil:
		return false, c.state.Failed(fmt.Errorf("reply to device_read: %w", v.err))
	case code != errNone && code != errIOTimeout:
		return false, c.state.Failed(refused("device_read", code))
	}
	if len(data) == 0 && reason&reasonEnd == 0 {
		if time.Since(c.since) < c.patience/2 {
			time.Sleep(pause)
		}
		return true, nil
	}
	end := reason&reasonEnd != 0 && code == errNone
	c.state.In.Put(data, end)
	if end {
		c.state.Due = false
	}
	return true, nil
}

// Clear makes the instrument forget what it was sent and has not done, and
// what it has not sent (device_clear: VXI-11 rev 1.0, B.6.9; from memory).
func (c *Conn) Clear() error {
	c.state.Mutex.Lock()
	defer c.state.Mutex.Unlock()
	if err := c.state.Usable(); err != nil {
		return err
	}
	v, err := c.call(deviceClear, func(dst []byte) []byte { return appendUints(dst, c.link, 0, 0, c.wait()) })
	if err != nil {
		return err
	}
	switch code := v.uint(); {
	case v.err != nil:
		return c.state.Failed(fmt.Errorf("reply to device_clear: %w", v.err))
	case code == errIOTimeout:
		return fmt.Errorf("%w: the instrument did not take the device clear", os.ErrDeadlineExceeded)
	case code != errNone && code != errUnsupported: // without it, what is stale comes and is told apart above
		return c.state.Failed(refused("device_clear", code))
	}
	c.state.Due = false
	c.state.Sent.Reset()
	c.state.In.Reset()
	return nil
}

// SetDeadline ends pending and later calls at t.
func (c *Conn) SetDeadline(t time.Time) error {
	if err := c.state.SetDeadline(t); err != nil {
		return err
	}
	return c.core.s.SetDeadline(t)
}

// Close ends the link; what waits on it ends with net.ErrClosed. When nothing
// is under way the instrument is told, since some keep links that are not.
func (c *Conn) Close() (err error) {
	c.closing.Do(func() {
		c.state.Close()
		if c.state.Mutex.TryLock() {
			if !c.fetching && c.state.Broken == nil && c.core.s.SetDeadline(time.Now().Add(farewell)) == nil {
				// Whether it heard is no matter: the connection ends now.
				_, _ = c.core.call(coreProgram, coreVersion, destroyLink, overhead, func(dst []byte) []byte { return appendUints(dst, c.link) })
			}
			c.state.Mutex.Unlock()
		}
		err = c.core.s.Close()
		c.state.Release()
	})
	return err
}
