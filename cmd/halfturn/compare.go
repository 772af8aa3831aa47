package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/spf13/cobra"

	"halfturn/analysis/compare"
	"halfturn/analysis/report"
	"halfturn/cmd/halfturn/reporting"
	"halfturn/sweep"
	"halfturn/sweep/journal"
	"halfturn/units"
)

func compareCommand() *cobra.Command {
	var c comparing
	cmd := &cobra.Command{
		Use:   "compare BASELINE RUN [RUN...]",
		Short: "Tell what changed between runs of a balun beyond their uncertainty",
		Long: `Tell what changed between runs of a balun beyond their uncertainty: frequency
by frequency and over the band, is it nearer to the ideal, farther from it, or
is the difference no more than the uncertainty explains? What a shared
calibration contributes cancels; of the bench's budget that part counts which
each run has for itself, fitting the balun anew included. With more than two
runs it states the spread of a batch or of a night's series: mean, standard
deviation, and drift against time.

BASELINE and RUN are a run's number, "latest", or a name given with
` + "`halfturn baseline NAME RUN`" + `.

Exit codes, for use in a script: 0 unchanged or better; 3 worse; 4 mixed,
better in parts and worse in others, or changed and neither; 1 could not be
done; 2 wrong usage. A series of more than two runs is stated and not judged:
0 whatever its spread.`,
		Example: `  halfturn compare 3 latest
  halfturn compare "winding 2" 7 --out rewound.html
  halfturn compare 3 latest || echo "worse, or mixed: wind again"
  halfturn compare 3 4 5 6 7 --refit "0 dB" --json | python3 -m json.tool`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) < 2 {
				return usageError{fmt.Errorf("%s wants a baseline and at least one run; `%s --help` shows an example", cmd.CommandPath(), cmd.CommandPath())}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error { return c.compare(cmd, args) },
	}
	storeFlag(cmd, &c.store)
	cmd.Flags().BoolVar(&c.json, "json", false, "print verdict, summary and steps as JSON")
	cmd.Flags().BoolVar(&c.table, "table", false, "print every step below the summary")
	cmd.Flags().StringVar(&c.out, "out", "", "also write a self-contained HTML page, e.g. --out rewound.html")
	cmd.Flags().TextVar(&c.refit, "refit", units.DB(0), "`change` of the arm ratio by taking the balun out and fitting it again, as a standard uncertainty, e.g. --refit \"0.02 dB\"; \"0 dB\" where nothing was touched (default: by the connectors of the bench's budget)")
	cmd.Flags().Lookup("refit").DefValue = "" // said in words
	return cmd
}

// comparing is the flags of compare.
type comparing struct {
	store, out  string
	json, table bool
	refit       units.DB
}

func (c *comparing) compare(cmd *cobra.Command, names []string) error {
	var options compare.Options
	if cmd.Flags().Changed("refit") {
		options.Refit = &c.refit
	}
	if err := options.Validate(); err != nil {
		return usageError{err}
	}
	store, err := journal.OpenReadOnly(cmd.Context(), c.store)
	if err != nil {
		return err
	}
	defer store.Close()
	o := reporting.CompareOptions{Program: "halfturn " + programVersion(), Now: time.Now(), Refit: options.Refit}
	runs := make([]sweep.Run, len(names))
	for i, name := range names {
		var baseline string
		if runs[i], baseline, err = findNamed(cmd.Context(), store, name); err != nil {
			return err
		}
		if i == 0 {
			o.Baseline = baseline
		}
	}
	compared, err := reporting.Compare(cmd.Context(), store, runs, o)
	switch {
	case errors.Is(err, reporting.ErrNotComparable):
		return usageError{err}
	case err != nil:
		return err
	}
	if err := c.write(cmd, *compared); err != nil {
		return err
	}
	if compared.Pair == nil || compared.Pair.Verdict.ExitCode() == 0 {
		return nil
	}
	return changeError{compared.Pair.Verdict}
}

func (c *comparing) write(cmd *cobra.Command, compared report.Compared) error {
	var err error
	if c.json {
		err = report.CompareJSON(cmd.OutOrStdout(), compared)
	} else {
		err = report.CompareText(cmd.OutOrStdout(), compared, report.Options{Table: c.table})
	}
	if err != nil || c.out == "" {
		return err
	}
	if err := writeFile(c.out, func(w io.Writer) error { return report.CompareHTML(w, compared) }); err != nil {
		return err
	}
	fmt.Fprintf(cmd.ErrOrStderr(), "wrote %s\n", c.out)
	return nil
}

// changeError carries the verdict of a comparison to the exit code. It is no
// failure of the program, and nothing is printed for it.
type changeError struct{ verdict compare.Verdict }

func (e changeError) Error() string { return "compared: " + string(e.verdict) }

