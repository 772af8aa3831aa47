package simbench

import (
	"errors"
	"fmt"
	"strings"

	"halfturn/units"
)

// Scenario is a simulated bench: instruments, fixture, and what is in it.
// configs/simbench/README.md says what each key means.
type Scenario struct {
	Description string    `yaml:"description"`
	Seed        uint64    `yaml:"seed"`
	Fixture     Fitting   `yaml:"fixture"`
	Generator   Source    `yaml:"generator"`
	Scope       Digitiser `yaml:"scope"`
	Connector   Connector `yaml:"connector"`
	Reference   Split     `yaml:"reference"`
	Cable       Line      `yaml:"cable"`
	Balun       Choke     `yaml:"balun"`
	Arms        [2]Arm    `yaml:"arms"`
	NominalLoad Nominal   `yaml:"nominal_load"`
}

// Fitting is what really is in the fixture when a person believes to have
// fitted the right thing for a run.
type Fitting struct {
	Calibration Fixture `yaml:"calibration"`
	Balun       Fixture `yaml:"balun"`
}

// Source is the generator.
type Source struct {
	Resistance  units.Ohms    `yaml:"resistance"`
	LevelError  LevelError    `yaml:"level_error"`
	Harmonics   Harmonics     `yaml:"harmonics"`
	ClockOffset units.PPM     `yaml:"clock_offset"` // against the scope's clock
	Settle      units.Seconds `yaml:"settle"`       // that a change of frequency, level or RF takes
	Level       Levels        `yaml:"level"`
	Bands       Bands         `yaml:"bands"`
	Attenuator  Attenuator    `yaml:"attenuator"`
}

// LevelError is by how much the level is above the one that was set.
type LevelError struct {
	Offset       units.DB    `yaml:"offset"`
	Tilt         units.DB    `yaml:"tilt"`   // per decade of frequency, 0 at 100 MHz
	Ripple       units.DB    `yaml:"ripple"` // half of peak to peak
	RipplePeriod units.Hertz `yaml:"ripple_period"`
	Per10dB      units.DB    `yaml:"per_10_db"` // added for each 10 dB of level above 0 dBm
}

// Harmonics is the level of the harmonics relative to the fundamental, dBc.
type Harmonics struct {
	Second units.DB `yaml:"second"`
	Third  units.DB `yaml:"third"`
}

// Digitiser is the scope.
type Digitiser struct {
	Channels       [2]Channel    `yaml:"channels"`
	RangeGainError units.DB      `yaml:"range_gain_error"` // largest; drawn from the seed for each range and channel
	Offset         float64       `yaml:"offset"`           // largest, as a part of the range; drawn likewise
	Noise          Noise         `yaml:"noise"`
	Acquire        units.Seconds `yaml:"acquire"`  // that an acquisition takes
	Transfer       units.Seconds `yaml:"transfer"` // that one channel's block takes
}

// Split is the phase reference: a splitter of two resistors at the generator's
// output, of which one branch feeds the scope's third channel and the other one,
// through a matched pad, the fixture. With it the scope has four channels.
type Split struct {
	Resistance units.Ohms `yaml:"resistance"` // of each branch, and of what ends the third channel; 0: no splitter, two channels
	Pad        units.DB   `yaml:"pad"`        // attenuation
	Channel    Channel    `yaml:"channel"`
	Uncabled   bool       `yaml:"uncabled"` // the splitter's cable is off the scope
}

// Fitted says whether there is one.
func (s *Split) Fitted() bool { return s.Resistance > 0 }

// Channel is one input: two real poles, a delay and a gain, and what it bends.
type Channel struct {
	Poles [2]units.Hertz `yaml:"poles"`
	Delay units.Seconds  `yaml:"delay"`
	Gain  units.DB       `yaml:"gain"`
	Cubic float64        `yaml:"cubic"` // v reads v(1 - cubic (v/(range/2))²)
}

