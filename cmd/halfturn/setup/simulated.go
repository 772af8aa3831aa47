package setup

import (
	"cmp"

	"halfturn/drivers/simbench"
)

// SplitDialect is what a simulated scope with a phase reference speaks, and
// SplitChannel the channel that the splitter feeds.
const SplitDialect, SplitChannel = "scpi99-digitiser-4", "3"

// suiting are the shipped benches of scenarios that the demo's does not suit.
var suiting = map[string]string{"stepped-generator": "stepped"}

// LoadSimulated reads the bench whose instruments a scenario takes the place
// of, with its phase reference if it has one; where none is named, the shipped
// one that suits it.
func LoadSimulated(bench, name string, scenario *simbench.Scenario) (*Config, error) {
	c, err := Load(cmp.Or(bench, suiting[name], "demo"), nil)
	if err == nil && scenario.Reference.Fitted() {
		c.Bench.Scope.Dialect, c.Bench.Scope.Reference = SplitDialect, SplitChannel
	}
	return c, err
}
