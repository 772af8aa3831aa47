package main

import (
	"context"
	"errors"
	"fmt"
	"os/signal"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"halfturn/cmd/halfturn/setup"
	"halfturn/sweep/journal"
	"halfturn/sweep/thin"
)

func thinCommand() *cobra.Command {
	var t thinning
	cmd := &cobra.Command{
		Use:   "thin (-c FILE | --store FILE)",
		Short: "Show which old captures would go, and with --yes remove them; results stay",
		Long: `Show which old captures would go, and with --yes remove them; results stay.

The captures of a run go when it was done longer before the newest run of the
store than thin: after: of the bench file, or --older, says. All of them stay of
a run that is not done or cannot be analysed, of a baseline, and of the
calibration or straight run of any run whose captures stay. Of the others those
of steps stay that were not a pass, or could not be measured, and those of the
X-Y figures in the report. Results, uncertainties, verdicts and reports are the
same afterwards.

It may run beside the daemon and be cut short at any time; another call goes on.
The store's file becomes smaller; one that was made before it could, keeps its
size, with room for new runs, until --rewrite, while nothing is measured.`,
		Example: `  halfturn thin -c bench.yaml
  halfturn thin -c bench.yaml --older "90 d" --yes
  halfturn thin --store halfturn.db --older "30 d"`,
		Args: exactly(0, ""),
		RunE: func(cmd *cobra.Command, _ []string) error {
			ctx, stop := signal.NotifyContext(cmd.Context(), syscall.SIGINT, syscall.SIGTERM)
			defer stop()
			cmd.SetContext(ctx)
			err := t.thin(cmd)
			if ctx.Err() != nil && errors.Is(err, context.Canceled) {
				return errors.New("cut short: what is gone is gone, all else is as it was; another call goes on")
			}
			return err
		},
	}
	f := cmd.Flags()
	f.StringVarP(&t.config, "config", "c", "", "bench file, which names the store and says how old, e.g. -c bench.yaml")
	f.StringVar(&t.store, "store", "", "the store, e.g. --store halfturn.db (default: that of the bench file)")
	f.StringVar(&t.older, "older", "", `how old, e.g. --older "90 d" (default: thin: after: of the bench file)`)
	f.BoolVar(&t.yes, "yes", false, "remove the captures that are shown without it")
	f.BoolVar(&t.rewrite, "rewrite", false, "with --yes: then write the file anew, so that it can become smaller")
	return cmd
}

// thinning is the flags of thin.
type thinning struct {
	config, store, older string
	yes, rewrite         bool
}

// rule is what is to be done and to which store.
func (t *thinning) rule() (store string, rule thin.Rule, err error) {
	store = t.store
	if t.config != "" {
		config, err := setup.Load(t.config, nil)
		if err != nil {
			return "", rule, usageError{err}
		}
		rule.After = config.Thin.After
		if store == "" {
			store = config.Store
		}
	}
	if t.older != "" {
		if rule.After, err = setup.ParseDuration(t.older); err != nil || rule.After < 0 {
			return "", rule, usageError{fmt.Errorf("--older %q is not a time: write it like \"90 d\"", t.older)}
		}
	}
	switch {
	case store == "":
		return "", rule, usageError{errors.New("which store? Say -c FILE, or --store; `halfturn thin --help` shows an example")}
	case t.older == "" && rule.After == 0:
		return "", rule, usageError{errors.New(`how old? Say --older "90 d", or thin: after: in the bench file`)}
	case t.rewrite && !t.yes:
		return "", rule, usageError{errors.New("--rewrite goes with --yes")}
	}
	return store, rule, nil
}

func (t *thinning) thin(cmd *cobra.Command) (err error) {
	path, rule, err := t.rule()
	if err != nil {
		return err
	}
	open := journal.OpenReadOnly
	if t.yes {
		open = journal.OpenExisting
	}
	store, err := open(cmd.Context(), path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, store.Close()) }()
	var steps, runs int
	var bytes int64
	told := func(due thin.Due, err error) {
		if err != nil {
			fmt.Fprintf(cmd.ErrOrStderr(), "warning: %v\n", err)
			return
		}
		if due.Steps == 0 {
			return
		}
		runs, steps, bytes = runs+1, steps+due.Steps, bytes+due.Bytes
		fmt.Fprintf(cmd.OutOrStdout(), "run %d, %s, done %s: captures of %d steps, about %s; %d steps keep theirs\n",
			due.Run.ID, due.Run.Kind, due.Run.Finished.Local().Format(time.DateOnly), due.Steps, size(due.Bytes), len(due.Kept))
	}
	if !t.yes {
		err := thin.Look(cmd.Context(), store, rule, time.Now(), func(due thin.Due, err error) bool {
			told(due, err)
			return true
		})
		if err != nil {
			return err
		}
		if runs == 0 {
			fmt.Fprintln(cmd.OutOrStdout(), "no captures are due by this rule")
			return nil
		}
		fmt.Fprintf(cmd.OutOrStdout(), "in all captures of %d steps of %d runs, about %s. Nothing was removed yet: --yes removes them\n", steps, runs, size(bytes))
		return nil
	}
	freed, err := thin.Thin(cmd.Context(), store, rule, time.Now(), told)
	if err != nil {
		return err
	}
	if runs == 0 {
		fmt.Fprintln(cmd.OutOrStdout(), "no captures are due by this rule")
		return t.shrink(cmd, store)
	}
	fmt.Fprintf(cmd.OutOrStdout(), "in all captures of %d steps of %d runs are gone; %s given back to the disk\n", steps, runs, size(freed))
	return t.shrink(cmd, store)
}

// shrink rewrites the store where that is wanted, and says so where it would help.
func (t *thinning) shrink(cmd *cobra.Command, store *journal.Store) error {
	free, shrinks, err := store.Free(cmd.Context())
	switch {
	case err != nil:
		return err
	case t.rewrite:
		if err := store.Rewrite(cmd.Context()); err != nil {
			return err
		}
		fmt.Fprintf(cmd.OutOrStdout(), "the store was written anew; %s given back to the disk\n", size(free))
	case !shrinks && free > 0:
		fmt.Fprintf(cmd.OutOrStdout(), "the file keeps its size, with %s of free room for new runs: --rewrite gives it back, while nothing is measured\n", size(free))
	}
	return nil
}

// size writes bytes as people read them.
func size(bytes int64) string {
	units, v := []string{"bytes", "KiB", "MiB", "GiB"}, float64(bytes)
	i := 0
	for ; v >= 1024 && i < len(units)-1; i++ {
		v /= 1024
	}
	if i == 0 {
		return fmt.Sprintf("%d bytes", bytes)
	}
	return fmt.Sprintf("%.1f %s", v, units[i])
}
