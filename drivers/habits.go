package drivers

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"halfturn/units"
)

// Habits is what a generator does beyond taking one level at once. Zero is a
// generator that has none. A dialect states them, and a bench file may state
// its own; see GeneratorAbilities.With.
type Habits struct {
	Drive      DriveHabits `json:"drive,omitzero" mapstructure:"drive"`
	Bands      Bands       `json:"bands,omitzero" mapstructure:"bands"`
	Attenuator Attenuator  `json:"attenuator,omitzero" mapstructure:"attenuator"`
}

// DriveHabits is how levels are limited over frequency, and their steps.
type DriveHabits struct {
	To   LevelLimits `json:"to,omitempty" mapstructure:"to"`
	Step units.DB    `json:"step,omitzero" mapstructure:"step"` // 0: as it is
}

// LevelLimit is the largest level up to a frequency, that one included.
type LevelLimit struct {
	UpTo  units.Hertz `json:"up_to" mapstructure:"up_to"`
	Level units.DBm   `json:"level" mapstructure:"level"`
}

// LevelLimits is the largest level over frequency, in steps: nothing is
// interpolated between its entries, which ascend in frequency, and the last
// one holds beyond its frequency too. Empty is no limit.
type LevelLimits []LevelLimit

// At is the limit at f; +Inf without one.
func (l LevelLimits) At(f units.Hertz) units.DBm {
	if len(l) == 0 {
		return units.DBm(math.Inf(1))
	}
	i, _ := slices.BinarySearchFunc(l, f, func(e LevelLimit, f units.Hertz) int {
		if e.UpTo < f {
			return -1
		}
		return 1 // the first that reaches f
	})
	return l[min(i, len(l)-1)].Level
}

// Least is the limit that holds at any frequency; +Inf without one.
func (l LevelLimits) Least() units.DBm {
	least := units.DBm(math.Inf(1))
	for _, e := range l {
		least = min(least, e.Level)
	}
	return least
}

// Under is the smaller of both limits at each frequency.
func (l LevelLimits) Under(other LevelLimits) LevelLimits {
	var both LevelLimits
	for _, e := range append(slices.Clone(l), other...) {
		both = append(both, LevelLimit{e.UpTo, min(l.At(e.UpTo), other.At(e.UpTo))})
	}
	slices.SortFunc(both, func(a, b LevelLimit) int {
		if a.UpTo < b.UpTo {
			return -1
		}
		return 1
	})
	return slices.CompactFunc(both, func(a, b LevelLimit) bool { return a.UpTo == b.UpTo })
}

// Bands is where a generator goes over to another oscillator or filter.
type Bands struct {
	Edges  []units.Hertz `json:"edges" mapstructure:"edges"`   // ascending
	Settle time.Duration `json:"settle" mapstructure:"settle"` // after crossing one
}

// IsZero tells whether there is only one band.
func (b Bands) IsZero() bool { return len(b.Edges) == 0 }

// Crossed tells whether going from one frequency to another may click over: an
// edge lies between them, or is one of them, since manuals rarely say to which
// band an edge belongs.
func (b Bands) Crossed(from, to units.Hertz) bool {
	low, high := min(from, to), max(from, to)
	return low != high && slices.ContainsFunc(b.Edges, func(edge units.Hertz) bool { return low <= edge && edge <= high })
}

// Attenuator is a mechanical attenuator in a generator. A step of it is taken
// out where the level rises to one of Levels, and put in again where it falls
// below that by more than Hysteresis. In between, a level may be had with the
// step in or out, depending on the level before, and what comes out differs a
// little. SetDrive always comes to such a level from below, with the step in,
// so that one level is one position, in each run and after each interruption.
type Attenuator struct {
	Levels     []units.DBm   `json:"levels" mapstructure:"levels"` // ascending
	Hysteresis units.DB      `json:"hysteresis" mapstructure:"hysteresis"`
	Settle     time.Duration `json:"settle" mapstructure:"settle"` // after switching
}

