package journal

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"hash/crc32"
	"iter"
	"math"
	"time"

	"halfturn/analysis/balance"
	"halfturn/drivers"
	"halfturn/sweep"
)

// Commit stores a step and its captures, all or nothing. The steps of a run
// come in order, from 0; any other index is refused, and so is a number that
// is not finite.
func (s *Store) Commit(ctx context.Context, run int64, step *sweep.Step, captures []drivers.Capture) error {
	doing := storing(run, step)
	if s.writer == nil {
		return s.readOnly(doing)
	}
	s.committing.Lock()
	defer s.committing.Unlock()
	one := packedStep{step: *step}
	if len(captures) > 0 {
		var err error
		if one.captures, err = s.packer.pack(captures); err != nil {
			return fmt.Errorf("store %s: %s: %w", s.path, doing, err)
		}
		one.sum = sumOf(one.captures)
	}
	return s.insertAll(ctx, run, one)
}

// insertAll commits steps of a run at once. The caller holds committing.
func (s *Store) insertAll(ctx context.Context, run int64, steps ...packedStep) error {
	doing := storing(run, &steps[0].step)
	tx, err := s.writer.BeginTx(ctx, nil)
	if err != nil {
		return s.failed(doing, err)
	}
	defer tx.Rollback()
	for i := range steps {
		if err := s.insert(ctx, tx, run, &steps[i]); err != nil {
			return err
		}
	}
	return s.failed(doing, tx.Commit())
}

func storing(run int64, step *sweep.Step) string {
	return fmt.Sprintf("storing step %d of run %d", step.Index, run)
}

// packedStep is a step with its captures as they are stored.
type packedStep struct {
	step     sweep.Step
	captures []byte // nil for none
	sum      any    // of them, or of those that are gone; nil where there never were any
}

// insert adds a step to a run, whose next one it must be. The caller holds
// committing.
func (s *Store) insert(ctx context.Context, tx *sql.Tx, run int64, one *packedStep) error {
	doing := storing(run, &one.step)
	refused := func(err error) error { return fmt.Errorf("store %s: %s: %w", s.path, doing, err) }
	index := one.step.Index
	row, err := s.row.pack(run, &one.step, one.sum)
	if err != nil {
		return refused(err)
	}
	result, err := tx.StmtContext(ctx, s.write.advance).ExecContext(ctx, run, index)
	if err != nil {
		return s.failed(doing, err)
	}
	if n, err := result.RowsAffected(); err != nil {
		return s.failed(doing, err)
	} else if n != 1 {
		stored, _, err := s.progress(ctx, tx.StmtContext(ctx, s.write.progress), run)
		switch {
		case err != nil:
			return err
		case index >= 0 && index < stored:
			return refused(errors.New("it is stored already"))
		}
		return refused(fmt.Errorf("the next step is %d", stored))
	}
	if _, err := tx.StmtContext(ctx, s.write.insertStep).ExecContext(ctx, row...); err != nil {
		return s.failed(doing, err)
	}
	if one.captures != nil {
		if _, err := tx.StmtContext(ctx, s.write.insertCaptures).ExecContext(ctx, run, index, one.captures); err != nil {
			return s.failed(doing, err)
		}
	}
	return nil
}

// progress is how many steps of a run there are to be, and the last that there is.
func (s *Store) progress(ctx context.Context, from *sql.Stmt, run int64) (steps, last int, err error) {
	highest := sql.NullInt64{Int64: -1}
	switch err := from.QueryRowContext(ctx, run).Scan(&steps, &highest); {
	case errors.Is(err, sql.ErrNoRows):
		return 0, 0, s.noRun(run)
	case err != nil:
		return 0, 0, s.failed(fmt.Sprintf("reading run %d", run), err)
	}
	if highest.Valid {
		return steps, int(highest.Int64), nil
	}
	return steps, -1, nil
}

// page is how many steps are read at once. Nothing stays open between pages,
// so that a slow reader keeps no writer from shortening the log.
const page = 128

// Steps yields the steps of a run in order, reading as it goes; steps that are
// committed meanwhile come too. What cannot be read ends it with an error; the
// steps before that are whole.
func (s *Store) Steps(ctx context.Context, run int64) iter.Seq2[sweep.Step, error] {
	return s.StepsFrom(ctx, run, 0)
}

