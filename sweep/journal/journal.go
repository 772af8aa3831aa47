// Package journal is the durable store of runs, steps and captures: one SQLite
// file that implements sweep.Journal.
//
//	runs       one row a run: what it was asked to do and how it ended
//	progress   how many steps of each run are stored
//	steps      one row a step, its numbers as columns named with their units
//	captures   one row a step: the samples of all its captures, packed
//	thinned    one row a run whose captures were removed, but for some
//
// A commit is one transaction with the write-ahead log synced before it
// returns, so that a step is there whole or not at all after a kill or a loss
// of power. A log whose end did not reach the disk in spite of that (a disk
// that lies about it) reads as the store of a moment before.
//
// Every row carries a checksum over its values, and progress tells how many
// steps there must be. What a damaged file gives is therefore either the
// numbers that were stored or an error that wraps ErrDamaged, never other
// numbers. Adding to the tables, or to the texts in runs, raises schemaVersion.
//
// Several processes may write runs of their own to the same store while others
// read; Claim keeps two from carrying out the same run.
package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"modernc.org/sqlite"

	"halfturn/sweep"
)

// busyLimit is how long a call waits for another process to end its commit.
const busyLimit = 10 * time.Second

// Store is an open store. Its methods may be called concurrently.
type Store struct {
	path    string // as given, for messages
	file    string // absolute, links resolved
	reader  *sql.DB
	writer  *sql.DB // one connection; nil when opened read-only
	version int     // of its tables
	damage  error   // why only part of a store that was opened read-only can be read

	read  readStatements
	write writeStatements

	committing sync.Mutex // guards what follows
	packer     packer
	row        stepRow
}

var _ sweep.Journal = (*Store)(nil)

// Open opens the store at path and creates it, with its folder, if there is none.
func Open(ctx context.Context, path string) (*Store, error) {
	if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		return nil, fmt.Errorf("store %s: its folder cannot be made: %w", path, err)
	}
	return openWriting(ctx, path, "rwc")
}

// OpenExisting opens the store at path for reading and writing; ErrNoStore if
// there is none.
func OpenExisting(ctx context.Context, path string) (*Store, error) {
	if err := mustExist(path); err != nil {
		return nil, err
	}
	return openWriting(ctx, path, "rw")
}

// OpenReadOnly opens the store at path, which another process may be writing
// to, and stores nothing; ErrNoStore if there is none. A store that is cut off
// is opened as far as it goes: Damage then says what is wrong with it, and
// reading what is lost gives ErrDamaged.
func OpenReadOnly(ctx context.Context, path string) (*Store, error) {
	if err := mustExist(path); err != nil {
		return nil, err
	}
	// Not mode=ro, whose log stays behind when it is the last to close.
	s, err := openReading(ctx, path, url.Values{"mode": {"rw"}, "_pragma": {"query_only(1)"}})
	switch {
	case err == nil:
		return s, nil
	case unwritable(err) && !logExists(path):
		// In a folder where the log's index cannot be made, and with no log,
		// the file alone is the store.
		return openReading(ctx, path, url.Values{"mode": {"ro"}, "immutable": {"1"}})
	case errors.Is(err, ErrDamaged):
		whole := err
		// Reads a file that is shorter than its first page says
		// (sqlite3.c, lockBtree: not an error while the schema is writable).
		s, err = openReading(ctx, path, url.Values{"mode": {"ro"}, "_pragma": {"writable_schema(1)"}})
		if err != nil {
			return nil, whole
		}
		s.damage = whole
		return s, nil
	}
	return nil, err
}

// Path is where the store is, as it was given.
func (s *Store) Path() string { return s.path }

// Damage says what is wrong with a store that could be opened only in part; it
// is nil for a whole one.
func (s *Store) Damage() error { return s.damage }

// Close writes the log into the file, if no other process has the store open,
// so that the file alone is the store.
func (s *Store) Close() error {
	s.committing.Lock()
	defer s.committing.Unlock()
	var errs []error
	// The writer last: the last connection moves the log, and must be able to.
	if s.reader != nil {
		errs = append(errs, s.reader.Close())
	}
	if s.writer != nil {
		errs = append(errs, s.writer.Close())
	}
	if err := errors.Join(errs...); err != nil {
		return s.failed("closing", err)
	}
	return nil
}

