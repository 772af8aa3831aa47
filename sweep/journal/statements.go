package journal

import (
	"context"
	"database/sql"
	"strings"
)

// Statements are prepared once; database/sql closes them with their pool.
type (
	readStatements struct {
		run, newer, older, newest, count, steps, progress, captures, captured, size *sql.Stmt
	}
	writeStatements struct {
		nextRun, insertRun, insertProgress, updateRun *sql.Stmt
		advance, progress, insertStep                 *sql.Stmt
		insertCaptures, removeCaptures                *sql.Stmt
	}
)

var (
	runColumns  = runHead + ", checksum, " + runTail + ", outcome_checksum"
	stepColumns = strings.Join(stepNames[:], ", ")
)

const (
	runHead = "run, kind, label, started_ns, version, calibration, generator_identity, scope_identity, bench, plan, limits, straight, sleeves"
	runTail = "finished_ns, state, reason, verdict"
)

// marks is n placeholders.
func marks(n int) string { return strings.Repeat("?, ", n-1) + "?" }

// columnsOf are those that a store of an older version, opened for reading
// only, is read by: what it does not have is NULL.
func (s *Store) columnsOf() (run, step string) {
	run, step = runColumns, stepColumns
	if s.version < 2 {
		run = strings.Replace(run, "straight, sleeves", "NULL, NULL", 1)
	}
	if s.version < schemaVersion {
		names := stepNames
		for i := stepVersions[max(0, s.version-1)]; i < stepSum; i++ {
			names[i] = "NULL"
		}
		step = strings.Join(names[:], ", ")
	}
	return run, step
}

func (s *Store) prepare(ctx context.Context) error {
	type statement struct {
		into **sql.Stmt
		text string
	}
	on := func(db *sql.DB, statements ...statement) error {
		for _, q := range statements {
			stmt, err := db.PrepareContext(ctx, q.text)
			if err != nil {
				return s.failed("opening", err)
			}
			*q.into = stmt
		}
		return nil
	}
	const progress = `SELECT steps, (SELECT max(step) FROM steps WHERE run = ?1) FROM progress WHERE run = ?1`
	run, step := s.columnsOf()
	err := on(s.reader,
		statement{&s.read.run, "SELECT " + run + " FROM runs WHERE run = ?"},
		statement{&s.read.older, "SELECT " + run + " FROM runs WHERE run < ? ORDER BY run DESC LIMIT ?"},
		statement{&s.read.newer, "SELECT " + run + " FROM runs WHERE run > ? ORDER BY run LIMIT ?"},
		statement{&s.read.count, "SELECT count(*) FROM runs WHERE run > ?1 AND run < ?2 AND (?3 = '' OR kind = ?3)"},
		statement{&s.read.newest, "SELECT coalesce(max(run), 0) FROM progress"},
		statement{&s.read.steps, "SELECT " + step + " FROM steps WHERE run = ? AND step >= ? ORDER BY step LIMIT ?"},
		statement{&s.read.progress, progress},
		statement{&s.read.captures, `SELECT p.steps, s.step, s.captures_checksum, c.packed FROM progress AS p
			LEFT JOIN steps AS s ON s.run = p.run AND s.step = ?2
			LEFT JOIN captures AS c ON c.run = s.run AND c.step = s.step WHERE p.run = ?1`},
		statement{&s.read.captured, "SELECT step FROM captures WHERE run = ? AND step >= ? ORDER BY step LIMIT ?"},
		statement{&s.read.size, "SELECT length(packed) FROM captures WHERE run = ? AND step = ?"},
	)
	if err != nil || s.writer == nil {
		return err
	}
	return on(s.writer,
		statement{&s.write.nextRun, "SELECT coalesce(max(run), 0) + 1 FROM runs"},
		statement{&s.write.insertRun, "INSERT INTO runs (" + runColumns + ") VALUES (" + marks(strings.Count(runColumns, ",")+1) + ")"},
		statement{&s.write.insertProgress, "INSERT INTO progress (run, steps) VALUES (?, 0)"},
		statement{&s.write.updateRun, "UPDATE runs SET finished_ns = ?2, state = ?3, reason = ?4, verdict = ?5, outcome_checksum = ?6 WHERE run = ?1"},
		statement{&s.write.advance, "UPDATE progress SET steps = steps + 1 WHERE run = ? AND steps = ?"},
		statement{&s.write.progress, progress},
		statement{&s.write.insertStep, "INSERT INTO steps (" + stepColumns + ") VALUES (" + marks(len(stepNames)) + ")"},
		statement{&s.write.insertCaptures, "INSERT INTO captures (run, step, packed) VALUES (?, ?, ?)"},
		statement{&s.write.removeCaptures, "DELETE FROM captures WHERE run = ? AND step = ?"},
	)
}

// within does something in a transaction.
func (s *Store) within(ctx context.Context, doing string, do func(*sql.Tx) error) error {
	if s.writer == nil {
		return s.readOnly(doing)
	}
	tx, err := s.writer.BeginTx(ctx, nil)
	if err != nil {
		return s.failed(doing, err)
	}
	defer tx.Rollback()
	if err := do(tx); err != nil {
		return s.failed(doing, err)
	}
	return s.failed(doing, tx.Commit())
}
