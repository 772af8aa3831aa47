//go:build unix

package link

import (
	"errors"
	"io"
	"syscall"
)

// pending asks a socket, which Go keeps in non-blocking mode, for what has
// arrived. Its function is made once, so that asking allocates nothing.
type pending struct {
	raw syscall.RawConn
	ask func(fd uintptr) bool
	p   []byte
	n   int
	err error
}

func (w *pending) init(raw syscall.RawConn) {
	w.raw = raw
	w.ask = func(fd uintptr) bool {
		for {
			w.n, w.err = syscall.Read(int(fd), w.p)
			if w.err != syscall.EINTR {
				return true // never wait
			}
		}
	}
}

func (w *pending) read(_ *tcpLink, p []byte) (int, error) {
	if len(p) == 0 {
		return 0, nil
	}
	w.p = p
	err := w.raw.Read(w.ask)
	w.p = nil
	switch {
	case err != nil:
		return 0, err
	case errors.Is(w.err, syscall.EAGAIN):
		return 0, nil
	case w.err != nil:
		return 0, w.err
	case w.n == 0:
		return 0, io.EOF
	}
	return w.n, nil
}
