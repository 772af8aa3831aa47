package daemon

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"halfturn/cmd/halfturn/setup"
	"halfturn/drivers/dialect"
	"halfturn/drivers/simbench"
	"halfturn/sweep"
	"halfturn/sweep/queue"
)

// stepRetries is what the executor does about a link that fails before the
// queue waits longer and opens the bench anew.
const stepRetries = 2

// bench carries out runs on the instruments of the configuration; it is the
// queue's Bench.
type bench struct {
	daemon *Daemon

	mu        sync.Mutex
	measuring *Progress    // nil between runs
	pace      sweep.Pace   // of the steps of this process
	spent     sweep.Timing // of those of this run
	timed     int          // how many they are
	timing    *Timing      // the same as means; nil before the first step of all
	generator Instrument
	scope     Instrument
	held      *setup.Config // that the job whose turn it is goes by
	heldBy    int64
}

func newBench(d *Daemon) *bench {
	return &bench{daemon: d,
		generator: Instrument{Address: d.Config.Bench.Generator.Address},
		scope:     Instrument{Address: d.Config.Bench.Scope.Address},
	}
}

// Simulated is what a bench is called in the runs of a dry run.
func Simulated(name string) string { return name + ", simulated" }

// configOf is the configuration that a job goes by: that in force when its
// first run began, to its end; after a restart, that of the restart.
func (b *bench) configOf(job *queue.Job) *setup.Config {
	b.mu.Lock()
	defer b.mu.Unlock()
	if job.Started.IsZero() || b.heldBy != job.ID {
		b.heldBy, b.held = job.ID, b.daemon.config()
	}
	return b.held
}

// NewRun is a run as the bench is configured.
func (b *bench) NewRun(job *queue.Job) sweep.Run {
	c := b.configOf(job)
	run := sweep.Run{Bench: c.Bench, Plan: c.Plan, Limits: c.Limits, Version: b.daemon.Version}
	if job.Kind == queue.DryRun {
		// One that cannot be read stops the run when it is carried out.
		if name, scenario, err := scenarioOf(job); err == nil {
			if shipped, err := setup.LoadSimulated("", name, scenario); err == nil {
				run.Bench, run.Bench.Name = shipped.Bench, Simulated(run.Bench.Name)
			}
		}
	}
	return run
}

// CarryOut carries out one run.
func (b *bench) CarryOut(ctx context.Context, stop <-chan struct{}, job *queue.Job, run *sweep.Run, cal *sweep.Calibrated, j sweep.Journal) error {
	config := run.Bench
	links := b.daemon.Links
	if job.Kind == queue.DryRun {
		server, err := simulate(ctx, job, run.Kind)
		if err != nil {
			return err
		}
		defer server.Close()
		links = nil // those are of the bench
		config.Generator.Address, config.Scope.Address = server.GeneratorAddress(), server.ScopeAddress()
		if run.ID == 0 {
			run.Bench = config
		}
	} else if own := b.daemon.Config.Bench; run.ID != 0 && (config.Generator.Address != own.Generator.Address || config.Scope.Address != own.Scope.Address) {
		return fmt.Errorf("run %d began on instruments at %s and %s, and this daemon owns %s and %s: it cannot go on here",
			run.ID, config.Generator.Address, config.Scope.Address, own.Generator.Address, own.Scope.Address)
	}
	generator, err := dialect.OpenGenerator(ctx, config.Generator, dialect.Over(links))
	b.heard(&b.generator, generator, err)
	if err != nil {
		return err
	}
	defer generator.Close()
	if err := generator.SetRF(ctx, false); err != nil {
		return err
	}
	scope, err := dialect.OpenScope(ctx, config.Scope, dialect.Over(links))
	b.heard(&b.scope, scope, err)
	if err != nil {
		return err
	}
	defer scope.Close()
	b.begin(job, run)
	defer b.finish()
	executor := &sweep.Executor{
		Generator: &heardGenerator{generator, b}, Scope: &heardScope{scope, b}, Journal: j,
		Observe: func(e sweep.Event) { b.observe(job, e) },
		Retried: func(err error) { b.retried(job, err) },
		Stop:    stop, Retries: stepRetries, Backoff: b.daemon.config().Serve.Backoff, Now: b.daemon.Now,
	}
	if run.ID != 0 {
		return executor.Resume(ctx, run, cal)
	}
	return executor.Start(ctx, run, cal)
}

