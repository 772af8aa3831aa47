package dialect

import (
	"context"
	"strings"

	"go.yaml.in/yaml/v3"

	"halfturn/drivers"
	"halfturn/units"
)

// A generator's habits: what of them a file says, and what a level and a
// frequency need of each other when they are set.

// highest reads the highest level: one for all frequencies, or a list of them.
func (d *document) highest(l mapping) (units.DBm, drivers.LevelLimits) {
	n := l.need("to", "the highest level, or a list like {up_to: 300 MHz, level: 13 dBm}")
	if n == nil || n.Kind != yaml.SequenceNode {
		return quantity(d, n, units.ParseDBm), nil
	}
	var limits drivers.LevelLimits
	for _, item := range d.items(n) {
		m := d.mapping(item, "to", "up_to", "level")
		limits = append(limits, drivers.LevelLimit{
			UpTo:  positive(d, m.need("up_to", "the frequency up to which the level holds"), units.ParseHertz),
			Level: quantity(d, m.need("level", "the highest level up to there"), units.ParseDBm),
		})
	}
	d.habit(n, drivers.Habits{Drive: drivers.DriveHabits{To: limits}})
	if d.err != nil {
		return 0, nil
	}
	most := limits[0].Level
	for _, e := range limits {
		most = max(most, e.Level)
	}
	return most, limits
}

// habits reads bands and attenuator, and looks whether levels, limits and
// attenuator go together.
func (d *document) habits(a mapping, abilities *drivers.GeneratorAbilities) {
	if a.has("bands") {
		m := a.section("bands", "edges", "settle")
		edges := m.need("edges", "a list of frequencies at which it clicks over")
		abilities.Bands.Edges = list(d, edges, units.ParseHertz)
		abilities.Bands.Settle = d.duration(m.need("settle", "the time that crossing an edge takes"))
		d.habit(edges, drivers.Habits{Bands: abilities.Bands})
	}
	if a.has("attenuator") {
		m := a.section("attenuator", "levels", "hysteresis", "settle")
		levels := m.need("levels", "a list of levels at which a step is taken out, ascending")
		abilities.Attenuator = drivers.Attenuator{
			Levels:     list(d, levels, units.ParseDBm),
			Hysteresis: quantity(d, m.need("hysteresis", "how far the level falls below before the step is put in again, 0 dB for none"), units.ParseDB),
			Settle:     d.duration(m.need("settle", "the time that switching takes")),
		}
		d.habit(levels, drivers.Habits{Attenuator: abilities.Attenuator})
	}
	if d.err != nil {
		return
	}
	if n := len(abilities.Limits); n > 0 && abilities.Limits[n-1].UpTo < abilities.MaxFrequency {
		d.fail(a.at(qDrive), "drive.to ends at %v, and the frequencies go up to %v", abilities.Limits[n-1].UpTo, abilities.MaxFrequency)
		return
	}
	if _, err := abilities.With(drivers.Habits{}); err != nil {
		first, _, _ := strings.Cut(err.Error(), "\n")
		d.fail(a.node, "%s", first)
	}
}

// habit complains about the first thing that cannot be.
func (d *document) habit(n *yaml.Node, h drivers.Habits) {
	if err := h.Validate(); err != nil && d.err == nil {
		first, _, _ := strings.Cut(err.Error(), "\n")
		d.fail(n, "%s", first)
	}
}

func list[Q ~float64](d *document, n *yaml.Node, parse func(string) (Q, error)) []Q {
	var all []Q
	for _, item := range d.items(n) {
		all = append(all, quantity(d, item, parse))
	}
	return all
}

// most is the largest level at the present frequency, and where that is; the
// least of all where no frequency is set.
func (g *Generator) most() (most units.DBm, at string) {
	if g.frequency != nil {
		return g.abilities.MaxDriveAt(*g.frequency), g.frequency.String()
	}
	return min(g.abilities.MaxDrive, g.abilities.Limits.Least()), "any frequency, while none is set"
}

// approach sets a level, from below where its attenuator has two positions for
// it and it might be in the other one.
func (g *Generator) approach(ctx context.Context, level units.DBm) error {
	a := &g.abilities
	under, two := a.Attenuator.Below(level)
	// A level with the same step in, that was itself come to from below, leads on
	// from below too.
	if !two || g.stands && a.Attenuator.Position(*g.drive) >= a.Attenuator.Position(level) {
		return g.sendDrive(ctx, level)
	}
	connection := g.connections
	for _, l := range []units.DBm{roundDown(under-units.DBm(a.DriveStep), *a), level} {
		if err := g.sendDrive(ctx, l); err != nil {
			return err
		}
	}
	if g.connections != connection {
		// The old level may have come between the two.
		return g.broken("while the attenuator was brought into its position", "set the level again")
	}
	return nil
}