// StepsFrom is Steps from an index on; none where there is no such step yet.
func (s *Store) StepsFrom(ctx context.Context, run int64, from int) iter.Seq2[sweep.Step, error] {
	return func(yield func(sweep.Step, error) bool) {
		var row stepRow
		row.bind()
		steps := make([]sweep.Step, 0, page)
		next, promised := from, 0 // steps read; steps that were there before the page was read
		for {
			var err error
			steps, err = s.readPage(ctx, &row, run, next, steps[:0])
			for i := range steps {
				if !yield(steps[i], nil) {
					return
				}
			}
			next += len(steps)
			if err != nil {
				yield(sweep.Step{}, err)
				return
			}
			if len(steps) == page {
				continue
			}
			stored, last, err := s.progress(ctx, s.read.progress, run)
			switch {
			case err != nil:
				yield(sweep.Step{}, err)
				return
			case last == stored-1 && (stored == next || stored < next && next == from):
				return
			case next < promised || last != stored-1:
				yield(sweep.Step{}, s.damaged("run %d: of %d steps the first %d can be read", run, stored, next))
				return
			}
			promised = stored
		}
	}
}

// readPage appends the steps from index next on, as far as they can be read.
func (s *Store) readPage(ctx context.Context, row *stepRow, run int64, next int, steps []sweep.Step) ([]sweep.Step, error) {
	failed := func(err error) ([]sweep.Step, error) {
		return steps, s.failed(fmt.Sprintf("reading run %d from step %d on", run, next), err)
	}
	rows, err := s.read.steps.QueryContext(ctx, run, next, page)
	if err != nil {
		return failed(err)
	}
	defer rows.Close()
	for rows.Next() {
		if err := rows.Scan(row.into[:]...); err != nil {
			return failed(err)
		}
		steps = append(steps, sweep.Step{})
		if !row.unpack(run, next, &steps[len(steps)-1]) {
			return steps[:len(steps)-1], s.damaged("run %d: step %d does not read as it was stored", run, next)
		}
		next++
	}
	if err := rows.Err(); err != nil {
		return failed(err)
	}
	return steps, nil
}

// Captures reads the captures of one step of a run; none where the step had
// none, ErrThinned where they were removed since.
func (s *Store) Captures(ctx context.Context, run int64, step int) ([]drivers.Capture, error) {
	packed, _, err := s.packedCaptures(ctx, run, step)
	if err != nil || packed == nil {
		return nil, err
	}
	captures, err := unpackCaptures(packed)
	if err != nil {
		return nil, s.damaged("the captures of step %d of run %d: %v", step, run, err)
	}
	return captures, nil
}

// packedCaptures are the captures of a step as they are stored, and their
// checksum, which stays when they are removed; nil where there never were any.
func (s *Store) packedCaptures(ctx context.Context, run int64, step int) (packed []byte, checksum any, err error) {
	var stored int
	var index, sum sql.NullInt64
	err = s.read.captures.QueryRowContext(ctx, run, step).Scan(&stored, &index, &sum, &packed)
	switch {
	case errors.Is(err, sql.ErrNoRows):
		return nil, nil, s.noRun(run)
	case err != nil:
		return nil, nil, s.failed(fmt.Sprintf("reading the captures of step %d of run %d", step, run), err)
	case !index.Valid && step >= 0 && step < stored:
		return nil, nil, s.damaged("run %d: step %d is missing", run, step)
	case !index.Valid:
		return nil, nil, fmt.Errorf("store %s: run %d has no step %d, it has %d so far", s.path, run, step, stored)
	case !sum.Valid && packed == nil:
		return nil, nil, nil
	case sum.Valid && packed == nil:
		thinned, err := s.Thinned(ctx, run)
		if err != nil {
			return nil, nil, err
		}
		if thinned.removes(step) {
			return nil, sum.Int64, fmt.Errorf("store %s: the captures of step %d of run %d are gone: %w on %s; its results stay",
				s.path, step, run, ErrThinned, thinned.At.Format(time.DateOnly))
		}
	case sum.Valid && sum.Int64 == sumOf(packed):
		return packed, sum.Int64, nil
	}
	return nil, nil, s.damaged("the captures of step %d of run %d do not read as they were stored", step, run)
}

func sumOf(packed []byte) int64 { return int64(crc32.Checksum(packed, castagnoli)) }

