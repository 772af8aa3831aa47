package scpi

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"syscall"
	"time"

	"halfturn/drivers"
	"halfturn/drivers/link"
)

// Send sends messages that have no reply, each with its terminator, in one
// piece. Success says that the link took them; CheckErrors says whether the
// instrument did.
func (c *Conn) Send(ctx context.Context, messages ...string) error {
	if len(messages) == 0 {
		return nil
	}
	asked := messages[0]
	if len(messages) > 1 {
		asked = strings.Join(messages, "; ")
	}
	if err := c.begin(ctx, asked); err != nil {
		return err
	}
	unwatch := c.watch(ctx)
	defer unwatch()
	send := c.deliver
	if c.o.Prompt != "" {
		send = c.sendPrompted
	}
	if err := send(messages...); err != nil {
		return c.fail(ctx, asked, c.line, err)
	}
	return nil
}

// Ask sends a query and returns the reply, without its terminator and the
// white space around it. A reply that starts with a block belongs to AskBlock.
func (c *Conn) Ask(ctx context.Context, query string) (string, error) {
	if err := c.begin(ctx, query); err != nil {
		return "", err
	}
	unwatch := c.watch(ctx)
	defer unwatch()
	err := c.deliver(query)
	if err == nil {
		err = c.readReply(query)
	}
	if err != nil {
		return "", c.fail(ctx, query, c.line, err)
	}
	return string(c.line), nil
}

// AskBlock sends a query whose reply is an arbitrary block and returns what
// is in it, in buf's storage where that is large enough. The block may be
// definite, with or without a terminator after it, or indefinite. The end of
// an indefinite block can be seen on a byte stream only by a newline followed
// by silence (Options.Quiet), since newlines may be among its bytes. A link that
// does not carry all byte values is refused, and nothing sent.
func (c *Conn) AskBlock(ctx context.Context, query string, buf []byte) ([]byte, error) {
	return c.AskBlockOf(ctx, query, unknownSize, buf)
}

// AskBlockOf is AskBlock for a caller who knows how many bytes should come: the
// newline behind them ends an indefinite block without waiting for silence. A
// block of another size comes back as it is.
func (c *Conn) AskBlockOf(ctx context.Context, query string, size int, buf []byte) ([]byte, error) {
	if err := c.begin(ctx, query); err != nil {
		return nil, err
	}
	if !link.Transparent(c.link) {
		return nil, &drivers.Error{
			Instrument: c.name(), Asked: shorten(query),
			Err:    fmt.Errorf("%w: not sent: the line does not carry every byte of a block", drivers.ErrReply),
			Advice: "have the instrument send its samples as text, or set the line to flow=rtscts and 8 bits on both sides",
		}
	}
	unwatch := c.watch(ctx)
	defer unwatch()
	c.line = c.line[:0]
	err := c.deliver(query)
	if err == nil {
		buf, err = c.readBlock(ctx, query, size, buf)
	}
	if err != nil {
		return nil, c.fail(ctx, query, c.line, err)
	}
	return buf, nil
}

// BadReply is the error for a reply that arrived in order and means nothing
// to the caller. err wraps drivers.ErrReply, as those of the Parse functions do.
func (c *Conn) BadReply(asked, got string, err error) error {
	advice := "check that the dialect fits this instrument"
	if !c.o.Headers && RepeatsHeader(asked, got) {
		advice = "the reply repeats the header of its query: say so in the dialect (link.headers: yes)"
	}
	return &drivers.Error{Instrument: c.name(), Asked: shorten(asked), Got: shorten(got), Err: err, Advice: advice}
}

func (c *Conn) name() string { return c.o.Instrument + " at " + c.o.Address }

// begin makes the connection ready for an exchange and starts its time limit.
func (c *Conn) begin(ctx context.Context, asked string) error {
	refuse := func(format string, args ...any) error {
		return &drivers.Error{Instrument: c.name(), Asked: shorten(asked), Err: fmt.Errorf("%w: "+format, append([]any{drivers.ErrLink}, args...)...)}
	}
	switch {
	case c.closed:
		return refuse("it was closed")
	case ctx.Err() != nil:
		return refuse("not sent: %w", context.Cause(ctx))
	case c.restoring && !c.trusted:
		return refuse("the connection failed again while the settings were being sent")
	}
	if c.trusted && !c.inStep() {
		if c.restoring {
			return c.fail(ctx, asked, nil, fmt.Errorf("%w: input that nobody asked for", drivers.ErrReply))
		}
		c.trusted = false
	}
	if !c.trusted {
		if err := c.reconnect(ctx); err != nil {
			return err
		}
	}
	return c.limit(c.o.TimeLimit)
}

