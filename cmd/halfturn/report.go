package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"halfturn/analysis/report"
	"halfturn/cmd/halfturn/reporting"
	"halfturn/sweep"
	"halfturn/sweep/journal"
)

func reportCommand() *cobra.Command {
	var path, out string
	var a asked
	cmd := &cobra.Command{
		Use:     "report RUN",
		Short:   "Write a run's report as one self-contained HTML page",
		Example: "  halfturn report latest\n  halfturn report 12 --out winding-3.html --sleeves 6",
		Args:    exactly(1, "the number of a run"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o := reporting.Options{Figures: sweep.Figures}
			if err := a.read(&o); err != nil {
				return usageError{err}
			}
			return withRun(cmd, path, args[0], func(store *journal.Store, run *sweep.Run) error {
				in, err := loadReport(cmd.Context(), store, run, o)
				if err != nil {
					return err
				}
				if out == "" {
					out = fmt.Sprintf("report-%d.html", run.ID)
				}
				if err := writeFile(out, func(w io.Writer) error { return report.HTML(w, *in) }); err != nil {
					return err
				}
				fmt.Fprintf(cmd.OutOrStdout(), "wrote %s\n", out)
				return nil
			})
		},
	}
	storeFlag(cmd, &path)
	a.flags(cmd)
	cmd.Flags().StringVar(&out, "out", "", "file to write, e.g. --out winding-3.html (default report-RUN.html)")
	return cmd
}

// writeFile writes a whole file or leaves the old one as it was.
func writeFile(path string, write func(io.Writer) error) error {
	f, err := os.CreateTemp(filepath.Dir(path), ".halfturn-*")
	if err != nil {
		if failed := new(os.PathError); errors.As(err, &failed) {
			err = failed.Err // not the name of a file that nobody asked for
		}
		return fmt.Errorf("cannot write %s: %w", path, err)
	}
	defer os.Remove(f.Name()) // fails once it is renamed, as it should
	if err := write(f); err != nil {
		f.Close()
		return fmt.Errorf("cannot write %s: %w", path, err)
	}
	if err := f.Chmod(0o644); err != nil {
		f.Close()
		return fmt.Errorf("cannot write %s: %w", path, err)
	}
	if err := f.Close(); err != nil {
		return fmt.Errorf("cannot write %s: %w", path, err)
	}
	return os.Rename(f.Name(), path)
}
