// Package daemon is the program that owns a bench: it works through the jobs
// of package queue and serves what goes on over HTTP.
//
//	cmd/halfturn          serve, submit, jobs, cancel, ready, again, token
//	cmd/halfturn/panel    the pages, on the types of this package
//	cmd/halfturn/daemon   Daemon (this page); its API, access and metrics
//	  token               the access token and its hash
//	sweep/queue           jobs and schedules
//
// RF is switched off before anything else. What listens outside this machine
// has a token and TLS. Nothing that a request does reaches an instrument: a
// request queues, answers or cancels a job, and the queue's one goroutine
// drives the bench.
package daemon

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"halfturn/analysis/report"
	"halfturn/cmd/halfturn/daemon/token"
	"halfturn/cmd/halfturn/reporting"
	"halfturn/cmd/halfturn/setup"
	"halfturn/drivers/link"
	"halfturn/drivers/simbench"
	"halfturn/sweep"
	"halfturn/sweep/journal"
	"halfturn/sweep/queue"
)

// Options are what a daemon is made of; all but File, Load, Page, Links, Now and Log are needed.
type Options struct {
	Config *setup.Config // at the start; see Daemon.config for later
	File   string        // the bench file, watched for changes; empty for none
	// Load reads the bench file as it was read at the start; nil where it is not
	// read again.
	Load    func() (*setup.Config, error)
	Program string // "halfturn 1.2.3"
	Version string
	// Page makes what is served outside /api/; nil serves nothing there. It is
	// behind the same access as the API, but for what is below /public/.
	Page func(*Daemon) http.Handler
	// Links opens the links to the instruments; nil for link.Open.
	Links link.Opener
	Now   func() time.Time
	Log   io.Writer // JSON lines; nil for none
}

// Daemon owns a bench.
type Daemon struct {
	Options
	store    *journal.Store
	queue    *queue.Queue
	bench    *bench
	analysed *analysed
	log      *slog.Logger
	tail     *tail
	events   *stream
	metrics  *metrics
	verifier *token.Verifier // nil where there is no token
	sessions *sessions
	started  time.Time
	release  func() error
	current  atomic.Pointer[setup.Config] // see reload.go
	file     benchFile
	ends     sync.WaitGroup // hooks and webhooks under way
	endsCtx  context.Context
	endsStop context.CancelFunc
	told     sync.Mutex // orders state events
}

// New opens the store, holds the bench and reads the queue. Nothing is sent to
// an instrument before Run.
func New(ctx context.Context, o Options) (_ *Daemon, err error) {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = io.Discard
	}
	d := &Daemon{Options: o, started: o.Now(), tail: newTail()}
	d.current.Store(o.Config)
	d.log = slog.New(d.tail.handler(o.Log))
	d.events = newStream(d.started)
	d.sessions = newSessions(o.Now)
	d.endsCtx, d.endsStop = context.WithCancel(context.WithoutCancel(ctx))
	if hash := o.Config.Serve.TokenHash; hash != "" {
		if d.verifier, err = token.NewVerifier(hash); err != nil {
			return nil, err
		}
	}
	if !o.Config.Serve.Loopback() && (d.verifier == nil || o.Config.Serve.Certificate == "") {
		return nil, fmt.Errorf("%s can be reached from elsewhere: that needs a token and TLS", o.Config.Serve.Listen)
	}
	rules, err := d.rules(o.Config)
	if err != nil {
		return nil, err
	}
	if d.store, err = journal.Open(ctx, o.Config.Store); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, d.Close())
		}
	}()
	if err = d.hold(); err != nil {
		return nil, err
	}
	d.bench, d.analysed = newBench(d), newAnalysed(d.store)
	d.queue, err = queue.New(ctx, queue.Options{
		Store: d.store, Bench: d.bench, Name: o.Config.Bench.Name, Rules: rules, Now: o.Now, Log: d.log,
		Changed: d.changed, End: d.ended, Safety: d.tellState,
	})
	if err != nil {
		return nil, err
	}
	d.metrics = newMetrics(d)
	d.file.begin(o.File, d.started)
	return d, nil
}

