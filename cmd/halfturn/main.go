// Command halfturn proves baluns with a signal generator and a two-channel
// scope: see README.md. Each subcommand has a file of its own; what they share
// is in bench.go (instruments and runs), progress.go and reporting/.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"halfturn/analysis/conformity"
)

// Exit codes besides those of a verdict (conformity.Verdict.ExitCode).
const (
	exitNotDone = 1
	exitUsage   = 2
)

func main() {
	os.Exit(run(context.Background(), os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

// run is main with everything that a test needs to reach; it returns the exit code.
func run(ctx context.Context, args []string, in io.Reader, out, errs io.Writer) int {
	root := rootCommand()
	root.SetArgs(args)
	root.SetIn(in)
	root.SetOut(out)
	root.SetErr(errs)
	err := root.ExecuteContext(ctx)
	var verdict verdictError
	var change changeError
	var usage usageError
	switch {
	case err == nil:
		return 0
	case errors.As(err, &verdict):
		return verdict.verdict.ExitCode()
	case errors.As(err, &change):
		return change.verdict.ExitCode()
	case errors.As(err, &usage):
		complain(errs, err)
		return exitUsage
	default:
		complain(errs, err)
		return exitNotDone
	}
}

// complain prints an error; one that joins several gets a line for each.
func complain(w io.Writer, err error) {
	for line := range strings.Lines(err.Error()) {
		fmt.Fprintln(w, "halfturn:", strings.TrimSpace(line))
	}
}

func rootCommand() *cobra.Command {
	root := &cobra.Command{
		Use:   "halfturn",
		Short: "Prove that the arms of a balun are equal and half a turn apart, over the whole band, unattended",
		Long: `halfturn steps a signal generator, reads a two-channel scope, takes the
fixture out with a calibration cable, and states amplitude balance, phase
balance, common-mode rejection and insertion loss with their uncertainty.

Try it without instruments:   halfturn demo
With your own bench:          halfturn calibrate -c bench.yaml
                              halfturn measure   -c bench.yaml

Exit codes: 0 done, and inside the limits where there are limits; 1 could not
be done; 2 wrong usage or configuration; 3 measured, fail; 4 measured,
undecided (conditional or not measurable).`,
		SilenceUsage:  true,
		SilenceErrors: true,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) > 0 {
				return usageError{fmt.Errorf("there is no command %q; `halfturn --help` lists them", args[0])}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	root.CompletionOptions.HiddenDefaultCmd = true
	root.SetFlagErrorFunc(func(cmd *cobra.Command, err error) error {
		return usageError{fmt.Errorf("%w; `%s --help` shows what there is", err, cmd.CommandPath())}
	})
	root.AddCommand(
		demoCommand(), simulateCommand(), checkCommand(), replayCommand(), maskCommand(),
		calibrateCommand(), measureCommand(), resumeCommand(),
		runsCommand(), showCommand(), reportCommand(), exportCommand(), recoverCommand(), thinCommand(),
		compareCommand(), baselineCommand(),
		serveCommand(), submitCommand(), jobsCommand(), readyCommand(), cancelCommand(), againCommand(), tokenCommand(),
		versionCommand(),
	)
	return root
}

// usageError is wrong usage or configuration: exit code 2.
type usageError struct{ error }

func (e usageError) Unwrap() error { return e.error }

// verdictError carries a verdict that is not a pass to the exit code. It is no
// failure of the program, and nothing is printed for it.
type verdictError struct{ verdict conformity.Verdict }

func (e verdictError) Error() string { return "verdict: " + string(e.verdict) }

// byVerdict is nil for a pass, or where there were no limits.
func byVerdict(v conformity.Verdict) error {
	if v.ExitCode() == 0 {
		return nil
	}
	return verdictError{v}
}

// exactly is cobra.ExactArgs with a usage error that says what is wanted.
func exactly(n int, what string) cobra.PositionalArgs {
	return func(cmd *cobra.Command, args []string) error {
		if len(args) == n {
			return nil
		}
		if n == 0 {
			return usageError{fmt.Errorf("%s takes no argument, got %q", cmd.CommandPath(), args[0])}
		}
		return usageError{fmt.Errorf("%s wants %s, got %d arguments; `%s --help` shows an example", cmd.CommandPath(), what, len(args), cmd.CommandPath())}
	}
}
