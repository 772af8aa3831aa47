package dialect

import (
	"context"
	"fmt"

	"halfturn/drivers"
	"halfturn/drivers/scpi"
	"halfturn/units"
)

var _ drivers.Generator = (*Generator)(nil)

// Generator is a signal generator spoken to by a dialect file. It is for one
// caller at a time. Its errors wrap a *drivers.Error, except that of a dialect
// that cannot be read.
type Generator struct {
	instrument
	text *generatorText

	// What was set, to be set again on a new connection.
	frequency *units.Hertz
	drive     *units.DBm
	rf        bool
}

// OpenGenerator reads the dialect, connects and asks for the identity. It
// changes nothing on the instrument.
func OpenGenerator(ctx context.Context, c drivers.Config) (*Generator, error) {
	f, err := load(ofGenerator, c)
	if err != nil {
		return nil, err
	}
	link, err := dial(ctx, c, f)
	if err != nil {
		return nil, err
	}
	return newGenerator(link, f, c.Address), nil
}

func newGenerator(c conn, f *File, address string) *Generator {
	g := &Generator{instrument: newInstrument(c, f, address), text: f.generator}
	c.OnReconnect(g.restore)
	return g
}

// Abilities is what the dialect says.
func (g *Generator) Abilities() drivers.GeneratorAbilities { return g.text.abilities }

// Prepare switches RF off, sends the set-up lines and reads the error queue.
// What was set before is forgotten.
func (g *Generator) Prepare(ctx context.Context) error {
	g.frequency, g.drive = nil, nil
	if err := g.SetRF(ctx, false); err != nil {
		return err
	}
	if err := g.prepare(ctx); err != nil {
		return err
	}
	return g.CheckErrors(ctx)
}

// restore brings an instrument that was away to where it was. RF is off until
// all else is set.
func (g *Generator) restore(ctx context.Context) error {
	if err := g.sendRF(ctx, false); err != nil {
		return err
	}
	if err := g.prepare(ctx); err != nil {
		return err
	}
	if g.frequency != nil {
		if err := g.sendFrequency(ctx, *g.frequency); err != nil {
			return err
		}
	}
	if g.drive != nil {
		if err := g.sendDrive(ctx, *g.drive); err != nil {
			return err
		}
	}
	if g.rf {
		return g.sendRF(ctx, true)
	}
	return nil
}

// SetFrequency sets the frequency; one outside Abilities is refused before it
// is sent.
func (g *Generator) SetFrequency(ctx context.Context, f units.Hertz) error {
	a := g.text.abilities
	if !(f >= a.MinFrequency && f <= a.MaxFrequency) {
		return g.refuse("keep the plan within the generator's frequencies",
			"%v is outside of %v to %v", f, a.MinFrequency, a.MaxFrequency)
	}
	if err := g.sendFrequency(ctx, f); err != nil {
		return err
	}
	g.frequency = &f
	return nil
}

func (g *Generator) sendFrequency(ctx context.Context, f units.Hertz) error {
	return g.set(ctx, g.text.frequency, g.text.formats, map[string]float64{qFrequency: float64(f)}, "")
}

// SetDrive sets the level, rounded down to the generator's steps; one outside
// Abilities is refused before it is sent.
func (g *Generator) SetDrive(ctx context.Context, level units.DBm) error {
	a := g.text.abilities
	if !(level >= a.MinDrive && level <= a.MaxDrive) {
		return g.refuse("keep the drive within the generator's levels",
			"%v is outside of %v to %v", level, a.MinDrive, a.MaxDrive)
	}
	level = roundDown(level, a)
	if err := g.sendDrive(ctx, level); err != nil {
		return err
	}
	g.drive = &level
	return nil
}

func (g *Generator) sendDrive(ctx context.Context, level units.DBm) error {
	return g.set(ctx, g.text.drive, g.text.formats, map[string]float64{qDrive: float64(level)}, "")
}

// SetRF switches the output.
func (g *Generator) SetRF(ctx context.Context, on bool) error {
	// Off counts at once, so that a new connection made for this very message
	// does not switch RF on again; on counts when it has succeeded.
	g.rf = false
	if err := g.sendRF(ctx, on); err != nil {
		return err
	}
	g.rf = on
	return nil
}

func (g *Generator) sendRF(ctx context.Context, on bool) error {
	messages := g.text.rfOff
	if on {
		messages = g.text.rfOn
	}
	if err := g.send(ctx, messages, nil); err != nil {
		return err
	}
	for _, c := range g.text.rfConfirms {
		asked, reply, err := g.ask(ctx, c, nil)
		if err != nil {
			return err
		}
		is, err := scpi.ParseBool(reply)
		if err != nil {
			return g.badReply(asked, reply, err)
		}
		if is != on {
			return &drivers.Error{
				Instrument: g.name, Asked: asked, Got: shorten(reply),
				Err:    fmt.Errorf("%w: RF was switched %s and is %s", drivers.ErrRefused, state(on), state(is)),
				Advice: "look for a protection that tripped or a key on the front panel; switch RF off by hand before touching the bench",
			}
		}
	}
	return nil
}

func state(on bool) string {
	if on {
		return "on"
	}
	return "off"
}
