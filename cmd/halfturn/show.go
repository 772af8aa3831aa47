package main

import (
	"context"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"halfturn/analysis/report"
	"halfturn/cmd/halfturn/reporting"
	"halfturn/sweep"
	"halfturn/sweep/journal"
)

func showCommand() *cobra.Command {
	var path string
	var p printing
	var a asked
	cmd := &cobra.Command{
		Use:   "show RUN",
		Short: "Show a run: verdict, figures and their uncertainty; with --table every step",
		Example: `  halfturn show latest
  halfturn show 12 --table
  halfturn show 12 --budget "30 MHz" --monte-carlo
  halfturn show 12 --sleeves 6
  halfturn show 12 --json | python3 -m json.tool`,
		Args: exactly(1, "the number of a run"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := a.read(&p.Options); err != nil {
				return usageError{err}
			}
			return withRun(cmd, path, args[0], func(store *journal.Store, run *sweep.Run) error {
				return printRun(cmd, store, run, p)
			})
		},
	}
	storeFlag(cmd, &path)
	cmd.Flags().BoolVar(&p.table, "table", false, "print every step below the summary")
	cmd.Flags().BoolVar(&p.json, "json", false, "print run, summary and steps as JSON")
	a.flags(cmd)
	return cmd
}

// printing says how a run is printed.
type printing struct {
	table, json bool
	reporting.Options
}

// printRun analyses a run and prints it.
func printRun(cmd *cobra.Command, store *journal.Store, run *sweep.Run, p printing) error {
	in, err := loadReport(cmd.Context(), store, run, p.Options)
	if err != nil {
		return err
	}
	if p.json {
		return report.JSON(cmd.OutOrStdout(), *in)
	}
	if err := report.Text(cmd.OutOrStdout(), *in, report.Options{Truth: p.Truth != nil, Table: p.table}); err != nil || p.BudgetAt == 0 {
		return err
	}
	return report.BudgetText(cmd.OutOrStdout(), *in, in.Budgets[len(in.Budgets)-1])
}

func loadReport(ctx context.Context, store *journal.Store, run *sweep.Run, o reporting.Options) (*report.Input, error) {
	o.Program, o.Now = "halfturn "+programVersion(), time.Now()
	return reporting.Load(ctx, store, run, o)
}

// withRun opens a store for reading and finds one run in it.
func withRun(cmd *cobra.Command, path, name string, do func(*journal.Store, *sweep.Run) error) error {
	store, err := journal.OpenReadOnly(cmd.Context(), path)
	if err != nil {
		return err
	}
	defer store.Close()
	run, err := findRun(cmd.Context(), store, name)
	if err != nil {
		return err
	}
	if err := do(store, &run); err != nil {
		return err
	}
	if damage := store.Damage(); damage != nil {
		fmt.Fprintf(cmd.ErrOrStderr(), "warning: %v\n", damage)
	}
	return nil
}
