// Package fetch is what clients have in common over whose link an instrument
// says nothing that is not fetched (VXI-11, USBTMC): whether something may be
// done now, what was asked and what has come, and waiting for the next question.
package fetch

import (
	"errors"
	"net"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"halfturn/drivers/link/internal/message"
	"halfturn/drivers/link/internal/stream"
)

// glance is how often Idle lets the client look whether the instrument is
// still there.
const glance = 100 * time.Millisecond

// State of a client.
type State struct {
	closed   chan struct{}
	deadline *stream.Deadline
	until    atomic.Int64  // the deadline in Unix nanoseconds; 0: none
	asked    chan struct{} // wakes Idle

	Mutex  sync.Mutex // of all below and what the client itself has
	Due    bool       // a reply may come
	Sent   message.Scanner
	In     message.Inbox
	Broken error // what nothing can mend
}

// New is the state of a client that has just been opened.
func New() *State {
	return &State{closed: make(chan struct{}), deadline: stream.NewDeadline(), asked: make(chan struct{}, 1)}
}

// Usable says why nothing may be done now.
func (s *State) Usable() error {
	select {
	case <-s.closed:
		return net.ErrClosed
	default:
	}
	if s.Left() <= 0 {
		return os.ErrDeadlineExceeded
	}
	return s.Broken
}

// Left is the time until the deadline; an hour where there is none.
func (s *State) Left() time.Duration {
	if t := s.until.Load(); t != 0 {
		return time.Until(time.Unix(0, t))
	}
	return time.Hour
}

// Failed keeps an error that no later call can mend.
func (s *State) Failed(err error) error {
	if err != nil && !errors.Is(err, os.ErrDeadlineExceeded) && !errors.Is(err, net.ErrClosed) {
		s.Broken = err
	}
	return err
}

// Asked: a message was sent to its end, and a reply may come.
func (s *State) Asked() {
	s.Due = true
	select {
	case s.asked <- struct{}{}:
	default:
	}
}

// Ready gives what is here.
func (s *State) Ready(p []byte) (int, error) {
	if err := s.Usable(); err != nil {
		return 0, err
	}
	return s.In.Read(p), nil
}

// Idle waits, with Mutex given up meanwhile, until something may be fetched or
// it is time to look whether the instrument is still there.
func (s *State) Idle() error {
	passed, err := s.deadline.Check()
	if err != nil {
		return err
	}
	s.Mutex.Unlock()
	defer s.Mutex.Lock()
	timer := time.NewTimer(glance)
	defer timer.Stop()
	select {
	case <-s.asked:
	case <-passed:
	case <-s.closed:
	case <-timer.C:
	}
	return nil
}

// SetDeadline ends pending and later calls at t.
func (s *State) SetDeadline(t time.Time) error {
	select {
	case <-s.closed:
		return net.ErrClosed
	default:
	}
	var nanoseconds int64
	if !t.IsZero() {
		nanoseconds = t.UnixNano()
	}
	s.until.Store(nanoseconds)
	s.deadline.Set(t)
	return nil
}

// Closed is closed by Close.
func (s *State) Closed() <-chan struct{} { return s.closed }

// Passed is stream.Deadline.Check of the deadline.
func (s *State) Passed() (<-chan struct{}, error) { return s.deadline.Check() }

// Close, called once, ends what waits. Release comes when nothing does any more.
func (s *State) Close() { close(s.closed) }

// Release frees the deadline's timer.
func (s *State) Release() { s.deadline.Release() }
