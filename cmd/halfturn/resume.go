package main

import (
	"cmp"
	"fmt"
	"os"

	"github.com/spf13/cobra"

	"halfturn/sweep"
	"halfturn/sweep/journal"
)

func resumeCommand() *cobra.Command {
	var m measuring
	var path string
	cmd := &cobra.Command{
		Use:   "resume RUN",
		Short: "Go on with a run that was stopped, failed or killed, at its next step",
		Long: `Go on with a run that was stopped, failed or killed, at its next step.

The bench, plan and limits are those that the run began with; the fixture must
be as it was left, and the instruments the same.`,
		Example: "  halfturn resume 12\n  halfturn resume latest --yes",
		Args:    exactly(1, "the number of a run"),
		RunE: func(cmd *cobra.Command, args []string) error {
			ctx := cmd.Context()
			store, err := journal.OpenExisting(ctx, path)
			if err != nil {
				return err
			}
			defer store.Close()
			run, err := findRun(ctx, store, args[0])
			if err != nil {
				return err
			}
			x := &execution{store: store, run: &run, out: cmd.ErrOrStderr(), resuming: true, record: &m.record}
			if run.Calibration != 0 {
				if x.cal, err = sweep.LoadCalibrated(ctx, store, run.Calibration); err != nil {
					return err
				}
			}
			if run.State == sweep.Done {
				return fmt.Errorf("run %d is done: there is nothing to resume", run.ID)
			}
			what := "the balun"
			switch run.Kind {
			case sweep.Calibration:
				what = "the calibration cable"
			case sweep.Swapped:
				what = "the balun with its arms exchanged"
			}
			if err := confirm(cmd, m.yes, fmt.Sprintf("Run %d %s goes on: see that %s is in the fixture as before", run.ID, run.Label, what)); err != nil {
				return err
			}
			if err := x.carryOut(ctx); err != nil {
				return err
			}
			m.config = "FILE"
			return m.conclude(cmd, x)
		},
	}
	storeFlag(cmd, &path)
	cmd.Flags().BoolVar(&m.yes, "yes", false, "do not ask whether the fixture is ready")
	cmd.Flags().BoolVar(&m.table, "table", false, "print every step below the summary")
	m.record.flags(cmd)
	return cmd
}

// storeFlag is --store of the commands that need no bench file.
func storeFlag(cmd *cobra.Command, path *string) {
	cmd.Flags().StringVar(path, "store", defaultStore(), "the store to read, e.g. --store balun-2.db")
}

// defaultStore is the store where no flag names one.
func defaultStore() string { return cmp.Or(os.Getenv("HALFTURN_STORE"), "halfturn.db") }
