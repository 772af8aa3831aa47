package hislip

import (
	"errors"
	"fmt"
)

// Clear makes the instrument forget what it was sent and has not done, and
// both sides what was not read (IVI-6.1, 6.12 and 3.1.1; from memory). The
// deadline holds for it; a clear that breaks off leaves the session useless.
func (c *Conn) Clear() error {
	c.writing.Lock()
	defer c.writing.Unlock()
	c.reading.Lock()
	defer c.reading.Unlock()
	if err := c.usable(); err != nil {
		return err
	}
	switch {
	case c.broken != nil:
		return c.broken
	case c.cut:
		return errCut
	}
	c.cut = true
	if _, err := c.async.Write(header{kind: asyncDeviceClear}.append(nil)); err != nil {
		return err
	}
	if err := c.lookAside(c.async.Read, asyncDeviceClearAcknowledge); err != nil {
		return err
	}
	// The features asked for: synchronized mode.
	if _, err := c.sync.Write(header{kind: deviceClearComplete}.append(nil)); err != nil {
		return err
	}
	if err := c.skipToAcknowledge(); err != nil {
		return err
	}
	c.lastID.Store(firstID - 2)
	c.delivered.Store(false)
	c.sent.Reset()
	c.got.Reset()
	c.newline, c.stale, c.cut = false, false, false
	return nil
}

// skipToAcknowledge drops what the server had sent before it took the clear.
func (c *Conn) skipToAcknowledge() error {
	for {
		if !c.in.open {
			if _, err := c.in.next(c.sync.Read); err != nil {
				return c.failed(err)
			}
			c.text = c.text[:0]
		}
		var err error
		switch c.in.kind {
		case data, dataEnd, interrupted, deviceClearAcknowledge:
			_, err = c.in.skip(c.sync.Read)
		case fatalError, nonFatalError:
			_, err = c.in.complaint(&c.text, c.sync.Read)
		default:
			err = fmt.Errorf("a HiSLIP message of type %d where the end of a device clear was expected", c.in.kind)
		}
		if err != nil {
			return c.failed(err)
		}
		if c.in.kind != deviceClearAcknowledge {
			continue
		}
		if c.in.control&overlapBit != 0 {
			return c.failed(errors.New("the instrument insists on the overlap mode of HiSLIP, and only synchronized mode is supported"))
		}
		return nil
	}
}

// lookAside reads the asynchronous channel up to a message of the kind until,
// or until get has nothing to give. What an instrument says there on its own
// account, service requests and that it was interrupted, is passed over.
func (c *Conn) lookAside(get source, until messageType) error {
	in := &c.aside
	for {
		if !in.open {
			if ok, err := in.next(get); !ok || err != nil {
				return c.failed(err)
			}
			c.asideText = c.asideText[:0]
		}
		var done bool
		var err error
		switch in.kind {
		case asyncServiceRequest, asyncInterrupted, asyncDeviceClearAcknowledge:
			done, err = in.skip(get)
		case fatalError, nonFatalError:
			done, err = in.complaint(&c.asideText, get)
		default:
			err = fmt.Errorf("a HiSLIP message of type %d on the asynchronous channel", in.kind)
		}
		if !done || err != nil {
			return c.failed(err)
		}
		if in.kind == until {
			return nil
		}
		if in.kind == asyncDeviceClearAcknowledge {
			return c.failed(errors.New("a HiSLIP device clear is acknowledged that was not asked for"))
		}
	}
}