// IsZero tells whether there is no such attenuator.
func (a Attenuator) IsZero() bool { return len(a.Levels) == 0 }

// Equal tells whether both switch at the same levels.
func (a Attenuator) Equal(b Attenuator) bool {
	return slices.Equal(a.Levels, b.Levels) && a.Hysteresis == b.Hysteresis
}

// String says where it switches; empty without one.
func (a Attenuator) String() string {
	if a.IsZero() {
		return ""
	}
	levels := make([]string, len(a.Levels))
	for i, l := range a.Levels {
		levels[i] = l.String()
	}
	return fmt.Sprintf("switching at %s, hysteresis %v", strings.Join(levels, ", "), a.Hysteresis)
}

// sameLevel is the difference of two levels that is rounding, in dB.
const sameLevel = 1e-6

// Position is how many steps of attenuation are in at a level that was come to
// from below.
func (a Attenuator) Position(level units.DBm) int {
	return len(a.Levels) - a.below(level)
}

// below is how many of the switching levels are at or below level.
func (a Attenuator) below(level units.DBm) int {
	n, _ := slices.BinarySearchFunc(a.Levels, level+sameLevel, func(s, l units.DBm) int {
		if s <= l {
			return -1
		}
		return 1
	})
	return n
}

// Span is the levels that have the same position as the given one: from, up to
// but without below. Either is infinite where there is no end.
func (a Attenuator) Span(level units.DBm) (from, below units.DBm) {
	n := a.below(level)
	from, below = units.DBm(math.Inf(-1)), units.DBm(math.Inf(1))
	if n > 0 {
		from = a.Levels[n-1]
	}
	if n < len(a.Levels) {
		below = a.Levels[n]
	}
	return from, below
}

// Below is the level that has to be passed under on the way to the given one,
// so that it is come to from below: any that is lower puts the step in. ok is
// false where the level has but one position anyway.
func (a Attenuator) Below(level units.DBm) (under units.DBm, ok bool) {
	_, next := a.Span(level)
	under = next - units.DBm(a.Hysteresis)
	return under, a.Hysteresis > 0 && !math.IsInf(float64(next), 0) && level >= under-sameLevel
}

