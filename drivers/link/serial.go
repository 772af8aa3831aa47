package link

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net"
	"net/url"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"halfturn/drivers/link/internal/stream"
)

// settings is what a serial address says about the line.
type settings struct {
	device string
	baud   int
	bits   int
	parity string
	stop   int
	flow   string
	pace   time.Duration // between characters
}

// character is how long one character is on its way.
func (s settings) character() time.Duration {
	bits := 1 + s.bits + s.stop
	if s.parity != "none" {
		bits++
	}
	return time.Duration(bits) * time.Second / time.Duration(s.baud)
}

// transparent says whether the line carries all byte values: XON and XOFF are
// two of them.
func (s settings) transparent() bool { return s.bits == 8 && s.flow != flowXonXoff }

const (
	flowNone    = "none"
	flowXonXoff = "xonxoff"
	flowRTSCTS  = "rtscts"
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

var libraries = map[string]func(settings) (port, error){
	"bugst": openBugst,
	"tarm":  openTarm,
}

var windowsName = regexp.MustCompile(`^/(?i:COM[0-9]+)$`)

func parseSerial(address string, u *url.URL) (opener, error) {
	if u.Host != "" || u.Path == "" || u.Path == "/" {
		return nil, fmt.Errorf("the device follows three slashes, write it like serial:///dev/ttyUSB0?baud=115200 or serial:///COM3")
	}
	s := settings{device: u.Path, baud: 9600, bits: 8, parity: "none", stop: 1, flow: flowNone}
	if windowsName.MatchString(s.device) {
		s.device = s.device[1:]
	}
	options, err := url.ParseQuery(u.RawQuery)
	if err != nil {
		return nil, fmt.Errorf("the options cannot be read: %v", err)
	}
	library := "bugst"
	for _, name := range slices.Sorted(maps.Keys(options)) {
		values := options[name]
		if len(values) > 1 {
			return nil, fmt.Errorf("option %s is given %d times", name, len(values))
		}
		value := values[0]
		switch name {
		case "baud":
			s.baud, err = number(name, value, 1, 100_000_000)
		case "bits":
			s.bits, err = number(name, value, 5, 8)
		case "stop":
			s.stop, err = number(name, value, 1, 2)
		case "parity":
			s.parity = value
			err = oneOf(name, value, "even", "none", "odd")
		case "flow":
			s.flow = value
			err = oneOf(name, value, flowNone, flowRTSCTS, flowXonXoff)
		case "pace":
			s.pace, err = time.ParseDuration(value)
			if err != nil || s.pace < 0 || s.pace > longestPace {
				err = fmt.Errorf("%s=%s: give a time from 0s to %v, as 1ms", name, value, longestPace)
			}
		case "library":
			library = value
			err = oneOf(name, value, slices.Sorted(maps.Keys(libraries))...)
		default:
			err = fmt.Errorf("option %q is not known, there are baud, bits, parity, stop, flow, pace and library", name)
		}
		if err != nil {
			return nil, err
		}
	}
	return func(context.Context) (Link, error) {
		p, err := openPort(s, libraries[library])
		if err != nil {
			return nil, err
		}
		return newSerial(address, s, p), nil
	}, nil
}

// longestPace is far beyond what any instrument needs, and short enough to
// notice that the link was closed.
const longestPace = time.Second

// openPort opens a line with its flow control, of which the libraries know
// nothing.
func openPort(s settings, library func(settings) (port, error)) (port, error) {
	if s.flow == flowNone {
		return library(s)
	}
	// Before the library, which may keep others out.
	f, err := openFlow(s.device)
	if err != nil {
		return nil, fmt.Errorf("serial line: %w", err)
	}
	p, err := library(s)
	if err != nil {
		_ = f.close() // the library's error says more
		return nil, err
	}
	if err := f.set(s.flow); err != nil {
		_, _ = p.Close(), f.close() // likewise
		return nil, fmt.Errorf("serial line: flow=%s: %w", s.flow, err)
	}
	return flowPort{p, f}, nil
}

// flowPort is a line on which the far end can hold what is sent.
type flowPort struct {
	port
	flow *flow
}

func (p flowPort) unstick() {
	p.port.unstick()
	p.flow.letGo()
}

// waiting is how many bytes were written and not sent.
func (p flowPort) waiting() int { return p.flow.waiting() }

// Close gives what was written a moment to be sent, and then drops it: the
// driver would hold up the closing for it (30 s on Linux, from memory).
func (p flowPort) Close() error {
	for end := time.Now().Add(closePatience / 2); p.waiting() > 0; time.Sleep(drainStep) {
		if time.Now().After(end) {
			p.flow.letGo()
			break
		}
	}
	return errors.Join(p.port.Close(), p.flow.close())
}

// drainStep is how often a line is asked whether all was sent.
const drainStep = 2 * time.Millisecond

// ErrHeld says that a serial instrument did not let a message be sent.
var ErrHeld = errors.New("the instrument holds the line by flow control and takes nothing")

func number(name, value string, low, high int) (int, error) {
	n, err := strconv.Atoi(value)
	if err != nil || n < low || n > high {
		return 0, fmt.Errorf("%s=%s: give a whole number from %d to %d", name, value, low, high)
	}
	return n, nil
}

func oneOf(name, value string, known ...string) error {
	if !slices.Contains(known, value) {
		return fmt.Errorf("%s=%s: give one of %s", name, value, strings.Join(known, ", "))
	}
	return nil
}

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
