package usbtmc

import (
	"net"
	"sync"

	"halfturn/drivers/link/internal/desk"
	"halfturn/drivers/link/internal/host"
)

// Client is the computer as a simulated instrument sees it; Close pulls the plug.
type Client = desk.Client

// PeerOptions say how a Peer behaves.
type PeerOptions struct {
	MaxRead   int  // longest part of a reply that it gives; as long as requested when zero
	NoNewline bool // replies end with EOM alone
	NoEnd     bool // replies never end, as those of a device without EOM
	// NoTrailer: a reply that fills its last piece is not followed by the
	// packet without data that ends a transfer.
	NoTrailer bool
	// Padded: replies are filled to a multiple of four bytes, as they may be.
	Padded bool
	// Parts gives the instrument bytes before their message has ended. What it
	// has read of a message a clear cannot take back.
	Parts bool
}

// Peer is a simulated instrument's end of the cable: a USB488 device.
type Peer struct {
	o     PeerOptions
	serve func(Client)
	host  host.Host
	turn  sync.Mutex // of the computers that open the device

	mu     sync.Mutex
	device *device // what is plugged in
	closed bool
}

// device lasts from plugging in to unplugging, however often the computer
// opens and closes it.
type device struct {
	o    PeerOptions
	desk *desk.Desk
	said desk.Outbox

	mu      sync.Mutex
	changed chan struct{}
	halted  [2]bool // endpoints, by Event
	taking  header  // the DEV_DEP_MSG_OUT under way
	left    uint32  // its bytes to come
	request header  // the REQUEST_DEV_DEP_MSG_IN without an answer
	giving  []byte  // the answer under way
	trailer bool    // a packet without data is to come
	flush   bool    // the end of an answer that a clear broke off
}

// Serve answers on listener until Close; serve is run for each time that the
// device is plugged in, and its return unplugs it. A computer that comes while
// another has the device open waits.
func Serve(listener net.Listener, o PeerOptions, serve func(Client)) *Peer {
	p := &Peer{o: o, serve: serve}
	p.host.Serve(listener, p.attach)
	return p
}

// Close unplugs, and waits for what served.
func (p *Peer) Close() error {
	p.mu.Lock()
	p.closed = true
	if p.device != nil {
		_ = p.device.desk.Close()
	}
	p.mu.Unlock()
	return p.host.Close()
}

// attach serves a computer that opened the device.
func (p *Peer) attach(conn net.Conn) {
	p.turn.Lock()
	defer p.turn.Unlock()
	d := p.plugged()
	if d == nil {
		return
	}
	ended, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		select {
		case <-d.desk.Closed():
			_ = conn.Close()
		case <-ended:
		}
	}()
	d.run(&cable{Conn: conn})
	close(ended)
	<-done
}

// plugged is the device, plugged in anew if it was unplugged; nil after Close.
func (p *Peer) plugged() *device {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.closed {
		return nil
	}
	if p.device != nil {
		select {
		case <-p.device.desk.Closed(): // unplugged, and serve is on its way back
		default:
			return p.device
		}
	}
	d := &device{o: p.o, changed: make(chan struct{})}
	d.desk = desk.New(
		p.o.Parts, 0,
		func(_ uint32, b []byte, end bool) error {
			end = end && !p.o.NoEnd
			if end && p.o.NoNewline {
				b = b[:len(b)-1]
			}
			return d.said.Put(b, end, d.desk.Closed())
		},
		func() {})
	p.device = d
	p.host.Go(func() {
		p.serve(d.desk)
		p.mu.Lock()
		if p.device == d {
			p.device = nil
		}
		p.mu.Unlock()
		_ = d.desk.Close()
	})
	return d
}

// change is called with mu held.
func (d *device) change() {
	close(d.changed)
	d.changed = make(chan struct{})
}

// piece is a frame, and what takes it back.
type piece struct {
	frame
	cancelled <-chan struct{}
}

// run answers frames until the cable is closed.
func (d *device) run(c *cable) {
	var endpoints sync.WaitGroup
	outs, ins := make(chan piece, 2*maxURBs), make(chan piece, 2)
	cancelled := make(chan struct{})
	defer func() {
		close(cancelled)
		close(outs)
		close(ins)
		endpoints.Wait()
	}()
	each := func(pieces <-chan piece, do func(*cable, piece)) {
		for f := range pieces {
			select {
			case <-f.cancelled:
			default:
				do(c, f)
			}
		}
	}
	endpoints.Go(func() { each(outs, d.bulkOut) })
	endpoints.Go(func() { each(ins, d.bulkIn) })
	for {
		f, err := c.receive()
		if err != nil {
			return
		}
		switch f.kind {
		case bulkOut:
			outs <- piece{f, cancelled}
		case bulkIn:
			ins <- piece{f, cancelled}
		case cancel:
			close(cancelled)
			cancelled = make(chan struct{})
		case control:
			d.control(c, f)
		default:
			return // no transaction of USB
		}
	}
}

// answer may find nobody there any more.
func answer(c *cable, f frame, kind, status byte, data ...byte) {
	_ = c.send(frame{kind: kind, status: status, number: f.number, data: data})
}

