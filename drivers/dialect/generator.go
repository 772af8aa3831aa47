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
	text      *generatorText
	abilities drivers.GeneratorAbilities // the dialect's under what the bench states

	// What was set, to be set again on a new connection.
	frequency *units.Hertz
	drive     *units.DBm
	rf        bool
	// stands says that the level is known to be at drive, come to from below.
	stands bool
}

// OpenGenerator reads the dialect, connects and asks for the identity. It
// changes nothing on the instrument.
func OpenGenerator(ctx context.Context, c drivers.Config, options ...Option) (*Generator, error) {
	f, err := load(ofGenerator, c)
	if err != nil {
		return nil, err
	}
	abilities, err := f.generator.abilities.With(c.Habits)
	if err != nil {
		return nil, fmt.Errorf("bench file and dialect %s: generator.%w", f.Name, err)
	}
	link, err := dial(ctx, c, f, options)
	if err != nil {
		return nil, err
	}
	g := newGenerator(link, f, c.Address)
	g.abilities = abilities
	return g, nil
}

func newGenerator(c conn, f *File, address string) *Generator {
	g := &Generator{instrument: newInstrument(c, f, address), text: f.generator, abilities: f.generator.abilities}
	c.OnReconnect(g.restore)
	return g
}

// Abilities is what the dialect says, under what the bench states.
func (g *Generator) Abilities() drivers.GeneratorAbilities { return g.abilities }

// Prepare switches RF off, sends the set-up lines and reads the error queue.
// What was set before is forgotten; where the level has a limit over frequency,
// the lowest is set, so that any frequency may follow.
func (g *Generator) Prepare(ctx context.Context) error {
	g.frequency, g.drive, g.stands = nil, nil, false
	if err := g.SetRF(ctx, false); err != nil {
		return err
	}
	if err := g.prepare(ctx); err != nil {
		return err
	}
	if len(g.abilities.Limits) > 0 {
		if err := g.SetDrive(ctx, g.abilities.MinDrive); err != nil {
			return err
		}
	}
	return g.CheckErrors(ctx)
}

// restore brings an instrument that was away to where it was. RF is off until
// all else is set.
func (g *Generator) restore(ctx context.Context) error {
	g.connections++
	if err := g.sendRF(ctx, false); err != nil {
		return err
	}
	if err := g.prepare(ctx); err != nil {
		return err
	}
	g.stands = false
	if g.frequency != nil && len(g.abilities.Limits) > 0 {
		// What it came up with may be too much at the frequency that follows.
		if err := g.sendDrive(ctx, g.abilities.MinDrive); err != nil {
			return err
		}
	}
	if g.frequency != nil {
		if err := g.sendFrequency(ctx, *g.frequency); err != nil {
			return err
		}
	}
	if g.drive != nil {
		if err := g.approach(ctx, *g.drive); err != nil {
			return err
		}
		g.stands = true
	}
	if g.rf {
		return g.sendRF(ctx, true)
	}
	return nil
}

// SetFrequency sets the frequency; one outside Abilities, or with a limit below
// the level that is set, is refused before it is sent.
func (g *Generator) SetFrequency(ctx context.Context, f units.Hertz) error {
	a := &g.abilities
	if !(f >= a.MinFrequency && f <= a.MaxFrequency) {
		return g.refuse("keep the plan within the generator's frequencies",
			"%v is outside of %v to %v", f, a.MinFrequency, a.MaxFrequency)
	}
	if g.drive != nil && *g.drive > a.MaxDriveAt(f) {
		return g.refuse("set a lower level before this frequency",
			"at %v the level may be %v at most, and %v is set", f, a.MaxDriveAt(f), *g.drive)
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
// Abilities at the present frequency is refused before it is sent. Where the
// attenuator could be in either of two positions, a lower level is set first.
func (g *Generator) SetDrive(ctx context.Context, level units.DBm) error {
	a := &g.abilities
	if !(level >= a.MinDrive && level <= a.MaxDrive) {
		return g.refuse("keep the drive within the generator's levels",
			"%v is outside of %v to %v", level, a.MinDrive, a.MaxDrive)
	}
	if most, at := g.most(); level > most {
		return g.refuse("keep the drive within the generator's levels at each frequency",
			"%v is above the %v that are allowed at %s", level, most, at)
	}
	level = roundDown(level, *a)
	if err := g.approach(ctx, level); err != nil {
		g.stands = false
		return err
	}
	g.drive, g.stands = &level, true
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
	messages, confirm := g.text.rfOff, g.text.rfConfirm
	if on {
		messages = g.text.rfOn
	}
	if err := g.send(ctx, messages, nil); err != nil || confirm == nil {
		return err
	}
	connection := g.connections
	query := confirm.off
	if on {
		query = confirm.on
	}
	asked, reply, err := g.ask(ctx, query, nil)
	if err != nil {
		return err
	}
	is, err := scpi.ParseBool(reply)
	if err != nil {
		return g.badReply(asked, reply, err)
	}
	if is != on && g.connections != connection {
		return g.broken("while RF was switched %s, which may not have arrived", "switch it again", state(on))
	}
	if is != on {
		return &drivers.Error{
			Instrument: g.name, Asked: asked, Got: shorten(reply),
			Err:    fmt.Errorf("%w: RF was switched %s and is %s", drivers.ErrRefused, state(on), state(is)),
			Advice: "look for a protection that tripped or a key on the front panel; switch RF off by hand before touching the bench",
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
