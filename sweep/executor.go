package sweep

import (
	"context"
	"errors"
	"fmt"
	"time"

	"halfturn/analysis/balance"
	"halfturn/analysis/conformity"
	"halfturn/drivers"
	"halfturn/sweep/level"
	"halfturn/units"
)

// Executor carries runs out on one bench. Its fields are set once, before the
// first run; it runs one at a time.
//
// A step goes: set, settle, capture, check the error queues, commit durably.
// Where the plan asks for a second drive, it is set and captured before the
// error queues are checked, so that both are one step.
// The next step's frequency and level are set while this one is being
// committed, and nothing is captured before the commit is on the disk. What the
// analysis makes of a step, and whoever looks on, goes beside that. Each record
// is fitted while the scope takes the next. RF is off before the first setting
// and on every way out.
type Executor struct {
	Generator drivers.Generator
	Scope     drivers.Scope
	Journal   Journal
	// Observe is called after each committed step, in order, on a goroutine of
	// its own, the last time before Start or Resume returns. One that is slow
	// delays nothing until it is mostUntold steps behind. It may be nil.
	Observe func(Event)
	Retried func(error)      // called before a step is taken again, with what failed; may be nil
	Stop    <-chan struct{}  // closed: end tidily after the step; may be nil
	Now     func() time.Time // nil is time.Now
	Retries int              // of a step after a failed link or a reply that makes no sense
	Backoff time.Duration    // before the first retry; doubles
}

// Event is a committed step with what the analysis makes of it so far.
type Event struct {
	Run      *Run
	Step     *Step
	Total    int
	Timing   Timing
	Result   balance.Result
	Decision conformity.Decision
	Remark   string // why there is no result

	// Ahead is what the generator's band and attenuator are known to take in the
	// steps that follow; see Pace.
	Ahead time.Duration
}

// Identities asks nothing: it is what the instruments said when they were opened.
func (e *Executor) Identities() Identities {
	return Identities{Generator: e.Generator.Identity(), Scope: e.Scope.Identity()}
}

// Start carries out a new run and sets its ID, times, state and verdict. cal is
// nil for a calibration. When it returns, RF is off and the run's state is in
// the journal: done, stopped, or failed with the reason.
func (e *Executor) Start(ctx context.Context, run *Run, cal *Calibrated) error {
	run.Started, run.State, run.Reason = e.now(), Running, ""
	run.Identities = e.Identities()
	// What tells from a step's drive where the attenuator was.
	run.Bench.Generator.Habits.Attenuator = e.Generator.Abilities().Attenuator
	// And what the generator gave at most, for the report.
	run.Bench.Generator.Habits.Drive.To = e.Generator.Abilities().Limits
	if cal != nil {
		run.Calibration = cal.Run.ID
	}
	p, err := e.prepare(ctx, run, cal)
	if err != nil {
		return err
	}
	if err := e.Journal.Create(ctx, run); err != nil {
		return err
	}
	return p.carryOut(ctx)
}

// Resume goes on with a run at its next step. The instruments must be those
// that it began with.
func (e *Executor) Resume(ctx context.Context, run *Run, cal *Calibrated) error {
	if run.State == Done {
		return fmt.Errorf("run %d is done: there is nothing to resume", run.ID)
	}
	if now := e.Identities(); now != run.Identities {
		return fmt.Errorf("run %d began with generator %q and scope %q; now there are %q and %q: a run goes on only with the same instruments",
			run.ID, run.Identities.Generator, run.Identities.Scope, now.Generator, now.Scope)
	}
	if was, is := run.Bench.Generator.Habits.Attenuator, e.Generator.Abilities().Attenuator; !was.Equal(is) {
		return fmt.Errorf("run %d began with a generator's attenuator of %q and the dialect now says %q: start a new run", run.ID, was, is)
	}
	p, err := e.prepare(ctx, run, cal)
	if err != nil {
		return err
	}
	for step, err := range e.Journal.Steps(ctx, run.ID) {
		if err != nil {
			return err
		}
		if err := p.relearn(&step); err != nil {
			return err
		}
	}
	run.State, run.Reason = Running, ""
	if err := e.Journal.Update(ctx, run); err != nil {
		return err
	}
	return p.carryOut(ctx)
}

func (e *Executor) now() time.Time {
	if e.Now != nil {
		return e.Now()
	}
	return time.Now()
}

// pass is one run being carried out.
type pass struct {
	*Executor
	run       *Run
	cal       *Calibrated
	analysis  *analysis
	planner   *level.Planner
	reference *level.Reference // nil without a phase reference
	places    []place
	watch     stopwatch
	tuner     tuner
	taker     taker
	keeper    keeper
	clock     Clock
	seen      []balance.Estimate // of the first steps, the calibration taken out
	taken     int                // steps
	ahead     []time.Duration    // clicks of the generator from each step to the end, as far as they are known
}