// hold keeps other processes from the bench, and other daemons from the queue
// of this store.
func (d *Daemon) hold() error {
	bench, err := queue.HoldBench(&d.Config.Bench, d.Config.Store)
	if err != nil {
		return err
	}
	jobs, err := d.store.HoldFor("daemon")
	if err != nil {
		return errors.Join(fmt.Errorf("the queue of store %s is %w", d.Config.Store, err), bench())
	}
	d.release = func() error { return errors.Join(jobs(), bench()) }
	return nil
}

// Close lets go of the bench and the store. Run has returned before.
func (d *Daemon) Close() error {
	var errs []error
	if d.endsStop != nil {
		d.endsStop()
	}
	d.ends.Wait()
	if d.release != nil {
		errs = append(errs, d.release())
	}
	if d.store != nil {
		errs = append(errs, d.store.Close())
	}
	return errors.Join(errs...)
}

// Store is the daemon's store.
func (d *Daemon) Store() *journal.Store { return d.store }

// Queue is the daemon's queue.
func (d *Daemon) Queue() *queue.Queue { return d.queue }

// Submit queues a job; queue.ErrRefused where its scenario is none.
func (d *Daemon) Submit(ctx context.Context, r queue.Request) (queue.Job, error) {
	if r.Scenario != "" {
		if _, err := simbench.Load(r.Scenario); err != nil {
			return queue.Job{}, fmt.Errorf("%w: %w", queue.ErrRefused, err)
		}
	}
	return d.queue.Submit(ctx, r)
}

// Lines are the last n lines of the log, the oldest first, as far as they are kept.
func (d *Daemon) Lines(n int) []LogLine { return d.tail.last(n) }

// Logger is the daemon's log.
func (d *Daemon) Logger() *slog.Logger { return d.log }

const (
	// stepLimit is how long a step may go on after the daemon was told to stop;
	// then it is cut short, and RF goes off at once.
	stepLimit = 2500 * time.Millisecond
	// stopLimit is when the daemon ends whatever has become of the instruments:
	// what is measured is in the store, and the next start switches RF off.
	stopLimit = 4500 * time.Millisecond
)

// Listen opens the address of the configuration.
func (d *Daemon) Listen() (net.Listener, error) {
	l, err := net.Listen("tcp", d.Config.Serve.Listen)
	if err != nil {
		return nil, fmt.Errorf("the daemon cannot listen on %s: %w; is another one running, or give serve.listen another port", d.Config.Serve.Listen, err)
	}
	return l, nil
}

// Run switches RF off, works through the queue and serves on l until stop is
// closed; it ends within stopLimit of that. ready is called when it serves.
func (d *Daemon) Run(ctx context.Context, l net.Listener, stop <-chan struct{}, ready func()) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	server := d.server(ctx)
	served := make(chan error, 1)
	go func() { served <- d.serve(server, l) }()
	var side sync.WaitGroup
	side.Go(func() { d.watchFile(ctx) })
	side.Go(func() { d.watchdog(ctx) })
	side.Go(func() { d.thin(ctx) })
	worked := make(chan struct{})
	quit := make(chan struct{}) // stop, or the server failed
	go func() {
		defer close(worked)
		d.queue.Run(ctx, quit)
	}()
	d.log.Info("serving", "bench", d.Config.Bench.Name, "listen", l.Addr().String(), "store", d.store.Path(), "program", d.Program)
	if ready != nil {
		ready()
	}
	var err error
	failed := false
	select {
	case <-stop:
	case <-ctx.Done():
	case err = <-served:
		failed = true
		err = fmt.Errorf("serving ended: %w", err)
	}
	d.log.Info("stopping: the step ends, RF goes off")
	notifyStopping()
	close(quit)
	begun := time.Now()
	select {
	case <-worked:
	case <-time.After(stepLimit):
		d.log.Warn("the step is cut short")
		cancel()
		select {
		case <-worked:
		case <-time.After(stopLimit - time.Since(begun)):
			err = errors.Join(err, errors.New("an instrument hangs: the daemon ends without having seen RF off; the next start switches it off first"))
		}
	}
	cancel() // ends the streams
	closing, done := context.WithTimeout(context.WithoutCancel(ctx), time.Second)
	defer done()
	if shutdownErr := server.Shutdown(closing); shutdownErr != nil {
		_ = server.Close() // what does not end in time is cut off
	}
	if !failed {
		<-served
	}
	side.Wait()
	d.log.Info("stopped")
	return err
}

