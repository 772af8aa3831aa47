//go:build linux || darwin

package link

import (
	"errors"

	"golang.org/x/sys/unix"
)

// flow sets the flow control of a line over a descriptor of its own: settings
// are the line's, whoever has it open (POSIX, termios).
type flow struct{ fd int }

func openFlow(device string) (*flow, error) {
	// Without O_NONBLOCK some lines wait for a carrier.
	fd, err := unix.Open(device, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	for err == unix.EINTR {
		fd, err = unix.Open(device, unix.O_RDWR|unix.O_NOCTTY|unix.O_NONBLOCK|unix.O_CLOEXEC, 0)
	}
	if err != nil {
		return nil, err
	}
	return &flow{fd}, nil
}

// set switches kind on, and sees whether the line has it then.
func (f *flow) set(kind string) error {
	t, err := unix.IoctlGetTermios(f.fd, getTermios)
	if err != nil {
		return err
	}
	switch kind {
	case flowXonXoff:
		t.Iflag |= unix.IXON | unix.IXOFF
		t.Iflag &^= unix.IXANY
		t.Cc[unix.VSTART], t.Cc[unix.VSTOP] = 0x11, 0x13 // DC1 and DC3
	case flowRTSCTS:
		t.Cflag |= unix.CRTSCTS
	}
	want := *t
	if err := unix.IoctlSetTermios(f.fd, setTermios, t); err != nil {
		return err
	}
	got, err := unix.IoctlGetTermios(f.fd, getTermios)
	if err != nil {
		return err
	}
	if got.Iflag&unix.IXON != want.Iflag&unix.IXON || got.Iflag&unix.IXOFF != want.Iflag&unix.IXOFF || got.Cflag&unix.CRTSCTS != want.Cflag&unix.CRTSCTS {
		return errors.New("the line does not take it")
	}
	return nil
}

// waiting is how many bytes were written and not sent; a line that does not
// know says none.
func (f *flow) waiting() int {
	n, err := unix.IoctlGetInt(f.fd, unix.TIOCOUTQ)
	if err != nil {
		return 0
	}
	return n
}

// letGo drops what waits and lets the line go on, so that a driver ends a
// write and can close.
func (f *flow) letGo() {
	t, err := unix.IoctlGetTermios(f.fd, getTermios)
	if err != nil {
		return // it is gone, and holds nothing
	}
	_ = flushOutput(f.fd) // an attempt, as is the next
	t.Iflag &^= unix.IXON | unix.IXOFF
	t.Cflag &^= unix.CRTSCTS
	_ = unix.IoctlSetTermios(f.fd, setTermios, t)
}

func (f *flow) close() error { return unix.Close(f.fd) }
