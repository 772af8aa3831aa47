package link

import (
	"errors"
	"fmt"
	"net"
	"os"
	"slices"
	"sync"
	"time"

	"halfturn/drivers/link/internal/stream"
)

// port is an open line of either library.
type port interface {
	// Read waits at most one slice, and returns 0 and nil when nothing came.
	Read(p []byte) (int, error)
	Write(p []byte) (int, error)
	// unstick makes a Write return that waits for a far end that takes nothing.
	unstick()
	Close() error
}

// slice is how long a read of a port waits before it looks whether the link
// was closed. 100 ms is the shortest wait that POSIX termios knows (VTIME).
const slice = 100 * time.Millisecond

// serialLink gives a port deadlines, which neither library has. A goroutine,
// the pump, reads the port into a buffer; Read waits for the buffer. A Write
// runs in a goroutine of its own, since a line may take nothing for ever.
// Close waits for both.
type serialLink struct {
	port    port
	address string
	settings
	deadline *stream.Deadline

	closing sync.Once
	err     error // of Close
	closed  chan struct{}
	pumping sync.WaitGroup

	mu      sync.Mutex
	input   []byte // arrived and not read
	lost    error  // why the pump ended
	arrived chan struct{}
	room    chan struct{}

	writing sync.Mutex // held through a Write
	last    *writeJob  // begun and not known to be done
	next    time.Time  // with a pace: not before
}

// inputLimit is where the pump stops reading until somebody reads the link.
const inputLimit = 1 << 16

// writeChunk is how much goes to a port in one call: what is written after a
// deadline is at most this.
const writeChunk = 1024

func newSerial(address string, line settings, p port) *serialLink {
	s := &serialLink{
		port:     p,
		address:  address,
		settings: line,
		deadline: stream.NewDeadline(),
		closed:   make(chan struct{}),
		input:    make([]byte, 0, inputLimit),
		arrived:  make(chan struct{}, 1),
		room:     make(chan struct{}, 1),
	}
	s.pumping.Go(s.pump)
	return s
}

func (s *serialLink) isClosed() bool {
	select {
	case <-s.closed:
		return true
	default:
		return false
	}
}