func mustExist(path string) error {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, os.ErrNotExist):
		return fmt.Errorf("%w at %s: a calibration makes one, and --store names another", ErrNoStore, path)
	case err != nil:
		return fmt.Errorf("store %s: %w", path, err)
	case info.IsDir():
		return fmt.Errorf("%w at %s: it is a folder", ErrNoStore, path)
	case info.Size() == 0 && !logExists(path):
		return fmt.Errorf("%w at %s: the file is empty", ErrNoStore, path)
	}
	return nil
}

// logExists must not open the file: closing it again would give up the locks
// that other connections of this process hold on it (POSIX, fcntl: locks are
// released when the process closes any descriptor of the file).
func logExists(path string) bool {
	_, err := os.Stat(path + "-wal")
	return err == nil
}

func openWriting(ctx context.Context, path, mode string) (_ *Store, err error) {
	s, err := newStore(path)
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			_ = s.Close() // the first error is the one that counts
		}
	}()
	// fdatasync leaves out the file's times only, and a commit waits half as long.
	_, _ = sqlite.Fdatasync(true) // an error says that there is no such call here
	s.writer = s.connect(url.Values{
		"mode":    {mode},
		"_txlock": {"immediate"},
		"_pragma": {"page_size(8192)", "foreign_keys(1)", "synchronous(FULL)", "fullfsync(1)", "checkpoint_fullfsync(1)"},
	})
	s.writer.SetMaxOpenConns(1)
	if err := s.settle(ctx); err != nil {
		if errors.Is(err, ErrDamaged) {
			if part, partErr := OpenReadOnly(ctx, path); partErr == nil {
				_ = part.Close() // it was opened to see whether it can be
				err = fmt.Errorf("%w; it takes no new steps, what is left of it can still be read", err)
			}
		}
		return nil, err
	}
	s.reader = s.connect(url.Values{"mode": {"rw"}, "_pragma": {"query_only(1)"}})
	s.reader.SetMaxOpenConns(readers)
	s.reader.SetMaxIdleConns(readers)
	if err := s.resolve(); err != nil {
		return nil, err
	}
	if err := s.prepare(ctx); err != nil {
		return nil, err
	}
	return s, nil
}

// readers is how many reads go on at once; more wait.
const readers = 4

func openReading(ctx context.Context, path string, how url.Values) (_ *Store, err error) {
	s, err := newStore(path)
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			_ = s.Close() // the first error is the one that counts
		}
	}()
	s.reader = s.connect(how)
	s.reader.SetMaxOpenConns(readers)
	s.reader.SetMaxIdleConns(readers)
	blank, err := s.check(ctx, s.reader)
	if err != nil {
		return nil, err
	}
	if blank {
		return nil, fmt.Errorf("%w at %s: the file is blank", ErrNoStore, path)
	}
	if err := s.resolve(); err != nil {
		return nil, err
	}
	if err := s.prepare(ctx); err != nil {
		return nil, err
	}
	return s, nil
}

func newStore(path string) (*Store, error) {
	absolute, err := filepath.Abs(path)
	if err != nil {
		return nil, fmt.Errorf("store %s: %w", path, err)
	}
	if info, err := os.Stat(absolute); err == nil && info.IsDir() {
		return nil, fmt.Errorf("store %s: it is a folder; name a file", path)
	}
	s := &Store{path: path, file: absolute}
	s.row.bind()
	return s, nil
}

// resolve makes file the same whichever link the store was opened by, since
// the locks of Claim lie beside it.
func (s *Store) resolve() error {
	resolved, err := filepath.EvalSymlinks(s.file)
	if err != nil {
		return fmt.Errorf("store %s: %w", s.path, err)
	}
	s.file = resolved
	return nil
}

func (s *Store) connect(how url.Values) *sql.DB {
	how["_pragma"] = append([]string{fmt.Sprintf("busy_timeout(%d)", busyLimit.Milliseconds()),
		"trusted_schema(0)",  // nothing in a store from elsewhere is run
		"cell_size_check(1)", // finds damage in a page when it is read
	}, how["_pragma"]...)
	how.Set("_error_rc", "1")
	connector, err := sqlite.NewConnector(uri(s.file, how))
	if err != nil {
		panic(err) // the URI is encoded here; it does not depend on the path
	}
	return sql.OpenDB(connector)
}

// uri names a file the way SQLite reads it (sqlite.org/uri.html, 3.1): an
// absolute path with forward slashes after an empty authority, also for a
// drive letter or a share.
func uri(file string, how url.Values) string {
	path := filepath.ToSlash(file)
	if !strings.HasPrefix(path, "/") {
		path = "/" + path
	}
	return "file://" + (&url.URL{Path: path}).EscapedPath() + "?" + how.Encode()
}
