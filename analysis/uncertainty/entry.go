package uncertainty

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"

	"halfturn/units"
)

// Name is that of an entry, and its key in the bench file.
type Name string

// What a budget knows of. The first two are found in the measurement itself
// (type A); the others are entries of a Budget (type B, or type A from earlier
// runs).
const (
	NoiseBalun             Name = "noise_balun"
	NoiseCalibration       Name = "noise_calibration"
	RunRepeatability       Name = "run_repeatability"
	ConnectorRepeatability Name = "connector_repeatability"
	RangeGain              Name = "range_gain"
	SkewDrift              Name = "skew_drift"
	Crosstalk              Name = "crosstalk"
	NonLinearity           Name = "nonlinearity"
	LoadResistance         Name = "load_resistance"
	LoadCapacitance        Name = "load_capacitance"
	LeadInductance         Name = "lead_inductance"
	SourceResistance       Name = "source_resistance"
	Harmonics              Name = "harmonics"
	ClockError             Name = "clock_error"
	LevelLinearity         Name = "level_linearity"
	LevelRepeatability     Name = "level_repeatability"
	LevelFlatness          Name = "level_flatness"
	AttenuatorStep         Name = "attenuator_step"
)

// shape is how many parts a quantity has.
type shape int

const (
	oneReal shape = iota // one real number
	pair                 // real and imaginary part, each with a size
	ring                 // complex, of unknown phase
)

func (s shape) distributions() []Distribution {
	if s == ring {
		return []Distribution{Normal, Arcsine, Disc}
	}
	return []Distribution{Normal, Rectangular, Triangular, Arcsine}
}

// kind is what does not change about an entry: what it is and in what unit.
type kind struct {
	name    Name
	meaning string
	shape   shape
	unit    unit
	common  bool // one and the same error in both runs
}

// kinds are all entries, in the order of tables.
var kinds = []kind{
	{RunRepeatability, "arm ratio of one run to the next, nothing reconnected", pair, relative, false},
	{ConnectorRepeatability, "one connector of one arm, undone and made again", pair, relative, false},
	{RangeGain, "a channel's gain on one range against another, where the ranges differ", pair, relative, false},
	{SkewDrift, "change of the delay between the channels from calibration to balun", oneReal, seconds, false},
	{Crosstalk, "what a channel shows of the other's signal", ring, below, true},
	{NonLinearity, "a channel's amplitude, as a part of full scale", oneReal, relative, false},
	{LoadResistance, "an arm's load against the stated one", oneReal, relative, true},
	{LoadCapacitance, "an arm's load against the stated one", oneReal, farads, true},
	{LeadInductance, "lead of an arm to its load; for the roll-off that a calibration tells, and for nothing else", oneReal, henries, true},
	{SourceResistance, "the generator's source resistance against the stated one", oneReal, relative, true},
	{Harmonics, "what is left of the generator's harmonics in a phasor", ring, below, false},
	{ClockError, "scope's sample clock against the generator's", oneReal, relative, false},
	{LevelLinearity, "generator's level against the stated one, where the drives differ", oneReal, relative, false},
	{LevelRepeatability, "generator's level when set again", oneReal, relative, false},
	{LevelFlatness, "generator's level over frequency, in slope and ripple; cancels in all results, but not in the roll-off that a calibration tells", oneReal, relative, true},
	{AttenuatorStep, "generator's attenuator in one position against another, where they differ", oneReal, relative, false},
}

func kindOf(n Name) *kind {
	for i := range kinds {
		if kinds[i].name == n {
			return &kinds[i]
		}
	}
	return nil
}

// Meaning says in a few words what the quantity is.
func (n Name) Meaning() string {
	switch n {
	case NoiseBalun:
		return "noise and scatter of the balun's captures"
	case NoiseCalibration:
		return "noise and scatter of the calibration's captures"
	}
	if k := kindOf(n); k != nil {
		return k.meaning
	}
	return string(n)
}

// Entry is one line of a budget. Relative quantities are parts of 1 (1 dB is
// ln10/20 = 0.115), angles radians; a skew is seconds, a capacitance farads, an
// inductance henries.
type Entry struct {
	Name Name
	// Value is the standard uncertainty of a normal distribution and the
	// half-width, or the magnitude, of any other.
	Value float64
	// Phase is the same for the imaginary part where the entry has two parts
	// of their own.
	Phase        float64
	Correlation  float64 // of the two parts; normal distribution only
	Distribution Distribution
	// Reference is the frequency at which Value holds where it is
	// proportional to frequency; 0 where it does not depend on frequency.
	Reference units.Hertz
	Source    string // where the value comes from
}

