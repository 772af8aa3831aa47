package journal

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"strings"

	"halfturn/analysis/conformity"
	"halfturn/sweep"
)

// Create stores a new run and sets its ID; IDs count from 1. Every field is
// kept exactly, times in UTC; a run with a field that cannot be is refused.
func (s *Store) Create(ctx context.Context, run *sweep.Run) error { return s.create(ctx, run, nil) }

// create stores a new run, and in the same transaction what and, if it is not
// nil, stores for the run's ID.
func (s *Store) create(ctx context.Context, run *sweep.Run, and func(tx *sql.Tx, id int64) error) error {
	stored := *run
	err := s.within(ctx, "storing a new run", func(tx *sql.Tx) error {
		if err := tx.StmtContext(ctx, s.write.nextRun).QueryRowContext(ctx).Scan(&stored.ID); err != nil {
			return err
		}
		if c := stored.Calibration; c < 0 || c >= stored.ID {
			return fmt.Errorf("its calibration %d: %w", c, ErrNoRun)
		}
		if r := stored.Straight; r < 0 || r >= stored.ID {
			return fmt.Errorf("its straight run %d: %w", r, ErrNoRun)
		}
		row, err := packRun(&stored)
		if err != nil {
			return err
		}
		if _, err := tx.StmtContext(ctx, s.write.insertRun).ExecContext(ctx, row...); err != nil {
			return err
		}
		if _, err := tx.StmtContext(ctx, s.write.insertProgress).ExecContext(ctx, stored.ID); err != nil {
			return err
		}
		if and != nil {
			return and(tx, stored.ID)
		}
		return nil
	})
	if err == nil {
		run.ID = stored.ID
	}
	return err
}

// Update stores Finished, State, Reason and Verdict of a run.
func (s *Store) Update(ctx context.Context, run *sweep.Run) error {
	doing := fmt.Sprintf("storing how run %d stands", run.ID)
	if s.writer == nil {
		return s.readOnly(doing)
	}
	row, err := packOutcome(run)
	if err != nil {
		return fmt.Errorf("store %s: %s: %w", s.path, doing, err)
	}
	tx, err := s.writer.BeginTx(ctx, nil)
	if err != nil {
		return s.failed(doing, err)
	}
	defer tx.Rollback()
	result, err := tx.StmtContext(ctx, s.write.updateRun).ExecContext(ctx, row...)
	if err != nil {
		return s.failed(doing, err)
	}
	if n, err := result.RowsAffected(); err != nil || n != 1 {
		return errors.Join(s.noRun(run.ID), err)
	}
	return s.failed(doing, tx.Commit())
}

// Run is the run with the given ID; ErrNoRun if there is none.
func (s *Store) Run(ctx context.Context, id int64) (sweep.Run, error) {
	rows, err := s.read.run.QueryContext(ctx, id)
	if err != nil {
		return sweep.Run{}, s.failed(fmt.Sprintf("reading run %d", id), err)
	}
	defer rows.Close()
	if !rows.Next() {
		if err := rows.Err(); err != nil {
			return sweep.Run{}, s.failed(fmt.Sprintf("reading run %d", id), err)
		}
		return sweep.Run{}, s.noRun(id)
	}
	row := newRunRow()
	switch read, err := s.scan(rows, row); {
	case err != nil:
		return sweep.Run{}, err
	case read != id:
		return sweep.Run{}, s.damaged("it gives run %d for run %d", read, id)
	}
	return s.run(row)
}

func (s *Store) noRun(id int64) error {
	return fmt.Errorf("store %s: %w: %d; `halfturn runs --store %s` lists them", s.path, ErrNoRun, id, s.path)
}

func (s *Store) readOnly(doing string) error {
	return fmt.Errorf("store %s: %s: %w: it was opened for reading", s.path, doing, ErrReadOnly)
}

// The columns of runs, in the order of runColumns.
const (
	runID = iota
	runKind
	runLabel
	runStarted
	runVersion
	runCalibration
	runGenerator
	runScope
	runBench
	runPlan
	runLimits
	runStraight // from here on of version 2
	runSleeves
	runChecksum
	runFinished
	runState
	runReason
	runVerdict
	runOutcomeChecksum
	runCells
)

