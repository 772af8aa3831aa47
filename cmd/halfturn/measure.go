package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"halfturn/cmd/halfturn/daemon"
	"halfturn/cmd/halfturn/setup"
	"halfturn/sweep"
	"halfturn/sweep/journal"
)

// measuring is the flags of calibrate and measure.
type measuring struct {
	config      string
	label       string
	calibration string
	swapped     string
	sleeves     int
	yes         bool
	table       bool
	record      recording
}

func (m *measuring) flags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVarP(&m.config, "config", "c", "", "bench file, e.g. -c bench.yaml, or the name of a shipped one")
	f.StringVar(&m.label, "label", "", `what is in the fixture, e.g. --label "winding 3, 5 sleeves"`)
	f.BoolVar(&m.yes, "yes", false, "do not ask whether the fixture is ready")
	f.BoolVar(&m.table, "table", false, "print every step below the summary")
	setup.Flags(f)
	m.record.flags(cmd)
}

func calibrateCommand() *cobra.Command {
	var m measuring
	cmd := &cobra.Command{
		Use:   "calibrate -c FILE",
		Short: "Sweep the calibration cable, which proves the fixture and is taken out of later runs",
		Example: `  halfturn calibrate -c bench.yaml
  halfturn calibrate -c bench.yaml --yes --label "Monday, cable 2"`,
		Args: exactly(0, ""),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return m.measure(cmd, sweep.Calibration, "Put the calibration cable into the fixture")
		},
	}
	m.flags(cmd)
	return cmd
}

func measureCommand() *cobra.Command {
	var m measuring
	cmd := &cobra.Command{
		Use:   "measure -c FILE",
		Short: "Sweep a balun, take the fixture out, decide against the limits",
		Long: `Sweep a balun, take the fixture out, decide against the limits.

With --swapped RUN the balun of that run is measured once more with its arms
exchanged. Calibration, plan and limits are those of RUN. The arm ratio that it
reads is 1/r: amplitude and phase balance come out with the opposite sign, and
limits, which hold in both directions, decide the same. Both runs together give
r without any calibration, and what fixture and scope add of their own:
` + "`show` and `report`" + ` tell it.`,
		Example: `  halfturn measure -c bench.yaml
  halfturn measure -c bench.yaml --calibration 3 --label "rewound, 6 sleeves"
  halfturn measure -c bench.yaml --sleeves 6
  halfturn measure -c bench.yaml --swapped 4`,
		Args: exactly(0, ""),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := checkSleeves(m.sleeves); err != nil {
				return usageError{err}
			}
			if m.swapped != "" {
				return m.measure(cmd, sweep.Swapped, "Exchange the balun's arms, each end to where the other one was, and leave all else as it is")
			}
			return m.measure(cmd, sweep.Balun, "Put the balun into the fixture")
		},
	}
	m.flags(cmd)
	cmd.Flags().StringVar(&m.calibration, "calibration", "latest", "calibration run to take out, e.g. --calibration 3")
	sleevesFlag(cmd, &m.sleeves, "ferrite sleeves on the balun's line, kept with the run, e.g. --sleeves 6: tells what more of them would bring")
	cmd.Flags().StringVar(&m.swapped, "swapped", "", "the balun's `run` before its arms were exchanged, e.g. --swapped 4")
	return cmd
}

func (m *measuring) measure(cmd *cobra.Command, kind sweep.Kind, prompt string) error {
	ctx := cmd.Context()
	if m.config == "" {
		return usageError{fmt.Errorf("which bench? Say -c FILE; `halfturn %s --help` shows an example", cmd.Name())}
	}
	config, err := setup.Load(m.config, cmd.Flags())
	if err != nil {
		return usageError{err}
	}
	if kind == sweep.Balun && config.Limits.None() { // a swapped run has those of its straight one
		fmt.Fprintln(cmd.ErrOrStderr(), "no limits are configured: results are stated and nothing is decided")
	}
	store, err := journal.Open(ctx, config.Store)
	if err != nil {
		return err
	}
	defer store.Close()
	run := &sweep.Run{
		Kind: kind, Label: m.label, Bench: config.Bench, Plan: config.Plan, Limits: config.Limits, Version: programVersion(),
		Sleeves: m.sleeves,
	}
	x := &execution{store: store, run: run, out: cmd.ErrOrStderr(), record: &m.record}
	if kind == sweep.Swapped {
		if err := m.followStraight(cmd, store, run); err != nil {
			return err
		}
	}
	if kind != sweep.Calibration {
		if x.cal, err = findCalibration(ctx, store, run.Bench.Name, m.calibration); err != nil {
			return err
		}
		run.Started = time.Now()
		if w := x.cal.AgeWarning(run); w != "" {
			fmt.Fprintln(cmd.ErrOrStderr(), "warning:", w)
		}
	}
	if !m.yes {
		fmt.Fprint(cmd.ErrOrStderr(), cautions)
	}
	if err := confirm(cmd, m.yes, prompt); err != nil {
		return err
	}
	if err := x.carryOut(ctx); err != nil {
		return err
	}
	return m.conclude(cmd, x)
}

