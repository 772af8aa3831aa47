package queue

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"halfturn/sweep"
)

// next is the run that a job wants now, with its calibration: one that it has
// begun, or a new one; nil when there is none left. Why says why a calibration
// is wanted, or why that of a swapped run may not do.
func (q *Queue) next(ctx context.Context, job *Job) (run *sweep.Run, cal *sweep.Calibrated, why string, err error) {
	if job.Run != 0 {
		begun, err := q.Store.Run(ctx, job.Run)
		if err != nil {
			return nil, nil, "", err
		}
		if begun.State != sweep.Done {
			if begun.Calibration != 0 {
				if cal, err = sweep.LoadCalibrated(ctx, q.Store, begun.Calibration); err != nil {
					return nil, nil, "", err
				}
			}
			return &begun, cal, "", nil
		}
		// Killed between the run's end and the job's.
		q.taken(ctx, job.ID, &begun)
		*job = q.copyOf(job.ID)
	}
	fresh := q.Bench.NewRun(job)
	fresh.Label, fresh.Sleeves = job.Label, job.Sleeves
	if job.Kind == DryRun && fresh.Label == "" {
		// In a list it must not look like a run of the bench.
		fresh.Label = strings.TrimSuffix("dry run: "+job.Scenario, ": ")
	}
	last := lastOf(job)
	switch job.Kind {
	case Calibration:
		if last != nil {
			return nil, nil, "", nil
		}
		fresh.Kind = sweep.Calibration
		return &fresh, nil, "", nil
	case Swapped:
		if last != nil {
			return nil, nil, "", nil
		}
		return q.swapped(ctx, job, &fresh)
	case Series:
		if last != nil {
			switch over, later := q.ended(ctx, job, last); {
			case over:
				return nil, nil, "", nil
			case later:
				return nil, nil, "", errLater
			}
		}
	default:
		if last != nil {
			return nil, nil, "", nil
		}
	}
	if job.Calibration == 0 && job.Kind != DryRun {
		id, stale, err := q.freshest(ctx, &fresh)
		if err != nil {
			return nil, nil, "", err
		}
		why = stale
		if id != 0 {
			q.change(ctx, job.ID, func(j *Job) { j.Calibration = id })
			job.Calibration = id
		}
	}
	if job.Calibration == 0 {
		fresh.Kind = sweep.Calibration
		return &fresh, nil, why, nil
	}
	fresh.Kind = sweep.Balun
	if cal, err = sweep.LoadCalibrated(ctx, q.Store, job.Calibration); err != nil {
		return nil, nil, "", err
	}
	return &fresh, cal, "", nil
}

// lastOf is the last run of a job's own kind; nil before it.
func lastOf(job *Job) *Taken {
	for _, t := range slices.Backward(job.Runs) {
		if (t.Kind == sweep.Calibration) == (job.Kind == Calibration) {
			return &t
		}
	}
	return nil
}

// errLater: the next run is not due yet.
var errLater = errors.New("later")

// ended tells whether a series is over, or its next repeat comes later. What
// came due while a run took longer than the interval is not made up for.
func (q *Queue) ended(ctx context.Context, job *Job, last *Taken) (over, later bool) {
	now := q.Now()
	repeats := 0
	for _, t := range job.Runs {
		if t.Kind != sweep.Calibration {
			repeats++
		}
	}
	due := last.Started.Add(time.Duration(job.Every))
	if last.Started.After(now) { // the clock went back
		due = now.Add(time.Duration(job.Every))
	}
	if due.Before(now) {
		due = now
	}
	most := mostRepeats
	if job.Repeats > 0 {
		most = min(most, job.Repeats)
	}
	if repeats >= most || !job.Until.IsZero() && due.After(job.Until) {
		return true, false
	}
	if later = due.After(now); later {
		q.change(ctx, job.ID, func(j *Job) { j.NotBefore = due })
	}
	return false, later
}

