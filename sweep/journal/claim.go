package journal

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"
)

// holder is what the lock file of a run says about who holds it.
type holder struct {
	Host    string    `json:"host"`
	Process int       `json:"process"`
	Since   time.Time `json:"since"`
}

// errLocked is what lock gives when another holds the file.
var errLocked = errors.New("locked")

// Claim holds a run, so that no other process carries it out at the same time;
// ErrHeld, with who holds it, if one does. The system gives it up when the
// process ends, however it ends. The lock lies in a file beside the store.
func (s *Store) Claim(run int64) (release func() error, err error) {
	if s.writer == nil {
		return nil, s.readOnly(fmt.Sprintf("claiming run %d", run))
	}
	release, err = s.HoldFor(fmt.Sprintf("run-%d", run))
	if err != nil {
		return nil, fmt.Errorf("store %s: claiming run %d: %w", s.path, run, err)
	}
	return release, nil
}

// HoldFor is Hold with a lock beside the store, one for each purpose.
func (s *Store) HoldFor(purpose string) (release func() error, err error) {
	return Hold(s.file + "." + purpose + ".lock")
}

// inUse says who carries out a run of this store or its queue, as far as their
// locks tell; nil where nobody does.
func (s *Store) inUse() error {
	locks, err := filepath.Glob(globbed(s.file) + ".run-*.lock")
	if err != nil {
		return err
	}
	for _, lock := range append(locks, s.file+".daemon.lock") {
		release, err := Hold(lock)
		if err != nil {
			return err
		}
		if err := release(); err != nil {
			return err
		}
	}
	return nil
}

// globbed is a path as a pattern that matches it alone.
func globbed(path string) string {
	if filepath.Separator == '\\' {
		return path // there are no escapes; * and ? are in no name
	}
	return strings.NewReplacer(`\`, `\\`, "*", `\*`, "?", `\?`, "[", `\[`).Replace(path)
}

// Hold takes the lock in the file of that name, which it makes and which
// release removes; ErrHeld, with who holds it, if another process does. The
// system gives it up when the process ends, however it ends.
func Hold(name string) (release func() error, err error) {
	for {
		file, err := os.OpenFile(name, os.O_RDWR|os.O_CREATE, 0o666)
		if err != nil {
			return nil, err
		}
		if err := lock(file); err != nil {
			who := readHolder(file)
			_ = file.Close() // nothing was written
			if errors.Is(err, errLocked) {
				return nil, fmt.Errorf("%w, %s; stop that one first", ErrHeld, who)
			}
			return nil, err
		}
		if !sameFile(file, name) {
			_ = file.Close() // its holder removed it between opening and locking
			continue
		}
		if err := writeHolder(file); err != nil {
			_ = file.Close() // the lock goes with it
			return nil, err
		}
		return sync.OnceValue(func() error { return unlock(file, name) }), nil
	}
}

func sameFile(file *os.File, name string) bool {
	held, err := file.Stat()
	if err != nil {
		return false
	}
	there, err := os.Stat(name)
	return err == nil && os.SameFile(held, there)
}

func writeHolder(file *os.File) error {
	host, err := os.Hostname()
	if err != nil {
		host = "an unnamed host"
	}
	text, err := json.Marshal(holder{Host: host, Process: os.Getpid(), Since: time.Now().UTC().Truncate(time.Second)})
	if err != nil {
		return err
	}
	if err := file.Truncate(0); err != nil {
		return err
	}
	_, err = file.WriteAt(text, 0)
	return err
}

func readHolder(file *os.File) string {
	var h holder
	const most = 4096
	text, err := io.ReadAll(io.NewSectionReader(file, 0, most))
	if err != nil || json.Unmarshal(text, &h) != nil {
		return "which has only just begun"
	}
	return fmt.Sprintf("process %d on %s since %s", h.Process, h.Host, h.Since.Format(time.RFC3339))
}
