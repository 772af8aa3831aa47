//go:build unix

package journal

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"halfturn/sweep"
)

func init() { children["archive"] = readUnprivileged }

// readUnprivileged reads a store where nothing can be written, not even by the
// superuser's tests.
func readUnprivileged(path string) error {
	if os.Getuid() == 0 {
		const nobody = 65534
		if err := syscall.Setuid(nobody); err != nil {
			return err
		}
	}
	ctx := context.Background()
	if _, err := Open(ctx, path); err == nil {
		return errors.New("a store that cannot be written was opened for writing")
	} else {
		fmt.Println(err)
	}
	if _, err := Open(ctx, filepath.Join(filepath.Dir(path), "new.db")); err == nil {
		return errors.New("a store was made in a read-only folder")
	} else {
		fmt.Println(err)
	}
	s, err := OpenReadOnly(ctx, path)
	if err != nil {
		return err
	}
	steps, err := collect(ctx, s, 1)
	if err != nil {
		return err
	}
	if len(steps) != 3 {
		return fmt.Errorf("%d steps of 3", len(steps))
	}
	fmt.Println("read")
	return s.Close()
}

// TestReadOnlyFolder: a store put away where nothing can be written is read.
func TestReadOnlyFolder(t *testing.T) {
	t.Parallel()
	path := newPath(t)
	s := open(t, path)
	fill(t, s, sweep.Balun, 3)
	must(t, s.Close())
	dir := filepath.Dir(path)
	must(t, os.Chmod(path, 0o444))
	must(t, os.Chmod(filepath.Dir(dir), 0o755))
	must(t, os.Chmod(dir, 0o555))
	t.Cleanup(func() { os.Chmod(dir, 0o755) })
	cmd, lines := start(t, "archive", path)
	var said []string
	for lines.Scan() {
		said = append(said, lines.Text())
	}
	if err := cmd.Wait(); err != nil || len(said) != 3 {
		t.Fatalf("%v; it said %q", err, said)
	}
}
