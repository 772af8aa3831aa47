//go:build !unix

package link

import (
	"errors"
	"os"
	"syscall"
	"time"
)

// pending lends a read the shortest deadline that still lets it look at what
// has arrived, where there is no non-blocking read.
type pending struct{}

func (pending) init(syscall.RawConn) {}

func (pending) read(t *tcpLink, p []byte) (int, error) {
	t.mu.Lock()
	if !t.deadline.IsZero() && !time.Now().Before(t.deadline) {
		t.mu.Unlock()
		return 0, os.ErrDeadlineExceeded
	}
	err := t.TCPConn.SetReadDeadline(time.Now().Add(time.Millisecond))
	t.mu.Unlock()
	if err != nil {
		return 0, err
	}
	n, err := t.TCPConn.Read(p)
	t.mu.Lock()
	defer t.mu.Unlock()
	if e := t.TCPConn.SetReadDeadline(t.deadline); err == nil {
		err = e
	}
	if errors.Is(err, os.ErrDeadlineExceeded) {
		err = nil
	}
	return n, err
}
