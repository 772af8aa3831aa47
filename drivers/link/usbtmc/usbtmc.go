// Package usbtmc talks to instruments on USB (USBTMC 1.0, with and without
// USBTMC-USB488 1.0) through the device file of the Linux driver, without cgo.
//
//	header.go       messages of the bulk endpoints
//	usbtmc.go       Conn: the client, as package link opens it
//	clear.go        Conn.Clear
//	file.go         File: what it needs of a device file
//	file_linux.go   the device file, over the driver's ioctls
//	file_other.go   its refusal on other systems
//	ioctl.go        the numbers of the ioctls
//	driver.go       Plug: a model of the Linux driver, as a File
//	peer.go         Serve: a simulated instrument's end of the cable
//	frame.go        what goes through the cable between these two
//
// A Conn makes and reads the messages itself and has the driver move them
// asynchronously. The driver's own read(2) would do both, but a reply that is
// late for its time limit is lost to it, its abort names another bTag than
// the request had, and of a malformed reply it says only that no bytes came
// (Linux 6.1, drivers/usb/class/usbtmc.c).
//
// A Conn is a byte stream to its user. A newline outside of a block goes out
// with EOM, and a reply that ends without a newline gets one. As over VXI-11,
// nothing is requested of an instrument that was not asked, or has answered.
//
// README.md lists the clauses and their tests.
package usbtmc

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"halfturn/drivers/link/internal/fetch"
)

const (
	// readSize is requested in one REQUEST_DEV_DEP_MSG_IN.
	readSize = 64 << 10
	// writeSize bounds the data of one DEV_DEP_MSG_OUT: the driver takes it
	// in one call.
	writeSize = maxURBs*urbSize - headerSize
	// slice is how long the driver is waited for before a Conn looks whether
	// it was closed and whether its deadline moved.
	slice = 20 * time.Millisecond
	// pause comes after a reply without bytes and without an end.
	pause = 5 * time.Millisecond
	// trailerPatience is how long the packet that ends a transfer, and holds
	// no data, may come after it.
	trailerPatience = 20 * time.Millisecond
	// closePatience bounds Close where the driver holds on to a clear.
	closePatience = 500 * time.Millisecond
)

// Conn is a link to one device. A Write waits for a transfer that was begun.
type Conn struct {
	state   *fetch.State // its mutex guards all below closing and err, too
	closing sync.Once
	err     error // of Close

	file     File
	tag      byte // of the last message to the device
	transfer transfer
	clearing chan error // a clear that was not awaited
	out      []byte
	raw      [urbSize]byte
}

// transfer is the answer to the last REQUEST_DEV_DEP_MSG_IN.
type transfer struct {
	open  bool // its last packet has not come
	begun bool // its header has come
	left  int  // bytes of data to come
	eom   bool
	whole time.Time // when its data was complete, while its last packet has not come
	empty int       // packets without bytes in place of its header
}

// Open opens the device file at path with open (OpenFile, or a model's).
func Open(ctx context.Context, open func(path string) (File, error), path string) (*Conn, error) {
	type opened struct {
		file File
		err  error
	}
	done := make(chan opened, 1)
	go func() {
		file, err := open(path)
		done <- opened{file, err}
	}()
	select {
	case o := <-done:
		if o.err != nil {
			return nil, o.err
		}
		return newConn(o.file), nil
	case <-ctx.Done():
		// Another program's exchange may hold the driver up.
		go func() {
			if o := <-done; o.err == nil {
				_ = o.file.Close() // nobody is left to tell
			}
		}()
		return nil, ctx.Err()
	}
}

func newConn(file File) *Conn {
	return &Conn{state: fetch.New(), file: file}
}

// errCut is a message to the device that was not sent to its end.
var errCut = errors.New("an earlier USBTMC message was not sent to its end")

// wait waits until what has come about.
func (c *Conn) wait(what Event) error {
	for {
		if err := c.state.Usable(); err != nil {
			return err
		}
		ready, err := c.file.Wait(what, min(slice, c.state.Left()))
		if err != nil {
			return c.state.Failed(err)
		}
		if ready {
			return nil
		}
	}
}

