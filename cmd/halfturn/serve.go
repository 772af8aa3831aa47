package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"syscall"
	_ "time/tzdata" // schedules have time zones on machines without a data base of them

	"github.com/spf13/cobra"

	"halfturn/cmd/halfturn/daemon"
	"halfturn/cmd/halfturn/daemon/token"
	"halfturn/cmd/halfturn/panel"
	"halfturn/cmd/halfturn/setup"
)

func serveCommand() *cobra.Command {
	var file string
	var record recording
	cmd := &cobra.Command{
		Use:   "serve -c FILE",
		Short: "Own a bench: work through queued jobs and schedules, and serve what goes on over HTTP",
		Long: `Own a bench: work through queued jobs and schedules, and serve what goes on over HTTP.

RF is switched off first. While it runs, no other command can use the bench.
Jobs come from ` + "`halfturn submit`" + `, from the page, over HTTP, and from the
schedules of the bench file. After a kill or a loss of power the next start
goes on with the job that was running, at its next step. A termination ends
tidily: RF goes off, the step ends, within 5 s.

The bench file is read again when it has changed, and on a hang-up signal.
Schedules, hook, webhook and tries hold at once; plan, limits and bench hold from
the next job on. A file with something wrong in it, or with another store,
address, listen, token or certificate, which take a restart, is refused with a
line in the log, and what was in force stays.

Only this machine can reach it unless the bench file says otherwise; see the
serve keys in configs/benches/README.md.`,
		Example: `  halfturn serve -c bench.yaml
  halfturn submit balun -c bench.yaml --label "winding 3"
  halfturn jobs -c bench.yaml`,
		Args: exactly(0, ""),
		RunE: func(cmd *cobra.Command, _ []string) error { return serve(cmd, file, &record) },
	}
	cmd.Flags().StringVarP(&file, "config", "c", "", "bench file, e.g. -c bench.yaml, or the name of a shipped one")
	setup.Flags(cmd.Flags())
	record.flags(cmd)
	return cmd
}

func serve(cmd *cobra.Command, file string, record *recording) (err error) {
	if file == "" {
		return usageError{errors.New("which bench? Say -c FILE; `halfturn serve --help` shows an example")}
	}
	config, err := setup.Load(file, cmd.Flags())
	if err != nil {
		return usageError{err}
	}
	links, ended, err := record.start(&config.Bench, cmd.ErrOrStderr())
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, ended()) }()
	debug.SetMemoryLimit(min(memoryLimit, debug.SetMemoryLimit(-1)))
	ctx, stop, done := stopOnSignal(cmd.Context(), io.Discard)
	defer done()
	d, err := daemon.New(ctx, daemon.Options{
		Config: config, File: watched(file), Load: func() (*setup.Config, error) { return setup.Load(file, cmd.Flags()) }, Program: "halfturn " + programVersion(), Version: programVersion(),
		Page: panel.Page, Links: links, Log: cmd.ErrOrStderr(),
	})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, d.Close()) }()
	defer reloadOnSignal(d)()
	l, err := d.Listen()
	if err != nil {
		return err
	}
	return d.Run(ctx, l, stop, func() {
		scheme := "http"
		if config.Serve.Certificate != "" {
			scheme = "https"
		}
		fmt.Fprintf(cmd.OutOrStdout(), "serving %s at %s://%s\n", config.Bench.Name, scheme, l.Addr())
		daemon.NotifyReady()
	})
}

// reloadOnSignal reads the bench file again on a hang-up, as daemons do; what
// it returns ends that.
func reloadOnSignal(d *daemon.Daemon) (end func()) {
	signals, quit, gone := make(chan os.Signal, 1), make(chan struct{}), make(chan struct{})
	signal.Notify(signals, syscall.SIGHUP)
	go func() {
		defer close(gone)
		for {
			select {
			case <-signals:
				_ = d.Reload() // it is in the log and on the page
			case <-quit:
				return
			}
		}
	}()
	return func() {
		signal.Stop(signals)
		close(quit)
		<-gone
	}
}

// watched is the file to look at for changes; none where a shipped one is used.
func watched(file string) string {
	if _, err := os.Stat(file); err != nil {
		return ""
	}
	return file
}

func tokenCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "token",
		Short: "Make an access token for the daemon, and the hash that the bench file holds",
		Long: `Make an access token for the daemon, and the hash that the bench file holds.

Keep the token where you keep passwords; it is not stored anywhere. The hash
goes into the bench file under serve: token_hash.`,
		Example: "  halfturn token",
		Args:    exactly(0, ""),
		RunE: func(cmd *cobra.Command, _ []string) error {
			t, hash, err := token.New()
			if err != nil {
				return err
			}
			_, err = fmt.Fprintf(cmd.OutOrStdout(), "token       %s\ntoken_hash: %s\n", t, hash)
			return err
		},
	}
}