// changed tells a job's change, and with it the bench's.
func (d *Daemon) changed(j queue.Job) {
	d.metrics.job(&j)
	d.analysed.forget()
	d.events.tell(EventJob, j)
	d.tellState()
}

// tellState tells how the bench stands.
func (d *Daemon) tellState() {
	d.told.Lock()
	defer d.told.Unlock()
	d.events.tell(EventState, d.State())
}

// State is how the bench stands.
func (d *Daemon) State() Bench {
	b := &d.config().Bench
	v := Bench{
		Name: b.Name, Fixture: b.Fixture, State: Idle, RF: RFOff, Fitted: d.queue.Fitted(),
		Measuring: d.bench.progress(), Timing: d.bench.times(), Config: d.file.view(), Program: d.Program, Started: d.started,
		Store: StoreSpace{Path: d.store.Path(), Left: diskLeft(d.store.Path())},
	}
	v.Generator, v.Scope = d.bench.instruments()
	for _, j := range d.queue.Jobs() {
		if !j.State.Open() {
			continue
		}
		if v.Queue++; v.Job == nil {
			v.Job = &j
		}
	}
	switch unsafe := d.queue.Unsafe(); {
	case v.Measuring != nil:
		v.State, v.RF = Measuring, RFOn
	case unsafe != nil:
		v.State, v.RF, v.Warning = Unsafe, RFUnknown, unsafe.Error()
	case v.Job != nil && v.Job.State == queue.Asking:
		v.State = Asking
	case v.Job != nil:
		v.State = Waiting
	}
	return v
}

// List is a part of the list of stored runs.
func (d *Daemon) List(ctx context.Context, l journal.Listing) (journal.Listed, error) {
	return d.store.List(ctx, l)
}

// Compare sets the later runs against the first. What cannot be compared is
// queue.ErrRefused.
func (d *Daemon) Compare(ctx context.Context, ids []int64) (*report.Compared, error) {
	runs := make([]sweep.Run, len(ids))
	for i, id := range ids {
		var err error
		if runs[i], err = d.store.Run(ctx, id); err != nil {
			return nil, err
		}
	}
	c, err := reporting.Compare(ctx, d.store, runs, reporting.CompareOptions{Program: d.Program, Now: d.Now()})
	if err != nil && !errors.Is(err, journal.ErrNoRun) && !errors.Is(err, journal.ErrDamaged) {
		err = fmt.Errorf("%w: %w", queue.ErrRefused, err)
	}
	return c, err
}

// Report analyses a run, or gives what was made of it before. It is not to be
// changed but for its own fields.
func (d *Daemon) Report(ctx context.Context, run *sweep.Run, o reporting.Options) (*report.Input, error) {
	o.Program, o.Now = d.Program, d.Now()
	return d.analysed.report(ctx, run, o)
}

// Steps are those of a run from an index on, with what the analysis makes of
// them: at most so many, 0 for all.
func (d *Daemon) Steps(ctx context.Context, run *sweep.Run, from, most int) ([]Step, error) {
	return d.analysed.stepsOf(ctx, run, from, most)
}