// bulkOut takes a piece of Bulk-OUT.
func (d *device) bulkOut(c *cable, f piece) {
	d.mu.Lock()
	defer d.mu.Unlock()
	b := f.data
	good := !d.halted[Output]
	if good && d.left == 0 {
		good = d.begin(b)
		b = b[min(len(b), headerSize):]
	}
	if !good {
		d.halted[Output] = true
		answer(c, f.frame, bulkOutDone, stalled)
		return
	}
	if n := min(uint32(len(b)), d.left); n > 0 {
		end := d.taking.attributes&attributeEOM != 0 && n == d.left
		d.mu.Unlock()
		// While the instrument has no room, the device takes nothing (NAK).
		taken := d.desk.Deliver(0, b[:n], end, f.cancelled)
		d.mu.Lock()
		select {
		case <-f.cancelled:
			return
		default:
		}
		if !taken {
			return
		}
		d.left -= n
	}
	answer(c, f.frame, bulkOutDone, transferred)
}

// begin takes the header of a message (USBTMC 1.0, 3.2; from memory), and says
// whether it is one that may come.
func (d *device) begin(b []byte) bool {
	h, err := parseHeader(b)
	switch {
	case err != nil || h.size == 0:
		return false
	case h.id == devDepMsgOut:
		d.taking, d.left = h, h.size
		return true
	case h.id != requestDevDepMsgIn || d.request.id != 0:
		return false
	}
	d.request = h
	d.change()
	return true
}

// bulkIn gives a piece of Bulk-IN.
func (d *device) bulkIn(c *cable, f piece) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for {
		if d.halted[Input] {
			answer(c, f.frame, bulkInDone, stalled)
			return
		}
		said := d.reply()
		if len(d.giving) > 0 || d.trailer || d.flush {
			n := min(len(d.giving), urbSize)
			piece := d.giving[:n]
			d.giving = d.giving[n:]
			// A piece that is whole packets, and the last, is ended by a
			// packet without data; when it is full that is a piece by itself.
			d.trailer = n == urbSize && len(d.giving) == 0 && !d.o.NoTrailer
			d.flush = false
			answer(c, f.frame, bulkInDone, transferred, piece...)
			return
		}
		changed := d.changed
		d.mu.Unlock()
		var stop bool
		select {
		case <-changed:
		case <-said:
		case <-f.cancelled:
			stop = true
		case <-d.desk.Closed():
			stop = true
		}
		d.mu.Lock()
		if stop {
			return
		}
	}
}

// reply answers the request, if the instrument has said something; otherwise
// it gives what closes when it may have. It is called with mu held.
func (d *device) reply() (said <-chan struct{}) {
	if d.request.id == 0 || len(d.giving) > 0 || d.trailer {
		return nil
	}
	size := int(min(d.request.size, 1<<20))
	if d.o.MaxRead > 0 {
		size = min(size, d.o.MaxRead)
	}
	b, end, ok, said := d.said.Take(size)
	if !ok {
		return said
	}
	h := header{id: devDepMsgIn, tag: d.request.tag, size: uint32(len(b))}
	if end {
		h.attributes = attributeEOM
	}
	d.request = header{}
	d.giving = append(h.append(nil), b...)
	if d.o.Padded {
		d.giving = pad(d.giving)
	}
	return nil
}

// control answers a request to the control endpoint.
func (d *device) control(c *cable, f frame) {
	d.mu.Lock()
	defer d.mu.Unlock()
	s, ok := parseSetup(f.data)
	switch {
	case !ok:
	case s.kind == classInterfaceIn && s.request == initiateClear:
		// USBTMC 1.0, 4.2.1.6 (from memory): Bulk-OUT is halted, an answer
		// under way is broken off.
		d.desk.Clear()
		d.said.Clear()
		d.flush = d.flush || len(d.giving) > 0
		d.left, d.request, d.giving, d.trailer = 0, header{}, nil, false
		d.halted[Output] = true
		d.change()
		answer(c, f, controlDone, transferred, statusSuccess)
		return
	case s.kind == classInterfaceIn && s.request == checkClearStatus:
		if d.flush {
			answer(c, f, controlDone, transferred, statusPending, queuedForBulkIn)
		} else {
			answer(c, f, controlDone, transferred, statusSuccess, 0)
		}
		return
	case s.kind == classInterfaceIn && s.request == getCapabilities:
		// USBTMC 1.0, table 37, and USB488 1.0, table 8 (from memory).
		b := make([]byte, 0x18)
		b[0], b[3], b[13], b[14] = statusSuccess, 1, 1, capabilities488_2
		answer(c, f, controlDone, transferred, b...)
		return
	case s.kind == classInterfaceIn && s.request == readStatusByte:
		// USB488 1.0, table 11 (from memory): without an interrupt endpoint
		// the third byte is the status byte.
		var status byte
		if d.said.Holds() || len(d.giving) > 0 {
			status = messageAvailable
		}
		answer(c, f, controlDone, transferred, statusSuccess, byte(s.value), status)
		return
	case s.kind == standardEndpoint && s.request == clearFeature && s.value == endpointHalt && (s.index == endpointBulkIn || s.index == endpointBulkOut):
		of := Input
		if s.index == endpointBulkOut {
			of = Output
		}
		d.halted[of] = false
		d.change()
		answer(c, f, controlDone, transferred)
		return
	}
	answer(c, f, controlDone, stalled)
}