// stepNames are the columns of steps.
var stepNames = [stepCells]string{
	"run", "step", "taken_ns",
	"frequency_hz", "drive_dbm", "range1_vpp", "range2_vpp", "rate_hz", "window_samples", "acquisitions",
	"clock_ppm", "u_clock_ppm", "remark",
	"fill1", "fill2", "ratio_re", "ratio_im", "cov_rr", "cov_ri", "cov_ii",
	"amplitude1_v", "amplitude2_v", "u_amplitude1_v", "u_amplitude2_v", "r_amplitude", "sigma1_v", "sigma2_v",
	"captures", "samples",
	"second_drive_dbm", "second_remark", "second_fill1", "second_fill2", "second_code1_v", "second_code2_v",
	"second_frequency_hz", "second_ratio_re", "second_ratio_im", "second_cov_rr", "second_cov_ri", "second_cov_ii",
	"second_amplitude1_v", "second_amplitude2_v", "second_u_amplitude1_v", "second_u_amplitude2_v",
	"second_r_amplitude", "second_sigma1_v", "second_sigma2_v", "second_captures", "second_samples",
	"harmonic2_1", "u_harmonic2_1", "harmonic3_1", "u_harmonic3_1",
	"harmonic2_2", "u_harmonic2_2", "harmonic3_2", "u_harmonic3_2",
	"reference_range_vpp", "reference_fill", "reference_v", "reference_sigma_v",
	"transmission1_re", "transmission1_im", "transmission1_cov_rr", "transmission1_cov_ri", "transmission1_cov_ii",
	"transmission2_re", "transmission2_im", "transmission2_cov_rr", "transmission2_cov_ri", "transmission2_cov_ii",
	"second_reference_v", "second_reference_sigma_v",
	"second_transmission1_re", "second_transmission1_im", "second_transmission1_cov_rr", "second_transmission1_cov_ri", "second_transmission1_cov_ii",
	"second_transmission2_re", "second_transmission2_im", "second_transmission2_cov_rr", "second_transmission2_cov_ri", "second_transmission2_cov_ii",
	"captures_checksum", "checksum",
}

const (
	stepTaken     = 2  // column
	stepFirst     = 3  // column of the first field
	stepFill      = 13 // first column that may be NULL in an unmeasured step
	stepSecond    = 29 // first column of version 2; from here on zeros and empty texts are NULL
	stepReference = 58 // first column of version 3
	stepSum       = 84 // column of captures_checksum
	stepCells     = 86
)

// stepVersions are the first columns of the versions from 2 on, and the end.
var stepVersions = [...]int{stepSecond, stepReference, stepSum}

// stepRow is one row of steps on its way to or from a sweep.Step.
type stepRow struct {
	row  [stepCells]any
	into [stepCells]any // pointers to the cells of row, for Scan

	step         sweep.Step
	re, im       float64
	secRe, secIm float64                  // of the second level
	against      [2][2][2]float64         // of either level and each arm: real and imaginary part of the transmission
	fields       [stepSum - stepFirst]any // pointers into the above, column by column

	summed  [stepCells]any
	scratch []byte
}

// bind is called once, where the row will stay.
func (r *stepRow) bind() {
	for i := range r.row {
		r.into[i] = &r.row[i]
	}
	s := &r.step
	e := &s.Estimate
	second, h := &s.Second, &s.Harmonics
	l := &second.Estimate
	t, u := &e.Reference, &l.Reference
	r.fields = [...]any{
		(*float64)(&e.Frequency), (*float64)(&s.Drive), (*float64)(&s.Range[0]), (*float64)(&s.Range[1]),
		(*float64)(&s.Window.Rate), &s.Window.Samples, &s.Acquisitions,
		(*float64)(&s.Clock.Offset), (*float64)(&s.Clock.Uncertainty), &s.Remark,
		&s.Fill[0], &s.Fill[1], &r.re, &r.im, &e.Cov.RR, &e.Cov.RI, &e.Cov.II,
		(*float64)(&e.Amplitude[0]), (*float64)(&e.Amplitude[1]), (*float64)(&e.UAmplitude[0]), (*float64)(&e.UAmplitude[1]),
		&e.RAmplitude, (*float64)(&e.Sigma[0]), (*float64)(&e.Sigma[1]),
		&e.Captures, &e.Samples,
		(*float64)(&second.Drive), &second.Remark, &second.Fill[0], &second.Fill[1], (*float64)(&second.Code[0]), (*float64)(&second.Code[1]),
		(*float64)(&l.Frequency), &r.secRe, &r.secIm, &l.Cov.RR, &l.Cov.RI, &l.Cov.II,
		(*float64)(&l.Amplitude[0]), (*float64)(&l.Amplitude[1]), (*float64)(&l.UAmplitude[0]), (*float64)(&l.UAmplitude[1]),
		&l.RAmplitude, (*float64)(&l.Sigma[0]), (*float64)(&l.Sigma[1]), &l.Captures, &l.Samples,
		&h[0][0].Ratio, &h[0][0].U, &h[0][1].Ratio, &h[0][1].U,
		&h[1][0].Ratio, &h[1][0].U, &h[1][1].Ratio, &h[1][1].U,
		(*float64)(&s.ReferenceRange), &s.ReferenceFill, (*float64)(&t.Amplitude), (*float64)(&t.Sigma),
		&r.against[0][0][0], &r.against[0][0][1], &t.Cov[0].RR, &t.Cov[0].RI, &t.Cov[0].II,
		&r.against[0][1][0], &r.against[0][1][1], &t.Cov[1].RR, &t.Cov[1].RI, &t.Cov[1].II,
		(*float64)(&u.Amplitude), (*float64)(&u.Sigma),
		&r.against[1][0][0], &r.against[1][0][1], &u.Cov[0].RR, &u.Cov[0].RI, &u.Cov[0].II,
		&r.against[1][1][0], &r.against[1][1][1], &u.Cov[1].RR, &u.Cov[1].RI, &u.Cov[1].II,
	}
}