// place is where a step is taken.
type place struct {
	frequency units.Hertz
	window    drivers.Window
}

// prepare checks everything that can be checked before RF is on.
func (e *Executor) prepare(ctx context.Context, run *Run, cal *Calibrated) (*pass, error) {
	if err := run.Plan.Validate(); err != nil {
		return nil, err
	}
	if (cal == nil) != (run.Kind == Calibration) {
		return nil, fmt.Errorf("a %s run and its calibration do not go together", run.Kind)
	}
	if cal != nil {
		if err := cal.Fits(run); err != nil {
			return nil, err
		}
	}
	if run.Kind == Swapped {
		straight, err := e.Journal.Run(ctx, run.Straight)
		if err != nil {
			return nil, fmt.Errorf("a swapped run needs the straight one: %w", err)
		}
		if err := run.PairsWith(&straight); err != nil {
			return nil, err
		}
	}
	generator, scope := e.Generator.Abilities(), e.Scope.Abilities()
	inputLimit := scope.InputLimit
	if own := run.Bench.InputLimit; own > 0 && (inputLimit == 0 || own < inputLimit) {
		inputLimit = own
	}
	if named := run.Bench.Scope.Reference; (named != "") != (scope.Channels > int(drivers.Reference)) {
		return nil, fmt.Errorf("the bench has the channel %q for a phase reference, and the scope was opened with %d channels", named, scope.Channels)
	}
	rules := level.Rules{
		Aim: run.Plan.Fill.Aim, Min: run.Plan.Fill.Min, Max: run.Plan.Fill.Max,
		Headroom:       run.Plan.Headroom,
		MinDrive:       generator.MinDrive,
		MaxDrive:       level.MaxDrive(generator.MaxDrive, run.Bench.MaxDrive.Generator, run.Bench.MaxDrive.Balun, inputLimit),
		DriveStep:      generator.DriveStep,
		Limits:         generator.Limits,
		Attenuator:     generator.Attenuator,
		Ranges:         scope.Ranges,
		Windows:        scope.Windows,
		ClockTolerance: run.Bench.ClockTolerance,
	}
	planner, err := level.New(rules)
	if err != nil {
		return nil, err
	}
	p := &pass{Executor: e, run: run, cal: cal, planner: planner}
	if run.Bench.Scope.Reference != "" {
		p.reference = level.NewReference(rules)
	}
	if p.analysis, err = newAnalysis(run, cal); err != nil {
		return nil, err
	}
	if p.places, err = placeAll(planner, run.Plan.Frequencies(), generator); err != nil {
		return nil, err
	}
	p.tuner = tuner{generator: e.Generator, scope: e.Scope, settle: run.Bench.Settle, watch: &p.watch}
	p.ahead = p.clicksAhead(&generator)
	p.taker = taker{scope: e.Scope, bench: &run.Bench, watch: &p.watch}
	return p, nil
}

func placeAll(planner *level.Planner, wanted []units.Hertz, g drivers.GeneratorAbilities) ([]place, error) {
	places := make([]place, 0, len(wanted))
	for _, f := range wanted {
		if f < g.MinFrequency || f > g.MaxFrequency {
			return nil, fmt.Errorf("plan: %s is outside the generator's %s to %s", f.Brief(), g.MinFrequency.Brief(), g.MaxFrequency.Brief())
		}
		moved, window, err := planner.Place(f)
		if err != nil {
			return nil, fmt.Errorf("plan: %w", err)
		}
		// Two frequencies moved off the same multiple of the sample rate are one step.
		if n := len(places); n > 0 && moved <= places[n-1].frequency {
			continue
		}
		places = append(places, place{moved, window})
	}
	return places, nil
}

// shutdownLimit bounds what is done after the last step, whatever became of ctx.
const shutdownLimit = 5 * time.Second

// carryOut takes the steps that are not done yet and ends the run.
func (p *pass) carryOut(ctx context.Context) (err error) {
	ended := false
	p.keeper.begin(p)
	defer func() {
		// Also on a panic: RF must not stay on. What went wrong with the run
		// itself is told first.
		last, cancel := context.WithTimeout(context.WithoutCancel(ctx), shutdownLimit)
		defer cancel()
		off := p.Generator.SetRF(last, false)
		if off != nil {
			off = fmt.Errorf("RF may still be on: %w", off)
		}
		p.keeper.end()
		if !ended {
			return
		}
		kept := context.WithoutCancel(ctx)
		err = p.end(kept, err)
		err = errors.Join(err, p.Journal.Update(kept, p.run), off)
	}()
	err = p.sweep(ctx)
	ended = true
	return err
}

