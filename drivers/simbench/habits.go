package simbench

import (
	"fmt"
	"math"
	"slices"

	"halfturn/units"
)

// Habits of the simulated generator: what a real one does besides giving the
// level and the frequency it was told, at once.

// Levels is how the level can be set.
type Levels struct {
	Step units.DB     `yaml:"step"` // rounded to the nearest, silently; 0 for what the commands can say
	To   []LevelLimit `yaml:"to"`   // the largest over frequency; what is above is refused
}

// LevelLimit is the largest level up to a frequency, that one included; the
// last one holds beyond, too.
type LevelLimit struct {
	UpTo  units.Hertz `yaml:"up_to"`
	Level units.DBm   `yaml:"level"`
}

// Bands click over where the frequency crosses an edge, or leaves or gets to
// one. Until they have settled, level and frequency are off.
type Bands struct {
	Edges     []units.Hertz `yaml:"edges"`
	Settle    units.Seconds `yaml:"settle"`
	Level     units.DB      `yaml:"level"`     // off meanwhile
	Frequency units.PPM     `yaml:"frequency"` // likewise
}

// Attenuator is in steps: one is out where the level rises to one of Levels,
// and in where it falls below that by more than Hysteresis; between the two it
// stays as it was.
type Attenuator struct {
	Levels     []units.DBm   `yaml:"levels"`
	Hysteresis units.DB      `yaml:"hysteresis"`
	Settle     units.Seconds `yaml:"settle"`
	Level      units.DB      `yaml:"level"` // off while it switches
	Error      units.DB      `yaml:"error"` // that each step attenuates more than it should
}

// most is the largest level at f.
func (l *Levels) most(f units.Hertz) units.DBm {
	for i, e := range l.To {
		if f <= e.UpTo || i == len(l.To)-1 {
			return e.Level
		}
	}
	return maxLevel
}

// round is the level that is made of one that was asked for.
func (l *Levels) round(level units.DBm) units.DBm {
	if l.Step == 0 {
		return level
	}
	perDB := 1 / float64(l.Step)
	return units.DBm(math.Round(float64(level)*perDB) / perDB)
}

// crossed tells whether going from one frequency to the other clicks over.
func (b *Bands) crossed(from, to units.Hertz) bool {
	low, high := min(from, to), max(from, to)
	return low != high && slices.ContainsFunc(b.Edges, func(e units.Hertz) bool { return low <= e && e <= high })
}

// steps is how many are in at a level, where so many were in before.
func (a *Attenuator) steps(before int, level units.DBm) int {
	surely, possibly := 0, 0
	for _, at := range a.Levels {
		if level < at-units.DBm(a.Hysteresis) {
			surely++
		}
		if level < at {
			possibly++
		}
	}
	return max(surely, min(before, possibly))
}

// tune sets the frequency. The lock is held.
func (b *bench) tune(f units.Hertz) {
	g, bands := &b.generator, &b.scenario.Generator.Bands
	if bands.crossed(g.frequency, f) {
		g.bandUntil = b.now().Add(duration(bands.Settle))
	}
	g.frequency = f
}

// setLevel sets the level, and with it the attenuator. The lock is held.
func (b *bench) setLevel(level units.DBm) {
	g, attenuator := &b.generator, &b.scenario.Generator.Attenuator
	g.level = b.scenario.Generator.Level.round(level)
	if steps := attenuator.steps(g.steps, g.level); steps != g.steps {
		g.steps, g.stepUntil = steps, b.now().Add(duration(attenuator.Settle))
	}
}

// switchOn is the generator's state at switch-on and after *RST. The lock is held.
func (b *bench) switchOn() {
	b.generator = freshGenerator
	b.generator.steps = len(b.scenario.Generator.Attenuator.Levels)
}

// made is the frequency and the level that the generator really gives now, but
// for its level error. The lock is held.
func (b *bench) made() (units.Hertz, units.DBm) {
	g, habits := &b.generator, &b.scenario.Generator
	off := -units.DB(g.steps) * habits.Attenuator.Error
	f := g.frequency
	if b.now().Before(g.bandUntil) {
		off += habits.Bands.Level
		f *= 1 + units.Hertz(habits.Bands.Frequency)*1e-6
	}
	if b.now().Before(g.stepUntil) {
		off += habits.Attenuator.Level
	}
	return f, g.level.Add(off)
}

// checkHabits finds what of the habits cannot be.
func (s *Source) checkHabits(add func(key, why string)) {
	if !(s.Level.Step >= 0 && s.Level.Step <= 10) {
		add("generator.level.step", fmt.Sprintf("%v is not between 0 and 10 dB", s.Level.Step))
	}
	for i, e := range s.Level.To {
		key := fmt.Sprintf("generator.level.to[%d]", i)
		switch {
		case !(e.UpTo > 0):
			add(key+".up_to", fmt.Sprintf("must be above zero, is %v", e.UpTo))
		case i > 0 && !(e.UpTo > s.Level.To[i-1].UpTo):
			add(key+".up_to", fmt.Sprintf("must be above the %v before it", s.Level.To[i-1].UpTo))
		case !(e.Level >= minLevel && e.Level <= maxLevel):
			add(key+".level", fmt.Sprintf("%v is not between %v and %v", e.Level, minLevel, maxLevel))
		}
	}
	checkRising(add, "generator.bands.edges", s.Bands.Edges, 0)
	checkRising(add, "generator.attenuator.levels", s.Attenuator.Levels, minLevel+units.DBm(s.Attenuator.Hysteresis))
	for _, t := range []struct {
		key string
		v   units.Seconds
	}{{"generator.bands.settle", s.Bands.Settle}, {"generator.attenuator.settle", s.Attenuator.Settle}} {
		if !(t.v >= 0 && t.v <= 60) {
			add(t.key, fmt.Sprintf("%v is not between 0 and 60 s", t.v))
		}
	}
	for _, l := range []struct {
		key   string
		v     units.DB
		limit units.DB
	}{
		{"generator.bands.level", s.Bands.Level, 100},
		{"generator.attenuator.level", s.Attenuator.Level, 100},
		{"generator.attenuator.error", s.Attenuator.Error, 3},
	} {
		if !(l.v >= -l.limit && l.v <= l.limit) {
			add(l.key, fmt.Sprintf("%v is not within ±%v", l.v, l.limit))
		}
	}
	if !(s.Bands.Frequency >= -1e5 && s.Bands.Frequency <= 1e5) {
		add("generator.bands.frequency", fmt.Sprintf("%v is not within ±10 %%", s.Bands.Frequency))
	}
	h := s.Attenuator.Hysteresis
	if !(h >= 0) {
		add("generator.attenuator.hysteresis", fmt.Sprintf("must not be negative, is %v", h))
	}
	for i, l := range s.Attenuator.Levels {
		if i > 0 && !(units.DB(l-s.Attenuator.Levels[i-1]) > h) {
			add("generator.attenuator.hysteresis", fmt.Sprintf("%v is not less than from %v to %v", h, s.Attenuator.Levels[i-1], l))
		}
	}
}

// checkRising wants a list that rises from above least.
func checkRising[Q interface {
	~float64
	fmt.Stringer
}](add func(key, why string), key string, list []Q, least Q) {
	for i, v := range list {
		if !(v > least) {
			add(fmt.Sprintf("%s[%d]", key, i), fmt.Sprintf("%v is not above %v: they must rise", v, least))
			return
		}
		least = v
	}
}
