package main

import (
	"bufio"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"halfturn/drivers/simbench"
)

func simulateCommand() *cobra.Command {
	var file string
	var options simbench.Options
	cmd := &cobra.Command{
		Use:   "simulate -c FILE",
		Short: "Serve a simulated generator and scope, to try a bench file or a script without instruments",
		Long: `Serve a simulated generator and scope, to try a bench file or a script without
instruments. What a person would put into the fixture is typed here: cable,
balun, swapped or nothing; quit ends. A script sends
:SIMulate:FIXTure CALibration, BALun, SWAPped or NONE to the generator instead.

Shipped scenarios: ` + strings.Join(simbench.Names(), ", "),
		Example: `  halfturn simulate -c good-balun --generator 127.0.0.1:5025 --scope 127.0.0.1:5026
  halfturn simulate -c my-scenario.yaml --pty`,
		Args: exactly(0, ""),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if file == "" {
				return usageError{fmt.Errorf("which scenario? Say -c FILE or -c with one of %s", strings.Join(simbench.Names(), ", "))}
			}
			scenario, err := simbench.Load(file)
			if err != nil {
				return usageError{err}
			}
			return simulate(cmd, scenario, options)
		},
	}
	f := cmd.Flags()
	f.StringVarP(&file, "config", "c", "", "scenario file, or the name of a shipped one, e.g. -c broken-arm")
	f.StringVar(&options.GeneratorListen, "generator", "127.0.0.1:0", "where the generator listens, e.g. --generator 127.0.0.1:5025")
	f.StringVar(&options.ScopeListen, "scope", "127.0.0.1:0", "where the scope listens, e.g. --scope 127.0.0.1:5026")
	f.BoolVar(&options.PTY, "pty", false, "serve both on pseudo-terminals too, as serial instruments (Linux)")
	return cmd
}

func simulate(cmd *cobra.Command, scenario *simbench.Scenario, options simbench.Options) error {
	ctx, stop, done := stopOnSignal(cmd.Context(), io.Discard)
	defer done()
	server, err := simbench.Serve(ctx, scenario, options)
	if err != nil {
		return err
	}
	defer server.Close()
	out := cmd.OutOrStdout()
	fmt.Fprintf(out, "%s\n", scenario.Description)
	fmt.Fprintf(out, "generator  %s\nscope      %s\n", server.GeneratorAddress(), server.ScopeAddress())
	if generator, scope := server.SerialAddresses(); generator != "" {
		fmt.Fprintf(out, "generator  %s\nscope      %s\n", generator, scope)
	}
	server.FitForCalibration()
	fmt.Fprintln(out, "The calibration cable is in the fixture. Type cable, balun, swapped, nothing or quit.")

	// A read of the keyboard cannot be cut short, so that this goroutine may
	// outlive the command by a line; the process ends with it.
	lines := make(chan string)
	go func() {
		defer close(lines)
		in := bufio.NewScanner(cmd.InOrStdin())
		for in.Scan() {
			select {
			case lines <- strings.TrimSpace(in.Text()):
			case <-stop:
				return
			}
		}
	}()
	for {
		select {
		case <-stop:
			return nil
		case <-ctx.Done():
			return nil
		case line, open := <-lines:
			if !open { // no keyboard: serve until told to stop
				lines = nil
				continue
			}
			if line == "quit" {
				return nil
			}
			fmt.Fprintln(out, fit(server, line))
		}
	}
}

// fit does what a person types and answers in a line.
func fit(server *simbench.Server, what string) string {
	switch what {
	case "":
		return ""
	case "cable":
		server.FitForCalibration()
	case "balun":
		server.FitForMeasurement()
	case "swapped":
		server.Fit(simbench.FitSwapped)
	case "nothing":
		server.Fit(simbench.FitNothing)
	default:
		return fmt.Sprintf("%q: type cable, balun, swapped, nothing or quit", what)
	}
	return what + " is in the fixture"
}
