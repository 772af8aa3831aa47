package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"halfturn/drivers"
	"halfturn/drivers/link"
	"halfturn/drivers/link/record"
	"halfturn/sweep"
)

// recording is the flags of the commands that talk to instruments.
type recording struct {
	cmd   *cobra.Command
	file  string
	mask  bool
	limit int64 // MiB
}

func (r *recording) flags(cmd *cobra.Command) {
	r.cmd = cmd
	f := cmd.Flags()
	f.StringVar(&r.file, "record", "", "`file` that keeps every exchange with the instruments, for `halfturn replay`; one that is there is added to")
	f.BoolVar(&r.mask, "mask", false, "with --record: make identities, serial numbers and hosts unrecognisable")
	f.Int64Var(&r.limit, "record-limit", record.DefaultLimit>>20, "with --record: largest size of the file in `MiB`; what goes beyond is measured and not recorded")
}

// start begins a recording of the bench's links, if one is wanted. ended
// closes it, once the links are closed.
func (r *recording) start(bench *sweep.Bench, out io.Writer) (links link.Opener, ended func() error, err error) {
	if r == nil || r.file == "" && !r.mask && !r.cmd.Flags().Changed("record-limit") {
		return nil, func() error { return nil }, nil
	}
	o := record.Options{
		Program: "halfturn " + programVersion(), Command: r.cmd.Name(), Limit: r.limit << 20,
		Instruments: map[string]record.Instrument{"generator": described(&bench.Generator), "scope": described(&bench.Scope)},
		Complain:    func(problem string) { fmt.Fprintf(out, "\nhalfturn: %s\n", problem) },
	}
	switch {
	case r.file == "" && r.mask:
		return nil, nil, usageError{errors.New("--mask goes with --record FILE")}
	case r.file == "":
		return nil, nil, usageError{errors.New("--record-limit goes with --record FILE")}
	case r.limit <= 0:
		return nil, nil, usageError{fmt.Errorf("--record-limit %d: give a number of MiB above 0", r.limit)}
	}
	if r.mask {
		if o.Mask, err = loadMask(); err != nil {
			return nil, nil, err
		}
	}
	recorder, err := record.Create(r.file, o)
	if err != nil {
		return nil, nil, err
	}
	return recorder, func() error {
		// What could not be recorded is no failure of what was measured.
		if err := recorder.Close(); err != nil {
			fmt.Fprintln(out, "halfturn:", err)
			return nil
		}
		fmt.Fprintf(out, "recorded in %s; `halfturn replay %s` serves it again\n", r.file, r.file)
		return nil
	}, nil
}

// described is what a recording tells of an instrument. Of a dialect's path the
// name is enough.
func described(c *drivers.Config) record.Instrument {
	i := record.Instrument{Dialect: filepath.Base(c.Dialect), Reference: c.Reference}
	if c.TimeLimit > 0 {
		i.TimeLimit = fmt.Sprintf("%g ms", float64(c.TimeLimit)/float64(time.Millisecond))
	}
	if c.Channels != ([2]string{}) {
		i.Channels = c.Channels[:]
	}
	return i
}

// loadMask reads this user's key, which is never part of a recording.
func loadMask() (*record.Mask, error) {
	folder, err := os.UserConfigDir()
	if err != nil {
		return nil, fmt.Errorf("the key of masks has no place: %w", err)
	}
	return record.LoadMask(filepath.Join(folder, "halfturn", "mask.key"))
}

func maskCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "mask FROM TO",
		Short: "Copy a recording with identities, serial numbers and hosts made unrecognisable",
		Long: `Copy a recording with identities, serial numbers and hosts made unrecognisable.

Each becomes another of the same shape, the same one everywhere, also in other
recordings that you mask: a calibration still fits its instruments. It goes by a
key that is made once and kept in your configuration folder; without it nobody
can tell the serial number again. What the instruments measured and what they
were sent is left as it is. Look the copy over before you send it: it is text.

` + "`--record FILE --mask`" + ` masks while it records.`,
		Example: "  halfturn mask night.rec night-masked.rec",
		Args:    exactly(2, "a recording and the file to write"),
		RunE:    func(cmd *cobra.Command, args []string) error { return maskFile(cmd, args[0], args[1]) },
	}
}

func maskFile(cmd *cobra.Command, from, to string) (err error) {
	mask, err := loadMask()
	if err != nil {
		return err
	}
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	if _, err := os.Stat(to); err == nil {
		return fmt.Errorf("%s is there already: name another file", to)
	}
	info, err := in.Stat()
	if err != nil {
		return err
	}
	at, read := loading(cmd.ErrOrStderr(), in, info.Size())
	events := 0
	err = writeFile(to, func(w io.Writer) error {
		var err error
		events, err = mask.Copy(w, io.NewSectionReader(at, 0, info.Size()), from)
		var damage *record.Damage
		if errors.As(err, &damage) && events > 0 {
			fmt.Fprintln(cmd.ErrOrStderr(), "warning:", damage)
			return nil
		}
		return err
	})
	read()
	if err == nil {
		fmt.Fprintf(cmd.OutOrStdout(), "%d events in %s\n", events, to)
	}
	return err
}