// end sets the run's state from how the sweep ended.
func (p *pass) end(ctx context.Context, err error) error {
	switch {
	case err == nil && p.taken == len(p.places):
		p.run.State, p.run.Finished = Done, p.now()
		outcome, err := p.outcome(ctx)
		if err != nil {
			return err
		}
		p.run.Verdict = outcome.Summary.Verdict
	case err == nil:
		p.run.State, p.run.Reason = Stopped, "stopped on request"
	case errors.Is(err, context.Canceled):
		p.run.State, p.run.Reason = Stopped, "interrupted"
	default:
		p.run.State, p.run.Reason = Failed, err.Error()
	}
	return err
}

// outcome analyses the run from the journal, where a long run's steps are.
func (p *pass) outcome(ctx context.Context) (*Outcome, error) {
	return Analyse(p.run, p.Journal.Steps(ctx, p.run.ID), p.cal)
}

// relearn takes in a step that is in the journal already.
func (p *pass) relearn(step *Step) error {
	if p.taken >= len(p.places) || step.Estimate.Frequency != p.places[p.taken].frequency {
		return fmt.Errorf("run %d: step %d at %v is not what its plan says on this scope: the dialect has changed since; start a new run",
			p.run.ID, step.Index, step.Estimate.Frequency)
	}
	p.learn(step)
	return nil
}

func (p *pass) sweep(ctx context.Context) error {
	if err := p.Generator.Prepare(ctx); err != nil {
		return err
	}
	if err := p.Scope.Prepare(ctx); err != nil {
		return err
	}
	p.watch.begin()
	for p.taken < len(p.places) && !p.stopping() {
		if err := ctx.Err(); err != nil {
			return errors.Join(err, p.keeper.wait())
		}
		step, captures, err := p.takeRetrying(ctx, p.taken)
		if p.keeper.err != nil {
			return p.keeper.err // and no error of the step that waited for it
		}
		if err != nil {
			return errors.Join(err, p.keeper.wait())
		}
		p.learn(step)
		if err := p.fitted(step); err != nil {
			return err
		}
		p.keeper.keep(step, captures, p.watch.lap())
	}
	return p.keeper.wait()
}

func (p *pass) stopping() bool {
	select {
	case <-p.Stop: // a nil channel never stops
		return true
	default:
		return false
	}
}

// learn takes a step into the state that later steps depend on.
func (p *pass) learn(step *Step) {
	p.taken++
	p.clock = step.Clock
	if !step.Measured() {
		return
	}
	e := &step.Estimate
	p.reference.Learn(step.Drive, e.Reference.Amplitude)
	p.planner.Learn(e.Frequency, step.Drive, max(e.Amplitude[0], e.Amplitude[1]), p.cal.precedent(e.Frequency))
	if len(p.seen) < enoughSeen {
		seen := *e
		if p.cal != nil {
			if point, err := p.cal.At(e.Frequency); err == nil {
				seen.Ratio, seen.Cov = balance.Deembed(*e, point.Estimate)
			}
		}
		p.seen = append(p.seen, seen)
	}
}

// The check of what is fitted begins with so many ratios and ends with so many.
const (
	fewestSeen = 3
	enoughSeen = 9
)

// fitted stops a run with the wrong thing in the fixture as soon as a few
// steps, or all there are, say so.
func (p *pass) fitted(step *Step) error {
	n := len(p.seen)
	if !step.Measured() || n == 0 || (n < fewestSeen && p.taken < len(p.places)) {
		return nil
	}
	return checkFitted(p.run.Kind, p.seen)
}

// takeRetrying takes step i, again where the link failed or a reply made no sense.
func (p *pass) takeRetrying(ctx context.Context, i int) (*Step, []drivers.Capture, error) {
	wait := p.Backoff
	for attempt := 0; ; attempt++ {
		step, captures, err := p.take(ctx, i)
		switch {
		case err == nil:
			return step, captures, nil
		case attempt >= p.Retries || ctx.Err() != nil || p.keeper.err != nil:
			return nil, nil, fmt.Errorf("at %s: %w", p.places[i].frequency.Brief(), err)
		case !errors.Is(err, drivers.ErrLink) && !errors.Is(err, drivers.ErrReply):
			return nil, nil, fmt.Errorf("at %s: %w", p.places[i].frequency.Brief(), err)
		}
		if err := p.beforeRetry(ctx, wait, err); err != nil {
			return nil, nil, err
		}
		wait *= 2
	}
}

// beforeRetry switches RF off and waits.
func (p *pass) beforeRetry(ctx context.Context, wait time.Duration, failed error) error {
	p.watch.spent.Retries++
	if p.Retried != nil {
		p.Retried(failed)
	}
	p.tuner.forget()
	p.tuner.off(ctx)
	defer p.watch.turn(p.watch.turn(&p.watch.spent.Backoff))
	return sleep(ctx, wait)
}