// Text is the entry's value and distribution as people write them:
// "0.02 dB and 0.13°, normal", "50 dB below at 100 MHz, arcsine".
func (e *Entry) Text() string {
	k := kindOf(e.Name)
	if k == nil {
		return ""
	}
	var value string
	switch {
	case k.unit == seconds:
		value = units.Seconds(e.Value).Brief()
	case k.unit == farads:
		value = fmt.Sprintf("%.3g pF", e.Value*1e12)
	case k.unit == henries:
		value = fmt.Sprintf("%.3g nH", e.Value*1e9)
	case k.shape == pair:
		value = fmt.Sprintf("%.3g dB and %.2g°", e.Value/ofDB(1), e.Phase*180/math.Pi)
	case k.unit == below && e.Value > 0:
		value = fmt.Sprintf("%.3g dB below", -20*math.Log10(e.Value))
	default:
		value = fmt.Sprintf("%.3g %%", 100*e.Value)
	}
	if e.Reference != 0 {
		value += " at " + e.Reference.Brief() + ", in proportion to frequency"
	}
	if e.Correlation != 0 {
		value += fmt.Sprintf(", correlation %.2g", e.Correlation)
	}
	return value + ", " + string(e.Distribution)
}

// Common tells whether both runs have one and the same error, as opposed to
// one each.
func (e *Entry) Common() bool {
	k := kindOf(e.Name)
	return k != nil && k.common
}

// at is the factor to the value at frequency f.
func (e *Entry) at(f units.Hertz) float64 {
	if e.Reference == 0 {
		return 1
	}
	return float64(f / e.Reference)
}

// Cov is the covariance of the quantity at frequency f. A real quantity has no
// imaginary part.
func (e *Entry) Cov(f units.Hertz) Cov {
	scale := e.at(f) * e.Distribution.Standard()
	re := scale * e.Value
	switch shapeOf(e.Name) {
	case oneReal:
		return Cov{RR: re * re}
	case ring:
		return Circular(re * re)
	}
	im := scale * e.Phase
	return Cov{RR: re * re, RI: e.Correlation * re * im, II: im * im}
}

// Draw is one value of the quantity at frequency f.
func (e *Entry) Draw(rng *rand.Rand, f units.Hertz) complex128 {
	scale := e.at(f)
	switch shapeOf(e.Name) {
	case oneReal:
		return complex(scale*e.Value*e.Distribution.draw(rng), 0)
	case ring:
		return complex(scale*e.Value, 0) * e.Distribution.ring(rng)
	}
	a, b := e.Distribution.draw(rng), e.Distribution.draw(rng)
	if r := e.Correlation; r != 0 {
		b = r*a + math.Sqrt(max(0, 1-r*r))*b
	}
	return complex(scale*e.Value*a, scale*e.Phase*b)
}

func shapeOf(n Name) shape {
	if k := kindOf(n); k != nil {
		return k.shape
	}
	return oneReal
}

// Validate says what is wrong with an entry, one line for each key.
func (e *Entry) Validate() error {
	k := kindOf(e.Name)
	if k == nil {
		return fmt.Errorf("budget.%s: there is no such entry", e.Name)
	}
	var errs []error
	wrong := func(format string, a ...any) {
		errs = append(errs, fmt.Errorf("budget.%s: "+format, append([]any{e.Name}, a...)...))
	}
	usable := func(v float64) bool { return v >= 0 && !math.IsInf(v, 0) }
	if !usable(e.Value) {
		wrong("value is %g: an uncertainty is not negative", e.Value)
	}
	if k.shape == pair && !usable(e.Phase) {
		wrong("phase is %g: an uncertainty is not negative", e.Phase)
	}
	if k.shape != pair && e.Phase != 0 {
		wrong("phase is given, and the entry has no part of its own for it")
	}
	if err := e.Distribution.check(k.shape); err != nil {
		wrong("%w", err)
	}
	switch {
	case !(math.Abs(e.Correlation) <= 1):
		wrong("correlation is %g: it must be within -1 and 1", e.Correlation)
	case e.Correlation != 0 && (k.shape != pair || e.Distribution != Normal):
		wrong("correlation is given: it is for two parts with a normal distribution")
	}
	if !usable(float64(e.Reference)) {
		wrong("reference is %v: a frequency must be above 0 Hz", e.Reference)
	}
	return errors.Join(errs...)
}
