package dialect

import (
	"math"

	"halfturn/drivers"
	"halfturn/units"
)

// generatorText is what a file says about a generator.
type generatorText struct {
	abilities drivers.GeneratorAbilities
	formats   formats
	frequency verb
	drive     verb
	rfOn      []message
	rfOff     []message
	rfConfirm *rfConfirmation // nil if not confirmed
}

// rfConfirmation are the queries for RF, answered by 1 or ON, 0 or OFF. They
// may be the messages that switch it, too.
type rfConfirmation struct{ on, off message }

func (d *document) generator(m mapping) *generatorText {
	g := &generatorText{}
	a := m.section("abilities", qFrequency, qDrive, "settle", "bands", "attenuator")

	f := a.section(qFrequency, "from", "to")
	g.abilities.MinFrequency = positive(d, f.need("from", "the lowest frequency"), units.ParseHertz)
	g.abilities.MaxFrequency = positive(d, f.need("to", "the highest frequency"), units.ParseHertz)
	if g.abilities.MinFrequency >= g.abilities.MaxFrequency {
		d.fail(f.node, "the frequencies must ascend from %v to %v", g.abilities.MinFrequency, g.abilities.MaxFrequency)
	}

	l := a.section(qDrive, "from", "to", "step")
	g.abilities.MinDrive = quantity(d, l.need("from", "the lowest level"), units.ParseDBm)
	g.abilities.MaxDrive, g.abilities.Limits = d.highest(l)
	g.abilities.DriveStep = positive(d, l.need("step", "the resolution of the level"), units.ParseDB)
	if g.abilities.MinDrive >= g.abilities.MaxDrive {
		d.fail(l.node, "the levels must ascend from %v to %v", g.abilities.MinDrive, g.abilities.MaxDrive)
	}
	if d.err == nil && g.abilities.DriveStep > units.DB(g.abilities.MaxDrive-g.abilities.MinDrive) {
		d.fail(l.at("step"), "the step %v is larger than all levels together", g.abilities.DriveStep)
	}
	g.abilities.Settle = d.duration(a.need("settle", "the time that a change of frequency or level takes"))
	d.habits(a, &g.abilities)

	g.formats = d.formats(m, qFrequency, qDrive)
	if f, declared := g.formats[qDrive]; declared {
		f.least = float64(g.abilities.MinDrive)
		g.formats[qDrive] = f
	}
	g.frequency = d.verb(m, qFrequency, g.formats, false, qFrequency)
	g.drive = d.verb(m, qDrive, g.formats, false, qDrive)
	d.rf(m.section(qRF, "on", "off", "confirm"), g)
	d.tryGenerator(g)
	return g
}

func (d *document) rf(m mapping, g *generatorText) {
	const answered = "a query that is answered by 1 or ON, 0 or OFF"
	switches := true // on and off do, and not the queries
	if m.has("confirm") {
		c := m.section("confirm", "ask", "on", "off")
		if switches = !c.has("on") && !c.has("off"); switches {
			ask := d.message(c.need("ask", answered), nil)
			g.rfConfirm = &rfConfirmation{ask, ask}
		} else {
			g.rfConfirm = &rfConfirmation{
				on:  d.message(c.need("on", "the message that switches RF on and asks for it"), nil),
				off: d.message(c.need("off", "the message that switches RF off and asks for it"), nil),
			}
			if c.has("ask") {
				d.fail(c.at("ask"), "either ask, or on and off, which switch RF themselves, is expected")
			}
		}
	}
	if switches || m.has("on") {
		g.rfOn = d.messages(m.need("on", "the message that switches RF on"), nil)
	}
	if switches || m.has("off") {
		g.rfOff = d.messages(m.need("off", "the message that switches RF off"), nil)
	}
}

func (d *document) tryGenerator(g *generatorText) {
	if d.err != nil {
		return
	}
	// Finer than any clock tolerance that matters.
	const fine = 1e-5
	for _, f := range []units.Hertz{g.abilities.MinFrequency, g.abilities.MaxFrequency} {
		values := map[string]float64{qFrequency: float64(f)}
		if form, declared := g.formats[qFrequency]; declared && form.rounding(float64(f)) > fine*float64(f) {
			d.fail(form.node, "a frequency near %v would be rounded by up to %v: more decimals or digits are needed",
				f, units.Hertz(form.rounding(float64(f))))
		}
		d.tryVerb(g.frequency, g.formats.fill(values, ""))
	}
	step := units.DBm(g.abilities.DriveStep)
	for _, l := range []units.DBm{g.abilities.MinDrive, g.abilities.MinDrive + step, g.abilities.MaxDrive - step, g.abilities.MaxDrive} {
		l = roundDown(l, g.abilities)
		if form, declared := g.formats[qDrive]; declared {
			d.tryWriting(qDrive, form, float64(l), float64(step)/100)
		}
		d.tryVerb(g.drive, g.formats.fill(map[string]float64{qDrive: float64(l)}, ""))
	}
	for _, m := range append(append([]message{}, g.rfOn...), g.rfOff...) {
		d.try(m, nil, true)
	}
	if g.rfConfirm != nil {
		d.try(g.rfConfirm.on, nil, true)
		d.try(g.rfConfirm.off, nil, true)
	}
}

// roundDown is the next level that the generator can make, at or below l.
func roundDown(l units.DBm, a drivers.GeneratorAbilities) units.DBm {
	step := float64(a.DriveStep)
	// A millionth of a step forgives the rounding of the division.
	n := math.Floor(float64(l)/step + 1e-6)
	// Nine decimals take the rounding of the product away again.
	level := units.DBm(math.Round(n*step*1e9) / 1e9)
	return min(max(level, a.MinDrive), a.MaxDrive)
}