// Validate says what of the habits cannot be, one line for each, beginning with
// the key that it belongs to.
func (h Habits) Validate() error {
	var errs []error
	wrong := func(format string, a ...any) { errs = append(errs, fmt.Errorf(format, a...)) }
	finite := func(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
	if !(h.Drive.Step >= 0) || !finite(float64(h.Drive.Step)) {
		wrong("drive.step is %v: it must be above 0 dB", h.Drive.Step)
	}
	for i, e := range h.Drive.To {
		switch {
		case !(e.UpTo > 0) || !finite(float64(e.UpTo)):
			wrong("drive.to[%d].up_to is %v: a frequency must be above 0 Hz", i, e.UpTo)
		case !finite(float64(e.Level)):
			wrong("drive.to[%d].level is %v, which is no level", i, e.Level)
		case i > 0 && !(e.UpTo > h.Drive.To[i-1].UpTo):
			wrong("drive.to[%d].up_to is %v after %v: the frequencies must ascend", i, e.UpTo, h.Drive.To[i-1].UpTo)
		}
	}
	for i, f := range h.Bands.Edges {
		switch {
		case !(f > 0) || !finite(float64(f)):
			wrong("bands.edges holds %v: a frequency must be above 0 Hz", f)
		case i > 0 && !(f > h.Bands.Edges[i-1]):
			wrong("bands.edges holds %v after %v: they must ascend", f, h.Bands.Edges[i-1])
		}
	}
	switch {
	case h.Bands.IsZero() && h.Bands.Settle != 0:
		wrong("bands.edges is missing: at which frequencies does it click over?")
	case !h.Bands.IsZero() && h.Bands.Settle <= 0:
		wrong("bands.settle is %v: how long does crossing an edge take?", h.Bands.Settle)
	}
	a := h.Attenuator
	for i, l := range a.Levels {
		switch {
		case !finite(float64(l)):
			wrong("attenuator.levels holds %v, which is no level", l)
		case i > 0 && !(l > a.Levels[i-1]):
			wrong("attenuator.levels holds %v after %v: they must ascend", l, a.Levels[i-1])
		case i > 0 && !(units.DB(l-a.Levels[i-1]) > a.Hysteresis):
			wrong("attenuator.hysteresis is %v, and %v follows %v: it must be less than the distance of two levels", a.Hysteresis, l, a.Levels[i-1])
		}
	}
	if !(a.Hysteresis >= 0) || !finite(float64(a.Hysteresis)) {
		wrong("attenuator.hysteresis is %v: it cannot be negative", a.Hysteresis)
	}
	if a.Settle < 0 {
		wrong("attenuator.settle is %v: it cannot be negative", a.Settle)
	}
	if a.IsZero() && (a.Hysteresis != 0 || a.Settle != 0) {
		wrong("attenuator.levels is missing: at which levels does it switch?")
	}
	return errors.Join(errs...)
}

// MaxDriveAt is the largest level at f.
func (a *GeneratorAbilities) MaxDriveAt(f units.Hertz) units.DBm {
	return min(a.MaxDrive, a.Limits.At(f))
}

// Clicks is how long the generator settles, beside Settle, on the way from one
// frequency and level to others: the times of band and attenuator, each where
// it switches.
func (a *GeneratorAbilities) Clicks(from, to units.Hertz, was, is units.DBm) time.Duration {
	sum := time.Duration(0)
	if a.Bands.Crossed(from, to) {
		sum += a.Bands.Settle
	}
	if a.Attenuator.Position(was) != a.Attenuator.Position(is) {
		sum += a.Attenuator.Settle
	}
	return sum
}

// AllClicks is Clicks where it is not known what was set before.
func (a *GeneratorAbilities) AllClicks() time.Duration { return a.Bands.Settle + a.Attenuator.Settle }

// With is the abilities under what a bench states: the smaller level limit
// holds at each frequency, the step may be a multiple, and bands and attenuator
// take the place of those of the dialect. The error has one line for each key
// that cannot be.
func (a GeneratorAbilities) With(h Habits) (GeneratorAbilities, error) {
	if err := h.Validate(); err != nil {
		return a, err
	}
	a.Limits = a.Limits.Under(h.Drive.To)
	if own, step := a.DriveStep, h.Drive.Step; step > 0 {
		// A level of the coarser steps is one of the finer.
		if n := float64(step / own); own > 0 && (n < 1-sameLevel || math.Abs(n-math.Round(n)) > sameLevel) {
			return a, fmt.Errorf("drive.step is %v: it must be a whole multiple of the dialect's %v", step, own)
		}
		a.DriveStep = step
	}
	if !h.Bands.IsZero() {
		a.Bands = h.Bands
	}
	if !h.Attenuator.IsZero() {
		a.Attenuator = h.Attenuator
	}
	return a, a.checkHabits()
}

// checkHabits looks at what the habits and the levels ask of each other.
func (a *GeneratorAbilities) checkHabits() error {
	var errs []error
	for _, e := range a.Limits {
		if !(e.Level >= a.MinDrive) {
			errs = append(errs, fmt.Errorf("drive.to allows %v up to %s, below the lowest level, %v", e.Level, e.UpTo.Brief(), a.MinDrive))
		}
	}
	if levels := a.Attenuator.Levels; len(levels) > 0 {
		if under := levels[0] - units.DBm(a.Attenuator.Hysteresis+a.DriveStep); under < a.MinDrive-sameLevel {
			errs = append(errs, fmt.Errorf("attenuator.levels begins with %v: a level must be left below it, its hysteresis and a step, and %v is the lowest", levels[0], a.MinDrive))
		}
	}
	return errors.Join(errs...)
}
