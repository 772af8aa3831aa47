package uncertainty

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"halfturn/units"
)

// unit is what the value of an entry may be written in, and becomes.
type unit int

const (
	relative unit = iota // part of 1: "0.02 dB", "1 %", "50 ppm"
	below                // magnitude, part of 1: "50 dB" below the signal, "0.3 %", "3000 ppm"
	seconds              // "5 ps"
	farads               // "0.3 pF"
	henries              // "1 nH"
)

func (u unit) example() string {
	return [...]string{`"0.02 dB" or "1 %"`, `"50 dB" (below the signal) or "0.3 %"`, `"5 ps"`, `"0.3 pF"`, `"1 nH"`}[u]
}

// Amount is a value with its unit as people write it: "0.02 dB", "1 %",
// "50 ppm", "0.1°", "5 ps", "0.3 pF", "1 nH". The zero Amount is one that is not given.
type Amount struct {
	number float64
	unit   string // "dB", "%", "ppm", "°", "s", "F" or "H"
}

// UnmarshalText reads an amount; a number without a unit is refused.
func (a *Amount) UnmarshalText(text []byte) error {
	s := strings.TrimSpace(string(text))
	if number, ok := strings.CutSuffix(s, "%"); ok {
		v, err := strconv.ParseFloat(strings.TrimSpace(number), 64)
		if err != nil || math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("%q is not a percentage, write it like \"1 %%\"", s)
		}
		*a = Amount{v, "%"}
		return nil
	}
	for _, try := range []struct {
		unit  string
		parse func(string) (float64, error)
	}{
		{"dB", func(s string) (float64, error) { v, err := units.ParseDB(s); return float64(v), err }},
		{"ppm", func(s string) (float64, error) { v, err := units.ParsePPM(s); return float64(v), err }},
		{"°", func(s string) (float64, error) { v, err := units.ParseDegrees(s); return float64(v), err }},
		{"s", func(s string) (float64, error) { v, err := units.ParseSeconds(s); return float64(v), err }},
		{"F", func(s string) (float64, error) { v, err := units.ParseFarads(s); return float64(v), err }},
		{"H", func(s string) (float64, error) { v, err := units.ParseHenries(s); return float64(v), err }},
	} {
		if v, err := try.parse(s); err == nil {
			*a = Amount{v, try.unit}
			return nil
		}
	}
	return fmt.Errorf("%q is not an amount with its unit, write it like \"0.02 dB\", \"1 %%\", \"50 ppm\", \"0.1 deg\", \"5 ps\", \"0.3 pF\" or \"1 nH\"", s)
}

// String writes the amount so that UnmarshalText reads it back; "" for none.
func (a Amount) String() string {
	switch a.unit {
	case "dB":
		return units.DB(a.number).String()
	case "ppm":
		return units.PPM(a.number).String()
	case "°":
		return units.Degrees(a.number).String()
	case "s":
		return units.Seconds(a.number).String()
	case "F":
		return units.Farads(a.number).String()
	case "H":
		return units.Henries(a.number).String()
	case "":
		return ""
	}
	return strconv.FormatFloat(a.number, 'g', -1, 64) + " %"
}

// MarshalText is String.
func (a Amount) MarshalText() ([]byte, error) { return []byte(a.String()), nil }

// Equal tells whether both are the same number in the same unit.
func (a Amount) Equal(b Amount) bool { return a == b }

// IsZero tells whether no amount was given. "0 dB" is one.
func (a Amount) IsZero() bool { return a.unit == "" }

// in is the amount in the base of u.
func (a Amount) in(u unit) (float64, error) {
	switch {
	case u == seconds && a.unit == "s", u == farads && a.unit == "F", u == henries && a.unit == "H":
		return a.number, nil
	case u > below:
	case a.unit == "%":
		return a.number / 100, nil
	case a.unit == "ppm":
		return a.number * 1e-6, nil
	case a.unit == "dB" && u == below && a.number == 0:
		return 0, fmt.Errorf(`is 0 dB below the signal, as large as the signal itself: write "0 %%" for none`)
	case a.unit == "dB" && u == below:
		return math.Pow(10, -a.number/20), nil
	case a.unit == "dB":
		return ofDB(a.number), nil
	}
	return 0, fmt.Errorf("is %v, write it like %s", a, u.example())
}

// radians is the amount as an angle.
func (a Amount) radians() (float64, error) {
	if a.unit != "°" {
		return 0, fmt.Errorf("is %v, write it like \"0.1 deg\"", a)
	}
	return a.number * math.Pi / 180, nil
}

// EntryConfig is one entry as the bench file states it.
type EntryConfig struct {
	Value        Amount       `json:"value,omitzero" mapstructure:"value"`
	Phase        Amount       `json:"phase,omitzero" mapstructure:"phase"` // of an entry with two parts; as large as Value where it is left out
	Correlation  float64      `json:"correlation,omitempty" mapstructure:"correlation"`
	Distribution Distribution `json:"distribution,omitempty" mapstructure:"distribution"`
	// Reference makes the entry proportional to frequency: Value holds there.
	Reference units.Hertz `json:"reference,omitempty" mapstructure:"reference"`
}

