package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"halfturn/analysis/uncertainty"
	"halfturn/cmd/halfturn/reporting"
	"halfturn/units"
)

// asked is the flags of show and report by which a person asks for more than
// the run itself says.
type asked struct {
	budget     string
	monteCarlo bool
	sleeves    int
}

func (a *asked) flags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.StringVar(&a.budget, "budget", "", `uncertainty budget at the step nearest to a frequency, e.g. --budget "30 MHz"`)
	f.BoolVar(&a.monteCarlo, "monte-carlo", false, "intervals after JCGM 101 there as well; with --budget")
	sleevesFlag(cmd, &a.sleeves, "sleeves on the balun's line, in place of what is kept with the run, e.g. --sleeves 6")
}

// mostSleeves is more than any line takes.
const mostSleeves = 1000

func sleevesFlag(cmd *cobra.Command, n *int, usage string) {
	cmd.Flags().IntVar(n, "sleeves", 0, usage)
}

// checkSleeves refuses what is no number of sleeves; 0 is that of nobody having said.
func checkSleeves(n int) error {
	if n < 0 || n > mostSleeves {
		return fmt.Errorf("--sleeves is %d: it is the number of ferrite sleeves on the line, 1 to %d", n, mostSleeves)
	}
	return nil
}

// read puts what was asked for into the options of a report.
func (a *asked) read(o *reporting.Options) error {
	if err := checkSleeves(a.sleeves); err != nil {
		return err
	}
	o.Sleeves = a.sleeves
	if a.budget == "" {
		if a.monteCarlo {
			return errors.New("--monte-carlo needs a frequency: say --budget \"30 MHz\" too")
		}
		return nil
	}
	f, err := units.ParseHertz(a.budget)
	switch {
	case err != nil:
		return fmt.Errorf("--budget: %w", err)
	case f <= 0:
		return fmt.Errorf("--budget is %v: a frequency must be above 0 Hz", f)
	}
	o.BudgetAt = f
	if a.monteCarlo {
		o.MonteCarlo = &uncertainty.Trials{}
	}
	return nil
}
