// Package replay serves a recording as instruments: what was said to them is
// awaited, and what they said is said again, over TCP sockets.
//
//	drivers/link/record  made the recording
//	drivers/link/replay  serves it again
//
//	script.go  messages, replies and endings, by instrument
//	match.go   where in the recording an arriving message belongs
//	serve.go   this page: the sockets
//
// Silence, half a reply and a connection that broke come again as they were.
// Whichever kind of link was recorded, the bytes are those that a driver saw
// and a raw socket carries them as well.
package replay

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"net"
	"sync"
	"time"

	"halfturn/drivers/link/record"
)

// Options say how a recording is served.
type Options struct {
	Paced  bool              // replies wait as long as they did; otherwise none does
	Listen map[string]string // by instrument; 127.0.0.1 and any port where nothing is said
}

// Server serves one recording, once.
type Server struct {
	rec     *Recording
	paced   bool
	parts   []*part
	cancel  context.CancelFunc
	running sync.WaitGroup

	mu       sync.Mutex
	diverged error
	changed  chan struct{} // closed and made anew when a client leaves or diverges
}

// part is one instrument.
type part struct {
	name     string
	listener net.Listener
	matcher  *matcher
	busy     bool // a client is connected; guarded by Server.mu
	whole    bool // all was met; likewise
	served   int  // likewise
}

// Serve listens for each instrument of the recording until Close.
func Serve(ctx context.Context, rec *Recording, o Options) (*Server, error) {
	ctx, cancel := context.WithCancel(ctx)
	s := &Server{rec: rec, paced: o.Paced, cancel: cancel, changed: make(chan struct{})}
	for _, name := range rec.parts {
		address := o.Listen[name]
		if address == "" {
			address = "127.0.0.1:0"
		}
		l, err := net.Listen("tcp", address)
		if err != nil {
			_ = s.Close() // ends those before it
			return nil, fmt.Errorf("the recorded %s cannot listen on %s: %w", name, address, err)
		}
		s.parts = append(s.parts, &part{name: name, listener: l, matcher: newMatcher(rec.scripts[name])})
	}
	for _, p := range s.parts {
		s.running.Go(func() { s.accept(ctx, p) })
	}
	return s, nil
}

// Addresses are tcp://host:port, by instrument, and names their order.
func (s *Server) Addresses() (names []string, addresses map[string]string) {
	addresses = map[string]string{}
	for _, p := range s.parts {
		names = append(names, p.name)
		addresses[p.name] = "tcp://" + p.listener.Addr().String()
	}
	return names, addresses
}

// Close hangs up.
func (s *Server) Close() error {
	s.cancel()
	for _, p := range s.parts {
		_ = p.listener.Close() // the second time fails, and does not matter
	}
	s.running.Wait()
	return nil
}

// Progress is how many of the recorded messages came.
func (s *Server) Progress() int {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := 0
	for _, p := range s.parts {
		n += p.served
	}
	return n
}

// Wait returns nil when all that was recorded has come again and the clients
// have left, a *Divergence as soon as something else came, and the context's
// error when that ends first.
func (s *Server) Wait(ctx context.Context) error {
	for {
		s.mu.Lock()
		over, changed, err := true, s.changed, s.diverged
		for _, p := range s.parts {
			over = over && p.whole && !p.busy
		}
		s.mu.Unlock()
		if over || err != nil {
			return err
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

// note is called when something became of a part.
func (s *Server) note(p *part, busy bool, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	p.busy, p.whole, p.served = busy, p.matcher.whole(), p.matcher.served
	if err != nil && s.diverged == nil {
		s.diverged = err
	}
	close(s.changed)
	s.changed = make(chan struct{})
}

// accept serves one client after the other: an instrument has one.
func (s *Server) accept(ctx context.Context, p *part) {
	for {
		conn, err := p.listener.Accept()
		if err != nil {
			return // closed
		}
		s.note(p, true, nil)
		err = s.converse(ctx, p, conn.(*net.TCPConn))
		s.note(p, false, err)
		if err != nil {
			return
		}
	}
}

// errLeft is a client that went, or a far end that did as recorded.
var errLeft = errors.New("the connection is over")

// converse serves a client until it leaves or is left. The error is a
// divergence, or a recording that cannot be read.
func (s *Server) converse(ctx context.Context, p *part, conn *net.TCPConn) error {
	ctx, leave := context.WithCancel(ctx)
	arriving := make(chan string)
	var reading sync.WaitGroup
	reading.Go(func() {
		defer leave() // it is gone: no reply waits any longer
		read(ctx, conn, arriving)
	})
	defer reading.Wait()
	defer context.AfterFunc(ctx, func() { _ = conn.Close() })() // ends what waits for the client
	defer conn.Close()
	defer leave()
	err := s.follow(ctx, p, conn, arriving)
	if errors.Is(err, errLeft) {
		return nil
	}
	return err
}

func (s *Server) follow(ctx context.Context, p *part, conn *net.TCPConn, arriving <-chan string) error {
	begun := time.Now()
	if first := p.matcher.connect(); first != nil {
		if err := s.carryOut(ctx, first, begun, conn); err != nil {
			return err
		}
	}
	for {
		var message string
		select {
		case message = <-arriving:
		case <-ctx.Done():
			return errLeft
		}
		came := time.Now()
		step := p.matcher.message(message)
		if step == nil {
			d := p.matcher.divergence(message)
			d.Recording, d.Instrument = s.rec.Name, p.name
			return d
		}
		if err := s.carryOut(ctx, step, came, conn); err != nil {
			return err
		}
	}
}

// read passes on one message after the other until the client leaves.
func read(ctx context.Context, conn net.Conn, arriving chan<- string) {
	in := bufio.NewReader(conn)
	var message []byte
	for {
		b, err := in.ReadByte()
		if err != nil {
			return
		}
		if b != '\n' && b != '\r' {
			if message = append(message, b); len(message) < longestMessage {
				continue
			}
		}
		if len(message) == 0 {
			continue
		}
		select {
		case arriving <- string(message):
		case <-ctx.Done():
			return
		}
		message = message[:0]
	}
}

// longestMessage is where something that does not end is taken for one.
const longestMessage = 1 << 20

// carryOut does what the instrument did after a message that came at the time
// since.
func (s *Server) carryOut(ctx context.Context, step *step, since time.Time, conn *net.TCPConn) error {
	if step.end == hangsUp && !step.late && !s.paced {
		withEnd(conn)
	}
	for _, d := range step.replies {
		if err := s.wait(ctx, since, d.after); err != nil {
			return err
		}
		data, err := record.DataAt(s.rec.file, d.offset)
		if err != nil {
			return fmt.Errorf("recording %s: %w", s.rec.Name, err)
		}
		if _, err := conn.Write(data); err != nil {
			return errLeft
		}
	}
	if step.end == stays || step.late && step.message != "" {
		return nil
	}
	if err := s.wait(ctx, since, step.after); err != nil {
		return err
	}
	if step.end == resets {
		_ = conn.SetLinger(0) // closing a socket that is gone is no matter
	}
	return errLeft
}

// wait waits until after has passed since then, if times are kept.
func (s *Server) wait(ctx context.Context, since time.Time, after time.Duration) error {
	if !s.paced {
		return nil
	}
	t := time.NewTimer(time.Until(since.Add(after)))
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return errLeft
	}
}
