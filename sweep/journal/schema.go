package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

const (
	// applicationID tells a store from any other SQLite file: "hftn" in ASCII.
	applicationID = 0x6866746e
	// schemaVersion is in the file as user_version.
	schemaVersion = 3
)

// schema is version 1; upgrades brings a store to each later one. A new store
// goes the same way, so that there is one.
//
// Times are nanoseconds since 1970-01-01 UTC, NULL for none. Numbers of an
// unmeasured step that do not exist are NULL.
const schema = `
CREATE TABLE runs (
	run                INTEGER PRIMARY KEY,
	kind               TEXT NOT NULL,
	label              TEXT NOT NULL,
	started_ns         INTEGER,
	version            TEXT NOT NULL,
	calibration        INTEGER REFERENCES runs (run),
	generator_identity TEXT NOT NULL,
	scope_identity     TEXT NOT NULL,
	bench              TEXT NOT NULL, -- JSON
	plan               TEXT NOT NULL, -- JSON
	limits             TEXT NOT NULL, -- JSON
	checksum           INTEGER NOT NULL, -- of the columns above
	finished_ns        INTEGER,
	state              TEXT NOT NULL,
	reason             TEXT NOT NULL,
	verdict            TEXT NOT NULL,
	outcome_checksum   INTEGER NOT NULL -- of run and the four columns above
) STRICT;

CREATE TABLE progress (
	run   INTEGER PRIMARY KEY REFERENCES runs (run),
	steps INTEGER NOT NULL
) STRICT;

CREATE TABLE steps (
	run               INTEGER NOT NULL REFERENCES runs (run),
	step              INTEGER NOT NULL,
	taken_ns          INTEGER,
	frequency_hz      REAL NOT NULL,
	drive_dbm         REAL NOT NULL,
	range1_vpp        REAL NOT NULL,
	range2_vpp        REAL NOT NULL,
	rate_hz           REAL NOT NULL,
	window_samples    INTEGER NOT NULL,
	acquisitions      INTEGER NOT NULL,
	clock_ppm         REAL NOT NULL,
	u_clock_ppm       REAL NOT NULL,
	remark            TEXT NOT NULL, -- empty when the step has a ratio
	fill1             REAL,
	fill2             REAL,
	ratio_re          REAL,
	ratio_im          REAL,
	cov_rr            REAL,
	cov_ri            REAL,
	cov_ii            REAL,
	amplitude1_v      REAL,
	amplitude2_v      REAL,
	u_amplitude1_v    REAL,
	u_amplitude2_v    REAL,
	r_amplitude       REAL,
	sigma1_v          REAL,
	sigma2_v          REAL,
	captures          INTEGER,
	samples           INTEGER,
	captures_checksum INTEGER, -- of the packed captures; NULL when there are none
	checksum          INTEGER NOT NULL, -- of the columns above
	PRIMARY KEY (run, step)
) STRICT, WITHOUT ROWID;

CREATE TABLE captures (
	run    INTEGER NOT NULL,
	step   INTEGER NOT NULL,
	packed BLOB NOT NULL, -- see pack.go
	PRIMARY KEY (run, step),
	FOREIGN KEY (run, step) REFERENCES steps (run, step)
) STRICT;
`

// upgrades are the statements from version i + 1 to the next. What they add is
// NULL in rows from before, and counts in a row's checksum only where it is
// not, so that these rows stay as they are.
var upgrades = [schemaVersion - 1]string{secondLevels, references}

