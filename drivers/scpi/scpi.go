// Package scpi exchanges IEEE 488.2 messages with one instrument over a link.
//
//	drivers/dialect  says which messages
//	drivers/scpi     Conn: Send, Ask, AskBlock, CheckErrors
//	drivers/link     carries the bytes
//
// Three promises hold for every call of a Conn:
//
//   - One time limit covers the whole exchange, however slowly bytes dribble in.
//   - A reply is the reply to the question that was just asked. After an
//     exchange that failed the connection is not trusted: the next call opens
//     a new one, finds out where the stream of replies stands, makes sure that
//     the same instrument answers, and has the settings sent again (see
//     reconnect.go for how, and why it can rely on it).
//   - An error is a *drivers.Error and says which instrument, what was asked,
//     what came back and what to do; it wraps drivers.ErrLink, ErrRefused or
//     ErrReply.
//
// Clause numbers of IEEE Std 488.2-1992 and SCPI-99 in this package are from
// memory.
package scpi

import (
	"bufio"
	"cmp"
	"context"
	"time"

	"halfturn/drivers/link"
)

// Options say how an instrument is reached and how patient to be.
type Options struct {
	Instrument string        // its part in the bench, for messages: "scope"
	Address    string        // as link.Open takes it
	TimeLimit  time.Duration // for one exchange, and for each stage of connecting; 5 s when zero
	Terminator string        // sent after each message; "\n" when empty
	Links      link.Opener   // opens the link; link.Open when nil

	IdentityQuery string // "*IDN?" when empty
	NoIdentity    bool   // the instrument has no identity query

	ErrorQuery   string // ":SYSTem:ERRor?" when empty
	NoErrorQueue bool   // the instrument has none: CheckErrors finds nothing
	Errors       ErrorReply

	Headers bool // replies begin with the header of their query; blocks, too
	Echo    bool // each line that is sent comes back before it is answered

	// Prompt is what the instrument writes when it takes the next message; empty
	// for none. It begins and ends with a mark, not with white space.
	Prompt string

	// Quiet is the silence that ends a reply where nothing else does: an
	// indefinite block, or what a confused instrument still sends before a
	// new start; 50 ms when zero.
	Quiet time.Duration

	MaxReply int // longest reply in bytes that is not a block; 16 MiB when zero
	MaxBlock int // longest block in bytes; 256 MiB when zero
}

func (o Options) withDefaults() Options {
	o.Instrument = cmp.Or(o.Instrument, "instrument")
	o.TimeLimit = orPositive(o.TimeLimit, 5*time.Second)
	o.Terminator = cmp.Or(o.Terminator, "\n")
	o.IdentityQuery = cmp.Or(o.IdentityQuery, "*IDN?") // 488.2, 10.14
	o.ErrorQuery = cmp.Or(o.ErrorQuery, ":SYSTem:ERRor?")
	o.Quiet = orPositive(o.Quiet, 50*time.Millisecond)
	o.MaxReply = orPositive(o.MaxReply, 16<<20)
	o.MaxBlock = orPositive(o.MaxBlock, 256<<20)
	return o
}

func orPositive[T ~int | ~int64](v, otherwise T) T {
	if v > 0 {
		return v
	}
	return otherwise
}

// Conn is a connection to one instrument that repairs itself. It is for one
// caller at a time.
type Conn struct {
	o        Options
	link     link.Link // nil after a connecting that failed
	in       *bufio.Reader
	out      []byte // the message being sent
	line     []byte // the reply being read
	identity string
	owed     int // identity queries sent whose replies may still come

	dialled   bool // it has been connected before
	trusted   bool // the last exchange went well
	restoring bool // the OnReconnect function is running
	closed    bool
	bare      bool // blocks come without a terminator

	restore func(context.Context) error
}

// Dial connects and asks for the identity.
func Dial(ctx context.Context, o Options) (*Conn, error) {
	c := &Conn{o: o.withDefaults(), in: bufio.NewReaderSize(nil, 1<<15)}
	if err := c.connect(ctx); err != nil {
		// The error of connecting says more than that of closing.
		_ = c.disconnect()
		return nil, err
	}
	c.dialled = true
	return c, nil
}

// Identity is the reply to the identity query, as it came when the instrument
// was dialled; empty with Options.NoIdentity.
func (c *Conn) Identity() string { return c.identity }

// OnReconnect sets what is to be done on each new connection but the first
// before the call that needed it goes on: sending the settings again. f may
// use the Conn; its exchanges never reconnect. When f fails the call fails,
// and the next one starts afresh.
func (c *Conn) OnReconnect(f func(ctx context.Context) error) { c.restore = f }

// Close closes the link and changes nothing on the instrument.
func (c *Conn) Close() error {
	c.closed = true
	return c.disconnect()
}

func (c *Conn) disconnect() error {
	c.trusted = false
	if c.link == nil {
		return nil
	}
	l := c.link
	c.link = nil
	return l.Close()
}
