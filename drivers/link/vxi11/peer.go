package vxi11

import (
	"net"
	"sync"
	"sync/atomic"
	"time"

	"halfturn/drivers/link/internal/desk"
	"halfturn/drivers/link/internal/host"
)

// Client is a link as a simulated instrument sees it.
type Client = desk.Client

// PeerOptions say how a Peer behaves.
type PeerOptions struct {
	Device       string // the device that it is; "inst0" when empty
	MaxWrite     uint32 // longest device_write that it takes; 64 KiB when zero
	MaxRead      uint32 // longest part of a reply that it gives; 1 MiB when zero
	NoNewline    bool   // replies end with END alone
	NoEnd        bool   // replies never end, as those of a device without END
	Unregistered bool   // its portmapper does not know the core channel
	// Parts gives the instrument bytes before their message has ended. What it
	// has read of a message a device clear cannot take back.
	Parts bool
}

// Peer is a simulated instrument's end of VXI-11: a portmapper and a core
// channel.
type Peer struct {
	o        PeerOptions
	serve    func(Client)
	corePort uint32
	host     host.Host

	mu     sync.Mutex
	links  map[uint32]*peerLink
	lastID uint32
	closed bool
}

// peerLink is one client's link, with the instrument at the desk.
type peerLink struct {
	desk *desk.Desk
	conn net.Conn
	gone atomic.Bool // it was destroyed, and the connection goes on
	said desk.Outbox // and not fetched
}

// Serve answers on both listeners, which may have any TCP port, until Close;
// serve is run for each link, and its return hangs up.
func Serve(portmapper, core net.Listener, o PeerOptions, serve func(Client)) *Peer {
	if o.Device == "" {
		o.Device = "inst0"
	}
	if o.MaxWrite == 0 {
		o.MaxWrite = writeSize
	}
	if o.MaxRead == 0 {
		o.MaxRead = 1 << 20
	}
	p := &Peer{o: o, serve: serve, corePort: uint32(core.Addr().(*net.TCPAddr).Port), links: map[uint32]*peerLink{}}
	p.host.Serve(portmapper, func(conn net.Conn) { p.calls(conn, p.mapPorts) })
	p.host.Serve(core, func(conn net.Conn) {
		p.calls(conn, p.coreCall)
		p.drop(conn)
	})
	return p
}

// procedure answers one call: its accept_stat, and its results behind reply.
type procedure func(conn net.Conn, program, version, number uint32, args *values, reply []byte) (status uint32, results []byte)

// drop ends the links of a connection that ended (VXI-11 rev 1.0, B.4.3; from
// memory).
func (p *Peer) drop(conn net.Conn) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for id, l := range p.links {
		if l.conn == conn {
			_ = l.desk.Close()
			delete(p.links, id)
		}
	}
}

// Close hangs up on all clients and waits for what served them.
func (p *Peer) Close() error {
	p.mu.Lock()
	p.closed = true
	for _, l := range p.links {
		_ = l.desk.Close()
	}
	p.mu.Unlock()
	return p.host.Close()
}

// calls answers the calls of one connection, one after the other.
func (p *Peer) calls(conn net.Conn, do procedure) {
	var in record
	var out []byte
	for {
		in.data = in.data[:0]
		if _, err := in.read(conn.Read, int(p.o.MaxWrite)+overhead); err != nil {
			return
		}
		v := values{rest: in.data}
		xid, kind, version := v.uint(), v.uint(), v.uint()
		program, programVersion, number := v.uint(), v.uint(), v.uint()
		v.uint() // credentials
		v.opaque(verifierLimit)
		v.uint() // verifier
		v.opaque(verifierLimit)
		if v.err != nil || kind != msgCall {
			return // no call can be answered without its head
		}
		if version != rpcVersion {
			out = appendUints(out[:0], 0, xid, msgReply, replyDenied, rejectVersion, rpcVersion, rpcVersion)
		} else {
			status, results := do(conn, program, programVersion, number, &v, nil)
			out = appendUints(out[:0], 0, xid, msgReply, replyAccepted, 0, 0, status)
			out = append(out, results...)
		}
		copy(out, appendUints(nil, uint32(len(out)-4)|lastFragment))
		if _, err := conn.Write(out); err != nil {
			return
		}
	}
}

func (p *Peer) mapPorts(_ net.Conn, program, version, number uint32, args *values, reply []byte) (uint32, []byte) {
	switch {
	case program != portmapProgram:
		return acceptProgUnavail, nil
	case version != portmapVersion:
		return acceptProgMismatch, appendUints(nil, portmapVersion, portmapVersion)
	case number == 0: // the null procedure
		return acceptSuccess, nil
	case number != portmapGetPort:
		return acceptProcUnavail, nil
	}
	wanted := [3]uint32{args.uint(), args.uint(), args.uint()}
	args.uint() // the port, which means nothing here
	if args.err != nil {
		return acceptGarbageArgs, nil
	}
	if p.o.Unregistered || wanted != [3]uint32{coreProgram, coreVersion, protocolTCP} {
		return acceptSuccess, appendUints(reply, 0)
	}
	return acceptSuccess, appendUints(reply, p.corePort)
}

