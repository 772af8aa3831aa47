package dialect

import (
	"context"
	"fmt"
	"strconv"
	"strings"
	"time"

	"halfturn/drivers"
	"halfturn/drivers/scpi"
)

// waitText is a query that is answered when the instrument is ready, or one
// that is asked until its answer says so.
type waitText struct {
	ask       message
	ready     string        // the answer that says ready; empty where bits say it
	busy      []string      // the answers that say not yet; empty: any other does
	bits      int           // ready when these bits of the answer are set
	errorBits int           // bits of the answer that tell an error
	every     time.Duration // between two questions; 0: asked once
	limit     time.Duration // for all of them
}

// wait reads the section wait of m.
func (d *document) wait(m mapping) waitText {
	s := m.section("wait", "ask", "reply", "while", "bits", "error_bits", "every", "limit")
	w := waitText{ask: d.message(s.need("ask", "the query that is answered when all is done"), nil)}
	if s.has("bits") {
		w.bits = d.whole(s.at("bits"), 1, mostBits)
		for _, key := range []string{"reply", "while"} {
			if s.has(key) {
				d.fail(s.at(key), "either bits of a status or reply is expected, not both")
			}
		}
	} else {
		w.ready = d.line(s.need("reply", "what the instrument answers when it is ready"))
	}
	if s.has("while") {
		for _, n := range d.items(s.at("while")) {
			w.busy = append(w.busy, d.line(n))
			if d.err == nil && sameReply(n.Value, w.ready) {
				d.fail(n, "%q cannot say both ready and not yet", n.Value)
			}
		}
	}
	if s.has("error_bits") {
		w.errorBits = d.whole(s.at("error_bits"), 1, mostBits)
		if d.err == nil && (w.bits == 0 || w.bits&w.errorBits != 0) {
			d.fail(s.at("error_bits"), "error_bits are other bits of the status than bits, which say when it is ready")
		}
	}
	if s.has("every") || s.has("limit") || s.has("while") {
		w.every = d.duration(s.need("every", "the pause between two questions, like 2 ms"))
		w.limit = d.duration(s.need("limit", "how long it may take in all, like 5 s"))
		if d.err == nil && !(w.every > 0 && w.limit >= w.every) {
			d.fail(s.node, "every must be above 0 s, and limit not below it")
		}
	}
	d.try(w.ask, nil, true)
	return w
}

// done says whether reply says ready; its error that it never will.
func (w *waitText) done(reply string) (bool, error) {
	if w.bits != 0 {
		status, err := scpi.ParseStatus(reply)
		switch {
		case err != nil:
			return false, err
		case status&w.errorBits != 0:
			return false, fmt.Errorf("%w: the status byte tells an error", drivers.ErrRefused)
		case status&w.bits == w.bits:
			return true, nil
		case w.every > 0:
			return false, nil
		}
		return false, fmt.Errorf("%w: a status with %d in it was expected", drivers.ErrReply, w.bits)
	}
	if sameReply(reply, w.ready) {
		return true, nil
	}
	if w.every > 0 && len(w.busy) == 0 {
		return false, nil
	}
	expected := strconv.Quote(w.ready)
	for _, b := range w.busy {
		if sameReply(reply, b) {
			return false, nil
		}
		expected += " or " + strconv.Quote(b)
	}
	return false, fmt.Errorf("%w: %s was expected", drivers.ErrReply, expected)
}

// wait asks until the instrument is ready.
func (i *instrument) wait(ctx context.Context, w *waitText) error {
	connection := i.connections
	for begun := time.Now(); ; {
		asked, reply, err := i.ask(ctx, w.ask, nil)
		if err != nil {
			return err
		}
		done, err := w.done(reply)
		switch {
		case err != nil:
			return i.badReply(asked, reply, err)
		case done:
			return nil
		case i.connections != connection:
			return i.lost("what was waited for")
		case time.Since(begun) >= w.limit:
			return &drivers.Error{Instrument: i.name, Asked: asked, Got: shorten(reply),
				Err:    fmt.Errorf("%w: not ready within %v", drivers.ErrLink, w.limit),
				Advice: "check that nothing holds it up, a trigger it waits for, say; a slow one needs a longer limit in the dialect " + i.file.Name}
		}
		pause := time.NewTimer(w.every)
		select {
		case <-pause.C:
		case <-ctx.Done():
			pause.Stop()
			return &drivers.Error{Instrument: i.name, Asked: asked, Got: shorten(reply),
				Err: fmt.Errorf("%w: given up: %w", drivers.ErrLink, context.Cause(ctx))}
		}
	}
}

// lost is the error of something that a new connection made worthless.
func (i *instrument) lost(what string) error {
	return i.broken("in the middle of %s, which was thrown away", "try again", what)
}

// sameReply compares texts, or numbers: +1 is 1.
func sameReply(a, b string) bool {
	if strings.TrimSpace(a) == strings.TrimSpace(b) {
		return true
	}
	x, err := scpi.ParseNumber(a)
	y, wrong := scpi.ParseNumber(b)
	return err == nil && wrong == nil && x == y
}
