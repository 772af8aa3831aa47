package main

import (
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"halfturn/analysis/report"
	"halfturn/sweep"
	"halfturn/sweep/journal"
)

// formats of an export; each writes what the run says, for another program.
var formats = map[string]func(io.Writer, report.Input) error{
	"csv":        report.CSV,
	"json":       report.JSON,
	"touchstone": report.Touchstone,
}

func exportCommand() *cobra.Command {
	var path, format, out string
	names := strings.Join(slices.Sorted(maps.Keys(formats)), ", ")
	cmd := &cobra.Command{
		Use:   "export RUN",
		Short: "Write a run for another program: CSV with units, JSON, or a Touchstone three-port",
		Example: `  halfturn export 12 --format csv --out steps.csv
  halfturn export latest --format touchstone > balun.s3p`,
		Args: exactly(1, "the number of a run"),
		RunE: func(cmd *cobra.Command, args []string) error {
			write, ok := formats[format]
			if !ok {
				return usageError{fmt.Errorf("there is no format %q: %s", format, names)}
			}
			return withRun(cmd, path, args[0], func(store *journal.Store, run *sweep.Run) error {
				in, err := loadReport(cmd.Context(), store, run, nil, 0)
				if err != nil {
					return err
				}
				if out == "" {
					return write(cmd.OutOrStdout(), *in)
				}
				if err := writeFile(out, func(w io.Writer) error { return write(w, *in) }); err != nil {
					return err
				}
				fmt.Fprintf(cmd.OutOrStdout(), "wrote %s\n", out)
				return nil
			})
		},
	}
	storeFlag(cmd, &path)
	cmd.Flags().StringVar(&format, "format", "csv", "one of "+names+", e.g. --format touchstone")
	cmd.Flags().StringVar(&out, "out", "", "file to write, e.g. --out balun.s3p (default: standard output)")
	return cmd
}
