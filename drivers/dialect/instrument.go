package dialect

import (
	"context"
	"fmt"

	"halfturn/drivers"
	"halfturn/drivers/link"
	"halfturn/drivers/scpi"
)

// conn is what this package needs of a *scpi.Conn.
type conn interface {
	Identity() string
	OnReconnect(func(context.Context) error)
	Send(ctx context.Context, messages ...string) error
	Ask(ctx context.Context, query string) (string, error)
	AskBlockOf(ctx context.Context, query string, size int, buf []byte) ([]byte, error)
	CheckErrors(ctx context.Context) error
	Close() error
}

// instrument is what a generator and a scope have in common.
type instrument struct {
	conn conn
	name string // "scope at tcp://127.0.0.1:5025"
	file *File

	connections int // counts new connections: nothing half done outlives one
}

// load reads the dialect that c names and makes sure that it is for the part
// of the bench that it is wanted for.
func load(part string, c drivers.Config) (*File, error) {
	f, err := Load(c.Dialect)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", part, err)
	}
	if f.Instrument != part {
		return nil, fmt.Errorf("%s: dialect %s is for a %s", part, f.Name, f.Instrument)
	}
	return f, nil
}

// Option changes how an instrument is opened.
type Option func(*scpi.Options)

// Over has links opened by o in place of link.Open; nil changes nothing.
func Over(o link.Opener) Option {
	return func(options *scpi.Options) { options.Links = o }
}

// dial connects to the instrument.
func dial(ctx context.Context, c drivers.Config, f *File, changes []Option) (conn, error) {
	limit := c.TimeLimit
	if limit <= 0 {
		limit = f.link.timeLimit
	}
	o := scpi.Options{
		Instrument: f.Instrument, Address: c.Address, TimeLimit: limit, Terminator: f.link.terminator,
		IdentityQuery: f.link.identity, NoIdentity: f.link.identity == "",
		ErrorQuery: f.link.errors, NoErrorQueue: f.link.errors == "", Errors: f.link.errorReply,
		Headers: f.link.headers, Echo: f.link.echo, Prompt: f.link.prompt,
	}
	for _, change := range changes {
		change(&o)
	}
	dialled, err := scpi.Dial(ctx, o)
	if err != nil {
		return nil, err
	}
	return dialled, nil
}

func newInstrument(c conn, f *File, address string) instrument {
	return instrument{conn: c, name: f.Instrument + " at " + address, file: f}
}

// Identity is the reply to the identity query; empty if the dialect has none.
func (i *instrument) Identity() string { return i.conn.Identity() }

// Dialect is the file by which the instrument is spoken to.
func (i *instrument) Dialect() *File { return i.file }

// CheckErrors reads the error queue until it is empty; anything in it comes
// back as drivers.ErrRefused.
func (i *instrument) CheckErrors(ctx context.Context) error { return i.conn.CheckErrors(ctx) }

// Close closes the link and changes nothing on the instrument.
func (i *instrument) Close() error { return i.conn.Close() }

// notSent is a refusal before anything was sent.
type notSent struct{ why string }

func (e *notSent) Error() string { return "not sent: " + e.why }
func (e *notSent) Unwrap() error { return drivers.ErrRefused }

func (i *instrument) refuse(advice, format string, args ...any) error {
	return &drivers.Error{Instrument: i.name, Err: &notSent{fmt.Sprintf(format, args...)}, Advice: advice}
}

func (i *instrument) badReply(asked, got string, err error) error {
	advice := "check that the dialect " + i.file.Name + " fits this instrument"
	if !i.file.link.headers && scpi.RepeatsHeader(asked, got) {
		advice = "the reply repeats the header of its query: say so in the dialect " + i.file.Name + " (link.headers: yes)"
	}
	return &drivers.Error{Instrument: i.name, Asked: asked, Got: shorten(got), Err: err, Advice: advice}
}

// shorten quotes a reply for a message.
func shorten(got string) string {
	const most = 60
	if got == "" {
		return ""
	}
	if len(got) > most {
		return fmt.Sprintf("%q…", got[:most])
	}
	return fmt.Sprintf("%q", got)
}

// broken is a connection that was made anew in the middle of something.
func (i *instrument) broken(when, advice string, a ...any) error {
	return &drivers.Error{Instrument: i.name, Err: fmt.Errorf("%w "+when, append([]any{drivers.ErrLink}, a...)...), Advice: advice}
}

// send fills in messages and sends those that are not empty.
func (i *instrument) send(ctx context.Context, messages []message, with fill) error {
	lines := make([]string, 0, len(messages))
	for _, m := range messages {
		line, err := m.write(with)
		if err != nil {
			return i.refuse("correct the dialect "+i.file.Name, "%v", err)
		}
		if line != "" {
			lines = append(lines, line)
		}
	}
	return i.conn.Send(ctx, lines...)
}

// ask fills in a query and asks it.
func (i *instrument) ask(ctx context.Context, m message, with fill) (asked, reply string, err error) {
	asked, err = m.write(with)
	if err != nil {
		return "", "", i.refuse("correct the dialect "+i.file.Name, "%v", err)
	}
	reply, err = i.conn.Ask(ctx, asked)
	return asked, reply, err
}

// set sends a verb and has the values confirmed.
func (i *instrument) set(ctx context.Context, v verb, declared formats, values map[string]float64, channel string) error {
	with := declared.fill(values, channel)
	if err := i.send(ctx, v.send, with); err != nil {
		return err
	}
	connection := i.connections
	var asked, reply string
	for n := range v.confirm {
		c := &v.confirm[n]
		// One answer can confirm several values.
		if n == 0 || c.ask.text != v.confirm[n-1].ask.text {
			var err error
			if asked, reply, err = i.ask(ctx, c.ask, with); err != nil {
				return err
			}
		}
		got, err := c.read(reply)
		if err != nil {
			return i.badReply(asked, reply, err)
		}
		want := values[c.is]
		agrees := c.within.allows(want, got)
		if !agrees && i.connections != connection {
			return i.broken("while %s was set, which may not have arrived", "set it again", c.is)
		}
		if !agrees {
			return &drivers.Error{
				Instrument: i.name, Asked: asked, Got: shorten(reply),
				Err: fmt.Errorf("%w: %s was set to %s and it says %s", drivers.ErrRefused,
					c.is, inUnit(c.is, want), inUnit(c.is, got)),
				Advice: "check that the dialect " + i.file.Name + " lists what this instrument can do, and that nothing on it limits the setting",
			}
		}
	}
	return nil
}

// prepare sends the set-up lines.
func (i *instrument) prepare(ctx context.Context) error {
	if err := i.send(ctx, i.file.prepare.send, nil); err != nil {
		return err
	}
	if i.file.prepare.wait == nil {
		return nil
	}
	return i.wait(ctx, i.file.prepare.wait)
}