// signal wakes the one that waits, or the next that will.
func signal(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

func (s *serialLink) pump() {
	var chunk [4096]byte
	for !s.isClosed() {
		n, err := s.port.Read(chunk[:])
		for rest := chunk[:n]; len(rest) > 0; {
			s.mu.Lock()
			taken := min(len(rest), inputLimit-len(s.input))
			s.input = append(s.input, rest[:taken]...)
			s.mu.Unlock()
			rest = rest[taken:]
			signal(s.arrived)
			if len(rest) == 0 {
				break
			}
			select {
			case <-s.room:
			case <-s.closed:
				return
			}
		}
		if err != nil {
			s.mu.Lock()
			s.lost = fmt.Errorf("serial line %s is gone: %w", s.device, err)
			s.mu.Unlock()
			signal(s.arrived)
			return
		}
	}
}

func (s *serialLink) Read(p []byte) (int, error) {
	for {
		passed, err := s.deadline.Check()
		if err != nil && !s.isClosed() {
			return 0, err
		}
		if n, err := s.ReadPending(p); n > 0 || err != nil || len(p) == 0 {
			return n, err
		}
		select {
		case <-s.arrived:
		case <-passed:
		case <-s.closed:
		}
	}
}

func (s *serialLink) ReadPending(p []byte) (int, error) {
	if s.isClosed() {
		return 0, net.ErrClosed
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.input) == 0 {
		return 0, s.lost
	}
	n := copy(p, s.input)
	s.input = s.input[:copy(s.input, s.input[n:])]
	signal(s.room)
	return n, nil
}

// writeJob is one chunk on its way to the port.
type writeJob struct {
	chunk []byte
	n     int   // valid once done
	err   error // valid once done
	done  chan struct{}
}

func (s *serialLink) Write(p []byte) (written int, err error) {
	s.writing.Lock()
	defer s.writing.Unlock()
	if s.last != nil { // its deadline passed, but what began comes first
		if err := s.wait(s.last); err != nil {
			return 0, err
		}
	}
	chunk := writeChunk
	if s.pace > 0 {
		chunk = 1
	}
	for written < len(p) {
		if s.isClosed() {
			return written, net.ErrClosed
		}
		if err := s.pause(time.Until(s.next)); err != nil {
			return written, err
		}
		job := &writeJob{chunk: slices.Clone(p[written:min(len(p), written+chunk)]), done: make(chan struct{})}
		s.last = job
		go func() {
			defer close(job.done)
			job.n, job.err = s.port.Write(job.chunk)
		}()
		if err := s.wait(job); err != nil {
			return written, err
		}
		if s.pace > 0 {
			s.next = time.Now().Add(s.pace + s.character())
		}
		written += job.n
		if job.err != nil {
			return written, fmt.Errorf("serial line %s: %w", s.device, job.err)
		}
	}
	return written, s.drain()
}

// pause waits for d, if it is any time at all.
func (s *serialLink) pause(d time.Duration) error {
	timer := time.NewTimer(max(0, d))
	defer timer.Stop()
	for {
		passed, err := s.deadline.Check()
		if err != nil || d <= 0 {
			return err
		}
		select {
		case <-timer.C:
			return nil
		case <-passed:
		case <-s.closed:
			return net.ErrClosed
		}
	}
}

// drain waits, on a line with flow control, until all was sent: a driver
// takes what is written while the far end holds the line.
func (s *serialLink) drain() error {
	p, can := s.port.(flowPort)
	for can && p.waiting() > 0 {
		if err := s.pause(drainStep); err != nil {
			return s.held(err)
		}
	}
	return nil
}

// held says what a passed deadline means where the far end can hold the line.
func (s *serialLink) held(err error) error {
	if errors.Is(err, os.ErrDeadlineExceeded) && s.flow != flowNone {
		return fmt.Errorf("%w: %w", ErrHeld, err)
	}
	return err
}

// wait returns when job is done, and forgets it, or when it must be left.
func (s *serialLink) wait(job *writeJob) error {
	for {
		passed, err := s.deadline.Check()
		if err != nil {
			return s.held(err)
		}
		select {
		case <-job.done:
			s.last = nil
			return nil
		case <-passed:
		case <-s.closed:
			return net.ErrClosed
		}
	}
}

func (s *serialLink) SetDeadline(t time.Time) error {
	if s.isClosed() {
		return net.ErrClosed
	}
	s.deadline.Set(t)
	return nil
}

// closePatience bounds Close where a driver holds on to a write.
const closePatience = time.Second

// Close returns when the pump has ended, at most a slice later. Where a
// driver holds on to a write even so, Close says so, and the port closes when
// the driver lets go.
func (s *serialLink) Close() error {
	s.closing.Do(func() {
		close(s.closed)
		s.pumping.Wait()
		s.writing.Lock() // a pending Write has seen closed and lets go
		defer s.writing.Unlock()
		s.deadline.Release()
		if s.last != nil && !s.endWrite(s.last) {
			go func() {
				<-s.last.done
				_ = s.port.Close() // nobody is left to tell
			}()
			s.err = fmt.Errorf("serial line %s: its driver holds on to what was written, the line stays open until it lets go", s.device)
			return
		}
		s.err = s.port.Close()
	})
	return s.err
}

// endWrite gets the port to let go of a write, and says whether it did.
func (s *serialLink) endWrite(job *writeJob) bool {
	for end := time.Now().Add(closePatience); time.Now().Before(end); {
		select {
		case <-job.done:
			return true
		case <-time.After(slice / 10):
			s.port.unstick()
		}
	}
	return false
}

// Transparent says whether the line carries all byte values.
func (s *serialLink) Transparent() bool { return s.transparent() }

func (s *serialLink) String() string { return s.address }
