package main

import (
	"fmt"
	"strconv"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"halfturn/sweep/journal"
)

func runsCommand() *cobra.Command {
	var path string
	cmd := &cobra.Command{
		Use:     "runs",
		Short:   "List the runs of a store, the newest last",
		Example: "  halfturn runs\n  halfturn runs --store balun-2.db",
		Args:    exactly(0, ""),
		RunE: func(cmd *cobra.Command, _ []string) error {
			store, err := journal.OpenReadOnly(cmd.Context(), path)
			if err != nil {
				return err
			}
			defer store.Close()
			runs, err := store.Runs(cmd.Context())
			if err != nil {
				return err
			}
			if len(runs) == 0 {
				fmt.Fprintln(cmd.OutOrStdout(), "no runs yet: `halfturn calibrate -c FILE` makes the first")
				return nil
			}
			table := tabwriter.NewWriter(cmd.OutOrStdout(), 0, 0, 2, ' ', 0)
			fmt.Fprintln(table, "run\tkind\tstarted\tstate\tverdict\tcalibration\tstraight\tlabel")
			for _, r := range runs {
				fmt.Fprintf(table, "%d\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", r.ID, r.Kind,
					r.Started.Local().Format("2006-01-02 15:04:05"), r.State, r.Verdict, runNumber(r.Calibration), runNumber(r.Straight), r.Label)
			}
			return table.Flush()
		},
	}
	storeFlag(cmd, &path)
	return cmd
}

// runNumber writes another run's number, or nothing where there is none.
func runNumber(run int64) string {
	if run == 0 {
		return ""
	}
	return strconv.FormatInt(run, 10)
}