// swapped pairs a run with its straight one.
func (q *Queue) swapped(ctx context.Context, job *Job, run *sweep.Run) (*sweep.Run, *sweep.Calibrated, string, error) {
	straight, err := q.straight(ctx, job.Straight, &run.Bench)
	if err != nil {
		return nil, nil, "", err
	}
	cal, err := sweep.LoadCalibrated(ctx, q.Store, straight.Calibration)
	if err != nil {
		return nil, nil, "", err
	}
	run.Kind, run.Straight, run.Calibration = sweep.Swapped, straight.ID, straight.Calibration
	run.Plan, run.Limits = straight.Plan, straight.Limits
	if run.Label == "" {
		run.Label = straight.Label
	}
	if err := run.PairsWith(&straight); err != nil {
		return nil, nil, "", err
	}
	// Both runs go by one calibration; whether that will do after so long is for
	// somebody to say, once.
	why := ""
	if job.Calibration == 0 {
		if why = q.stale(&cal.Run, run.Plan.MaxAge); why != "" {
			why += "; a swapped run goes by its straight run's calibration: if that one will not do, cancel this job and take the balun anew before its arms are exchanged"
		}
	}
	return run, cal, why, nil
}

func (q *Queue) straight(ctx context.Context, id int64, bench *sweep.Bench) (sweep.Run, error) {
	if id != 0 {
		return q.Store.Run(ctx, id)
	}
	for r, err := range q.Store.Newest(ctx, sweep.Balun, 0) {
		if err != nil {
			return sweep.Run{}, err
		}
		if r.State == sweep.Done && sameBench(&r.Bench, bench) {
			return r, nil
		}
	}
	return sweep.Run{}, errors.New("there is no finished balun run of this bench to go with a swapped one")
}

func sameBench(a, b *sweep.Bench) bool {
	return a.Fixture == b.Fixture && a.Generator.Address == b.Generator.Address && a.Scope.Address == b.Scope.Address &&
		a.Scope.Channels == b.Scope.Channels && a.Scope.Reference == b.Scope.Reference && a.Scope.Dialect == b.Scope.Dialect
}

// ahead is how far in the future something may lie that is past: clocks of a
// moment ago.
const ahead = time.Minute

// freshest is the newest finished calibration of the bench that covers the
// plan and is not older than it allows; 0 where there is none, with why.
func (q *Queue) freshest(ctx context.Context, run *sweep.Run) (id int64, why string, err error) {
	why = "there is no calibration of this bench and fixture yet"
	for r, err := range q.Store.Newest(ctx, sweep.Calibration, 0) {
		if err != nil {
			return 0, "", err
		}
		if r.State != sweep.Done || !sameBench(&r.Bench, &run.Bench) {
			continue
		}
		if why := q.stale(&r, run.Plan.MaxAge); why != "" {
			return 0, why, nil
		}
		was, is := r.Plan.Frequencies(), run.Plan.Frequencies()
		if len(was) == 0 || len(is) == 0 || is[0] < was[0] || is[len(is)-1] > was[len(was)-1] {
			why = fmt.Sprintf("calibration %d does not cover the plan's frequencies", r.ID)
			continue
		}
		return r.ID, "", nil
	}
	return 0, why, nil
}

// stale tells why a calibration is too old; empty where it is not.
func (q *Queue) stale(cal *sweep.Run, most time.Duration) string {
	age := q.Now().Sub(cal.Finished)
	switch {
	case age < -ahead:
		return fmt.Sprintf("calibration %d was finished at %s, which by this clock is still to come: nobody can tell how old it is",
			cal.ID, cal.Finished.Format(time.RFC3339))
	case most > 0 && age > most:
		return fmt.Sprintf("calibration %d is %s old, the plan allows %s", cal.ID, shortly(age), shortly(most))
	}
	return ""
}

// shortly is a duration without the parts that nobody asks for.
func shortly(d time.Duration) string {
	unit := time.Minute
	if d < time.Hour {
		unit = time.Second
	}
	s := d.Round(unit).String()
	if unit == time.Minute {
		s = strings.TrimSuffix(s, "0s")
	}
	return s
}
