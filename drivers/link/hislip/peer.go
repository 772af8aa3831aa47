package hislip

import (
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"sync"
	"sync/atomic"

	"halfturn/drivers/link/internal/desk"
	"halfturn/drivers/link/internal/host"
)

// Client is a session as a simulated instrument sees it.
type Client = desk.Client

// PeerOptions say how a Peer behaves.
type PeerOptions struct {
	SubAddress string // the device that it is; "hislip0" when empty
	MaxMessage uint64 // longest payload that it takes; 1 MiB when zero
	NoNewline  bool   // replies end with the end of the message alone
	Overlap    bool   // prefers overlap mode, as a server may
	// Parts gives the instrument bytes before their message has ended. What it
	// has read of a message a device clear cannot take back.
	Parts       bool
	MaxSessions int // 0: no limit
}

// Peer is a simulated instrument's end of HiSLIP, protocol version 1.0.
type Peer struct {
	o     PeerOptions
	serve func(Client)
	host  host.Host
	// Interruptions counts the replies that a client did not read before it
	// sent the next message.
	Interruptions atomic.Int64

	mu       sync.Mutex
	sessions map[uint16]*session
	lastID   uint16
}

// session is one client: two channels, and the instrument at the desk.
type session struct {
	peer   *Peer
	id     uint16
	sync   net.Conn
	desk   *desk.Desk
	maxOut uint64 // guarded by sending

	sending sync.Mutex // of the synchronous channel
	out     []byte
	unread  bool // a reply was sent to its end since a message came

	mu       sync.Mutex
	async    net.Conn
	clearing chan struct{} // closed while a device clear goes on
}

// Serve answers on listener until Close; serve is run for each session, and
// its return hangs up.
func Serve(listener net.Listener, o PeerOptions, serve func(Client)) *Peer {
	if o.SubAddress == "" {
		o.SubAddress = "hislip0"
	}
	if o.MaxMessage == 0 {
		o.MaxMessage = 1 << 20
	}
	p := &Peer{o: o, serve: serve, sessions: map[uint16]*session{}}
	p.host.Serve(listener, p.channel)
	return p
}

// Close hangs up on all clients and waits for what served them.
func (p *Peer) Close() error { return p.host.Close() }

// receive reads a message; limit bounds its payload.
func receive(conn net.Conn, limit uint64) (header, []byte, error) {
	var raw [headerSize]byte
	if _, err := io.ReadFull(conn, raw[:]); err != nil {
		return header{}, nil, err
	}
	h, err := parseHeader(raw)
	if err != nil {
		refuse(conn, fatalError, 1, "poorly formed header")
		return header{}, nil, err
	}
	if h.length > limit {
		refuse(conn, nonFatalError, 4, "message too large")
		return header{}, nil, fmt.Errorf("message of %d bytes", h.length)
	}
	payload := make([]byte, h.length)
	_, err = io.ReadFull(conn, payload)
	return h, payload, err
}

func refuse(conn net.Conn, kind messageType, code byte, text string) {
	// Whoever is refused may be gone.
	_, _ = conn.Write(append(header{kind: kind, control: code, length: uint64(len(text))}.append(nil), text...))
}

// channel serves one TCP connection.
func (p *Peer) channel(conn net.Conn) {
	h, payload, err := receive(conn, 256)
	if err != nil {
		return
	}
	switch h.kind {
	case initialize:
		if string(payload) != p.o.SubAddress {
			refuse(conn, fatalError, 3, "no such device")
			return
		}
		s, err := p.begin(conn)
		if err != nil {
			refuse(conn, fatalError, 4, err.Error())
			return
		}
		defer s.end()
		var control byte
		if p.o.Overlap {
			control = overlapBit
		}
		if s.send(header{kind: initializeResponse, control: control, parameter: 0x0100<<16 | uint32(s.id)}, nil) == nil {
			s.synchronous()
		}
	case asyncInitialize:
		p.mu.Lock()
		s := p.sessions[uint16(h.parameter)]
		p.mu.Unlock()
		if s == nil || !s.attach(conn) {
			refuse(conn, fatalError, 3, "no such session")
			return
		}
		defer s.desk.Close()
		s.asynchronous(conn)
	default:
		refuse(conn, fatalError, 3, "invalid initialization sequence")
	}
}

func (p *Peer) begin(conn net.Conn) (*session, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.o.MaxSessions > 0 && len(p.sessions) >= p.o.MaxSessions || len(p.sessions) > 1000 {
		return nil, errors.New("maximum number of clients exceeded")
	}
	for p.lastID++; p.sessions[p.lastID] != nil; p.lastID++ {
	}
	s := &session{peer: p, id: p.lastID, sync: conn, maxOut: messageLimit, clearing: make(chan struct{})}
	s.desk = desk.New(p.o.Parts, anyID, s.reply, func() {
		_ = s.sync.Close()
		s.mu.Lock()
		defer s.mu.Unlock()
		if s.async != nil {
			_ = s.async.Close()
		}
	})
	p.sessions[s.id] = s
	return s, nil
}

