package scpi

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"time"
	"unicode"

	"halfturn/drivers"
	"halfturn/drivers/link"
)

// How a new connection finds its place in the stream of replies.
//
// A peer may still answer what was asked before: a serial line does not
// notice that it was opened again, and some instruments keep one output
// queue for all sockets. The rules rest on one thing, that an instrument
// answers in the order in which it was asked (488.2, 6.1: the input buffer and
// the output queue are first in, first out).
//
//  1. Ask the identity and drop lines until it comes. All that was asked
//     before it has been answered by then, or never will be. Bytes before it
//     on its line, the rest of a block, are dropped too.
//  2. An earlier attempt may have asked the identity in vain. As many
//     identities as are owed must come, or silence for a whole time limit;
//     otherwise a late one would end the next attempt too early. After
//     silence the count stands, in case they come yet, and Ask and AskBlock
//     never take the identity for any other answer.
//  3. Drop what comes until the line has been quiet.
//
// An instrument that is dialled for the first time has no known identity.
// There it is asked until two questions in a row, with silence between them,
// have the same answer: one stale reply (of a program that was killed, say)
// can come first, and may have many lines, but not twice. The same rule tells
// another instrument from a late reply.

// maxAsked bounds the identity queries of one attempt.
const maxAsked = 8

// reconnect opens the link afresh and has the settings sent again.
func (c *Conn) reconnect(ctx context.Context) error {
	// What closing says does not matter any more.
	_ = c.disconnect()
	if err := c.connect(ctx); err != nil {
		return err
	}
	if c.restore == nil {
		return nil
	}
	c.restoring = true
	err := c.restore(ctx)
	c.restoring = false
	if err == nil && !c.trusted { // the function kept an exchange's error to itself
		err = errors.New("an exchange failed")
	}
	if err == nil {
		return nil
	}
	return c.fail(ctx, "", nil, fmt.Errorf("the settings could not be sent again: %w", err))
}

// connect opens the link and leaves it in step and trusted.
func (c *Conn) connect(ctx context.Context) error {
	opening, cancel := context.WithTimeout(ctx, c.o.TimeLimit)
	l, err := c.open(opening)
	cancel()
	if err != nil {
		return c.fail(ctx, "", nil, notOpened{err})
	}
	c.link, c.bare, c.line = l, false, c.line[:0]
	c.in.Reset(l)
	unwatch := c.watch(ctx)
	defer unwatch()
	if err := c.findPlace(ctx); err != nil {
		asked := c.o.IdentityQuery
		if c.o.NoIdentity {
			asked = ""
		}
		return c.fail(ctx, asked, c.line, err)
	}
	c.trusted = true
	return nil
}

func (c *Conn) open(ctx context.Context) (link.Link, error) {
	if c.o.Links == nil {
		return link.Open(ctx, c.o.Address)
	}
	identity := c.o.IdentityQuery
	if c.o.NoIdentity {
		identity = ""
	}
	return c.o.Links.OpenTo(ctx, c.o.Instrument, identity, c.o.Address)
}

func (c *Conn) findPlace(ctx context.Context) error {
	if err := c.limitFor(ctx, time.Now().Add(c.o.TimeLimit)); err != nil {
		return err
	}
	if err := link.Discard(c.link); err != nil {
		return err
	}
	quiet := c.o.Quiet
	if c.o.NoIdentity {
		// Without a mark in the stream only a long silence shows that nothing
		// is still to come.
		quiet = c.o.TimeLimit
	} else if err := c.synchronise(ctx); err != nil {
		return err
	}
	if c.o.Prompt != "" { // the last one
		if _, err := c.silentFor(ctx, c.o.Quiet); err != nil {
			return err
		}
	}
	if !c.dialled {
		return nil
	}
	if err := c.awaitSilence(ctx, quiet); err != nil {
		return err
	}
	if err := c.limitFor(ctx, time.Now().Add(c.o.TimeLimit)); err != nil {
		return err
	}
	return c.dropErrors()
}

// errNoIdentity is a peer that sent lines, and never the identity.
var errNoIdentity = errors.New("lines came, but not the identity")