func packRun(run *sweep.Run) ([]any, error) {
	row := make([]any, runCells)
	row[runID] = run.ID
	row[runKind] = string(run.Kind)
	row[runLabel] = run.Label
	var err error
	if row[runStarted], err = nanoseconds(run.Started); err != nil {
		return nil, err
	}
	row[runVersion] = run.Version
	if run.Calibration != 0 {
		row[runCalibration] = run.Calibration
	}
	row[runGenerator] = run.Identities.Generator
	row[runScope] = run.Identities.Scope
	for _, c := range []struct {
		at    int
		what  string
		value any
		back  any
	}{
		{runBench, "bench", &run.Bench, &sweep.Bench{}},
		{runPlan, "plan", &run.Plan, &sweep.Plan{}},
		{runLimits, "limits", &run.Limits, &conformity.Limits{}},
	} {
		if row[c.at], err = pack(c.value, c.back); err != nil {
			return nil, fmt.Errorf("its %s cannot be kept exactly: %w", c.what, err)
		}
	}
	if run.Straight != 0 {
		row[runStraight] = run.Straight
	}
	if run.Sleeves != 0 {
		row[runSleeves] = int64(run.Sleeves)
	}
	row[runChecksum] = runSum(row)
	outcome, err := packOutcome(run)
	copy(row[runFinished:], outcome[1:])
	return row, err
}

// runSum is the checksum of a run's first columns. Those of version 2 count
// only where there is something in one of them, so that other runs have the
// checksum of version 1.
func runSum(row []any) int64 {
	end := runChecksum
	if row[runStraight] == nil && row[runSleeves] == nil {
		end = runStraight
	}
	sum, _ := checksum(row[:end], nil)
	return sum
}

// packOutcome gives the run's ID, the columns that Update changes and their checksum.
func packOutcome(run *sweep.Run) ([]any, error) {
	finished, err := nanoseconds(run.Finished)
	row := []any{run.ID, finished, string(run.State), run.Reason, string(run.Verdict)}
	sum, _ := checksum(row, nil)
	return append(row, sum), err
}

// pack writes v as JSON and makes sure that it reads back as v; back is a new
// value of the same type.
func pack(v, back any) (string, error) {
	text, err := json.Marshal(v)
	if err != nil {
		return "", err
	}
	if err := unpack(string(text), back); err != nil {
		return "", err
	}
	if !reflect.DeepEqual(v, back) {
		return "", fmt.Errorf("%s would be read for %+v", text, reflect.Indirect(reflect.ValueOf(v)))
	}
	return string(text), nil
}

// unpack refuses fields that it does not know: what they say would be lost.
func unpack(text string, into any) error {
	d := json.NewDecoder(bytes.NewReader([]byte(text)))
	d.DisallowUnknownFields()
	return d.Decode(into)
}

// runRow is one row of runs on its way to a sweep.Run.
type runRow struct {
	cells, into [runCells]any // into points to cells, for Scan
}

func newRunRow() *runRow {
	r := &runRow{}
	for i := range r.cells {
		r.into[i] = &r.cells[i]
	}
	return r
}

// scan reads a row, and its run's ID also where the rest is wrong.
func (s *Store) scan(rows *sql.Rows, r *runRow) (id int64, err error) {
	if err := rows.Scan(r.into[:]...); err != nil {
		return 0, s.failed("reading a run", err)
	}
	id, _ = r.cells[runID].(int64)
	outcome := append([]any{r.cells[runID]}, r.cells[runFinished:runOutcomeChecksum]...)
	outcomeSum, _ := checksum(outcome, nil)
	if r.cells[runChecksum] != runSum(r.cells[:]) || r.cells[runOutcomeChecksum] != outcomeSum {
		return id, s.damaged("run %d does not read as it was stored", id)
	}
	return id, nil
}

// kind is that of a row whose checksum holds; so is run.
func (r *runRow) kind() sweep.Kind { return sweep.Kind(r.cells[runKind].(string)) }

func (s *Store) run(r *runRow) (sweep.Run, error) {
	row := &r.cells // of the types that packRun gave them
	run := sweep.Run{
		ID:       row[runID].(int64),
		Kind:     r.kind(),
		Label:    row[runLabel].(string),
		Started:  timeOf(row[runStarted]),
		Finished: timeOf(row[runFinished]),
		State:    sweep.State(row[runState].(string)),
		Reason:   row[runReason].(string),
		Version:  row[runVersion].(string),
		Verdict:  conformity.Verdict(row[runVerdict].(string)),
		Identities: sweep.Identities{
			Generator: row[runGenerator].(string),
			Scope:     row[runScope].(string),
		},
	}
	run.Calibration, _ = row[runCalibration].(int64)
	run.Straight, _ = row[runStraight].(int64)
	sleeves, _ := row[runSleeves].(int64)
	run.Sleeves = int(sleeves)
	for _, c := range []struct {
		at   int
		what string
		into any
	}{
		{runBench, "bench", &run.Bench},
		{runPlan, "plan", &run.Plan},
		{runLimits, "limits", &run.Limits},
	} {
		if err := unpack(row[c.at].(string), c.into); err != nil {
			return sweep.Run{}, fmt.Errorf("store %s: run %d: its %s is not as this version knows it (%s): %w",
				s.path, run.ID, c.what, strings.TrimPrefix(err.Error(), "json: "), ErrNewer)
		}
	}
	return run, nil
}
