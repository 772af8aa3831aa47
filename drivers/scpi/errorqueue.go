package scpi

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"

	"halfturn/drivers"
)

// ErrorEntry is one entry of the error queue (SCPI-99, volume 1, 21.8).
type ErrorEntry struct {
	Code int // negative: defined by SCPI; positive: by the instrument; 0: no error
	Text string
}

func (e ErrorEntry) String() string { return strconv.Itoa(e.Code) + " " + e.Text }

// ParseErrorEntry reads an entry: an integer, a comma and a quoted string in
// which a quote is doubled (488.2, 8.7.8). A text without quotes, and a code
// without text, as older instruments send them, are taken too.
func ParseErrorEntry(reply string) (ErrorEntry, error) {
	bad := func(why string) (ErrorEntry, error) {
		return ErrorEntry{}, fmt.Errorf("%w: %s is no entry of an error queue, %s", drivers.ErrReply, quote([]byte(reply)), why)
	}
	code, text, _ := strings.Cut(reply, ",")
	// Sixteen bits are the range that SCPI gives the codes.
	n, err := strconv.ParseInt(strings.TrimSpace(code), 10, 16)
	if err != nil {
		return bad("it does not start with a code from -32768 to 32767")
	}
	text = strings.TrimSpace(text)
	if strings.HasPrefix(text, `"`) {
		inside, closed := strings.CutSuffix(text[1:], `"`)
		bare := strings.ReplaceAll(inside, `""`, "")
		if !closed || strings.Contains(bare, `"`) {
			return bad("its text is not one quoted string")
		}
		text = strings.ReplaceAll(inside, `""`, `"`)
	}
	return ErrorEntry{Code: int(n), Text: text}, nil
}

// ErrorReply is how the reply to Options.ErrorQuery is read. Its zero value is
// an entry of SCPI's error queue, of code 0 when the queue is empty.
type ErrorReply struct {
	Empty string // the text that says that there is no error; any other text is one
	Bits  int    // the reply is a status byte, and these bits of it tell errors
}

// entry is the error that a reply tells; empty for none.
func (r ErrorReply) entry(reply string) (string, error) {
	switch {
	case r.Bits != 0:
		status, err := ParseStatus(reply)
		if err != nil || status&r.Bits == 0 {
			return "", err
		}
		return fmt.Sprintf("status byte %d", status), nil
	case r.Empty != "":
		if strings.EqualFold(strings.TrimSpace(reply), r.Empty) {
			return "", nil
		}
		if strings.TrimSpace(reply) == "" {
			return "", fmt.Errorf("%w: nothing, where %s or an error was expected", drivers.ErrReply, r.Empty)
		}
		return strings.TrimSpace(reply), nil
	}
	entry, err := ParseErrorEntry(reply)
	if err != nil || entry.Code == 0 {
		return "", err
	}
	return entry.String(), nil
}

// maxErrors is how many entries are read before an error queue counts as one
// that does not empty.
const maxErrors = 64

// CheckErrors reads the error queue until it is empty. What was in it comes
// back in one error that wraps drivers.ErrRefused.
func (c *Conn) CheckErrors(ctx context.Context) error {
	if c.o.NoErrorQueue {
		return nil
	}
	var entries []string
	for range maxErrors {
		reply, err := c.Ask(ctx, c.o.ErrorQuery)
		var entry string
		if err == nil {
			entry, err = c.o.Errors.entry(reply)
			if err != nil {
				err = c.BadReply(c.o.ErrorQuery, reply, err)
			}
		}
		switch {
		case err != nil && len(entries) > 0:
			// Both matter, and the broken exchange decides what to do next.
			var e *drivers.Error
			if errors.As(err, &e) {
				e.Err = fmt.Errorf("%w (before that the error queue held %s)", e.Err, strings.Join(entries, ", "))
			}
			return err
		case err != nil:
			return err
		case entry == "" && len(entries) == 0:
			return nil
		case entry == "":
			return c.refused(entries, "")
		}
		entries = append(entries, entry)
	}
	return c.refused(entries, fmt.Sprintf(" (the error queue did not empty in %d reads)", maxErrors))
}

func (c *Conn) refused(entries []string, remark string) error {
	return &drivers.Error{
		Instrument: c.name(),
		Err:        fmt.Errorf("%w%s", drivers.ErrRefused, remark),
		Asked:      c.o.ErrorQuery,
		Got:        strings.Join(entries, ", "),
		Advice:     "check that the value is in the instrument's range and that the dialect fits this instrument",
	}
}

// dropErrors empties the error queue after a reconnect: what is in it, such
// as -410 for the reply that nobody fetched, speaks of the broken exchange.
func (c *Conn) dropErrors() error {
	if c.o.NoErrorQueue {
		return nil
	}
	for range maxErrors {
		if err := c.deliver(c.o.ErrorQuery); err != nil {
			return err
		}
		if err := c.readReply(c.o.ErrorQuery); err != nil {
			return err
		}
		if entry, err := c.o.Errors.entry(string(c.line)); err != nil || entry == "" {
			return err
		}
	}
	return fmt.Errorf("%w: the error queue did not empty in %d reads", drivers.ErrReply, maxErrors)
}