func (s *session) end() {
	_ = s.desk.Close()
	s.peer.mu.Lock()
	defer s.peer.mu.Unlock()
	delete(s.peer.sessions, s.id)
}

// attach takes conn for the second channel, and lets the instrument begin.
func (s *session) attach(conn net.Conn) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.async != nil {
		return false
	}
	s.async = conn
	s.peer.host.Go(func() {
		defer s.desk.Close()
		s.peer.serve(s.desk)
	})
	return true
}

func (s *session) send(h header, payload []byte) error {
	s.sending.Lock()
	defer s.sending.Unlock()
	return s.sendLocked(h, payload)
}

func (s *session) sendLocked(h header, payload []byte) error {
	h.length = uint64(len(payload))
	s.out = append(h.append(s.out[:0]), payload...)
	_, err := s.sync.Write(s.out)
	return err
}

// reply is what the desk sends: a part of a reply to the message id.
func (s *session) reply(id uint32, p []byte, end bool) error {
	s.sending.Lock()
	defer s.sending.Unlock()
	if end && s.peer.o.NoNewline {
		p = p[:len(p)-1]
	}
	for {
		n := min(uint64(len(p)), s.maxOut, writeChunk)
		h := header{kind: data, parameter: id}
		last := n == uint64(len(p))
		if last && end {
			h.kind = dataEnd
			s.unread = true
		}
		if err := s.sendLocked(h, p[:n]); err != nil {
			return err
		}
		if p = p[n:]; last {
			return nil
		}
	}
}

// stopped is closed while a device clear goes on.
func (s *session) stopped() chan struct{} {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.clearing
}

func (s *session) isClearing() bool {
	select {
	case <-s.stopped():
		return true
	default:
		return false
	}
}

func (s *session) synchronous() {
	for {
		h, payload, err := receive(s.sync, s.peer.o.MaxMessage)
		if err != nil {
			return
		}
		s.mu.Lock()
		both := s.async != nil
		s.mu.Unlock()
		switch {
		case !both:
			refuse(s.sync, fatalError, 2, "both channels are not established")
			return
		case h.kind == deviceClearComplete:
			// IVI-6.1, 6.12 (from memory): the features that both want.
			s.mu.Lock()
			s.clearing = make(chan struct{})
			s.mu.Unlock()
			s.desk.Clear()
			s.sending.Lock()
			s.unread = false
			err = s.sendLocked(header{kind: deviceClearAcknowledge}, nil)
			s.sending.Unlock()
			if err != nil {
				return
			}
		case s.isClearing(): // dropped up to the end of the clear
		case h.kind == data || h.kind == dataEnd:
			s.interruptUnless(h)
			s.desk.Deliver(h.parameter, payload, h.kind == dataEnd, s.stopped())
		case h.kind == trigger:
		default:
			refuse(s.sync, nonFatalError, 1, "unrecognized message type")
		}
	}
}

// interruptUnless looks whether the client had read the last reply before it
// sent h (IVI-6.1, 3.1.1; from memory).
func (s *session) interruptUnless(h header) {
	s.sending.Lock()
	defer s.sending.Unlock()
	if s.unread && h.control&deliveredBit == 0 {
		s.peer.Interruptions.Add(1)
		_ = s.sendLocked(header{kind: interrupted, parameter: h.parameter}, nil) // a client that is gone is noticed by the next read
		s.mu.Lock()
		_, _ = s.async.Write(header{kind: asyncInterrupted, parameter: h.parameter}.append(nil))
		s.mu.Unlock()
	}
	s.unread = false
}

func (s *session) asynchronous(conn net.Conn) {
	answer := func(h header, payload ...byte) error {
		s.mu.Lock()
		defer s.mu.Unlock()
		h.length = uint64(len(payload))
		_, err := conn.Write(append(h.append(nil), payload...))
		return err
	}
	err := answer(header{kind: asyncInitializeResponse, parameter: vendorID})
	for err == nil {
		var h header
		var payload []byte
		if h, payload, err = receive(conn, 256); err != nil {
			return
		}
		switch h.kind {
		case asyncMaximumMessageSize:
			if len(payload) != 8 {
				refuse(conn, nonFatalError, 0, "a size of 8 bytes was expected")
				continue
			}
			s.sending.Lock()
			s.maxOut = max(1, binary.BigEndian.Uint64(payload))
			s.sending.Unlock()
			err = answer(header{kind: asyncMaximumMessageSizeResult}, binary.BigEndian.AppendUint64(nil, s.peer.o.MaxMessage)...)
		case asyncDeviceClear:
			s.mu.Lock()
			select {
			case <-s.clearing:
			default:
				close(s.clearing)
			}
			s.mu.Unlock()
			s.desk.Clear()
			err = answer(header{kind: asyncDeviceClearAcknowledge})
		case asyncStatusQuery:
			err = answer(header{kind: asyncStatusResponse})
		case asyncLock:
			err = answer(header{kind: asyncLockResponse, control: 1})
		case asyncRemoteLocalControl:
			err = answer(header{kind: asyncRemoteLocalResponse})
		default:
			refuse(conn, nonFatalError, 1, "unrecognized message type")
		}
	}
}