// Noise is rms at the input, before the converter.
type Noise struct {
	OfRange float64     `yaml:"of_range"` // as a part of the range
	Floor   units.Volts `yaml:"floor"`
}

// Connector is how well a connector of an arm repeats: standard deviations of
// what it multiplies by, drawn for each arm whenever a thing is fitted.
type Connector struct {
	Amplitude units.DB      `yaml:"amplitude"`
	Phase     units.Degrees `yaml:"phase"`
}

// Line is a lossless line.
type Line struct {
	Impedance units.Ohms    `yaml:"impedance"`
	Delay     units.Seconds `yaml:"delay"`
}

// Choke is the balun: a line whose shield is choked by ferrite sleeves.
type Choke struct {
	Line    Line    `yaml:"line"`
	Sleeves int     `yaml:"sleeves"`
	Sleeve  Sleeve  `yaml:"sleeve"`
	Wires   [2]Wire `yaml:"wires"` // core's and shield's, to the arms
}

// Sleeve is the common-mode impedance of one ferrite sleeve: L ∥ R ∥ C.
type Sleeve struct {
	Inductance  units.Henries `yaml:"inductance"`
	Resistance  units.Ohms    `yaml:"resistance"`
	Capacitance units.Farads  `yaml:"capacitance"`
	Doubling    units.Volts   `yaml:"doubling"` // peak across it at which its inductance is twice the one above; 0 for never
}

// Wire is what connects one conductor of the balun to an arm.
type Wire struct {
	Inductance units.Henries `yaml:"inductance"`
	Broken     bool          `yaml:"broken"`
	Gap        units.Farads  `yaml:"gap"` // capacitance across the break
}

// Arm is what one balanced output feeds: a lead, then R ∥ C, where the scope's
// channel reads.
type Arm struct {
	Resistance  units.Ohms    `yaml:"resistance"`
	Capacitance units.Farads  `yaml:"capacitance"` // with the scope's input
	Inductance  units.Henries `yaml:"inductance"`  // of the lead
	Lead        Line          `yaml:"lead"`        // a stretch of line; none without a delay
}

// Nominal is what a person would put down for an arm's load and the source.
type Nominal struct {
	Resistance  units.Ohms   `yaml:"resistance"`
	Capacitance units.Farads `yaml:"capacitance"`
	Source      units.Ohms   `yaml:"source"`
}

// Fixture is what is in the fixture.
type Fixture int

const (
	FitNothing Fixture = iota // or the RF cable is off: no signal reaches the arms
	FitCalibrationCable
	FitBalun
	FitSwapped // the balun with its arms exchanged
)

var fixtureNames = [...]string{"nothing", "cable", "balun", "swapped"}

func (f Fixture) String() string {
	if f < 0 || int(f) >= len(fixtureNames) {
		return fmt.Sprintf("fixture %d", int(f))
	}
	return fixtureNames[f]
}

// UnmarshalText reads cable, balun, swapped or nothing.
func (f *Fixture) UnmarshalText(text []byte) error {
	for i, name := range fixtureNames {
		if string(text) == name {
			*f = Fixture(i)
			return nil
		}
	}
	return fmt.Errorf("%q is not one of %s", text, strings.Join(fixtureNames[:], ", "))
}

// defaults is what holds for keys that a scenario leaves out: an ideal bench.
func defaults() Scenario {
	none := units.DB(-200) // dBc: below the last bit of a float64 sum
	arm := Arm{Resistance: 100, Capacitance: 15e-12, Lead: Line{Impedance: 50}}
	channel := Channel{Poles: [2]units.Hertz{155.4e6, 155.4e6}} // 100 MHz at -3 dB
	return Scenario{
		Seed:        1,
		Fixture:     Fitting{Calibration: FitCalibrationCable, Balun: FitBalun},
		Generator:   Source{Resistance: 50, LevelError: LevelError{RipplePeriod: 100e6}, Harmonics: Harmonics{none, none}},
		Scope:       Digitiser{Channels: [2]Channel{channel, channel}},
		Reference:   Split{Channel: channel},
		Cable:       Line{Impedance: 50, Delay: 3e-9},
		Balun:       Choke{Line: Line{Impedance: 50, Delay: 3e-9}},
		Arms:        [2]Arm{arm, arm},
		NominalLoad: Nominal{Resistance: 100, Capacitance: 15e-12, Source: 50},
	}
}

