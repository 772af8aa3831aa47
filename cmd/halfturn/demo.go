package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"halfturn/analysis/report"
	"halfturn/cmd/halfturn/reporting"
	"halfturn/cmd/halfturn/setup"
	"halfturn/drivers/simbench"
	"halfturn/sweep"
	"halfturn/sweep/journal"
	"halfturn/units"
)

func demoCommand() *cobra.Command {
	var d demo
	cmd := &cobra.Command{
		Use:   "demo",
		Short: "Show the whole job on a simulated bench: calibrate, measure a balun, report",
		Long: `Show the whole job on a simulated bench: calibrate, measure a balun, report.

A simulated generator and scope are served on loopback sockets and driven like
real ones. Report, table and store are written into halfturn-demo/.

Scenarios: ` + strings.Join(simbench.Names(), ", "),
		Example: `  halfturn demo
  halfturn demo --scenario too-little-ferrite
  halfturn demo --scenario stepped-generator
  halfturn demo --truth --out proof`,
		Args: exactly(0, ""),
		RunE: func(cmd *cobra.Command, _ []string) error { return d.run(cmd) },
	}
	f := cmd.Flags()
	f.StringVar(&d.scenario, "scenario", "good-balun", "which simulated bench, e.g. --scenario broken-arm; a name or a file")
	f.StringVar(&d.bench, "bench", "", "bench file, or the name of a shipped one, whose instruments are simulated, e.g. --bench stepped (default: the shipped one that suits the scenario)")
	f.StringVar(&d.out, "out", "halfturn-demo", "folder for report, table and store, e.g. --out proof")
	f.BoolVar(&d.truth, "truth", false, "print the table with the simulator's exact values and the errors against them")
	f.BoolVar(&d.table, "table", false, "print every step below the summary")
	return cmd
}

// demo is the whole job in one command.
type demo struct {
	scenario, bench, out string
	truth, table         bool
}

func (d *demo) run(cmd *cobra.Command) error {
	ctx := cmd.Context()
	scenario, err := simbench.Load(d.scenario)
	if err != nil {
		return usageError{err}
	}
	config, err := setup.LoadSimulated(d.bench, d.scenario, scenario)
	if err != nil {
		return usageError{err}
	}
	if err := os.MkdirAll(d.out, 0o755); err != nil {
		return err
	}
	server, err := simbench.Serve(ctx, scenario, simbench.Options{})
	if err != nil {
		return err
	}
	defer server.Close()
	config.Bench.Generator.Address = server.GeneratorAddress()
	config.Bench.Scope.Address = server.ScopeAddress()
	config.Store = filepath.Join(d.out, "halfturn.db")

	store, err := journal.Open(ctx, config.Store)
	if err != nil {
		return err
	}
	defer store.Close()
	fmt.Fprintf(cmd.ErrOrStderr(), "Simulated bench %q: %s\n", d.scenario, scenario.Description)

	fresh := func(kind sweep.Kind) *sweep.Run {
		return &sweep.Run{Kind: kind, Label: "demo: " + d.scenario, Bench: config.Bench, Plan: config.Plan, Limits: config.Limits, Version: programVersion()}
	}
	server.FitForCalibration()
	calibration := &execution{store: store, run: fresh(sweep.Calibration), out: cmd.ErrOrStderr(), once: true}
	if err := d.carryOut(ctx, calibration); err != nil {
		return err
	}
	server.FitForMeasurement()
	measured := &execution{store: store, run: fresh(sweep.Balun), out: cmd.ErrOrStderr(), once: true}
	measured.run.Sleeves = scenario.Balun.Sleeves
	if measured.cal, err = sweep.LoadCalibrated(ctx, store, calibration.run.ID); err != nil {
		return err
	}
	if err := d.carryOut(ctx, measured); err != nil {
		return err
	}
	return d.conclude(cmd, server, store, measured.run)
}

func (d *demo) carryOut(ctx context.Context, x *execution) error {
	if err := x.carryOut(ctx); err != nil {
		return err
	}
	if x.run.State != sweep.Done {
		return fmt.Errorf("run %d %s; the simulated bench is gone with this command, start the demo again", x.run.ID, x.run.Reason)
	}
	return nil
}

func (d *demo) conclude(cmd *cobra.Command, server *simbench.Server, store *journal.Store, run *sweep.Run) error {
	var truth func(units.Hertz) report.Truth
	if d.truth {
		truth = func(f units.Hertz) report.Truth {
			t := server.Truth(f)
			return report.Truth{
				Ratio: t.Ratio, AmplitudeBalance: t.AmplitudeBalance, PhaseBalance: t.PhaseBalance,
				CommonModeRejection: t.CommonModeRejection, InsertionLoss: t.InsertionLoss,
				Transmission: t.Transmission,
			}
		}
	}
	in, err := loadReport(cmd.Context(), store, run, reporting.Options{Truth: truth, Figures: sweep.Figures})
	if err != nil {
		return err
	}
	page, table := filepath.Join(d.out, "report.html"), filepath.Join(d.out, "steps.csv")
	if err := writeFile(page, func(w io.Writer) error { return report.HTML(w, *in) }); err != nil {
		return err
	}
	if err := writeFile(table, func(w io.Writer) error { return report.CSV(w, *in) }); err != nil {
		return err
	}
	fmt.Fprintln(cmd.OutOrStdout())
	if err := report.Text(cmd.OutOrStdout(), *in, report.Options{Truth: d.truth, Table: d.table || d.truth}); err != nil {
		return err
	}
	fmt.Fprintf(cmd.OutOrStdout(), "\nLook at %s (table: %s, store: %s)\n", page, table, store.Path())
	return byVerdict(run.Verdict)
}