// synchronise follows rules 1 and 2, and sets or checks the identity.
func (c *Conn) synchronise(ctx context.Context) error {
	longest := max(4096, 4*len(c.identity))
	ask := func() error {
		c.owed++
		return c.write(c.o.IdentityQuery)
	}
	if err := ask(); err != nil {
		return err
	}
	end := time.Now().Add(c.o.TimeLimit)
	var found string
	var answer string   // the last line, when silence followed it
	var others []string // the last few lines that were not the known identity
	for asked := 1; found == ""; {
		err := c.readLine(longest, true)
		line := string(c.line)
		if err == nil && (line == c.o.IdentityQuery || c.o.Echo && strings.HasSuffix(line, c.o.IdentityQuery)) {
			// What was sent, come back, perhaps behind a message that an earlier
			// program did not end, which spoiled it.
			if !c.o.Echo {
				return fmt.Errorf("%w: the identity query itself came back; an instrument that echoes is told by its dialect (link.echo)", drivers.ErrReply)
			}
			if line != c.o.IdentityQuery && asked < maxAsked {
				asked++
				c.owed-- // the spoiled one has no answer
				if err := ask(); err != nil {
					return err
				}
			}
			continue
		}
		switch {
		case err != nil && len(others) > 0:
			c.line = append(c.line[:0], others[len(others)-1]...)
			return fmt.Errorf("%w: %w", errNoIdentity, err)
		case err != nil:
			return err
		case c.identity != "" && strings.HasSuffix(line, c.identity):
			found = c.identity
		case line == answer:
			found = line
		}
		if len(others) == maxAsked {
			others = others[1:]
		}
		others = append(others, line)
		if found != "" {
			break
		}
		answer = ""
		silent, err := c.silentFor(ctx, c.o.Quiet)
		if err == nil {
			err = c.limitFor(ctx, end)
		}
		if err != nil {
			return err
		}
		if silent && asked < maxAsked {
			answer = line
			asked++
			if err := ask(); err != nil {
				return err
			}
		}
	}
	for _, line := range others {
		if strings.HasSuffix(line, found) {
			c.owed--
		}
	}
	if strings.ContainsFunc(found, unicode.IsControl) {
		return fmt.Errorf("%w: control characters in the identity", drivers.ErrReply)
	}
	if err := c.awaitOwed(ctx, found, longest); err != nil {
		return err
	}
	if c.identity != "" && found != c.identity {
		return &drivers.Error{
			Instrument: c.name(),
			Err:        fmt.Errorf("%w: another instrument answers, it was %q before", drivers.ErrReply, c.identity),
			Asked:      c.o.IdentityQuery,
			Got:        quote([]byte(found)),
			Advice:     "check the address and the cables; work goes on only with the instrument that it began with",
		}
	}
	c.identity = found
	return nil
}

// awaitOwed reads the identities that are still owed, or until the time limit
// without them suggests that they are lost.
func (c *Conn) awaitOwed(ctx context.Context, identity string, longest int) error {
	if c.owed <= 0 {
		c.owed = 0 // more may come than this program asked for
		return nil
	}
	if err := c.limitFor(ctx, time.Now().Add(c.o.TimeLimit)); err != nil {
		return err
	}
	for c.owed > 0 {
		err := c.readLine(longest, true)
		switch {
		case errors.Is(err, os.ErrDeadlineExceeded) && ctx.Err() == nil:
			return nil
		case err != nil:
			return err
		case strings.HasSuffix(string(c.line), identity):
			c.owed--
		}
	}
	return nil
}

// silentFor says whether nothing but white space comes for the time d.
func (c *Conn) silentFor(ctx context.Context, d time.Duration) (bool, error) {
	if err := c.limitFor(ctx, time.Now().Add(d)); err != nil {
		return false, err
	}
	for {
		n := c.skipBuffered()
		if n > 0 && !c.beginsPrompt(n) {
			return false, nil
		}
		if _, err := c.in.Peek(n + 1); err != nil {
			if errors.Is(err, os.ErrDeadlineExceeded) && ctx.Err() == nil {
				return true, nil
			}
			return false, err
		}
	}
}

// awaitSilence drops what comes until nothing has for the time quiet.
func (c *Conn) awaitSilence(ctx context.Context, quiet time.Duration) error {
	var waste [512]byte
	for end := time.Now().Add(2*c.o.TimeLimit + quiet); time.Now().Before(end); {
		if err := c.limitFor(ctx, time.Now().Add(quiet)); err != nil {
			return err
		}
		n, err := c.in.Read(waste[:])
		if errors.Is(err, os.ErrDeadlineExceeded) && ctx.Err() == nil {
			c.line = c.line[:0]
			return nil
		}
		if err != nil {
			return err
		}
		c.line = append(c.line[:0], waste[:n]...)
	}
	return fmt.Errorf("%w: it keeps sending what nobody asked for", drivers.ErrReply)
}
