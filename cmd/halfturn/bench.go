package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"strconv"
	"syscall"
	"time"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"halfturn/drivers"
	"halfturn/drivers/dialect"
	"halfturn/drivers/link"
	"halfturn/sweep"
	"halfturn/sweep/journal"
	"halfturn/sweep/queue"
)

// What an unattended run does about a link that fails: a rebooting instrument
// is back within the sum of these.
const retries = 5

var backoff = time.Second // doubles; tests do not wait so long

// openBench opens both instruments over links, or link.Open where that is nil;
// RF is off when it returns.
func openBench(ctx context.Context, bench *sweep.Bench, links link.Opener) (*dialect.Generator, *dialect.Scope, error) {
	generator, err := dialect.OpenGenerator(ctx, bench.Generator, dialect.Over(links))
	if err != nil {
		return nil, nil, err
	}
	if err := generator.SetRF(ctx, false); err != nil {
		return nil, nil, errors.Join(err, generator.Close())
	}
	scope, err := dialect.OpenScope(ctx, bench.Scope, dialect.Over(links))
	if err != nil {
		return nil, nil, errors.Join(err, generator.Close())
	}
	return generator, scope, nil
}

// memoryLimit is what a run is kept to by collecting harder, so that a small
// machine at the bench does not swap on a long night.
const memoryLimit = 64 << 20

// execution is what the subcommands that measure have in common.
type execution struct {
	store *journal.Store
	run   *sweep.Run
	cal   *sweep.Calibrated
	out   io.Writer // where progress is shown
	// resuming says that run is in the store already.
	resuming bool
	once     bool // the bench is gone with the command: nothing to resume
	record   *recording
}

// carryOut opens the bench and takes the run's steps. The run's state and
// verdict are set when it returns nil.
func (x *execution) carryOut(ctx context.Context) (err error) {
	debug.SetMemoryLimit(min(memoryLimit, debug.SetMemoryLimit(-1)))
	ctx, stop, done := stopOnSignal(ctx, x.out)
	defer done()
	free, err := queue.HoldBench(&x.run.Bench, x.store.Path())
	if err != nil {
		return err
	}
	defer free()
	links, ended, err := x.record.start(&x.run.Bench, x.out)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, ended()) }()
	generator, scope, err := openBench(ctx, &x.run.Bench, links)
	if err != nil {
		return err
	}
	defer generator.Close()
	defer scope.Close()
	return x.carryOutOn(ctx, stop, generator, scope)
}

// carryOutOn is carryOut with a bench that is open.
func (x *execution) carryOutOn(ctx context.Context, stop <-chan struct{}, generator drivers.Generator, scope drivers.Scope) (err error) {
	claimed := &claiming{Store: x.store}
	defer claimed.release()
	if x.resuming {
		if err := claimed.claim(x.run.ID); err != nil {
			return err
		}
	}
	progress := newProgress(x.out, x.run)
	defer progress.finish()
	executor := &sweep.Executor{
		Generator: generator, Scope: scope, Journal: claimed,
		Observe: progress.observe, Stop: stop, Retries: retries, Backoff: backoff,
	}
	if x.resuming {
		err = executor.Resume(ctx, x.run, x.cal)
	} else {
		err = executor.Start(ctx, x.run, x.cal)
	}
	if err != nil && x.run.ID != 0 && x.once {
		return fmt.Errorf("run %d: %w", x.run.ID, err)
	}
	if err != nil && x.run.ID != 0 {
		return fmt.Errorf("run %d: %w\nthe steps so far are kept; `%s` goes on", x.run.ID, err, x.resume())
	}
	return err
}

// resume is the command that goes on with the run.
func (x *execution) resume() string {
	command := fmt.Sprintf("halfturn resume %d", x.run.ID)
	if path := x.store.Path(); path != defaultStore() {
		command += " --store " + path
	}
	return command
}

// claiming is the store with the run held against a second process.
type claiming struct {
	*journal.Store
	held func() error
}

// Create stores a new run and holds it.
func (c *claiming) Create(ctx context.Context, run *sweep.Run) error {
	if err := c.Store.Create(ctx, run); err != nil {
		return err
	}
	return c.claim(run.ID)
}

func (c *claiming) claim(run int64) (err error) {
	c.held, err = c.Store.Claim(run)
	return err
}

func (c *claiming) release() {
	if c.held != nil {
		_ = c.held() // the lock ends with the process anyway
	}
}

// stopOnSignal gives a channel that the first interrupt or termination closes
// and a context that the second one cancels.
func stopOnSignal(ctx context.Context, out io.Writer) (context.Context, <-chan struct{}, func()) {
	ctx, cancel := context.WithCancel(ctx)
	signals := make(chan os.Signal, 2)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM)
	stop, quit, gone := make(chan struct{}), make(chan struct{}), make(chan struct{})
	go func() {
		defer close(gone)
		select {
		case <-signals:
		case <-quit:
			return
		}
		fmt.Fprintln(out, "\nstopping after this step, RF goes off; once more stops at once")
		close(stop)
		select {
		case <-signals:
			cancel()
		case <-quit:
		}
	}()
	return ctx, stop, func() {
		signal.Stop(signals)
		close(quit)
		<-gone
		cancel()
	}
}

// confirm asks a person to do something at the bench and waits for Enter.
func confirm(cmd *cobra.Command, yes bool, what string) error {
	if yes {
		return nil
	}
	in := cmd.InOrStdin()
	if f, ok := in.(*os.File); ok && !term.IsTerminal(int(f.Fd())) {
		return usageError{fmt.Errorf("nobody is at the keyboard to be asked: %s, then say --yes", what)}
	}
	fmt.Fprintf(cmd.ErrOrStderr(), "%s, then press Enter (Ctrl-C leaves) ", what)
	if _, err := bufio.NewReader(in).ReadString('\n'); err != nil {
		return errors.New("no answer: nothing was measured")
	}
	return nil
}

// cautions is shown before RF goes on at a real bench.
const cautions = `Before RF goes on: radiate only on a licensed or screened bench; keep within the
inputs' limits; scope inputs are earth-referenced, never float them; do not touch
conductors under RF, they burn; ferrite may be hot. Local codes and licensed
practice come first.
`

// findRun reads a run by its number, or "latest".
func findRun(ctx context.Context, store *journal.Store, name string) (sweep.Run, error) {
	if name == "latest" {
		return store.Latest(ctx, "")
	}
	id, err := strconv.ParseInt(name, 10, 64)
	if err != nil || id < 1 {
		return sweep.Run{}, usageError{fmt.Errorf("%q is not a run: give its number, as `halfturn runs` lists it, or latest", name)}
	}
	return store.Run(ctx, id)
}
