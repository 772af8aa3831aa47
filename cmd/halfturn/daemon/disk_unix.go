//go:build unix

package daemon

import (
	"path/filepath"

	"golang.org/x/sys/unix"
)

// diskLeft is what an ordinary user may still store beside a file, in bytes;
// -1 where nobody can tell.
func diskLeft(file string) int64 {
	var s unix.Statfs_t
	if err := unix.Statfs(filepath.Dir(file), &s); err != nil {
		return -1
	}
	return int64(s.Bavail) * int64(s.Bsize)
}
