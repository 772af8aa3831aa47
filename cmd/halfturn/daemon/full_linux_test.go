package daemon

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"halfturn/sweep/queue"
)

// A disk that fills up parks the job with the reason and RF off; with room
// again the job goes on, and its run is that of an empty disk.
func TestAFullDisk(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=4m"); err != nil {
		t.Skip("a small file system cannot be mounted:", err)
	}
	t.Cleanup(func() { _ = syscall.Unmount(dir, syscall.MNT_DETACH) })
	r := newRigIn(t, dir, "  retries: 1\n").begin()
	calm := r.until(r.submit(`{"kind": "balun", "label": "w"}`).ID, queue.Done)
	ballast := filepath.Join(dir, "ballast")
	job := r.submit(`{"kind": "balun", "label": "w", "name": "second", "bench": "Harbour bench"}`)
	fill(t, ballast)
	j := r.until(job.ID, queue.Parked)
	if !strings.Contains(j.Reason, "disk full") {
		t.Errorf("parked: %s", j.Reason)
	}
	if rf := r.rf(); rf != "0" {
		t.Errorf("RF is %s", rf)
	}
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	r.do("POST", fmt.Sprintf("%s/jobs/%d/again", root, job.ID), "")
	done := r.until(job.ID, queue.Done)
	same(r, calm.Runs[1].Run, done.Runs[0].Run)
}

// fill takes what is left of a file system.
func fill(t *testing.T, path string) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	block := make([]byte, 4096)
	for {
		if _, err := f.Write(block); err != nil {
			return
		}
	}
}