// settle finishes the transfer that was begun, and a clear: what began comes
// first.
func (c *Conn) settle() error {
	if err := c.cleared(); err != nil {
		return err
	}
	for c.transfer.open {
		if !c.transfer.whole.IsZero() && time.Since(c.transfer.whole) > trailerPatience {
			// The device sends no packet to end a transfer that filled its
			// last one.
			if err := c.file.Cancel(); err != nil {
				return c.state.Failed(err)
			}
			c.transfer = transfer{}
			return nil
		}
		if err := c.take(true); err != nil {
			return err
		}
	}
	return nil
}

// send sends one message, which is in c.out.
func (c *Conn) send() error {
	for rest := c.out; len(rest) > 0; {
		n, err := c.file.Write(rest)
		if err != nil && !errors.Is(err, ErrAgain) {
			return c.stalled(Output, err)
		}
		if err := c.wait(Output); err != nil {
			// How much of it the device took is not known.
			if c.state.Broken == nil {
				c.state.Broken = errCut
			}
			return err
		}
		if n == 0 {
			continue
		}
		switch written, err := c.file.Written(); {
		case err != nil:
			return c.stalled(Output, err)
		case written < n:
			return c.state.Failed(fmt.Errorf("%d bytes of %d went out over USB", written, n))
		}
		rest = rest[n:]
	}
	return nil
}

// stalled keeps err, after it has made the endpoint usable to the next Conn.
func (c *Conn) stalled(of Event, err error) error {
	if errors.Is(err, ErrStall) {
		// What it says is no news beside the stall.
		_ = c.file.ClearHalt(of)
	}
	return c.state.Failed(err)
}

// Write sends p, and EOM with each newline that ends a message.
func (c *Conn) Write(p []byte) (written int, err error) {
	c.state.Mutex.Lock()
	defer c.state.Mutex.Unlock()
	if err := c.state.Usable(); err != nil {
		return 0, err
	}
	if err := c.settle(); err != nil {
		return 0, err
	}
	for written < len(p) {
		if err := c.state.Usable(); err != nil {
			return written, err
		}
		n, ended := c.state.Sent.Next(p[written:min(len(p), written+writeSize)])
		h := header{id: devDepMsgOut, size: uint32(n)}
		if ended {
			h.attributes = attributeEOM
		}
		c.tag = nextTag(c.tag)
		h.tag = c.tag
		c.out = pad(append(h.append(c.out[:0]), p[written:written+n]...))
		if err := c.send(); err != nil {
			return written, err
		}
		written += n
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
		case c.clearing != nil:
			err = c.cleared()
		case c.transfer.open && c.transfer.whole.IsZero():
			err = c.take(true)
		case c.state.Due:
			err = c.request()
		default:
			err = c.idle()
		}
		if err != nil {
			return 0, err
		}
	}
}

// ReadPending gives what has come of what was requested: it does not ask.
func (c *Conn) ReadPending(p []byte) (int, error) {
	c.state.Mutex.Lock()
	defer c.state.Mutex.Unlock()
	if n, err := c.state.Ready(p); n > 0 || err != nil || len(p) == 0 {
		return n, err
	}
	if c.clearing != nil {
		return 0, nil
	}
	if !c.transfer.open {
		return 0, c.present()
	}
	if err := c.take(false); err != nil {
		return 0, err
	}
	return c.state.Ready(p)
}

// idle waits, without holding up others, until something may be requested.
func (c *Conn) idle() error {
	if err := c.state.Idle(); err != nil || c.state.Due || c.clearing != nil {
		return err
	}
	return c.present()
}

// present looks whether the device is still there while nothing is under way.
func (c *Conn) present() error {
	if err := c.state.Usable(); err != nil {
		return err
	}
	_, err := c.file.Wait(Input, 0)
	return c.state.Failed(err)
}

