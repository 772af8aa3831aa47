package link

import "golang.org/x/sys/unix"

const (
	getTermios = unix.TIOCGETA
	setTermios = unix.TIOCSETA
)

// flushOutput's argument is FWRITE of sys/fcntl.h (from memory).
func flushOutput(fd int) error { return unix.IoctlSetPointerInt(fd, unix.TIOCFLUSH, 2) }
