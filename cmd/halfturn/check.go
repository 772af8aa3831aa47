package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"

	"github.com/spf13/cobra"

	"halfturn/cmd/halfturn/setup"
	"halfturn/sweep/check"
	"halfturn/sweep/queue"
)

func checkCommand() *cobra.Command {
	var (
		config      string
		yes, asJSON bool
		record      recording
	)
	cmd := &cobra.Command{
		Use:   "check -c FILE",
		Short: "Try a bench out before calibrating: what works, what does not and what to look up, what it can measure",
		Long: fmt.Sprintf(`Try a bench out before calibrating: what works, what does not and what to look
up in the manual, and what the bench can measure.

Both instruments are opened; every verb of their dialects is set and read back;
a signal of %v, or less where the bench allows less, is taken on each range and
in each window. Each line that fails says what was sent, what came back and what
to look up. Put the calibration cable or a balun in; with nothing connected the
instruments alone are tried.

Nothing but settings and RF is changed, and RF is off at the end, also after an
error or Ctrl-C. Nothing wrong is sent on purpose.

Exit codes: 0 all works; 1 something does not; 2 wrong usage or configuration.`, check.Level),
		Example: `  halfturn check -c bench.yaml
  halfturn check -c bench.yaml --yes --json`,
		Args: exactly(0, ""),
		RunE: func(cmd *cobra.Command, _ []string) error { return checkBench(cmd, config, yes, asJSON, &record) },
	}
	f := cmd.Flags()
	f.StringVarP(&config, "config", "c", "", "bench file, e.g. -c bench.yaml, or the name of a shipped one")
	f.BoolVar(&yes, "yes", false, "do not ask whether the fixture is ready")
	f.BoolVar(&asJSON, "json", false, "print all of it as JSON at the end")
	setup.Flags(f)
	record.flags(cmd)
	return cmd
}

func checkBench(cmd *cobra.Command, file string, yes, asJSON bool, record *recording) (err error) {
	if file == "" {
		return usageError{errors.New("which bench? Say -c FILE; `halfturn check --help` shows an example")}
	}
	config, err := setup.Load(file, cmd.Flags())
	if err != nil {
		return usageError{err}
	}
	if !yes {
		fmt.Fprint(cmd.ErrOrStderr(), cautions)
	}
	if err := confirm(cmd, yes, "Put the calibration cable into the fixture"); err != nil {
		return err
	}
	free, err := queue.HoldBench(&config.Bench, config.Store)
	if err != nil {
		return err
	}
	defer free()
	links, ended, err := record.start(&config.Bench, cmd.ErrOrStderr())
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, ended()) }()
	ctx, stop := signal.NotifyContext(cmd.Context(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	out := cmd.OutOrStdout()
	tell := func(f check.Finding) { _ = f.Write(out) } // a check goes on when nobody reads it
	if asJSON {
		tell = nil
	}
	report, err := check.Run(ctx, check.Bench{Bench: config.Bench, Plan: config.Plan, Limits: config.Limits, Links: links}, tell, nil)
	if asJSON {
		text, failed := json.MarshalIndent(report, "", "  ")
		if failed != nil {
			return errors.Join(err, failed)
		}
		fmt.Fprintf(out, "%s\n", text)
	} else if failed := report.Write(out); failed != nil {
		return errors.Join(err, failed)
	}
	switch {
	case err != nil && ctx.Err() == nil:
		return usageError{err} // a bench file that cannot be kept to
	case err != nil:
		return err
	case !report.Works:
		return errors.New("the bench does not do all that it should")
	}
	if !asJSON {
		fmt.Fprintf(out, "\nNext: halfturn calibrate -c %s\n", file)
	}
	return nil
}