// followStraight gives a swapped run what it must have in common with its
// straight one, unless the command line says otherwise, and refuses what does
// not go together.
func (m *measuring) followStraight(cmd *cobra.Command, store *journal.Store, run *sweep.Run) error {
	straight, err := findRun(cmd.Context(), store, m.swapped)
	if err != nil {
		return err
	}
	given := func(flags ...string) bool {
		return slices.ContainsFunc(flags, func(f string) bool { return cmd.Flags().Changed(f) })
	}
	config := run.Plan
	run.Straight, run.Plan, run.Calibration = straight.ID, straight.Plan, straight.Calibration
	if given("from", "to", "points", "spacing") {
		run.Plan.Segments = config.Segments
	}
	if given("captures", "max-captures") {
		run.Plan.Captures, run.Plan.MaxCaptures = config.Captures, config.MaxCaptures
	}
	if !given("limits") {
		run.Limits = straight.Limits
	}
	if run.Label == "" {
		run.Label = straight.Label
	}
	if run.Sleeves == 0 {
		run.Sleeves = straight.Sleeves
	}
	if given("calibration") {
		cal, err := findCalibration(cmd.Context(), store, run.Bench.Name, m.calibration)
		if err != nil {
			return err
		}
		run.Calibration = cal.Run.ID
	}
	if err := run.PairsWith(&straight); err != nil {
		return usageError{err}
	}
	m.calibration = strconv.FormatInt(run.Calibration, 10)
	return nil
}

// longRun is so many steps that analysing them for the screen would take more
// memory than measuring them did; `show` does it when it is wanted.
const longRun = 20_000

// conclude says what came of a run and what to do next.
func (m *measuring) conclude(cmd *cobra.Command, x *execution) error {
	run := x.run
	if run.State != sweep.Done {
		return fmt.Errorf("run %d %s; `%s` goes on", run.ID, run.Reason, x.resume())
	}
	if x.cal = nil; run.Plan.Steps() > longRun && !m.table {
		fmt.Fprintf(cmd.OutOrStdout(), "run %d is done %s\n", run.ID, run.Verdict)
		fmt.Fprintf(cmd.OutOrStdout(), "Next: halfturn show %d --store %s\n", run.ID, x.store.Path())
		return byVerdict(run.Verdict)
	}
	if err := printRun(cmd, x.store, run, printing{table: m.table}); err != nil {
		return err
	}
	if run.Kind == sweep.Calibration {
		if _, err := sweep.LoadCalibrated(cmd.Context(), x.store, run.ID); err != nil {
			return fmt.Errorf("nothing can be measured with this: %w", err)
		}
		fmt.Fprintf(cmd.OutOrStdout(), "\nNext: halfturn measure -c %s --calibration %d\n", m.config, run.ID)
		return nil
	}
	fmt.Fprintf(cmd.OutOrStdout(), "\nNext: halfturn report %d --store %s\n", run.ID, x.store.Path())
	return byVerdict(run.Verdict)
}

// findCalibration reads the calibration that a run on a bench names; the latest
// is not one of a dry run.
func findCalibration(ctx context.Context, store *journal.Store, bench, name string) (*sweep.Calibrated, error) {
	if name == "latest" {
		for run, err := range store.Newest(ctx, sweep.Calibration, 0) {
			if err != nil {
				return nil, err
			}
			if run.State == sweep.Done && run.Bench.Name != daemon.Simulated(bench) {
				return sweep.LoadCalibrated(ctx, store, run.ID)
			}
		}
		return nil, errors.New("there is no finished calibration in the store yet: run `halfturn calibrate` first")
	}
	run, err := findRun(ctx, store, name)
	if err != nil {
		return nil, err
	}
	return sweep.LoadCalibrated(ctx, store, run.ID)
}
