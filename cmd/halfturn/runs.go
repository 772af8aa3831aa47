package main

import (
	"fmt"
	"slices"
	"strconv"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"halfturn/sweep"
	"halfturn/sweep/journal"
)

func runsCommand() *cobra.Command {
	var path, kind string
	var last int
	cmd := &cobra.Command{
		Use:     "runs",
		Short:   "List the runs of a store, the newest last",
		Example: "  halfturn runs\n  halfturn runs --kind calibration --last 10\n  halfturn runs --store balun-2.db",
		Args:    exactly(0, ""),
		RunE: func(cmd *cobra.Command, _ []string) error {
			switch sweep.Kind(kind) {
			case "", sweep.Calibration, sweep.Balun, sweep.Swapped:
			default:
				return usageError{fmt.Errorf("%q is no kind of run: calibration, balun or swapped", kind)}
			}
			if last < 0 {
				return usageError{fmt.Errorf("--last %d: give how many, or leave it out for all", last)}
			}
			store, err := journal.OpenReadOnly(cmd.Context(), path)
			if err != nil {
				return err
			}
			defer store.Close()
			listed, err := store.List(cmd.Context(), journal.Listing{Kind: sweep.Kind(kind), Most: last})
			if err != nil {
				return err
			}
			runs := listed.Runs
			switch {
			case len(runs) == 0 && kind != "":
				fmt.Fprintf(cmd.OutOrStdout(), "no %s run yet\n", kind)
				return nil
			case len(runs) == 0:
				fmt.Fprintln(cmd.OutOrStdout(), "no runs yet: `halfturn calibrate -c FILE` makes the first")
				return nil
			}
			table := tabwriter.NewWriter(cmd.OutOrStdout(), 0, 0, 2, ' ', 0)
			fmt.Fprintln(table, "run\tkind\tstarted\tstate\tverdict\tcalibration\tstraight\tlabel")
			for _, r := range slices.Backward(runs) {
				fmt.Fprintf(table, "%d\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", r.ID, r.Kind,
					r.Started.Local().Format("2006-01-02 15:04:05"), r.State, r.Verdict, runNumber(r.Calibration), runNumber(r.Straight), r.Label)
			}
			return table.Flush()
		},
	}
	storeFlag(cmd, &path)
	cmd.Flags().StringVar(&kind, "kind", "", "only those of a kind, e.g. --kind calibration")
	cmd.Flags().IntVar(&last, "last", 0, "only the newest, so many, e.g. --last 20")
	return cmd
}

// runNumber writes another run's number, or nothing where there is none.
func runNumber(run int64) string {
	if run == 0 {
		return ""
	}
	return strconv.FormatInt(run, 10)
}
