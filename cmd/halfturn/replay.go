package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"halfturn/drivers/link/replay"
)

func replayCommand() *cobra.Command {
	var o replay.Options
	var generator, scope, pace string
	cmd := &cobra.Command{
		Use:   "replay FILE",
		Short: "Serve a recording (--record) as instruments, so that what went wrong goes wrong again",
		Long: `Serve a recording (--record) as instruments, so that what went wrong goes wrong
again. What is printed goes into a bench file, together with the rest of the
one that was recorded with: its load, limits and plan; then the same commands
are run against it. Links of every kind are replayed as tcp.

What arrives must be what was recorded, instrument by instrument, in the same
order. A question may be asked once more, and a connection made anew. With
anything else the replay ends and says what it expected. Silence, half an answer
and a broken connection come again; a connection that was refused comes as one
that is reset.

Exit codes: 0 all came again; 1 something else came, or not all; 2 wrong usage.`,
		Example: `  halfturn replay night.rec
  halfturn replay night.rec --pace recorded --generator 127.0.0.1:5025 --scope 127.0.0.1:5026`,
		Args: exactly(1, "a recording"),
		RunE: func(cmd *cobra.Command, args []string) error {
			switch pace {
			case "fast":
			case "recorded":
				o.Paced = true
			default:
				return usageError{fmt.Errorf("--pace %s: it is fast or recorded", pace)}
			}
			o.Listen = map[string]string{"generator": generator, "scope": scope}
			return replayFile(cmd, args[0], o)
		},
	}
	f := cmd.Flags()
	f.StringVar(&pace, "pace", "fast", "recorded: answers take as long as they did; fast: they come at once")
	f.StringVar(&generator, "generator", "127.0.0.1:0", "where the generator listens, e.g. --generator 127.0.0.1:5025")
	f.StringVar(&scope, "scope", "127.0.0.1:0", "where the scope listens, e.g. --scope 127.0.0.1:5026")
	return cmd
}

func replayFile(cmd *cobra.Command, path string, o replay.Options) error {
	file, err := os.Open(path)
	if err != nil {
		return err
	}
	defer file.Close()
	info, err := file.Stat()
	if err != nil {
		return err
	}
	at, read := loading(cmd.ErrOrStderr(), file, info.Size())
	rec, err := replay.Read(at, info.Size(), path)
	read()
	if err != nil {
		return err
	}
	errs := cmd.ErrOrStderr()
	if rec.Damage != nil {
		fmt.Fprintln(errs, "warning:", rec.Damage)
	}
	for _, note := range rec.Notes {
		fmt.Fprintln(errs, "note:", note)
	}
	ctx, stop, done := stopOnSignal(cmd.Context(), io.Discard)
	defer done()
	server, err := replay.Serve(ctx, rec, o)
	if err != nil {
		return err
	}
	defer server.Close()
	printReplay(cmd.OutOrStdout(), rec, server)

	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	go func() {
		select {
		case <-stop:
			cancel()
		case <-ctx.Done():
		}
	}()
	err = server.Wait(ctx)
	switch all := rec.Exchanges(); {
	case err == nil:
		fmt.Fprintf(cmd.OutOrStdout(), "all %d messages came as recorded\n", all)
		return nil
	case errors.Is(err, context.Canceled):
		return fmt.Errorf("stopped: %d of %d messages came as recorded", server.Progress(), all)
	default:
		return fmt.Errorf("not as recorded, after %d of %d messages: %w", server.Progress(), all, err)
	}
}

// printReplay prints what a bench file needs.
func printReplay(out io.Writer, rec *replay.Recording, server *replay.Server) {
	for _, s := range rec.Sessions {
		masked := ""
		if s.Masked {
			masked = ", masked"
		}
		fmt.Fprintf(out, "# %s, %s, %s%s\n", s.Command, s.Started.Format("2006-01-02 15:04:05 MST"), s.Program, masked)
	}
	fmt.Fprintln(out, "bench:")
	parts, addresses := server.Addresses()
	for _, part := range parts {
		fmt.Fprintf(out, "  %s:\n    address: %s\n", part, addresses[part])
		known := rec.Instrument(part)
		if known.Dialect != "" {
			fmt.Fprintf(out, "    dialect: %s\n", known.Dialect)
		}
		if known.TimeLimit != "" {
			fmt.Fprintf(out, "    time_limit: %s\n", known.TimeLimit)
		}
		if len(known.Channels) == 2 && known.Reference != "" {
			fmt.Fprintf(out, "    channels: {arm1: %s, arm2: %s, reference: %s}\n", known.Channels[0], known.Channels[1], known.Reference)
		} else if len(known.Channels) > 0 {
			fmt.Fprintf(out, "    channels: [%s]\n", strings.Join(known.Channels, ", "))
		}
	}
}