// inStep says whether the link stands where the last exchange left it.
// Anything but white space that came since was not asked for: the banner of
// an instrument that has just started, say. A TCP peer that went away is
// noticed here as well, before a question is lost on it.
func (c *Conn) inStep() bool {
	if c.limit(c.o.TimeLimit) != nil || c.skipBuffered() > 0 {
		return false
	}
	var waste [64]byte
	for {
		n, err := c.link.ReadPending(waste[:])
		if err != nil || len(c.cutPrompts(waste[:n])) > 0 {
			return false
		}
		if n == 0 {
			return true
		}
	}
}

func (c *Conn) limit(d time.Duration) error { return c.link.SetDeadline(time.Now().Add(d)) }

// watch ends the exchange when ctx does; the function it returns must be
// called before the next exchange.
func (c *Conn) watch(ctx context.Context) func() {
	if ctx.Done() == nil {
		return func() {}
	}
	l, ended := c.link, make(chan struct{})
	stop := context.AfterFunc(ctx, func() {
		// A closed link ends as well.
		_ = l.SetDeadline(time.Unix(1, 0))
		close(ended)
	})
	return func() {
		if !stop() {
			<-ended
		}
	}
}

// limitFor moves the deadline within an exchange. It must not undo what watch
// did, and so looks at ctx afterwards: ctx ends before watch acts on it.
func (c *Conn) limitFor(ctx context.Context, until time.Time) error {
	if err := c.link.SetDeadline(until); err != nil {
		return err
	}
	return ctx.Err()
}

func (c *Conn) write(messages ...string) error {
	c.out, c.line = c.out[:0], c.line[:0]
	for _, m := range messages {
		c.out = append(c.out, m...)
		c.out = append(c.out, c.o.Terminator...)
	}
	if _, err := c.link.Write(c.out); err != nil {
		return fmt.Errorf("%w: %w", errNotSent, err)
	}
	return nil
}

// readReply reads the one line that answers query into c.line.
func (c *Conn) readReply(query string) error {
	for {
		if err := c.readLine(c.o.MaxReply, false); err != nil {
			return err
		}
		if !c.staleIdentity(query) {
			break
		}
	}
	for _, b := range c.line {
		if b < ' ' && b != '\t' || b == 0x7f {
			return fmt.Errorf("%w: control characters in a line of text", drivers.ErrReply)
		}
	}
	if c.o.Headers {
		reply, err := cutHeader(query, c.line)
		if err != nil {
			return err
		}
		c.line = c.line[:copy(c.line, reply)]
	}
	if err := c.awaitPrompt(); err != nil {
		return err
	}
	return c.nothingMore()
}

// staleIdentity says whether c.line answers an earlier identity query: no
// other question has that answer.
func (c *Conn) staleIdentity(query string) bool {
	stale := c.identity != "" && string(c.line) == c.identity &&
		!strings.Contains(strings.ToUpper(query), strings.ToUpper(c.o.IdentityQuery))
	if stale && c.owed > 0 {
		c.owed--
	}
	return stale
}

// nothingMore refuses a reply that is followed by more than its terminator.
func (c *Conn) nothingMore() error {
	if n := c.skipBuffered(); n > 0 {
		return fmt.Errorf("%w: %d bytes more than one reply", drivers.ErrReply, n)
	}
	return nil
}

// skipBuffered drops the white space and the prompts that are waiting in the
// buffer and returns how many bytes are left behind them.
func (c *Conn) skipBuffered() int {
	waiting, _ := c.in.Peek(c.in.Buffered()) // what is buffered can be had
	_, _ = c.in.Discard(len(waiting) - len(c.cutPrompts(waiting)))
	return c.in.Buffered()
}

// blank says whether b may stand around a reply: white space, terminators,
// and NUL.
func blank(b byte) bool {
	return b == ' ' || b == '\t' || b == '\r' || b == '\n' || b == 0
}

