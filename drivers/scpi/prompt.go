package scpi

import (
	"bytes"
	"fmt"
	"strings"

	"halfturn/drivers"
)

// With Options.Prompt the instrument says when it takes the next message, as one
// does that is made for a person at a terminal. Each exchange ends with the
// prompt and nothing is sent before it, so that the instrument is never given
// more than it takes. At the beginning of a line a prompt is skipped: one that
// was there before anything was asked.

// noPrompt is a prompt that did not come.
type noPrompt struct {
	prompt string
	err    error
}

func (e *noPrompt) what() string {
	return fmt.Sprintf("the prompt %q, which the dialect says is written before the next message (link.prompt), did not come", e.prompt)
}
func (e *noPrompt) Error() string { return e.what() + ": " + e.err.Error() }
func (e *noPrompt) Unwrap() error { return e.err }

// awaitPrompt reads up to the prompt, before which only white space may stand. It
// leaves c.line alone.
func (c *Conn) awaitPrompt() error {
	prompt := c.o.Prompt
	if prompt == "" {
		return nil
	}
	var came []byte
	for string(came) != prompt {
		b, err := c.in.ReadByte()
		switch {
		case err != nil:
			return &noPrompt{prompt, err}
		case len(came) == 0 && blank(b):
			continue
		case c.ends(b) || len(came) == longestHeader:
			return fmt.Errorf("%w: %s came where the prompt %q was expected", drivers.ErrReply, quote(trimBlank(came)), prompt)
		}
		came = append(came, b)
	}
	return nil
}

// sendPrompted sends messages that have no reply, each when the prompt says that
// it is taken.
func (c *Conn) sendPrompted(messages ...string) error {
	for _, m := range messages {
		if err := c.deliver(m); err != nil {
			return err
		}
		if err := c.awaitPrompt(); err != nil {
			return err
		}
	}
	return nil
}

// cutPrompts takes prompts and the white space around them off the beginning.
func (c *Conn) cutPrompts(line []byte) []byte {
	for {
		line = bytes.TrimLeftFunc(line, func(r rune) bool { return r < 0x80 && blank(byte(r)) })
		if c.o.Prompt == "" || !bytes.HasPrefix(line, []byte(c.o.Prompt)) {
			return line
		}
		line = line[len(c.o.Prompt):]
	}
}

// beginsPrompt says whether the first n bytes that wait may become a prompt.
func (c *Conn) beginsPrompt(n int) bool {
	waiting, _ := c.in.Peek(n)
	return n < len(c.o.Prompt) && strings.HasPrefix(c.o.Prompt, string(waiting))
}