// fault is a key whose value cannot be.
type fault struct {
	key string // "balun.sleeve.inductance"
	why string
}

// check finds the values that physics or the job does not allow, and gives
// the first.
func (s *Scenario) check() (f fault, bad bool) {
	var faults []fault
	above := func(key string, v float64, text fmt.Stringer) {
		if !(v > 0) {
			faults = append(faults, fault{key, fmt.Sprintf("must be above zero, is %v", text)})
		}
	}
	notBelow := func(key string, v float64, text any) {
		if !(v >= 0) {
			faults = append(faults, fault{key, fmt.Sprintf("must not be negative, is %v", text)})
		}
	}
	within := func(key string, v, limit float64, text any) {
		if !(v >= -limit && v <= limit) {
			faults = append(faults, fault{key, fmt.Sprintf("%v is not within ±%g", text, limit)})
		}
	}
	line := func(key string, l Line) {
		above(key+".impedance", float64(l.Impedance), l.Impedance)
		notBelow(key+".delay", float64(l.Delay), l.Delay)
	}
	if strings.TrimSpace(s.Description) == "" {
		faults = append(faults, fault{"description", "a sentence that says what is simulated is missing"})
	}
	g := &s.Generator
	above("generator.resistance", float64(g.Resistance), g.Resistance)
	within("generator.level_error.offset", float64(g.LevelError.Offset), 20, g.LevelError.Offset)
	within("generator.level_error.tilt", float64(g.LevelError.Tilt), 20, g.LevelError.Tilt)
	within("generator.level_error.ripple", float64(g.LevelError.Ripple), 20, g.LevelError.Ripple)
	within("generator.level_error.per_10_db", float64(g.LevelError.Per10dB), 5, g.LevelError.Per10dB)
	above("generator.level_error.ripple_period", float64(g.LevelError.RipplePeriod), g.LevelError.RipplePeriod)
	for _, h := range []struct {
		key   string
		level units.DB
	}{{"second", g.Harmonics.Second}, {"third", g.Harmonics.Third}} {
		if !(h.level < 0) {
			faults = append(faults, fault{"generator.harmonics." + h.key, fmt.Sprintf("must be below 0 dB (of the fundamental), is %v", h.level)})
		}
	}
	within("generator.clock_offset", float64(g.ClockOffset), 1000, g.ClockOffset)
	delay := func(key string, t units.Seconds) {
		if !(t >= 0 && t <= 60) {
			faults = append(faults, fault{key, fmt.Sprintf("%v is not between 0 and 60 s", t)})
		}
	}
	delay("generator.settle", g.Settle)
	g.checkHabits(func(key, why string) { faults = append(faults, fault{key, why}) })
	delay("scope.acquire", s.Scope.Acquire)
	delay("scope.transfer", s.Scope.Transfer)
	channel := func(key string, c Channel) {
		for j, p := range c.Poles {
			above(fmt.Sprintf("%s.poles[%d]", key, j), float64(p), p)
		}
		within(key+".gain", float64(c.Gain), 20, c.Gain)
		within(key+".delay", float64(c.Delay), 1e-6, c.Delay)
		within(key+".cubic", c.Cubic, 0.2, c.Cubic)
	}
	for i, c := range s.Scope.Channels {
		channel(fmt.Sprintf("scope.channels[%d]", i), c)
	}
	channel("reference.channel", s.Reference.Channel)
	notBelow("reference.resistance", float64(s.Reference.Resistance), s.Reference.Resistance)
	if !(s.Reference.Pad >= 0 && s.Reference.Pad <= 40) {
		faults = append(faults, fault{"reference.pad", fmt.Sprintf("%v is not between 0 and 40 dB", s.Reference.Pad)})
	}
	if !(s.Scope.RangeGainError >= 0 && s.Scope.RangeGainError <= 6) {
		faults = append(faults, fault{"scope.range_gain_error", fmt.Sprintf("%v is not between 0 and 6 dB", s.Scope.RangeGainError)})
	}
	if !(s.Scope.Offset >= 0 && s.Scope.Offset <= 0.5) {
		faults = append(faults, fault{"scope.offset", fmt.Sprintf("%v is not a part of the range between 0 and 0.5", s.Scope.Offset)})
	}
	if !(s.Scope.Noise.OfRange >= 0 && s.Scope.Noise.OfRange <= 1) {
		faults = append(faults, fault{"scope.noise.of_range", fmt.Sprintf("%v is not a part of the range between 0 and 1", s.Scope.Noise.OfRange)})
	}
	notBelow("scope.noise.floor", float64(s.Scope.Noise.Floor), s.Scope.Noise.Floor)
	if !(s.Connector.Amplitude >= 0 && s.Connector.Amplitude <= 6) {
		faults = append(faults, fault{"connector.amplitude", fmt.Sprintf("%v is not between 0 and 6 dB", s.Connector.Amplitude)})
	}
	if !(s.Connector.Phase >= 0 && s.Connector.Phase <= 90) {
		faults = append(faults, fault{"connector.phase", fmt.Sprintf("%v is not between 0 and 90°", s.Connector.Phase)})
	}
	line("cable", s.Cable)
	line("balun.line", s.Balun.Line)
	if s.Balun.Sleeves < 0 || s.Balun.Sleeves > 1000 {
		faults = append(faults, fault{"balun.sleeves", fmt.Sprintf("%d is not between 0 and 1000", s.Balun.Sleeves)})
	}
	if s.Balun.Sleeves > 0 {
		sleeve := s.Balun.Sleeve
		above("balun.sleeve.inductance", float64(sleeve.Inductance), sleeve.Inductance)
		above("balun.sleeve.resistance", float64(sleeve.Resistance), sleeve.Resistance)
		notBelow("balun.sleeve.capacitance", float64(sleeve.Capacitance), sleeve.Capacitance)
		notBelow("balun.sleeve.doubling", float64(sleeve.Doubling), sleeve.Doubling)
	}
	for i, w := range s.Balun.Wires {
		notBelow(fmt.Sprintf("balun.wires[%d].inductance", i), float64(w.Inductance), w.Inductance)
		notBelow(fmt.Sprintf("balun.wires[%d].gap", i), float64(w.Gap), w.Gap)
	}
	for i, a := range s.Arms {
		key := fmt.Sprintf("arms[%d]", i)
		above(key+".resistance", float64(a.Resistance), a.Resistance)
		notBelow(key+".capacitance", float64(a.Capacitance), a.Capacitance)
		notBelow(key+".inductance", float64(a.Inductance), a.Inductance)
		line(key+".lead", a.Lead)
	}
	above("nominal_load.resistance", float64(s.NominalLoad.Resistance), s.NominalLoad.Resistance)
	notBelow("nominal_load.capacitance", float64(s.NominalLoad.Capacitance), s.NominalLoad.Capacitance)
	above("nominal_load.source", float64(s.NominalLoad.Source), s.NominalLoad.Source)
	if len(faults) == 0 {
		return fault{}, false
	}
	return faults[0], true
}

// Check says what is wrong with a scenario that was made by hand; Load does
// the same with the line of the file.
func (s *Scenario) Check() error {
	if f, bad := s.check(); bad {
		return errors.New("scenario: " + f.key + ": " + f.why)
	}
	return nil
}
