package daemon

import (
	"path/filepath"

	"golang.org/x/sys/windows"
)

// diskLeft is what the user may still store beside a file, in bytes; -1 where
// nobody can tell.
func diskLeft(file string) int64 {
	name, err := windows.UTF16PtrFromString(filepath.Dir(file))
	if err != nil {
		return -1
	}
	var free uint64
	if err := windows.GetDiskFreeSpaceEx(name, &free, nil, nil); err != nil {
		return -1
	}
	return int64(free)
}
