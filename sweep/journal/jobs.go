package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"halfturn/sweep"
)

// jobsTables are made when the first job is stored. They stand by themselves,
// as baselines do: a store without them has no jobs, and the rest is read as
// ever. What a job is, only package queue knows.
const jobsTables = `
CREATE TABLE IF NOT EXISTS jobs (
	job      INTEGER PRIMARY KEY,
	content  TEXT NOT NULL, -- JSON
	checksum INTEGER NOT NULL -- of the columns above
) STRICT;
CREATE TABLE IF NOT EXISTS notes (
	name     TEXT PRIMARY KEY,
	content  TEXT NOT NULL,
	checksum INTEGER NOT NULL -- of the columns above
) STRICT, WITHOUT ROWID;
`

// Job is a job of the daemon as it is stored.
type Job struct {
	ID      int64
	Content string
}

// SaveJob stores a job, in the place of what was stored under its ID.
func (s *Store) SaveJob(ctx context.Context, job Job) error {
	return s.inJobs(ctx, fmt.Sprintf("storing job %d", job.ID), func(tx *sql.Tx) error { return putJob(ctx, tx, job) })
}

// RemoveJob forgets a job.
func (s *Store) RemoveJob(ctx context.Context, id int64) error {
	return s.inJobs(ctx, fmt.Sprintf("removing job %d", id), func(tx *sql.Tx) error {
		_, err := tx.ExecContext(ctx, "DELETE FROM jobs WHERE job = ?", id)
		return err
	})
}

// CreateFor stores a new run, sets its ID, and stores with it the job that it
// belongs to, both or neither; job gives the latter for the run's ID.
func (s *Store) CreateFor(ctx context.Context, run *sweep.Run, job func(run int64) (Job, error)) error {
	return s.create(ctx, run, func(tx *sql.Tx, id int64) error {
		j, err := job(id)
		if err != nil {
			return err
		}
		if _, err := tx.ExecContext(ctx, jobsTables); err != nil {
			return err
		}
		return putJob(ctx, tx, j)
	})
}

// Jobs is every job, the oldest first.
func (s *Store) Jobs(ctx context.Context) ([]Job, error) {
	list, errs := s.readableJobs(ctx)
	if len(errs) > 0 {
		return nil, errs[0]
	}
	return list, nil
}

// readableJobs are the jobs that can be read, and why the others cannot.
func (s *Store) readableJobs(ctx context.Context) (list []Job, errs []error) {
	errs = s.each(ctx, "reading the jobs", "jobs", "SELECT job, content, checksum FROM jobs ORDER BY job", func(scan func(...any) error) error {
		var j Job
		var stored int64
		if err := scan(&j.ID, &j.Content, &stored); err != nil {
			return err
		}
		if sum, _ := checksum([]any{j.ID, j.Content}, nil); sum != stored {
			return s.damaged("job %d does not read as it was stored", j.ID)
		}
		list = append(list, j)
		return nil
	})
	return list, errs
}

// SetNote keeps a text under a name.
func (s *Store) SetNote(ctx context.Context, name, content string) error {
	return s.inJobs(ctx, fmt.Sprintf("storing the note %q", name), func(tx *sql.Tx) error {
		sum, _ := checksum([]any{name, content}, nil)
		_, err := tx.ExecContext(ctx, "INSERT OR REPLACE INTO notes (name, content, checksum) VALUES (?, ?, ?)", name, content, sum)
		return err
	})
}

// Notes is every text that was kept, by its name.
func (s *Store) Notes(ctx context.Context) (map[string]string, error) {
	notes, errs := s.readableNotes(ctx)
	if len(errs) > 0 {
		return nil, errs[0]
	}
	return notes, nil
}

func (s *Store) readableNotes(ctx context.Context) (notes map[string]string, errs []error) {
	notes = map[string]string{}
	errs = s.each(ctx, "reading the notes", "notes", "SELECT name, content, checksum FROM notes", func(scan func(...any) error) error {
		var name, content string
		var stored int64
		if err := scan(&name, &content, &stored); err != nil {
			return err
		}
		if sum, _ := checksum([]any{name, content}, nil); sum != stored {
			return s.damaged("the note %q does not read as it was stored", name)
		}
		notes[name] = content
		return nil
	})
	return notes, errs
}

func putJob(ctx context.Context, tx *sql.Tx, job Job) error {
	sum, _ := checksum([]any{job.ID, job.Content}, nil)
	_, err := tx.ExecContext(ctx, "INSERT OR REPLACE INTO jobs (job, content, checksum) VALUES (?, ?, ?)", job.ID, job.Content, sum)
	return err
}

// inJobs does something in a transaction in which the tables are there.
func (s *Store) inJobs(ctx context.Context, doing string, do func(*sql.Tx) error) error {
	return s.within(ctx, doing, func(tx *sql.Tx) error {
		if _, err := tx.ExecContext(ctx, jobsTables); err != nil {
			return err
		}
		return do(tx)
	})
}

// each reads the rows of a table that may not be there, one by one, and gives
// what is wrong with some of them or with all.
func (s *Store) each(ctx context.Context, doing, table, query string, read func(scan func(...any) error) error) (errs []error) {
	rows, err := s.rowsOf(ctx, table, query)
	switch {
	case err != nil:
		return []error{s.failed(doing, err)}
	case rows == nil:
		return nil
	}
	defer rows.Close()
	for rows.Next() {
		if err := read(rows.Scan); errors.Is(err, ErrDamaged) {
			errs = append(errs, err)
		} else if err != nil {
			errs = append(errs, s.failed(doing, err))
		}
	}
	if err := rows.Err(); err != nil {
		errs = append(errs, s.failed(doing, err))
	}
	return errs
}

// rowsOf queries a table that may not be there; then there are no rows.
func (s *Store) rowsOf(ctx context.Context, table, query string, args ...any) (*sql.Rows, error) {
	var tables int
	err := s.reader.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema WHERE type = 'table' AND name = ?", table).Scan(&tables)
	if err != nil || tables == 0 {
		return nil, err
	}
	return s.reader.QueryContext(ctx, query, args...)
}
