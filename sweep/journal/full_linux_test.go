package journal

import (
	"context"
	"path/filepath"
	"syscall"
	"testing"

	"halfturn/sweep"
)

// TestFullDisk: a file system that is really full.
func TestFullDisk(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=512k"); err != nil {
		t.Skip("a small file system cannot be mounted:", err)
	}
	t.Cleanup(func() { must(t, syscall.Unmount(dir, 0)) })
	path := filepath.Join(dir, "store.db")
	s, err := Open(context.Background(), path)
	must(t, err)
	defer func() { s.Close() }()
	run := create(t, s, sampleRun(sweep.Balun))
	stored := commitUntilFull(t, s, run.ID, 0)
	if stored < 5 {
		t.Errorf("full after %d steps", stored)
	}
	if n := checkWritten(t, s); n != stored {
		t.Fatalf("%d steps of %d", n, stored)
	}
	_ = s.Close() // there may be no room to move the log
	reader, err := OpenReadOnly(context.Background(), path)
	must(t, err)
	defer reader.Close()
	if n := checkWritten(t, reader); n != stored {
		t.Fatalf("%d steps of %d after closing", n, stored)
	}
}
