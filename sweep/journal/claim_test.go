package journal

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"halfturn/sweep"
)

// start runs this binary again as one of children; the lines that it writes
// come out of the scanner.
func start(t *testing.T, child, path string) (*exec.Cmd, *bufio.Scanner) {
	t.Helper()
	cmd := exec.Command(os.Args[0], path)
	// Under the race detector a process otherwise waits a second before it ends.
	cmd.Env = append(os.Environ(), childVariable+"="+child, "GORACE=atexit_sleep_ms=0")
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	must(t, err)
	must(t, cmd.Start())
	t.Cleanup(func() {
		_ = cmd.Process.Kill() // it may have ended
		_ = cmd.Wait()
	})
	return cmd, bufio.NewScanner(out)
}

// holdRun claims run 1 and keeps it until it is killed.
func holdRun(path string) error {
	s, err := OpenExisting(context.Background(), path)
	if err != nil {
		return err
	}
	if _, err := s.Claim(1); err != nil {
		return err
	}
	fmt.Println("held")
	time.Sleep(time.Minute)
	return errors.New("not killed")
}

func TestClaim(t *testing.T) {
	t.Parallel()
	path := newPath(t)
	s := open(t, path)
	create(t, s, sampleRun(sweep.Balun))
	release, err := s.Claim(1)
	must(t, err)
	_, err = s.Claim(1)
	if want := fmt.Sprintf("process %d on ", os.Getpid()); !errors.Is(err, ErrHeld) || !strings.Contains(err.Error(), want) {
		t.Fatalf("claimed twice: %v", err)
	}
	other, err := s.Claim(2)
	must(t, err)
	must(t, other())
	must(t, release())
	again, err := s.Claim(1)
	must(t, err)
	must(t, release()) // once more changes nothing
	if _, err := s.Claim(1); !errors.Is(err, ErrHeld) {
		t.Fatalf("a claim was given up by the release of an earlier one: %v", err)
	}
	must(t, again())
	if left, err := filepath.Glob(path + ".run-*"); err != nil || len(left) != 0 {
		t.Errorf("left behind: %v %v", left, err)
	}
}

// TestClaimByLink: another name of the store is the same store.
func TestClaimByLink(t *testing.T) {
	t.Parallel()
	path := newPath(t)
	s := open(t, path)
	link := filepath.Join(t.TempDir(), "link.db")
	if err := os.Symlink(path, link); err != nil {
		t.Skip("no symbolic links here:", err)
	}
	release, err := s.Claim(1)
	must(t, err)
	defer release()
	if _, err := open(t, link).Claim(1); !errors.Is(err, ErrHeld) {
		t.Fatal(err)
	}
}

// TestClaimEndsWithTheProcess: killed outright, it holds the run no longer.
func TestClaimEndsWithTheProcess(t *testing.T) {
	t.Parallel()
	path := newPath(t)
	s := open(t, path)
	create(t, s, sampleRun(sweep.Balun))
	cmd, lines := start(t, "holder", path)
	if !lines.Scan() {
		t.Fatal("the holder did not begin")
	}
	_, err := s.Claim(1)
	if want := fmt.Sprintf("process %d on ", cmd.Process.Pid); !errors.Is(err, ErrHeld) || !strings.Contains(err.Error(), want) {
		t.Fatalf("claimed while another process holds it: %v", err)
	}
	must(t, cmd.Process.Kill())
	_ = cmd.Wait() // killed
	release, err := s.Claim(1)
	must(t, err)
	must(t, release())
}
