package setup

import (
	"time"

	"halfturn/analysis/balance"
	"halfturn/analysis/conformity"
	"halfturn/analysis/uncertainty"
	"halfturn/drivers"
	"halfturn/sweep"
	"halfturn/units"
)

// The shape of the file. The tags are the keys; keys.go reads them from here,
// so that a field is all that a new key needs, besides its line in the table
// of configs/benches/README.md.
type (
	shape struct {
		Bench  benchShape        `mapstructure:"bench"`
		Plan   planShape         `mapstructure:"plan"`
		Limits conformity.Limits `mapstructure:"limits"` // or the name of a limits file
		Store  string            `mapstructure:"store"`
		Thin   Thin              `mapstructure:"thin"`
		Serve  Serve             `mapstructure:"serve"`
	}

	benchShape struct {
		Name           string                   `mapstructure:"name"`
		Fixture        string                   `mapstructure:"fixture"`
		Generator      generatorShape           `mapstructure:"generator"`
		Scope          scopeShape               `mapstructure:"scope"`
		Load           loadShape                `mapstructure:"load"`
		MaxDrive       sweep.MaxDrive           `mapstructure:"max_drive"`
		InputLimit     units.Volts              `mapstructure:"input_limit"`
		ClockTolerance units.PPM                `mapstructure:"clock_tolerance"`
		Settle         time.Duration            `mapstructure:"settle"`
		Uncertainty    uncertainty.BudgetConfig `mapstructure:"uncertainty"`
	}

	generatorShape struct {
		Address   string        `mapstructure:"address"`
		Dialect   string        `mapstructure:"dialect"`
		TimeLimit time.Duration `mapstructure:"time_limit"`

		drivers.Habits `mapstructure:",squash"`
	}

	scopeShape struct {
		Address   string        `mapstructure:"address"`
		Dialect   string        `mapstructure:"dialect"`
		TimeLimit time.Duration `mapstructure:"time_limit"`
		Channels  []string      `mapstructure:"channels"` // of arm 1, of arm 2 and, if there is one, of the reference
	}

	// namedChannels is how the file may say them instead of as a list, and the
	// only way in which it says a reference.
	namedChannels struct {
		Arm1      string `mapstructure:"arm1"`
		Arm2      string `mapstructure:"arm2"`
		Reference string `mapstructure:"reference"`
	}

	loadShape struct {
		Resistance  units.Ohms   `mapstructure:"resistance"`
		Capacitance units.Farads `mapstructure:"capacitance"`
		Source      units.Ohms   `mapstructure:"source"`
	}

	// planShape is a plan whose frequencies are said in one of three ways:
	// from, to and points for one stretch; a list of segments; a list of
	// frequencies.
	planShape struct {
		From        units.Hertz   `mapstructure:"from"`
		To          units.Hertz   `mapstructure:"to"`
		Points      int           `mapstructure:"points"`
		Spacing     string        `mapstructure:"spacing"`
		Frequencies []units.Hertz `mapstructure:"frequencies"`
		sweep.Plan  `mapstructure:",squash"`
	}
)

func (b benchShape) bench() sweep.Bench {
	bench := sweep.Bench{
		Name:    b.Name,
		Fixture: b.Fixture,
		Generator: drivers.Config{
			Address: b.Generator.Address, Dialect: b.Generator.Dialect, TimeLimit: b.Generator.TimeLimit,
			Habits: b.Generator.Habits,
		},
		Scope: drivers.Config{
			Address: b.Scope.Address, Dialect: b.Scope.Dialect, TimeLimit: b.Scope.TimeLimit,
		},
		Load:           balance.Load(b.Load),
		MaxDrive:       b.MaxDrive,
		InputLimit:     b.InputLimit,
		ClockTolerance: b.ClockTolerance,
		Settle:         b.Settle,
		Uncertainty:    b.Uncertainty,
	}
	if copy(bench.Scope.Channels[:], b.Scope.Channels) < len(b.Scope.Channels) {
		bench.Scope.Reference = b.Scope.Channels[2]
	}
	return bench
}
