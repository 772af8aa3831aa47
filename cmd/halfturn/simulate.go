package main

import (
	"bufio"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"halfturn/cmd/halfturn/setup"
	"halfturn/drivers/simbench"
)

func simulateCommand() *cobra.Command {
	var file string
	var options simbench.Options
	var speaks string
	cmd := &cobra.Command{
		Use:   "simulate -c FILE",
		Short: "Serve a simulated generator and scope, to try a bench file or a script without instruments",
		Long: `Serve a simulated generator and scope, to try a bench file or a script without
instruments. What a person would put into the fixture is typed here: cable,
balun, swapped or nothing; quit ends. A script sends
:SIMulate:FIXTure CALibration, BALun, SWAPped or NONE to the generator instead.

Both instruments speak SCPI-99 unless told otherwise with --speaks. The other
families are invented, with the same physics, to try dialects and links on:

` + aboutFamilies() + `
Shipped scenarios: ` + strings.Join(simbench.Names(), ", "),
		Example: `  halfturn simulate -c good-balun --generator 127.0.0.1:5025 --scope 127.0.0.1:5026
  halfturn simulate -c my-scenario.yaml --pty
  halfturn simulate -c good-balun --speaks headed
  halfturn simulate -c good-balun --speaks generator=spoken,scope=bundled`,
		Args: exactly(0, ""),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if file == "" {
				return usageError{fmt.Errorf("which scenario? Say -c FILE or -c with one of %s", strings.Join(simbench.Names(), ", "))}
			}
			scenario, err := simbench.Load(file)
			if err != nil {
				return usageError{err}
			}
			if options.GeneratorSpeaks, options.ScopeSpeaks, err = parseSpeaks(speaks); err != nil {
				return usageError{err}
			}
			// A serial instrument without a serial line would be none.
			serial := options.GeneratorSpeaks.Serial() || options.ScopeSpeaks.Serial()
			options.PTY = options.PTY || serial && simbench.HasPTY
			return simulate(cmd, scenario, options)
		},
	}
	f := cmd.Flags()
	f.StringVarP(&file, "config", "c", "", "scenario file, or the name of a shipped one, e.g. -c broken-arm")
	f.StringVar(&options.GeneratorListen, "generator", "127.0.0.1:0", "where the generator listens, e.g. --generator 127.0.0.1:5025")
	f.StringVar(&options.ScopeListen, "scope", "127.0.0.1:0", "where the scope listens, e.g. --scope 127.0.0.1:5026")
	f.BoolVar(&options.PTY, "pty", false, "serve both on pseudo-terminals too, as serial instruments (Linux)")
	f.StringVar(&speaks, "speaks", string(simbench.SCPI99), "what the instruments speak, e.g. --speaks headed or --speaks generator=coded,scope=bundled")
	return cmd
}

func aboutFamilies() string {
	var b strings.Builder
	for _, f := range simbench.Families() {
		fmt.Fprintf(&b, "  %-8s %s\n", f, f.About())
	}
	return b.String()
}

// parseSpeaks reads one family for both instruments, or one for each.
func parseSpeaks(text string) (generator, scope simbench.Family, err error) {
	generator, scope = simbench.SCPI99, simbench.SCPI99
	for part := range strings.SplitSeq(text, ",") {
		which, name, each := strings.Cut(part, "=")
		if !each {
			which, name = "", part
		}
		var f simbench.Family
		if err := f.UnmarshalText([]byte(name)); err != nil {
			return "", "", fmt.Errorf("--speaks %s: %w", text, err)
		}
		switch which {
		case "":
			generator, scope = f, f
		case "generator":
			generator = f
		case "scope":
			scope = f
		default:
			return "", "", fmt.Errorf("--speaks %s: %q is neither generator nor scope", text, which)
		}
	}
	return generator, scope, nil
}

// benchLines is what a bench file says of the instruments. One that is made for
// a serial line is met there; habits of the generator are stated.
func benchLines(server *simbench.Server, scenario *simbench.Scenario, o simbench.Options) string {
	generator, scope := server.GeneratorAddress(), server.ScopeAddress()
	generatorLine, scopeLine := server.SerialAddresses()
	if o.GeneratorSpeaks.Serial() && generatorLine != "" {
		generator = generatorLine
	}
	if o.ScopeSpeaks.Serial() && scopeLine != "" {
		scope = scopeLine
	}
	speaks := fmt.Sprintf(" {address: %q, dialect: %s}", generator, o.GeneratorSpeaks.Dialect(simbench.Generator))
	if habits := habitLines(&scenario.Generator); habits != "" {
		speaks = fmt.Sprintf("\n    address: %q\n    dialect: %s\n%s", generator, o.GeneratorSpeaks.Dialect(simbench.Generator), strings.TrimSuffix(habits, "\n"))
	}
	dialect := o.ScopeSpeaks.Dialect(simbench.Scope)
	if scenario.Reference.Fitted() && o.ScopeSpeaks == simbench.SCPI99 {
		dialect = setup.SplitDialect + ", channels: {arm1: 1, arm2: 2, reference: " + setup.SplitChannel + "}"
	}
	return fmt.Sprintf(`bench:
  generator:%s
  scope: {address: %q, dialect: %s}
`, speaks, scope, dialect)
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
	fmt.Fprintf(out, "\nIn a bench file:\n\n%s\n", benchLines(server, scenario, options))
	if scenario.Reference.Fitted() && options.ScopeSpeaks != simbench.SCPI99 {
		fmt.Fprintf(out, "The phase reference is left out: the dialect of %s instruments has two channels.\n\n", options.ScopeSpeaks)
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