// scenarioOf is the simulated bench of a dry run.
func scenarioOf(job *queue.Job) (name string, scenario *simbench.Scenario, err error) {
	name = cmp.Or(job.Scenario, "good-balun")
	scenario, err = simbench.Load(name)
	return name, scenario, err
}

func simulate(ctx context.Context, job *queue.Job, kind sweep.Kind) (*simbench.Server, error) {
	_, scenario, err := scenarioOf(job)
	if err != nil {
		return nil, err
	}
	server, err := simbench.Serve(ctx, scenario, simbench.Options{})
	if err != nil {
		return nil, err
	}
	if kind == sweep.Calibration {
		server.FitForCalibration()
	} else {
		server.FitForMeasurement()
	}
	return server, nil
}

// RFOff switches the generator's output off, whatever else is wrong.
func (b *bench) RFOff(ctx context.Context) error {
	generator, err := dialect.OpenGenerator(ctx, b.daemon.config().Bench.Generator, dialect.Over(b.daemon.Links))
	b.heard(&b.generator, generator, err)
	if err != nil {
		return err
	}
	return errors.Join(generator.SetRF(ctx, false), generator.Close())
}

// heard notes how opening an instrument went.
func (b *bench) heard(i *Instrument, opened interface{ Identity() string }, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if err != nil {
		i.Error = err.Error()
		i.Failures++
		return
	}
	i.Identity, i.Heard, i.Error = opened.Identity(), b.daemon.Now(), ""
}

func (b *bench) begin(job *queue.Job, run *sweep.Run) {
	b.mu.Lock()
	b.measuring = &Progress{Run: run.ID, Job: job.ID, Kind: run.Kind, Label: run.Label, Started: b.daemon.Now()}
	b.pace, b.spent, b.timed = sweep.Pace{}, sweep.Timing{}, 0
	b.mu.Unlock()
	b.daemon.tellState()
}

func (b *bench) finish() {
	b.mu.Lock()
	b.measuring = nil
	b.mu.Unlock()
	b.daemon.tellState()
}

// retried is called before a step is taken again.
func (b *bench) retried(job *queue.Job, err error) {
	b.daemon.metrics.stepRetries.Inc()
	b.daemon.log.Warn("a step is taken again", "job", job.ID, "error", err.Error())
}

// observe is called after each committed step.
func (b *bench) observe(job *queue.Job, e sweep.Event) {
	step := viewStep(e.Run, e.Step, &e.Result, &e.Decision, e.Remark)
	now := time.Now() // monotonic, for the time left
	b.mu.Lock()
	if p := b.measuring; p != nil {
		p.Run, p.Taken, p.Total, p.Last = e.Run.ID, e.Step.Index+1, e.Total, &step
		p.Started = e.Run.Started
		if left, ok := b.pace.Left(&e, now); ok {
			p.Left = left.Seconds()
		}
		b.spent.Add(&e.Timing)
		b.timed++
		b.timing = viewTiming(e.Run.ID, b.timed, &b.spent)
	}
	b.mu.Unlock()
	b.daemon.queue.Progress(job.ID)
	b.daemon.metrics.step(&e.Timing)
	b.daemon.events.tell(EventStep, StepEvent{Step: step, Job: job.ID, Total: e.Total})
}

func (b *bench) progress() *Progress {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.measuring == nil {
		return nil
	}
	p := *b.measuring
	return &p
}

func (b *bench) times() *Timing {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.timing // never changed, but replaced
}

func (b *bench) instruments() (generator, scope Instrument) {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.generator, b.scope
}
