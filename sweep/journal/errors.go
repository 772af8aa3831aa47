package journal

import (
	"context"
	"errors"
	"fmt"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

var (
	// ErrNoStore: there is no store at the path.
	ErrNoStore = errors.New("no store")
	// ErrNotStore: the file is something else, or its first page is damaged.
	ErrNotStore = errors.New("not a store of this program")
	// ErrNewer: the store was made by a newer version.
	ErrNewer = errors.New("made by a newer version")
	// ErrDamaged: what was asked for cannot be read any more.
	ErrDamaged = errors.New("damaged")
	// ErrFull: there is no room for what was to be stored; what was stored
	// before is kept.
	ErrFull = errors.New("disk full")
	// ErrNoRun: the store has no such run.
	ErrNoRun = errors.New("no such run")
	// ErrHeld: another process carries out the run.
	ErrHeld = errors.New("held by another process")
	// ErrThinned: the captures were removed, by a rule; the results stay.
	ErrThinned = errors.New("thinned")
	// ErrUnfinished: the run may still go on, so that its captures stay.
	ErrUnfinished = errors.New("not finished")
	// ErrReadOnly: the store was opened for reading, or cannot be written to.
	ErrReadOnly = errors.New("read-only")
)

// failed says in one line which store, what was being done and what is wrong.
func (s *Store) failed(doing string, err error) error {
	if err == nil {
		return nil
	}
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return fmt.Errorf("store %s: %s: %w", s.path, doing, err)
	}
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return fmt.Errorf("store %s: %s: %w", s.path, doing, err)
	}
	says := func(kind error, advice string) error {
		return fmt.Errorf("store %s: %s: %w (%w)%s", s.path, doing, kind, err, advice)
	}
	switch e.Code() {
	case sqlite3.SQLITE_IOERR_SHORT_READ, sqlite3.SQLITE_IOERR_CORRUPTFS, sqlite3.SQLITE_IOERR_DATA:
		return says(ErrDamaged, "")
	}
	switch e.Code() & 0xff {
	case sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_FORMAT:
		return says(ErrDamaged, "")
	case sqlite3.SQLITE_NOTADB:
		return says(ErrNotStore, ", or its first page is damaged")
	case sqlite3.SQLITE_FULL:
		return says(ErrFull, "; all that was stored before is kept: make room and go on")
	case sqlite3.SQLITE_READONLY:
		return says(ErrReadOnly, "; see to the rights of the file and its folder")
	case sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM:
		return fmt.Errorf("store %s: %s: %w; see to the rights of the file and its folder", s.path, doing, err)
	case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
		return fmt.Errorf("store %s: %s: another process has been writing to it for more than %v: %w", s.path, doing, busyLimit, err)
	case sqlite3.SQLITE_ERROR:
		// No statement of this package is wrong for its own tables.
		return says(ErrDamaged, "")
	}
	return fmt.Errorf("store %s: %s: %w", s.path, doing, err)
}

// damaged is the error for values that cannot be those that were stored.
func (s *Store) damaged(format string, a ...any) error {
	return fmt.Errorf("store %s: %w: %s", s.path, ErrDamaged, fmt.Sprintf(format, a...))
}

// unwritable tells whether a read failed since the log's index could not be made.
func unwritable(err error) bool {
	var e *sqlite.Error
	if !errors.As(err, &e) {
		return false
	}
	primary := e.Code() & 0xff
	return primary == sqlite3.SQLITE_CANTOPEN || primary == sqlite3.SQLITE_READONLY
}