func (p *Peer) coreCall(conn net.Conn, program, version, number uint32, args *values, reply []byte) (uint32, []byte) {
	switch {
	case program != coreProgram:
		return acceptProgUnavail, nil
	case version != coreVersion:
		return acceptProgMismatch, appendUints(nil, coreVersion, coreVersion)
	case number == 0:
		return acceptSuccess, nil
	case number == createLink:
		args.uint() // client
		lock := args.uint()
		args.uint() // lock_timeout
		device := string(args.opaque(256))
		if args.err != nil || lock > 1 {
			return acceptGarbageArgs, nil
		}
		return acceptSuccess, p.create(conn, device, reply)
	}
	p.mu.Lock()
	l := p.links[args.uint()]
	p.mu.Unlock()
	var results []byte
	switch number {
	case deviceWrite:
		wait := args.uint()
		args.uint() // lock_timeout
		flags, data := args.uint(), args.opaque(len(args.rest))
		results = appendUints(reply, errNoLink, 0)
		if l != nil && args.err == nil {
			results = p.write(l, wait, flags, data, reply)
		}
	case deviceRead:
		size, wait := args.uint(), args.uint()
		args.uint() // lock_timeout
		args.uint() // flags
		args.uint() // termination character
		results = appendUints(reply, errNoLink, 0, 0)
		if l != nil && args.err == nil {
			results = p.read(l, size, wait, reply)
		}
	case deviceReadSTB:
		args.rest = args.rest[len(args.rest):]
		results = appendUints(reply, errNone, 0)
	case deviceClear:
		args.uint()
		args.uint()
		args.uint()
		results = appendUints(reply, errNoLink)
		if l != nil && args.err == nil {
			l.desk.Clear()
			l.said.Clear()
			results = appendUints(reply, errNone)
		}
	case destroyLink:
		results = appendUints(reply, errNoLink)
		if l != nil && args.err == nil {
			p.destroy(l)
			results = appendUints(reply, errNone)
		}
	default:
		return acceptProcUnavail, nil
	}
	if args.err != nil {
		return acceptGarbageArgs, nil
	}
	return acceptSuccess, results
}

func (p *Peer) create(conn net.Conn, device string, reply []byte) []byte {
	if device != p.o.Device {
		return appendUints(reply, errNoDevice, 0, 0, 0)
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if len(p.links) > 1000 || p.closed {
		return appendUints(reply, errResources, 0, 0, 0)
	}
	p.lastID++
	id := p.lastID
	l := &peerLink{conn: conn}
	l.desk = desk.New(
		p.o.Parts, 0,
		func(_ uint32, b []byte, end bool) error {
			end = end && !p.o.NoEnd
			if end && p.o.NoNewline {
				b = b[:len(b)-1]
			}
			return l.said.Put(b, end, l.desk.Closed())
		},
		func() {
			if !l.gone.Load() {
				_ = conn.Close()
			}
		})
	p.links[id] = l
	p.host.Go(func() {
		p.serve(l.desk)
		_ = l.desk.Close()
	})
	return appendUints(reply, errNone, id, 0, p.o.MaxWrite)
}

// destroy ends a link, and not its connection.
func (p *Peer) destroy(l *peerLink) {
	l.gone.Store(true)
	p.mu.Lock()
	for id, other := range p.links {
		if other == l {
			delete(p.links, id)
		}
	}
	p.mu.Unlock()
	_ = l.desk.Close()
}

// after gives a channel that is closed when milliseconds have passed, unless
// stop is called before.
func after(milliseconds uint32) (passed <-chan struct{}, stop func() bool) {
	done := make(chan struct{})
	return done, time.AfterFunc(time.Duration(milliseconds)*time.Millisecond, func() { close(done) }).Stop
}

// write answers device_write (VXI-11 rev 1.0, B.6.3; from memory).
func (p *Peer) write(l *peerLink, wait, flags uint32, data, reply []byte) []byte {
	if len(data) > int(p.o.MaxWrite) {
		return appendUints(reply, errParameter, 0)
	}
	passed, stop := after(wait)
	defer stop()
	if !l.desk.Deliver(0, append([]byte(nil), data...), flags&flagEnd != 0, passed) {
		return appendUints(reply, errIOTimeout, 0)
	}
	return appendUints(reply, errNone, uint32(len(data)))
}

// read answers device_read (VXI-11 rev 1.0, B.6.4; from memory). It gives
// what there is: without a reason when END has yet to come.
func (p *Peer) read(l *peerLink, size, wait uint32, reply []byte) []byte {
	passed, stop := after(wait)
	defer stop()
	for {
		b, end, ok, changed := l.said.Take(int(min(size, p.o.MaxRead)))
		if ok {
			var reason uint32
			if end {
				reason = reasonEnd
			}
			if len(b) == int(size) {
				reason |= reasonRequested
			}
			return appendOpaque(appendUints(reply, errNone, reason), b)
		}
		code := uint32(errNone)
		select {
		case <-changed:
		case <-passed:
			code = errIOTimeout
		case <-l.desk.Closed():
			code = errNoLink
		}
		if code != errNone {
			return appendOpaque(appendUints(reply, code, 0), nil)
		}
	}
}
