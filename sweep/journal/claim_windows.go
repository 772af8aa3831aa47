package journal

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// lock takes one byte far beyond what is written: a locked range cannot be
// read by others, and they are to read who holds the run.
func lock(file *os.File) error {
	at := windows.Overlapped{OffsetHigh: 1 << 30}
	err := windows.LockFileEx(windows.Handle(file.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY, 0, 1, 0, &at)
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) || errors.Is(err, windows.ERROR_IO_PENDING) {
		return errLocked
	}
	return err
}

// unlock closes first, since an open file cannot be removed; one that another
// process has opened meanwhile cannot be either, and stays.
func unlock(file *os.File, name string) error {
	err := file.Close()
	_ = os.Remove(name)
	return err
}
