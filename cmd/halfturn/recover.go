package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"halfturn/sweep/journal"
)

func recoverCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "recover FROM TO",
		Short: "Copy what can still be read of a damaged store into a new one",
		Long: `Copy what can still be read of a damaged store into a new one.

Each run is copied up to its first step that cannot be read and keeps its
number; one that lost steps can be resumed. The daemon's jobs and the names of
baselines come along. FROM is left as it is.`,
		Example: "  halfturn recover halfturn.db mended.db",
		Args:    exactly(2, "the damaged store and the new one"),
		RunE: func(cmd *cobra.Command, args []string) error {
			out := cmd.OutOrStdout()
			recovered, err := journal.Recover(cmd.Context(), args[0], args[1], func(r journal.Copied) {
				line := fmt.Sprintf("run %d: %d steps, captures of %d", r.Run, r.Steps, r.Captures)
				if lost := r.Steps - r.Captures; lost > 0 && !r.Thinned {
					line += fmt.Sprintf(", those of %d are lost", lost)
				} else if lost > 0 {
					line += ", the others were thinned before"
				}
				if r.Lost != nil {
					line += fmt.Sprintf("; lost from there on: %v", r.Lost)
				}
				fmt.Fprintln(out, line)
			})
			for _, lost := range recovered.Lost {
				fmt.Fprintf(out, "lost: %v\n", lost)
			}
			if recovered.Jobs+recovered.Baselines > 0 {
				fmt.Fprintf(out, "jobs %d, baselines %d\n", recovered.Jobs, recovered.Baselines)
			}
			if err == nil {
				fmt.Fprintf(out, "\nNext: halfturn runs --store %s\n", args[1])
			}
			return err
		},
	}
}