// secondLevels is version 2: the straight run beside a swapped one, the number
// of sleeves where somebody said it, and steps
// that were taken at a second drive, with harmonics as parts of the
// fundamental. Zeros and empty texts are NULL.
const secondLevels = `
ALTER TABLE runs ADD COLUMN straight INTEGER REFERENCES runs (run);
ALTER TABLE runs ADD COLUMN sleeves INTEGER;
ALTER TABLE steps ADD COLUMN second_drive_dbm REAL;
ALTER TABLE steps ADD COLUMN second_remark TEXT; -- why there is no ratio
ALTER TABLE steps ADD COLUMN second_fill1 REAL;
ALTER TABLE steps ADD COLUMN second_fill2 REAL;
ALTER TABLE steps ADD COLUMN second_code1_v REAL; -- volts a code
ALTER TABLE steps ADD COLUMN second_code2_v REAL;
ALTER TABLE steps ADD COLUMN second_frequency_hz REAL;
ALTER TABLE steps ADD COLUMN second_ratio_re REAL;
ALTER TABLE steps ADD COLUMN second_ratio_im REAL;
ALTER TABLE steps ADD COLUMN second_cov_rr REAL;
ALTER TABLE steps ADD COLUMN second_cov_ri REAL;
ALTER TABLE steps ADD COLUMN second_cov_ii REAL;
ALTER TABLE steps ADD COLUMN second_amplitude1_v REAL;
ALTER TABLE steps ADD COLUMN second_amplitude2_v REAL;
ALTER TABLE steps ADD COLUMN second_u_amplitude1_v REAL;
ALTER TABLE steps ADD COLUMN second_u_amplitude2_v REAL;
ALTER TABLE steps ADD COLUMN second_r_amplitude REAL;
ALTER TABLE steps ADD COLUMN second_sigma1_v REAL;
ALTER TABLE steps ADD COLUMN second_sigma2_v REAL;
ALTER TABLE steps ADD COLUMN second_captures INTEGER;
ALTER TABLE steps ADD COLUMN second_samples INTEGER;
ALTER TABLE steps ADD COLUMN harmonic2_1 REAL; -- order, arm
ALTER TABLE steps ADD COLUMN u_harmonic2_1 REAL; -- NULL: not determinable
ALTER TABLE steps ADD COLUMN harmonic3_1 REAL;
ALTER TABLE steps ADD COLUMN u_harmonic3_1 REAL;
ALTER TABLE steps ADD COLUMN harmonic2_2 REAL;
ALTER TABLE steps ADD COLUMN u_harmonic2_2 REAL;
ALTER TABLE steps ADD COLUMN harmonic3_2 REAL;
ALTER TABLE steps ADD COLUMN u_harmonic3_2 REAL;
`

// references is version 3: what a phase reference adds to a step, and captures
// of three traces (see pack.go). Zeros are NULL.
const references = `
ALTER TABLE steps ADD COLUMN reference_range_vpp REAL;
ALTER TABLE steps ADD COLUMN reference_fill REAL;
ALTER TABLE steps ADD COLUMN reference_v REAL; -- peak
ALTER TABLE steps ADD COLUMN reference_sigma_v REAL;
ALTER TABLE steps ADD COLUMN transmission1_re REAL; -- arm over reference, as read
ALTER TABLE steps ADD COLUMN transmission1_im REAL;
ALTER TABLE steps ADD COLUMN transmission1_cov_rr REAL;
ALTER TABLE steps ADD COLUMN transmission1_cov_ri REAL;
ALTER TABLE steps ADD COLUMN transmission1_cov_ii REAL;
ALTER TABLE steps ADD COLUMN transmission2_re REAL;
ALTER TABLE steps ADD COLUMN transmission2_im REAL;
ALTER TABLE steps ADD COLUMN transmission2_cov_rr REAL;
ALTER TABLE steps ADD COLUMN transmission2_cov_ri REAL;
ALTER TABLE steps ADD COLUMN transmission2_cov_ii REAL;
ALTER TABLE steps ADD COLUMN second_reference_v REAL; -- at the second drive
ALTER TABLE steps ADD COLUMN second_reference_sigma_v REAL;
ALTER TABLE steps ADD COLUMN second_transmission1_re REAL;
ALTER TABLE steps ADD COLUMN second_transmission1_im REAL;
ALTER TABLE steps ADD COLUMN second_transmission1_cov_rr REAL;
ALTER TABLE steps ADD COLUMN second_transmission1_cov_ri REAL;
ALTER TABLE steps ADD COLUMN second_transmission1_cov_ii REAL;
ALTER TABLE steps ADD COLUMN second_transmission2_re REAL;
ALTER TABLE steps ADD COLUMN second_transmission2_im REAL;
ALTER TABLE steps ADD COLUMN second_transmission2_cov_rr REAL;
ALTER TABLE steps ADD COLUMN second_transmission2_cov_ri REAL;
ALTER TABLE steps ADD COLUMN second_transmission2_cov_ii REAL;
`

// querier is a connection pool, a connection or a transaction.
type querier interface {
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
}

