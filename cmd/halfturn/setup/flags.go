package setup

import (
	"strings"

	"github.com/spf13/pflag"
)

// flagKeys is the key that each flag overrides.
var flagKeys = []struct{ flag, key, usage string }{
	{"store", "store", "`file` that keeps runs, steps and captures, e.g. --store balun-2.db"},
	{"from", "plan.from", "lowest `frequency`, e.g. --from '3 MHz'"},
	{"to", "plan.to", "highest `frequency`, e.g. --to '500 MHz'"},
	{"points", "plan.points", "`number` of frequencies, both ends included, e.g. --points 60"},
	{"spacing", "plan.spacing", "spacing of the frequencies, the `word` linear or logarithmic, e.g. --spacing linear"},
	{"captures", "plan.captures", "fewest captures in a step, a `number`, e.g. --captures 8"},
	{"max-captures", "plan.max_captures", "most captures in a step, a `number`, e.g. --max-captures 256"},
	{"limits", "limits", "limits `file`, or the name of a shipped one, e.g. --limits limits.yaml"},
	{"generator", "bench.generator.address", "`address` of the generator, e.g. --generator tcp://192.0.2.10:5025"},
	{"scope", "bench.scope.address", "`address` of the scope, e.g. --scope 'serial:///dev/ttyUSB0?baud=115200'"},
}

// Flags adds the flags that override the file and the environment. Their
// values are read by Load, which is handed the same set.
func Flags(fs *pflag.FlagSet) {
	for _, f := range flagKeys {
		fs.String(f.flag, "", f.usage)
	}
}

// given are the flags that the command line holds, by key.
func given(fs *pflag.FlagSet) map[string]*pflag.Flag {
	set := map[string]*pflag.Flag{}
	if fs == nil {
		return set
	}
	for _, k := range flagKeys {
		if f := fs.Lookup(k.flag); f != nil && f.Changed {
			set[k.key] = f
		}
	}
	return set
}

// empty tells whether a flag was given without a value.
func empty(f *pflag.Flag) bool { return strings.TrimSpace(f.Value.String()) == "" }
