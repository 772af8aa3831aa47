package simbench

import (
	"fmt"
	"os"
	"sync"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
	"golang.org/x/term"
)

// HasPTY says whether Options.PTY works on this system.
const HasPTY = true

// serialLine is the instrument's end of a pseudo-terminal.
type serialLine struct {
	path   string   // what a client opens
	end    *os.File // the instrument's end
	client *os.File // held open, so that a client may come and go
	once   sync.Once
}

func openLine() (*serialLine, error) {
	master, client, err := pty.Open()
	if err != nil {
		return nil, err
	}
	defer master.Close()
	// A serial line carries bytes as they are: no echo, no line editing.
	if _, err := term.MakeRaw(int(client.Fd())); err != nil {
		client.Close()
		return nil, fmt.Errorf("raw mode: %w", err)
	}
	// pty.Open leaves its end blocking, and closing would not end a read of it.
	fd, err := unix.FcntlInt(master.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err != nil {
		client.Close()
		return nil, err
	}
	if err := unix.SetNonblock(fd, true); err != nil {
		unix.Close(fd)
		client.Close()
		return nil, err
	}
	return &serialLine{path: client.Name(), end: os.NewFile(uintptr(fd), master.Name()), client: client}, nil
}

func (l *serialLine) Read(p []byte) (int, error)  { return l.end.Read(p) }
func (l *serialLine) Write(p []byte) (int, error) { return l.end.Write(p) }

// readNow reads what is there, which may be nothing.
func (l *serialLine) readNow(p []byte) (n int, err error) {
	raw, err := l.end.SyscallConn()
	if err != nil {
		return 0, err
	}
	var failed error
	err = raw.Control(func(fd uintptr) { n, failed = unix.Read(int(fd), p) })
	switch {
	case err != nil:
		return 0, err
	case failed == unix.EAGAIN || failed == unix.EINTR:
		return 0, nil
	case failed != nil:
		return 0, failed
	}
	return n, nil
}

func (l *serialLine) close() {
	l.once.Do(func() {
		l.end.Close()
		l.client.Close()
	})
}