// check refuses a file that is no store, or of a newer version. It only reads.
// A file without any table is blank.
func (s *Store) check(ctx context.Context, from querier) (blank bool, err error) {
	var id, version, tables int64
	// One statement, so that the answers belong together.
	err = from.QueryRowContext(ctx, `SELECT a.application_id, u.user_version, (SELECT count(*) FROM sqlite_schema)
		FROM pragma_application_id AS a, pragma_user_version AS u`).Scan(&id, &version, &tables)
	switch {
	case err != nil:
		return false, s.failed("opening", err)
	case id == 0 && version == 0 && tables == 0:
		return true, nil
	case id != applicationID:
		return false, fmt.Errorf("store %s: %w, or its first page is damaged: it is left as it is", s.path, ErrNotStore)
	case version > schemaVersion:
		return false, fmt.Errorf("store %s: %w of this program (store version %d, this one knows %d): read it with that version", s.path, ErrNewer, version, schemaVersion)
	case version < 1:
		return false, s.damaged("store version %d never was", version)
	}
	s.version = int(version)
	return false, nil
}

// settle checks the store, makes its tables if it is blank or brings them to
// this version, and sees that it can be written to.
func (s *Store) settle(ctx context.Context) error {
	conn, err := s.writer.Conn(ctx)
	if err != nil {
		return s.failed("opening for writing", err)
	}
	defer conn.Close()
	// Before anything is written, so that a file of something else stays as it is.
	blank, err := s.check(ctx, conn)
	if err != nil {
		return err
	}
	begin := "BEGIN IMMEDIATE"
	if blank {
		// Must be said before the file has its first page, which a transaction
		// that is begun for writing makes.
		begin = fmt.Sprintf("BEGIN; PRAGMA auto_vacuum = %d", incremental)
	}
	if _, err := conn.ExecContext(ctx, begin); err != nil {
		return s.failed("opening for writing", err)
	}
	if err := s.makeTables(ctx, conn); err != nil {
		// Whatever ctx is: the connection goes on.
		_, _ = conn.ExecContext(context.WithoutCancel(ctx), "ROLLBACK")
		return err
	}
	if _, err := conn.ExecContext(ctx, "COMMIT"); err != nil {
		_, _ = conn.ExecContext(context.WithoutCancel(ctx), "ROLLBACK") // where COMMIT did not end it
		return s.failed("making its tables", err)
	}
	return s.writeAhead(ctx, conn)
}

// makeTables makes the tables of a blank store and brings those of an older
// one to this version.
func (s *Store) makeTables(ctx context.Context, conn *sql.Conn) error {
	blank, err := s.check(ctx, conn) // another process may have been first
	if err != nil {
		return err
	}
	if blank {
		// Only an empty file is made into a store: one with something in it
		// that reads as having no tables is what is left of one.
		if info, err := os.Stat(s.file); err != nil || info.Size() > 0 {
			return errors.Join(s.damaged("nothing is left of its tables"), err)
		}
		for _, q := range []string{schema, fmt.Sprintf("PRAGMA application_id = %d", applicationID)} {
			if _, err := conn.ExecContext(ctx, q); err != nil {
				return s.failed("making its tables", err)
			}
		}
		s.version = 1
	}
	for ; s.version < schemaVersion; s.version++ {
		for _, q := range []string{upgrades[s.version-1], fmt.Sprintf("PRAGMA user_version = %d", s.version+1)} {
			if _, err := conn.ExecContext(ctx, q); err != nil {
				return s.failed("bringing its tables to this version", err)
			}
		}
	}
	return nil
}

// writeAhead switches the file to a write-ahead log, which lasts. Against
// another process that is opening it SQLite gives up at once, hence the loop.
func (s *Store) writeAhead(ctx context.Context, conn *sql.Conn) error {
	deadline := time.Now().Add(busyLimit)
	for {
		var mode string
		err := conn.QueryRowContext(ctx, "PRAGMA journal_mode = WAL").Scan(&mode)
		var e *sqlite.Error
		switch {
		case err == nil && mode == "wal":
			return nil
		case err == nil:
			return fmt.Errorf("store %s: no write-ahead log can be kept here; put the store on a local disk", s.path)
		case !errors.As(err, &e) || e.Code()&0xff != sqlite3.SQLITE_BUSY || time.Now().After(deadline):
			return s.failed("opening for writing", err)
		}
		select {
		case <-ctx.Done():
			return s.failed("opening for writing", ctx.Err())
		case <-time.After(5 * time.Millisecond):
		}
	}
}