// findNamed reads a run by its number, "latest", or the name of a baseline,
// which then comes with it.
func findNamed(ctx context.Context, store *journal.Store, name string) (run sweep.Run, baseline string, err error) {
	if _, err := strconv.ParseInt(name, 10, 64); err == nil || name == "latest" {
		run, err := findRun(ctx, store, name)
		return run, "", err
	}
	id, err := store.Baseline(ctx, name)
	if errors.Is(err, journal.ErrNoBaseline) {
		return sweep.Run{}, "", usageError{fmt.Errorf("there is no run and no baseline %q in %s: `halfturn runs` and `halfturn baseline` list them", name, store.Path())}
	}
	if err != nil {
		return sweep.Run{}, "", err
	}
	run, err = store.Run(ctx, id)
	if err != nil {
		err = fmt.Errorf("baseline %q: %w", name, err)
	}
	return run, name, err
}

func baselineCommand() *cobra.Command {
	var path string
	var remove bool
	cmd := &cobra.Command{
		Use:   "baseline [NAME RUN]",
		Short: "Name a run, for comparing others with it; without arguments list the names",
		Example: `  halfturn baseline "winding 2" 12
  halfturn baseline
  halfturn baseline --remove "winding 2"`,
		Args: func(cmd *cobra.Command, args []string) error {
			switch {
			case remove && len(args) != 1:
				return usageError{fmt.Errorf("%s --remove wants one name", cmd.CommandPath())}
			case !remove && len(args) != 0 && len(args) != 2:
				return usageError{fmt.Errorf("%s wants a name and a run, or nothing to list the names; `%s --help` shows an example", cmd.CommandPath(), cmd.CommandPath())}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			switch {
			case remove:
				return removeBaseline(cmd, path, args[0])
			case len(args) == 0:
				return listBaselines(cmd, path)
			}
			return setBaseline(cmd, path, args[0], args[1])
		},
	}
	storeFlag(cmd, &path)
	cmd.Flags().BoolVar(&remove, "remove", false, `take a name away; the run stays, e.g. --remove "winding 2"`)
	return cmd
}

func setBaseline(cmd *cobra.Command, path, name, of string) error {
	if err := checkBaselineName(name); err != nil {
		return usageError{err}
	}
	store, err := journal.OpenExisting(cmd.Context(), path)
	if err != nil {
		return err
	}
	defer store.Close()
	run, _, err := findNamed(cmd.Context(), store, of)
	if err != nil {
		return err
	}
	if run.Kind == sweep.Calibration {
		return usageError{fmt.Errorf("run %d is a calibration: a baseline is the run of a balun", run.ID)}
	}
	if err := store.SetBaseline(cmd.Context(), name, run.ID); err != nil {
		return err
	}
	fmt.Fprintf(cmd.OutOrStdout(), "run %d is the baseline %q\nNext: halfturn compare %q latest --store %s\n", run.ID, name, name, path)
	return nil
}

func removeBaseline(cmd *cobra.Command, path, name string) error {
	store, err := journal.OpenExisting(cmd.Context(), path)
	if err != nil {
		return err
	}
	defer store.Close()
	if err := store.RemoveBaseline(cmd.Context(), name); err != nil {
		return err
	}
	fmt.Fprintf(cmd.OutOrStdout(), "the baseline %q is gone; its run stays\n", name)
	return nil
}

func listBaselines(cmd *cobra.Command, path string) error {
	store, err := journal.OpenReadOnly(cmd.Context(), path)
	if err != nil {
		return err
	}
	defer store.Close()
	list, err := store.Baselines(cmd.Context())
	if err != nil {
		return err
	}
	if len(list) == 0 {
		fmt.Fprintln(cmd.OutOrStdout(), "no baselines yet: `halfturn baseline NAME RUN` names one")
		return nil
	}
	table := tabwriter.NewWriter(cmd.OutOrStdout(), 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "name\trun\tlabel")
	for _, b := range list {
		label := "(its run cannot be read: name another, or --remove it)"
		if run, err := store.Run(cmd.Context(), b.Run); err == nil {
			label = run.Label
		}
		fmt.Fprintf(table, "%s\t%d\t%s\n", b.Name, b.Run, label)
	}
	return table.Flush()
}

// checkBaselineName refuses a name that could be taken for a run, or that a
// terminal could not show.
func checkBaselineName(name string) error {
	const most = 80
	_, err := strconv.ParseFloat(name, 64)
	switch {
	case name == "" || strings.TrimSpace(name) != name || !utf8.ValidString(name):
		return fmt.Errorf("%q is no name for a baseline: give it a word or a few", name)
	case err == nil || name == "latest":
		return fmt.Errorf("%q is no name for a baseline: it could be taken for a run; give it a word", name)
	case strings.ContainsFunc(name, func(r rune) bool { return !unicode.IsPrint(r) }):
		return fmt.Errorf("%q is no name for a baseline: it holds what cannot be printed", name)
	case utf8.RuneCountInString(name) > most:
		return fmt.Errorf("the name of a baseline has at most %d characters, not %d", most, utf8.RuneCountInString(name))
	}
	return nil
}