// request asks for a part of a reply.
func (c *Conn) request() error {
	if err := c.settle(); err != nil {
		return err
	}
	c.tag = nextTag(c.tag)
	c.out = header{id: requestDevDepMsgIn, tag: c.tag, size: readSize}.append(c.out[:0])
	if err := c.send(); err != nil {
		return err
	}
	c.transfer = transfer{open: true}
	return nil
}

// take takes what has come of the transfer, and waits for it if it is to.
func (c *Conn) take(waits bool) error {
	n, err := c.file.Read(c.raw[:])
	switch {
	case errors.Is(err, ErrAgain) && waits && !c.transfer.whole.IsZero():
		_, err := c.file.Wait(Input, max(0, min(slice, c.state.Left(), trailerPatience-time.Since(c.transfer.whole))))
		if err == nil {
			err = c.state.Usable()
		}
		return c.state.Failed(err)
	case errors.Is(err, ErrAgain) && waits:
		return c.wait(Input)
	case errors.Is(err, ErrAgain):
		return nil
	case err != nil:
		return c.stalled(Input, err)
	}
	return c.state.Failed(c.arrived(c.raw[:n]))
}

// arrived takes bytes of Bulk-IN; fewer than urbSize end the transfer.
func (c *Conn) arrived(b []byte) error {
	t := &c.transfer
	last := len(b) < urbSize
	switch {
	case !t.begun && len(b) == 0:
		// The packet that ends the transfer before may come with this one.
		if t.empty++; t.empty > 2 {
			return errors.New("the USBTMC device sends packets without bytes where a reply should be")
		}
		return nil
	case !t.begun:
		h, err := parseHeader(b)
		switch {
		case err != nil:
			return fmt.Errorf("the USBTMC device sends %w", err)
		case h.id != devDepMsgIn:
			return fmt.Errorf("the USBTMC device sends a message of kind %d where a reply should be", h.id)
		case h.tag != c.tag:
			return fmt.Errorf("the USBTMC device answers the request with bTag %d, and the last had %d", h.tag, c.tag)
		case h.size > readSize:
			return fmt.Errorf("the USBTMC device announces %d bytes, and %d were requested", h.size, readSize)
		}
		*t = transfer{open: true, begun: true, left: int(h.size), eom: h.attributes&attributeEOM != 0}
		b = b[headerSize:]
		if t.left == 0 && !t.eom {
			time.Sleep(pause)
		}
	case t.left == 0 && !last:
		return errors.New("the USBTMC device sends more than the reply that it announced")
	}
	n := min(t.left, len(b)) // bytes behind the data fill a packet
	if n > 0 || t.left == 0 && t.eom {
		t.left -= n
		whole := t.left == 0 && t.eom
		c.state.In.Put(b[:n], whole)
		if whole {
			c.state.Due, t.eom = false, false
		}
	}
	switch {
	case last && t.left > 0:
		return fmt.Errorf("the USBTMC device ends its reply %d bytes before the end that it announced", t.left)
	case last:
		*t = transfer{}
	case t.left == 0:
		t.whole = time.Now()
	}
	return nil
}

// SetDeadline ends pending and later calls at t.
func (c *Conn) SetDeadline(t time.Time) error { return c.state.SetDeadline(t) }

// Close ends what waits on the link with net.ErrClosed. Where the driver holds
// on to a clear, Close says so, and the file closes when it lets go.
func (c *Conn) Close() error {
	c.closing.Do(func() {
		c.state.Close()
		c.state.Mutex.Lock() // whoever holds it has seen closed and lets go
		defer c.state.Mutex.Unlock()
		c.state.Release()
		if clearing, file := c.clearing, c.file; clearing != nil {
			select {
			case <-clearing:
			case <-time.After(closePatience):
				go func() {
					<-clearing
					_ = file.Close() // nobody is left to tell
				}()
				c.err = errors.New("the USBTMC driver holds on to a clear, the device file stays open until it lets go")
				return
			}
		}
		// Closing alone would wait for what was queued.
		_ = c.file.Cancel()
		c.err = c.file.Close()
	})
	return c.err
}
