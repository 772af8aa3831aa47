//go:build unix

package journal

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

func lock(file *os.File) error {
	for {
		switch err := unix.Flock(int(file.Fd()), unix.LOCK_EX|unix.LOCK_NB); {
		case errors.Is(err, unix.EINTR):
		case errors.Is(err, unix.EWOULDBLOCK):
			return errLocked
		default:
			return err
		}
	}
}

// unlock removes the file while the lock is held, so that nobody's lock is removed.
func unlock(file *os.File, name string) error {
	return errors.Join(os.Remove(name), file.Close())
}