// sum is the checksum of the row. The columns that a version added count only
// where there is something in one of them, so that a step without a second level
// and a reference has the checksum of version 1.
func (r *stepRow) sum() (sum int64) {
	n := copy(r.summed[:], r.row[:stepSecond])
	n += copy(r.summed[n:], r.row[stepSum:stepSum+1])
	for i, from := range stepVersions[:len(stepVersions)-1] {
		added := r.row[from:stepVersions[i+1]]
		for _, cell := range added {
			if cell != nil {
				n += copy(r.summed[n:], added)
				break
			}
		}
	}
	sum, r.scratch = checksum(r.summed[:n], r.scratch)
	return sum
}

// pack gives the row of a step. Zeros are NULL from stepFill on in an
// unmeasured one, and from stepSecond on in any. A negative zero, which SQLite does not keep, becomes zero.
func (r *stepRow) pack(run int64, step *sweep.Step, packedSum any) ([]any, error) {
	r.step = *step
	r.apart()
	r.row[0], r.row[1] = run, int64(step.Index)
	var err error
	if r.row[stepTaken], err = nanoseconds(step.Taken); err != nil {
		return nil, err
	}
	for i, field := range r.fields {
		cell := &r.row[stepFirst+i]
		column := stepFirst + i
		null := column >= stepSecond || column >= stepFill && !step.Measured()
		switch f := field.(type) {
		case *float64:
			switch {
			case math.IsNaN(*f) || math.IsInf(*f, 0):
				return nil, fmt.Errorf("its %s is %v", stepNames[column], *f)
			case *f == 0 && null:
				*cell = nil
			case *f == 0:
				*cell = 0.0
			default:
				*cell = *f
			}
		case *int:
			if *cell = int64(*f); *f == 0 && null {
				*cell = nil
			}
		case *string:
			if *cell = *f; *f == "" && null {
				*cell = nil
			}
		}
	}
	r.row[stepSum] = packedSum
	r.row[stepCells-1] = r.sum()
	return r.row[:], nil
}

// unpack fills step from the row; false if the row is not the one that was
// stored for this index.
func (r *stepRow) unpack(run int64, index int, step *sweep.Step) bool {
	if r.row[stepCells-1] != r.sum() || r.row[0] != run || r.row[1] != int64(index) {
		return false
	}
	r.step.Index = index
	r.step.Taken = timeOf(r.row[stepTaken])
	for i, field := range r.fields {
		cell := r.row[stepFirst+i]
		// The checksum holds: a cell has the type that pack gave it, or is NULL.
		switch f := field.(type) {
		case *float64:
			*f, _ = cell.(float64)
		case *int:
			n, _ := cell.(int64)
			*f = int(n)
		case *string:
			*f, _ = cell.(string)
		}
	}
	r.together()
	*step = r.step
	return true
}

// apart takes the step's complex numbers apart, together puts them into it.
func (r *stepRow) apart() {
	r.re, r.im = real(r.step.Estimate.Ratio), imag(r.step.Estimate.Ratio)
	r.secRe, r.secIm = real(r.step.Second.Estimate.Ratio), imag(r.step.Second.Estimate.Ratio)
	for i, e := range [2]*balance.Estimate{&r.step.Estimate, &r.step.Second.Estimate} {
		for arm, t := range e.Reference.Transmission {
			r.against[i][arm] = [2]float64{real(t), imag(t)}
		}
	}
}

func (r *stepRow) together() {
	r.step.Estimate.Ratio = complex(r.re, r.im)
	r.step.Second.Estimate.Ratio = complex(r.secRe, r.secIm)
	for i, e := range [2]*balance.Estimate{&r.step.Estimate, &r.step.Second.Estimate} {
		for arm, t := range r.against[i] {
			e.Reference.Transmission[arm] = complex(t[0], t[1])
		}
	}
}
