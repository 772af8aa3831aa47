package main

import (
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"halfturn/analysis/report"
	"halfturn/cmd/halfturn/reporting"
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
	var captures bool
	names := strings.Join(slices.Sorted(maps.Keys(formats)), ", ")
	cmd := &cobra.Command{
		Use:   "export RUN",
		Short: "Write a run for another program: CSV with units, JSON, or a Touchstone three-port",
		Long: `Write a run for another program: CSV with units, JSON, or a Touchstone three-port.

csv         a row of names, a row of units, then a row for each step
json        {"run", "summary", "transmission", "swapped", "choke", "budgets", "linearity",
            "fixture", "steps"}, those between summary and steps where a run has them; u_ is the
            expanded uncertainty, null what is not known. With --captures each step
            has "captured": a list of {"rate_hz", "traces": [arm 1, arm 2]}, a trace
            being {"arm", "volts_per_code", "zero", "low", "high", "codes"}, and
            volts = (code - zero) * volts_per_code; null where they were thinned;
            with a phase reference a third trace has "reference" in place of "arm"
touchstone  the three-port of what is known (Touchstone 1.1), with the phase of the
            transmission where there is a phase reference; its comment lines say
            what is measured, assumed and unknown`,
		Example: `  halfturn export 12 --format csv --out steps.csv
  halfturn export 12 --format json --captures --out run-12.json
  halfturn export latest --format touchstone > balun.s3p`,
		Args: exactly(1, "the number of a run"),
		RunE: func(cmd *cobra.Command, args []string) error {
			write, ok := formats[format]
			if !ok {
				return usageError{fmt.Errorf("there is no format %q: %s", format, names)}
			}
			if captures && format != "json" {
				return usageError{fmt.Errorf("--captures goes with --format json; %s has no place for them", format)}
			}
			return withRun(cmd, path, args[0], func(store *journal.Store, run *sweep.Run) error {
				in, err := loadReport(cmd.Context(), store, run, reporting.Options{})
				if err != nil {
					return err
				}
				if captures {
					read := reporting.Captures(cmd.Context(), store, run.ID)
					gone := 0
					write = func(w io.Writer, in report.Input) error {
						return report.JSONWithCaptures(w, in, func(step int) ([]report.Capture, error) {
							list, err := read(step)
							if err == nil && list == nil {
								gone++
							}
							return list, err
						})
					}
					defer func() {
						if gone > 0 {
							fmt.Fprintf(cmd.ErrOrStderr(), "warning: the captures of %d of %d steps were thinned and are gone: they are null\n", gone, len(in.Steps))
						}
					}()
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
	cmd.Flags().BoolVar(&captures, "captures", false, "all that was sampled too; with --format json")
	cmd.Flags().StringVar(&out, "out", "", "file to write, e.g. --out balun.s3p (default: standard output)")
	return cmd
}