// ends says whether b ends a line of reply. 488.2, 8.5 knows newline; some
// instruments send NUL, before it or alone (common practice), and one that
// takes carriage return as terminator may answer with it.
func (c *Conn) ends(b byte) bool {
	return b == '\n' || b == 0 || b == '\r' && c.o.Terminator == "\r"
}

// readLine reads one line into c.line, without terminator and white space
// around it; empty lines do not count. A line longer than max is refused, or,
// with keepTail, loses its beginning.
func (c *Conn) readLine(max int, keepTail bool) error {
	c.line = c.line[:0]
	for {
		b, err := c.in.ReadByte()
		switch {
		case err != nil:
			return err
		case len(c.line) == 0 && blank(b):
			continue
		case c.ends(b):
			c.line = trimBlank(c.line)
			if rest := c.cutPrompts(c.line); len(rest) < len(c.line) {
				if c.line = c.line[:copy(c.line, rest)]; len(rest) == 0 {
					continue
				}
			}
			return nil
		case len(c.line) == max && keepTail:
			c.line = c.line[:copy(c.line, c.line[max/2:])]
		case len(c.line) == max:
			return fmt.Errorf("%w: the reply does not end within %d bytes", drivers.ErrReply, max)
		}
		c.line = append(c.line, b)
	}
}

// fail makes the error of an exchange that failed, after which the
// connection is not trusted.
func (c *Conn) fail(ctx context.Context, asked string, got []byte, err error) error {
	c.trusted = false
	var known *drivers.Error
	if errors.As(err, &known) {
		return known
	}
	e := &drivers.Error{Instrument: c.name(), Asked: shorten(asked)}
	if len(got) > 0 {
		e.Got = quote(got)
	}
	switch {
	case errors.Is(err, drivers.ErrReply):
		e.Err = err
		e.Advice = "check that the dialect fits this instrument"
		if strings.HasPrefix(c.o.Address, "serial:") {
			e.Advice += " and that both sides have the same baud rate and parity"
		}
	case ctx.Err() != nil:
		e.Err = fmt.Errorf("%w: given up: %w", drivers.ErrLink, context.Cause(ctx))
	case errors.Is(err, os.ErrDeadlineExceeded):
		e.Err = fmt.Errorf("%w: %s within %v", drivers.ErrLink, missing(got, err), c.o.TimeLimit)
		e.Advice = "check that the instrument is on, the cable and the address; a slow one needs a longer time limit"
		if errors.Is(err, link.ErrHeld) {
			e.Advice = "check that both sides have the same flow control, and that the instrument does not wait for a key"
		}
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, syscall.ECONNRESET):
		e.Err = fmt.Errorf("%w: the far end closed the connection: %w", drivers.ErrLink, err)
		e.Advice = "check that the instrument is on and serves no other program"
	default:
		e.Err = fmt.Errorf("%w: %w", drivers.ErrLink, err)
		e.Advice = link.Remedy(c.o.Address)
	}
	return e
}

// errNotSent is a link that did not take the message.
var errNotSent = errors.New("the message could not be sent")

// notOpened is a link that did not come about.
type notOpened struct{ error }

func (e notOpened) Unwrap() error { return e.error }

// missing says what did not happen in time.
func missing(got []byte, err error) string {
	var short *shortBlock
	var unprompted *noPrompt
	switch {
	case errors.As(err, new(notOpened)):
		return "it could not be reached"
	case errors.As(err, &unprompted):
		return unprompted.what()
	case errors.Is(err, errNoIdentity):
		return errNoIdentity.Error()
	case errors.Is(err, errNoEcho):
		return errNoEcho.Error()
	case errors.As(err, &short):
		return short.what()
	case errors.Is(err, link.ErrHeld):
		return errNotSent.Error() + ", " + link.ErrHeld.Error()
	case errors.Is(err, errNotSent):
		return errNotSent.Error()
	case len(got) > 0:
		return "only part of a reply came"
	}
	return "no reply came"
}

// quote shows the beginning of what came, readable in one line.
func quote(b []byte) string {
	const most = 60
	if len(b) <= most {
		return fmt.Sprintf("%q", b)
	}
	return fmt.Sprintf("%q… (%d bytes)", b[:most], len(b))
}

func shorten(s string) string {
	const most = 100
	s = strings.TrimSpace(s)
	if r := []rune(s); len(r) > most {
		return string(r[:most]) + "…"
	}
	return s
}
