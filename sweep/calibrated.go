package sweep

import (
	"context"
	"fmt"
	"strings"
	"time"

	"halfturn/analysis/balance"
	"halfturn/analysis/fixture"
	"halfturn/sweep/level"
	"halfturn/units"
)

// Calibrated is a calibration run made ready to be taken out of another run.
type Calibrated struct {
	Run    Run
	ratios *balance.Calibration // of the measured steps
	points []balance.Point      // what the fixture is proved by, see ForProof
}

// LoadCalibrated reads a calibration run. The error says why the run cannot serve.
func LoadCalibrated(ctx context.Context, j Journal, id int64) (*Calibrated, error) {
	run, err := j.Run(ctx, id)
	if err != nil {
		return nil, err
	}
	if run.Kind != Calibration {
		return nil, fmt.Errorf("run %d is a %s run, not a calibration", id, run.Kind)
	}
	if run.State != Done {
		return nil, fmt.Errorf("calibration %d is not finished (%s): `halfturn resume %d` first", id, run.State, id)
	}
	c := &Calibrated{Run: run}
	points := make([]balance.Point, 0, run.Plan.Steps())
	for step, err := range j.Steps(ctx, id) {
		if err != nil {
			return nil, err
		}
		if step.Measured() {
			points = append(points, run.Point(&step))
		}
	}
	if len(points) == 0 {
		return nil, fmt.Errorf("calibration %d has no measured step", id)
	}
	c.ratios, err = balance.NewCalibration(points)
	if err != nil {
		return nil, fmt.Errorf("calibration %d: %w", id, err)
	}
	c.points = ForProof(points)
	return c, nil
}

// mostForProof bounds the steps that the fixture is proved by, so that it takes
// no more than a second of the longest run.
const mostForProof = 10_000

// ForProof is what of a calibration's measured steps the fixture is proved by:
// all, or of a very long run an even part.
func ForProof(points []balance.Point) []balance.Point {
	every := (len(points) + mostForProof - 1) / mostForProof
	if every <= 1 {
		return points
	}
	part := make([]balance.Point, 0, mostForProof+1)
	for i := 0; i < len(points); i += every {
		part = append(part, points[i])
	}
	if last := len(points) - 1; last%every != 0 {
		part = append(part, points[last])
	}
	return part
}

// ForProof are the calibration's steps for that, by ascending frequency.
func (c *Calibrated) ForProof() []balance.Point { return c.points }

// At is the calibration at f, interpolated where f was no step of it.
func (c *Calibrated) At(f units.Hertz) (balance.Point, error) { return c.ratios.At(f) }

// precedent is how the calibration took the step nearest to f, for the planner.
func (c *Calibrated) precedent(f units.Hertz) *level.Precedent {
	if c == nil {
		return nil
	}
	p := c.ratios.Nearest(f)
	return &level.Precedent{Drive: p.Drive, Range: max(p.Range[0], p.Range[1]), Amplitude: max(p.Amplitude[0], p.Amplitude[1]), Reference: p.ReferenceRange}
}

// Fits says why the calibration cannot be taken out of a run, nil if it can:
// it is tied to the instruments, their channels and the fixture it was made with.
func (c *Calibrated) Fits(run *Run) error {
	var why []string
	differ := func(what, calibrated, now string) {
		if calibrated != now {
			why = append(why, fmt.Sprintf("%s was %q and is %q", what, calibrated, now))
		}
	}
	was, is := &c.Run.Bench, &run.Bench
	differ("the generator", c.Run.Identities.Generator, run.Identities.Generator)
	differ("the scope", c.Run.Identities.Scope, run.Identities.Scope)
	differ("the fixture", was.Fixture, is.Fixture)
	differ("the channel of arm 1", was.Scope.Channels[0], is.Scope.Channels[0])
	differ("the channel of arm 2", was.Scope.Channels[1], is.Scope.Channels[1])
	differ("the generator's attenuator", was.Generator.Habits.Attenuator.String(), is.Generator.Habits.Attenuator.String())
	switch a, b := was.Scope.Reference, is.Scope.Reference; {
	case a == "" && b != "":
		why = append(why, fmt.Sprintf("it has no phase reference, and this bench has one on channel %s", b))
	case a != "" && b == "":
		why = append(why, fmt.Sprintf("it has a phase reference on channel %s, and this bench has none", a))
	default:
		differ("the channel of the reference", a, b)
	}
	differ("the scope's dialect", was.Scope.Dialect, is.Scope.Dialect)
	if len(why) > 0 {
		return fmt.Errorf("calibration %d does not belong to this bench: %s; run `halfturn calibrate`", c.Run.ID, strings.Join(why, "; "))
	}
	planned := run.Plan.Frequencies()
	from, to := c.ratios.Span()
	// A frequency that was moved off the sample rate's multiples may end a span a trifle later.
	const moved = 1.01
	if planned[0]*moved < from || planned[len(planned)-1] > to*moved {
		return fmt.Errorf("calibration %d covers %s to %s, the plan goes from %s to %s; run `halfturn calibrate` over the same plan",
			c.Run.ID, from.Brief(), to.Brief(), planned[0].Brief(), planned[len(planned)-1].Brief())
	}
	return c.supports(run, max(from, planned[0]), min(to, planned[len(planned)-1]))
}

// supports refuses a calibration whose own noise and uneven course take up a
// limit of the run by themselves, so that nothing could be decided with it. The
// proof is a function of the stored steps and worked out anew; where they prove
// nothing, they refuse nothing.
func (c *Calibrated) supports(run *Run, from, to units.Hertz) error {
	proof, err := fixture.Prove(c.points, run.Limits, run.Bench.Load, fixture.Part(1))
	if err != nil {
		return nil
	}
	if err := fixture.Supports(proof, from, to, run.Limits); err != nil {
		return fmt.Errorf("calibration %d: %w", c.Run.ID, err)
	}
	return nil
}

// Age is how old the calibration was at a time.
func (c *Calibrated) Age(at time.Time) time.Duration { return at.Sub(c.Run.Finished) }

// AgeWarning is empty, or says that the calibration was older than the plan allows.
func (c *Calibrated) AgeWarning(run *Run) string {
	age := c.Age(run.Started)
	if run.Plan.MaxAge <= 0 || age <= run.Plan.MaxAge {
		return ""
	}
	return fmt.Sprintf("calibration %d was %s old when the run began; the plan allows %s",
		c.Run.ID, age.Round(time.Minute), run.Plan.MaxAge)
}