// BudgetConfig is the budget as the bench file states it. What is not in it is
// as in Defaults; a value of "0 %", "0 s" or "0 F" switches an entry off.
type BudgetConfig struct {
	RunRepeatability       EntryConfig `json:"run_repeatability,omitzero" mapstructure:"run_repeatability"`
	ConnectorRepeatability EntryConfig `json:"connector_repeatability,omitzero" mapstructure:"connector_repeatability"`
	RangeGain              EntryConfig `json:"range_gain,omitzero" mapstructure:"range_gain"`
	SkewDrift              EntryConfig `json:"skew_drift,omitzero" mapstructure:"skew_drift"`
	Crosstalk              EntryConfig `json:"crosstalk,omitzero" mapstructure:"crosstalk"`
	NonLinearity           EntryConfig `json:"nonlinearity,omitzero" mapstructure:"nonlinearity"`
	LoadResistance         EntryConfig `json:"load_resistance,omitzero" mapstructure:"load_resistance"`
	LoadCapacitance        EntryConfig `json:"load_capacitance,omitzero" mapstructure:"load_capacitance"`
	LeadInductance         EntryConfig `json:"lead_inductance,omitzero" mapstructure:"lead_inductance"`
	SourceResistance       EntryConfig `json:"source_resistance,omitzero" mapstructure:"source_resistance"`
	Harmonics              EntryConfig `json:"harmonics,omitzero" mapstructure:"harmonics"`
	ClockError             EntryConfig `json:"clock_error,omitzero" mapstructure:"clock_error"`
	LevelLinearity         EntryConfig `json:"level_linearity,omitzero" mapstructure:"level_linearity"`
	LevelRepeatability     EntryConfig `json:"level_repeatability,omitzero" mapstructure:"level_repeatability"`
	LevelFlatness          EntryConfig `json:"level_flatness,omitzero" mapstructure:"level_flatness"`
	AttenuatorStep         EntryConfig `json:"attenuator_step,omitzero" mapstructure:"attenuator_step"`
}

// entry is the field of the name.
func (c *BudgetConfig) entry(n Name) *EntryConfig {
	switch n {
	case RunRepeatability:
		return &c.RunRepeatability
	case ConnectorRepeatability:
		return &c.ConnectorRepeatability
	case RangeGain:
		return &c.RangeGain
	case SkewDrift:
		return &c.SkewDrift
	case Crosstalk:
		return &c.Crosstalk
	case NonLinearity:
		return &c.NonLinearity
	case LoadResistance:
		return &c.LoadResistance
	case LoadCapacitance:
		return &c.LoadCapacitance
	case LeadInductance:
		return &c.LeadInductance
	case SourceResistance:
		return &c.SourceResistance
	case Harmonics:
		return &c.Harmonics
	case ClockError:
		return &c.ClockError
	case LevelLinearity:
		return &c.LevelLinearity
	case LevelRepeatability:
		return &c.LevelRepeatability
	case LevelFlatness:
		return &c.LevelFlatness
	case AttenuatorStep:
		return &c.AttenuatorStep
	}
	return nil
}

// Set states the entry with the name; a name that no entry has is an error.
func (c *BudgetConfig) Set(name Name, e EntryConfig) error {
	at := c.entry(name)
	if at == nil {
		var names []string
		for _, k := range kinds {
			names = append(names, string(k.name))
		}
		return fmt.Errorf("budget.%s: there is no such entry; there are %s", name, strings.Join(names, ", "))
	}
	*at = e
	return nil
}

// Validate says what is wrong with the budget, one line for each key.
func (c BudgetConfig) Validate() error {
	_, err := c.Budget()
	return err
}

// Budget is Defaults with what the bench file states in its place. The error
// has one line for each key.
func (c BudgetConfig) Budget() (Budget, error) {
	b := Defaults()
	var errs []error
	for i := range b {
		stated := *c.entry(b[i].Name)
		if stated == (EntryConfig{}) {
			continue
		}
		e, err := stated.entry(kindOf(b[i].Name))
		if err != nil {
			errs = append(errs, err)
			continue
		}
		b[i] = e
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	return b, nil
}

// entry is what is stated, in base units.
func (c EntryConfig) entry(k *kind) (Entry, error) {
	e := Entry{
		Name: k.name, Correlation: c.Correlation, Distribution: c.Distribution,
		Reference: c.Reference, Source: "bench file",
	}
	var errs []error
	wrong := func(format string, a ...any) {
		errs = append(errs, fmt.Errorf("budget.%s: "+format, append([]any{k.name}, a...)...))
	}
	amount := func(key string, a Amount, base func(Amount) (float64, error)) float64 {
		if a.number < 0 {
			wrong("%s is %v: it cannot be negative", key, a)
			return 0
		}
		v, err := base(a)
		if err != nil {
			wrong("%s %w", key, err)
		}
		return v
	}
	if c.Value.IsZero() {
		wrong("value is missing, write it like %s", k.unit.example())
	} else {
		e.Value = amount("value", c.Value, func(a Amount) (float64, error) { return a.in(k.unit) })
	}
	switch {
	case k.shape == pair && c.Phase.IsZero():
		e.Phase = e.Value
	case k.shape == pair:
		e.Phase = amount("phase", c.Phase, Amount.radians)
	case !c.Phase.IsZero():
		wrong("phase is %v, and this entry has no phase of its own", c.Phase)
	}
	// What is left to check; sizes are checked above, in the file's units.
	if err := e.Validate(); err != nil {
		errs = append(errs, err)
	}
	return e, errors.Join(errs...)
}
