package setup

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

const (
	ends = "  from: 3 MHz\n  to: 500 MHz\n  points: 60\n"
	// one stretch and what goes with it
	frequencies = ends + "  spacing: linear\n"
)

// lines compares an error with the lines wanted, in order.
func lines(t *testing.T, what string, err error, want ...string) {
	t.Helper()
	got := "no error"
	if err != nil {
		got = err.Error()
	}
	if got != strings.Join(want, "\n") {
		t.Errorf("%q: got\n\t%s\nwant\n\t%s", what, strings.ReplaceAll(got, "\n", "\n\t"), strings.Join(want, "\n\t"))
	}
}

func TestRefusals(t *testing.T) {
	for _, c := range []struct {
		old, new string
		want     []string
	}{
		// Units.
		{"from: 3 MHz", "from: 30000000", []string{`bench.yaml:24: plan.from: "30000000" is not a frequency: the unit is missing, write it like "30 MHz"`}},
		{"from: 3 MHz", "from: 3e7", []string{`bench.yaml:24: plan.from: "3e7" is not a frequency: the unit is missing, write it like "30 MHz"`}},
		{"from: 3 MHz", "from: 3 Mhz", []string{`bench.yaml:24: plan.from: "3 Mhz" is not a frequency: the unit "Mhz" is not known here, write it like "30 MHz"`}},
		{"resistance: 100 Ω", "resistance: 100", []string{`bench.yaml:14: bench.load.resistance: "100" is not a resistance: the unit is missing, write it like "1 MΩ"`}},
		{"headroom: 3 dB", "headroom: 3", []string{`bench.yaml:35: plan.headroom: "3" is not a ratio in dB: the unit is missing, write it like "0.5 dB"`}},
		{"balun: 20 dBm", "balun: 20 dB", []string{`bench.yaml:19: bench.max_drive.balun: "20 dB" is not a level: the unit "dB" is not known here, write it like "13 dBm"`}},
		{"phase_balance: 4 deg", "phase_balance: 4", []string{`bench.yaml:43: limits.phase_balance: "4" is not an angle: the unit is missing, write it like "3 deg"`}},
		{"time_limit: 2 s", "time_limit: 0", []string{`bench.yaml:7: bench.generator.time_limit: "0" is not a time: the unit is missing, write it like "20 ms" or "24 h"`}},
		{"time_limit: 2 s", "time_limit: 2 Hz", []string{`bench.yaml:7: bench.generator.time_limit: "2 Hz" is not a time: write it like "20 ms" or "24 h"`}},
		{"max_age: 7 d", "max_age: 7", []string{`bench.yaml:36: plan.max_age: "7" is not a time: the unit is missing, write it like "20 ms" or "24 h"`}},
		{"max_age: 7 d", "max_age: -7 d", []string{`bench.yaml:36: plan.max_age: "-7 d" is not a time: write it like "20 ms" or "24 h"`}},
		{"max_age: 7 d", "max_age: a week", []string{`bench.yaml:36: plan.max_age: "a week" is not a time: write it like "20 ms" or "24 h"`}},
		{"points: 60", "points: 60.5", []string{`bench.yaml:26: plan.points: "60.5" is not a whole number, write it like 60`}},
		{"points: 60", "points: sixty", []string{`bench.yaml:26: plan.points: "sixty" is not a whole number, write it like 60`}},
		{"precision: 0.2", "precision: 20 %", []string{`bench.yaml:30: plan.precision: "20 %" is not a number, write it like 0.7`}},
		{"precision: 0.2", "precision: nan", []string{`bench.yaml:30: plan.precision: "nan" is not a number, write it like 0.7`}},
		{"aim: 0.6", "aim: 0,6", []string{`bench.yaml:32: plan.fill.aim: "0,6" is not a number, write it like 0.7`}},
		{"fixture: plate 2", "fixture: \"plate\\n2\"", []string{`bench.yaml:3: bench.fixture: holds a line break or a control character: write it in one line`}},

		// Values out of their range.
		{"from: 3 MHz", "from: -3 MHz", []string{`bench.yaml:24: plan.from: is -3 MHz: a frequency must be above 0 Hz`}},
		{"to: 500 MHz", "to: 0 Hz", []string{`bench.yaml:25: plan.to: is 0 Hz: a frequency must be above 0 Hz`}},
		{"points: 60", "points: 0", []string{`bench.yaml:26: plan.points: is 0: at least 1 is needed`}},
		{"points: 60", "points: -5", []string{`bench.yaml:26: plan.points: is -5: at least 1 is needed`}},
		{"points: 60", "points: 2000000", []string{`bench.yaml:26: plan.points: is 2000000: at most 1000000 can be taken`}},
		{"spacing: linear", "spacing: liner", []string{`bench.yaml:27: plan.spacing: is "liner", did you mean linear?`}},
		{"spacing: linear", "spacing: octaves", []string{`bench.yaml:27: plan.spacing: is "octaves": write linear or logarithmic`}},
		{"  captures: 8", "  captures: 0", []string{`bench.yaml:28: plan.captures: is 0: at least 1 is needed`}},
		{"precision: 0.2", "precision: 0", []string{`bench.yaml:30: plan.precision: is 0: it is a part of the limits, above 0 and at most 1`}},
		{"precision: 0.2", "precision: 1.1", []string{`bench.yaml:30: plan.precision: is 1.1: it is a part of the limits, above 0 and at most 1`}},
		{"aim: 0.6", "aim: 1.6", []string{`bench.yaml:32: plan.fill.aim: is 1.6: a fill is a part of the range, between 0 and 1`}},
		{"min: 0.4", "min: 0", []string{`bench.yaml:33: plan.fill.min: is 0: a fill is a part of the range, between 0 and 1`}},
		{"max: 0.8", "max: 1", []string{`bench.yaml:34: plan.fill.max: is 1: a fill is a part of the range, between 0 and 1`}},
		{"headroom: 3 dB", "headroom: -3 dB", []string{`bench.yaml:35: plan.headroom: is -3 dB: it cannot be negative`}},
		{"drop: 3 dB", "drop: 0 dB", []string{`bench.yaml:37: plan.linearity.drop: is 0 dB: it must be above 0 dB and at most 20 dB`}},
		{"drop: 3 dB", "drop: 21 dB", []string{`bench.yaml:37: plan.linearity.drop: is 21 dB: it must be above 0 dB and at most 20 dB`}},
		{"drop: 3 dB", "drop: 3", []string{`bench.yaml:37: plan.linearity.drop: "3" is not a ratio in dB: the unit is missing, write it like "0.5 dB"`}},
		{"every: 5", "every: -1", []string{`bench.yaml:37: plan.linearity.every: is -1: it is a number of steps, or 0 for none`}},
		{"max_age: 7 d", "max_age: 0 s", []string{`bench.yaml:36: plan.max_age: is 0s: it must be above 0 s`}},
		{"time_limit: 2 s", "time_limit: -2 s", []string{`bench.yaml:7: bench.generator.time_limit: is -2s: a time limit must be above 0 s`}},
		{"time_limit: 10 s", "time_limit: 0 ms", []string{`bench.yaml:11: bench.scope.time_limit: is 0s: a time limit must be above 0 s`}},
		{"resistance: 100 Ω", "resistance: 0 Ω", []string{`bench.yaml:14: bench.load.resistance: is 0 Ω: it must be above 0 Ω`}},
		{"capacitance: 15 pF", "capacitance: -15 pF", []string{`bench.yaml:15: bench.load.capacitance: is -15 pF: it cannot be negative`}},
		{"source: 50 Ω", "source: -50 Ω", []string{`bench.yaml:16: bench.load.source: is -50 Ω: it must be above 0 Ω`}},
		{"generator: 13 dBm", "generator: 130 dBm", []string{`bench.yaml:18: bench.max_drive.generator: is 130 dBm: a limit above 50 dBm protects nothing`}},
		{"balun: 20 dBm", "balun: 200 dBm", []string{`bench.yaml:19: bench.max_drive.balun: is 200 dBm: a limit above 50 dBm protects nothing`}},
		{"input_limit: 5 V", "input_limit: 0 V", []string{`bench.yaml:20: bench.input_limit: is 0 V: it must be above 0 V, or left out for the dialect's`}},
		{"clock_tolerance: 50 ppm", "clock_tolerance: 0 ppm", []string{`bench.yaml:21: bench.clock_tolerance: is 0 ppm: no two clocks agree exactly, it must be above 0 ppm`}},
		{"settle: 20 ms", "settle: -20 ms", []string{`bench.yaml:22: bench.settle: is -20ms: it cannot be negative`}},
		{"[CH1, CH2]", "[CH1]", []string{`bench.yaml:12: bench.scope.channels: holds 1: two are wanted, that of arm 1 and that of arm 2, like [1, 2], or with a phase reference {arm1: 1, arm2: 2, reference: 3}`}},
		{"[CH1, CH2]", "[1, 2, 3]", []string{`bench.yaml:12: bench.scope.channels: holds 3: two are wanted, that of arm 1 and that of arm 2, like [1, 2], or with a phase reference {arm1: 1, arm2: 2, reference: 3}`}},
		{"[CH1, CH2]", "{arm1: 1, reference: 3}", []string{`bench.yaml:12: bench.scope.channels: arm2 is missing, write them like {arm1: 1, arm2: 2, reference: 3}`}},
		{"[CH1, CH2]", "{arm1: 1, arm2: 2, reference: 1}", []string{`bench.yaml:12: bench.scope.channels: channel 1 is an arm's and the reference's: each needs its own`}},
		{"[CH1, CH2]", "{arm1: 1, arm2: 2, refrence: 3}", []string{`bench.yaml:12: bench.scope.channels.refrence: there is no such key, did you mean "reference"?`}},
		{"[CH1, CH2]", "{arm1: 1, arm2: 2, reference: ''}", []string{`bench.yaml:12: bench.scope.channels.reference: is empty: give a value, or remove the line`}},
		{"[CH1, CH2]", "{arm1: 1, arm2: 2, reference: [3]}", []string{`bench.yaml:12: bench.scope.channels.reference: one value is wanted here, not a list or keys`}},
		{"[CH1, CH2]", "[CH1, CH1]", []string{`bench.yaml:12: bench.scope.channels: both arms are on channel CH1: each needs its own`}},

		// Values that contradict each other.
		{"from: 3 MHz", "from: 600 MHz", []string{`bench.yaml:24: plan.from: from 600 MHz is not below to 500 MHz`}},
		{"points: 60", "points: 1", []string{`bench.yaml:26: plan.points: 1 point cannot be both 3 MHz and 500 MHz`}},
		{ends, "  from: 1 Hz\n  to: 5 Hz\n  points: 60\n", []string{`bench.yaml:26: plan.points: 60 points from 1 Hz to 5 Hz are closer than 1 Hz`}},
		{"  captures: 8", "  captures: 33", []string{`bench.yaml:29: plan.max_captures: max_captures 32 is below captures 33`}},
		{"  captures: 8\n  max_captures: 32\n", "  captures: 65\n", []string{`bench.yaml:28: plan.captures: max_captures 64 is below captures 65`}},
		{"aim: 0.6", "aim: 0.9", []string{`bench.yaml:32: plan.fill.aim: min 0.4, aim 0.9 and max 0.8 must rise in this order`}},
		{"min: 0.4", "min: 0.6", []string{`bench.yaml:32: plan.fill.aim: min 0.6, aim 0.6 and max 0.8 must rise in this order`}},
		{"    aim: 0.6\n    min: 0.4\n    max: 0.8\n", "    max: 0.6\n", []string{`bench.yaml:32: plan.fill.max: min 0.5, aim 0.7 and max 0.6 must rise in this order`}},
		{"address: tcp://192.0.2.10:5025", "address: 192.0.2.10:5025", []string{`bench.yaml:5: bench.generator.address: address "192.0.2.10:5025": no kind of link is named, write it like tcp://192.0.2.7:5025, hislip://192.0.2.7/hislip0, vxi11://192.0.2.7/inst0, usbtmc:///dev/usbtmc0 or serial:///dev/ttyUSB0?baud=115200`}},
		{"address: serial:///dev/ttyUSB0?baud=115200", "address: tcp://192.0.2.10:5025", []string{`bench.yaml:9: bench.scope.address: generator and scope have the same address tcp://192.0.2.10:5025`}},

		// Limits.
		{"  from: 30 MHz\n  to: 300 MHz", "  from: 300 MHz\n  to: 30 MHz", []string{`bench.yaml:40: limits.from: from 300 MHz is above to 30 MHz: the band is upside down`}},
		{"  from: 30 MHz\n", "", []string{`bench.yaml:38: limits.from: is missing: the band needs both ends`}},
		{"  from: 30 MHz", "  from: -30 MHz", []string{`bench.yaml:40: limits.from: is -30 MHz: a frequency must be above 0 Hz`}},
		{"phase_balance: 4 deg", "phase_balance: -4 deg", []string{`bench.yaml:43: limits.phase_balance: is -4°: it is the largest deviation from half a turn, above 0° and below 180°`}},
		{"rejection: 25 dB", "rejection: -25 dB", []string{`bench.yaml:44: limits.common_mode_rejection: is -25 dB: it is the least rejection allowed, above 0 dB`}},
		{"  amplitude_balance: 0.5 dB\n  phase_balance: 4 deg\n  common_mode_rejection: 25 dB\n  insertion_loss: 1 dB\n", "",
			[]string{`bench.yaml:38: limits: none of amplitude_balance, phase_balance, common_mode_rejection and insertion_loss is given: nothing to decide`}},

		// Thinning.
		{"after: 90 d", "after: 2 h", []string{`bench.yaml:48: thin.after: is 2h0m0s: it must be 1 d at least; without it all captures stay`}},
		{"after: 90 d", "after: 0 s", []string{`bench.yaml:48: thin.after: is 0s: it must be 1 d at least; without it all captures stay`}},
		{"after: 90 d", "after: -90 d", []string{`bench.yaml:48: thin.after: "-90 d" is not a time: write it like "20 ms" or "24 h"`}},

		// What is missing.
		{"    dialect: scpi99-generator\n", "", []string{`bench.yaml:4: bench.generator.dialect: is missing, write it like "scpi99-generator"`}},
		{"    address: tcp://192.0.2.10:5025\n", "", []string{`bench.yaml:4: bench.generator.address: is missing, write it like "tcp://192.0.2.10:5025"`}},
		{"  name: Hut 4\n", "", []string{`bench.yaml:1: bench.name: is missing, write it like "Hut 4"`}},
		{"    balun: 20 dBm\n", "", []string{`bench.yaml:17: bench.max_drive.balun: is missing, write it like "20 dBm"`}},
		{"  max_drive:\n    generator: 13 dBm\n    balun: 20 dBm\n", "", []string{
			`bench.yaml:1: bench.max_drive.generator: is missing, write it like "13 dBm"`,
			`bench.yaml:1: bench.max_drive.balun: is missing, write it like "20 dBm"`}},
		{"  from: 3 MHz\n", "", []string{`bench.yaml:23: plan.from: is missing, write it like "30 MHz"`}},
		{ends, "", []string{`bench.yaml:23: plan: no frequencies: give from, to and points, or segments, or frequencies`}},
		{"address: tcp://192.0.2.10:5025", `address: ""`, []string{`bench.yaml:5: bench.generator.address: is empty: give a value, or remove the line`}},
		{"dialect: scpi99-digitiser", `dialect: "  "`, []string{`bench.yaml:10: bench.scope.dialect: is empty: give a value, or remove the line`}},
		{"store: mine.db", "store:", []string{`bench.yaml:47: store: is empty: give a value, or remove the line`}},
		{"points: 60", "points: ~", []string{`bench.yaml:26: plan.points: is empty: give a value, or remove the line`}},

		// Keys.
		{"points: 60", "ponits: 60", []string{`bench.yaml:26: plan.ponits: there is no such key, did you mean "points"?`}},
		{"phase_balance: 4 deg", "phase-balance: 4 deg", []string{`bench.yaml:43: limits.phase-balance: there is no such key, did you mean "phase_balance"?`}},
		{"store: mine.db", "Store: mine.db", []string{`bench.yaml:47: Store: there is no such key, did you mean "store"?`}},
		{"insertion_loss: 1 dB", "max_age: 1 h", []string{`bench.yaml:45: limits.max_age: there is no such key here, it belongs in "plan"`}},
		{"store: mine.db", "colour: blue", []string{`bench.yaml:47: colour: there is no such key, here are bench, plan, limits, store, thin, serve`}},
		{"points: 60", "points: 60\n  points: 61", []string{`bench.yaml:27: plan.points: given twice, first in line 26`}},
		{"store: mine.db", "store: mine.db\nbench: {}", []string{`bench.yaml:48: bench: given twice, first in line 1`}},
		{"store: mine.db", `"st\nore\e[1m": mine.db`, []string{`bench.yaml:47: st ore [1m: there is no such key, here are bench, plan, limits, store, thin, serve`}},
		{"store: mine.db", "store: mine.db\n? [a]\n: b", []string{`bench.yaml:48: a key is a word, not a list or a mapping`}},

		// Shapes.
		{"points: 60", "points: [60]", []string{`bench.yaml:26: plan.points: one value is wanted here, not a list or keys`}},
		{"[CH1, CH2]", "CH1", []string{`bench.yaml:12: bench.scope.channels: a list is wanted here, like [..., ...]`}},
		{"[CH1, CH2]", "[CH1, [CH2]]", []string{`bench.yaml:12: bench.scope.channels[1]: one value is wanted here, not a list or keys`}},
		{"[CH1, CH2]", "[CH1, '']", []string{`bench.yaml:12: bench.scope.channels[1]: is empty: give a value, or remove the line`}},
		{"  fill:\n    aim: 0.6\n    min: 0.4\n    max: 0.8\n", "  fill: 0.7\n", []string{`bench.yaml:31: plan.fill: keys are wanted here: aim, min, max`}},
		{"name: mine\n", "name: &x mine\n", nil},
		{"name: Hut 4\n", "name: &x Hut 4\n", nil},
		{"store: mine.db", "store: *x", []string{`bench.yaml:47: this is not YAML: unknown anchor 'x' referenced`}},
		{"store: mine.db", "store: mine.db\n---\nstore: x", []string{`bench.yaml:48: a second document begins here: one file holds one`}},
		{"store: mine.db", "\tstore: x", []string{`bench.yaml:47: this is not YAML: found a tab character that violates indentation`}},
		{"name: Hut 4\n  fixture: plate 2\n", "name: &x Hut 4\n  fixture: *x\n", []string{`bench.yaml:3: bench.fixture: *x stands for another value: write the value itself`}},
		{"  name: mine\n", "\tname: mine\n", []string{`bench.yaml:39: this is not YAML: found character that cannot start any token`}},
		{"store: mine.db", "store: \"x", []string{`bench.yaml:47: this is not YAML: found unexpected end of stream`}},
		{"  name: mine\n", "  name: mine\n odd: x\n", []string{`bench.yaml:39: this is not YAML: did not find expected key`}},

		// Lists of frequencies.
		{"  points: 60\n", "  points: 60\n  frequencies: [1 MHz]\n", []string{`bench.yaml:24: plan.from: stands beside plan.frequencies: frequencies are said in one way, keep one`}},
		{"  points: 60\n", "  points: 60\n  segments: []\n", []string{`bench.yaml:24: plan.from: stands beside plan.segments: frequencies are said in one way, keep one`}},
		{ends, "  frequencies: [1 MHz]\n  segments: [{from: 1 MHz, to: 2 MHz, points: 3}]\n", []string{`bench.yaml:24: plan.frequencies: stands beside plan.segments: frequencies are said in one way, keep one`}},
		{ends, "  frequencies: [1 MHz]\n", []string{`bench.yaml:25: plan.spacing: has no meaning beside plan.frequencies: remove it`}},
		{frequencies, "  frequencies: []\n", []string{`bench.yaml:24: plan.frequencies: is an empty list: a plan needs a frequency`}},
		{frequencies, "  frequencies:\n  - 1 MHz\n  - 3 MHz\n  - 2 MHz\n", []string{`bench.yaml:27: plan.frequencies[2]: 2 MHz is below 3 MHz before it: write frequencies in rising order, each once`}},
		{frequencies, "  frequencies: [1 MHz,\n    1000 kHz]\n", []string{`bench.yaml:25: plan.frequencies[1]: 1 MHz is there twice`}},
		{frequencies, "  frequencies: [1 MHz,\n    2, -3 Hz]\n", []string{
			`bench.yaml:25: plan.frequencies[1]: "2" is not a frequency: the unit is missing, write it like "30 MHz"`,
			`bench.yaml:25: plan.frequencies[2]: is -3 Hz: a frequency must be above 0 Hz`}},
		{ends, "  segments:\n  - 3 MHz\n", []string{`bench.yaml:25: plan.segments[0]: keys are wanted here: from, to, points, spacing`}},
		{ends, "  segments:\n  - {from: 1 MHz, to: 3 MHz, points: 3}\n  - {from: 2 MHz, to: 4 MHz, points: 3}\n", []string{`bench.yaml:26: plan.segments[1].from: 2 MHz is below 3 MHz before it: write frequencies in rising order, each once`}},
		{ends, "  segments:\n  - from: 1 MHz\n    to: 3 MHz\n", []string{`bench.yaml:25: plan.segments[0].points: is missing, like "points: 60"`}},
		{ends, "  segments:\n  - from: 1 MHz\n    too: 3 MHz\n    points: 3\n    spacing: log\n", []string{
			`bench.yaml:26: plan.segments[0].too: there is no such key, did you mean "to"?`,
			`bench.yaml:28: plan.segments[0].spacing: is "log": write linear or logarithmic`}},
		{ends, "  segments:\n  - {from: 1 MHz, to: 3 MHz, points: 600000}\n  - {from: 3 MHz, to: 9 MHz, points: 600000}\n", []string{`bench.yaml:26: plan.segments[1].points: the plan has more than 1000000 steps with this`}},
	} {
		_, err := Parse("bench.yaml", []byte(edited(t, c.old, c.new)))
		if c.want == nil {
			if err != nil {
				t.Errorf("%q: %v", c.new, err)
			}
			continue
		}
		lines(t, c.new, err, c.want...)
	}
}

func TestRefusedTexts(t *testing.T) {
	for _, c := range []struct{ text, want string }{
		{"", "x: the file is empty"},
		{"# nothing but a remark\n", "x: the file is empty"},
		{"just words", `x:1: keys and values are wanted here, such as "name: Hut 4"`},
		{"- a\n- b\n", `x:1: keys and values are wanted here, such as "name: Hut 4"`},
		{"bench: {name: \xff}", "x: this is not YAML: invalid leading UTF-8 octet"},
		{"a: b\n--- [", "x:2: this is not YAML: did not find expected node content"},
	} {
		_, err := Parse("x", []byte(c.text))
		lines(t, c.text, err, c.want)
	}
}

// All that is wrong is said at once, up to a handful.
func TestManyProblems(t *testing.T) {
	text := strings.NewReplacer("3 MHz", "3", "500 MHz", "500", "points: 60", "points: 0", "precision: 0.2", "precision: 2").Replace(valid)
	_, err := Parse("bench.yaml", []byte(text))
	lines(t, "four", err,
		`bench.yaml:24: plan.from: "3" is not a frequency: the unit is missing, write it like "30 MHz"`,
		`bench.yaml:25: plan.to: "500" is not a frequency: the unit is missing, write it like "30 MHz"`,
		`bench.yaml:26: plan.points: is 0: at least 1 is needed`,
		`bench.yaml:30: plan.precision: is 2: it is a part of the limits, above 0 and at most 1`)
	_, err = Parse("bench.yaml", []byte("plan: {from: 1 MHz, to: 2 MHz, points: 2}"))
	var all *Error
	if !errors.As(err, &all) || len(all.Lines) != len(required) {
		t.Fatalf("got %v", err)
	}
	lines(t, "all", err, append(append([]string{}, all.Lines[:6]...), "... and 4 more")...)
}

func TestRefusedEnvironmentAndFlags(t *testing.T) {
	quiet(t)
	path := write(t, t.TempDir(), "bench.yaml", valid)
	list := write(t, t.TempDir(), "list.yaml", edited(t, frequencies, "  frequencies: [1 MHz, 2 MHz]\n"))
	limits := write(t, t.TempDir(), "limits.yaml", "name: x\nfrom: 30\nto: 300 MHz\nphase_balanc: 4 deg\n")
	for _, c := range []struct {
		file      string
		variables map[string]string
		flags     []string
		want      []string
	}{
		{path, map[string]string{"HALFTURN_STROE": "x"}, nil, []string{"environment HALFTURN_STROE: there is no such setting, did you mean HALFTURN_STORE?"}},
		{path, map[string]string{"HALFTURN_WEATHER": "x"}, nil, []string{"environment HALFTURN_WEATHER: there is no such setting; they are named after the keys of the bench file, as HALFTURN_PLAN_MAX_CAPTURES"}},
		{path, map[string]string{"HALFTURN_PLAN_FREQUENCIES": "1 MHz"}, nil, []string{"environment HALFTURN_PLAN_FREQUENCIES: a list of frequencies comes from the file only"}},
		{path, map[string]string{"HALFTURN_PLAN_FROM": "30"}, nil, []string{`environment HALFTURN_PLAN_FROM: "30" is not a frequency: the unit is missing, write it like "30 MHz"`}},
		{path, map[string]string{"HALFTURN_PLAN_FROM": "600 MHz"}, nil, []string{`environment HALFTURN_PLAN_FROM: from 600 MHz is not below to 500 MHz`}},
		{path, map[string]string{"HALFTURN_PLAN_TO": "1 MHz"}, nil, []string{`environment HALFTURN_PLAN_TO: from 3 MHz is not below to 1 MHz`}},
		{path, map[string]string{"HALFTURN_LIMITS_TO": "1 MHz"}, nil, []string{`environment HALFTURN_LIMITS_TO: from 30 MHz is above to 1 MHz: the band is upside down`}},
		{path, map[string]string{"HALFTURN_BENCH_SCOPE_CHANNELS": "1"}, nil, []string{"environment HALFTURN_BENCH_SCOPE_CHANNELS: holds 1: two are wanted, that of arm 1 and that of arm 2, like [1, 2], or with a phase reference {arm1: 1, arm2: 2, reference: 3}"}},
		{path, map[string]string{"HALFTURN_BENCH_SCOPE_CHANNELS": "1, "}, nil, []string{"environment HALFTURN_BENCH_SCOPE_CHANNELS: a channel has no name, write them like [1, 2]"}},
		{path, map[string]string{"HALFTURN_LIMITS": "nowhere"}, nil, []string{`environment HALFTURN_LIMITS: no limits called "nowhere" is shipped (there are default); a file of your own is given with its ending, like nowhere.yaml`}},
		{path, map[string]string{"HALFTURN_PLAN_POINTS": "0"}, []string{"--points", "-1"}, []string{"flag --points: is -1: at least 1 is needed"}},
		{path, nil, []string{"--from", "30"}, []string{`flag --from: "30" is not a frequency: the unit is missing, write it like "30 MHz"`}},
		{path, nil, []string{"--from", "-3 MHz"}, []string{`flag --from: is -3 MHz: a frequency must be above 0 Hz`}},
		{path, nil, []string{"--to", "1 MHz"}, []string{`flag --to: from 3 MHz is not below to 1 MHz`}},
		{path, nil, []string{"--captures", "33"}, []string{`flag --captures: max_captures 32 is below captures 33`}},
		{path, nil, []string{"--store", ""}, []string{`flag --store: is empty: give a value, or leave the flag out`}},
		{path, nil, []string{"--limits", ""}, []string{`flag --limits: is empty: give a value, or leave the flag out`}},
		{path, nil, []string{"--spacing", "log"}, []string{`flag --spacing: is "log": write linear or logarithmic`}},
		{list, nil, []string{"--from", "1 MHz"}, []string{"flag --from: " + list + " gives plan.frequencies, which only from, to and points together can take the place of"}},
		{list, nil, []string{"--spacing", "linear"}, []string{"flag --spacing: " + list + " gives plan.frequencies, which only from, to and points together can take the place of"}},
		{path, nil, []string{"--limits", limits}, []string{
			limits + `:4: limits.phase_balanc: there is no such key, did you mean "phase_balance"?`,
			limits + `:2: limits.from: "30" is not a frequency: the unit is missing, write it like "30 MHz"`,
			`flag --limits: none of amplitude_balance, phase_balance, common_mode_rejection and insertion_loss is given: nothing to decide`}},
	} {
		t.Run(strings.Join(c.want, " "), func(t *testing.T) {
			for name, value := range c.variables {
				t.Setenv(name, value)
			}
			_, err := Load(c.file, flagged(t, c.flags...))
			lines(t, strings.Join(c.flags, " "), err, c.want...)
		})
	}
}

func TestRefusedFiles(t *testing.T) {
	quiet(t)
	folder := t.TempDir()
	_, err := Load("", nil)
	lines(t, "", err, "no bench file is named")
	_, err = Load("harbour", nil)
	lines(t, "harbour", err, `no bench called "harbour" is shipped (there are demo, example, stepped); a file of your own is given with its ending, like harbour.yaml`)
	if _, err = Load(filepath.Join(folder, "absent.yaml"), nil); !errors.Is(err, os.ErrNotExist) || strings.Contains(err.Error(), "\n") {
		t.Errorf("got %v", err)
	}
	if _, err = Load(folder, nil); err == nil {
		t.Error("a folder is read as a bench")
	}
	big := write(t, folder, "big.yaml", strings.Repeat("# much too much\n", 1<<17))
	_, err = Load(big, nil)
	lines(t, "big", err, "bench file: "+big+" is larger than 1 MiB: is it the right file?")
	path := write(t, folder, "b.yaml", valid[:strings.Index(valid, "limits:")]+"limits: absent.yaml\n")
	if _, err = Load(path, nil); err == nil || !strings.HasPrefix(err.Error(), path+":38: limits: limits file: open "+filepath.Join(folder, "absent.yaml")) {
		t.Errorf("got %v", err)
	}
}

// An empty variable is as good as none, even one that is no setting.
func TestEmptyVariables(t *testing.T) {
	quiet(t)
	t.Setenv("HALFTURN_STORE", "")
	t.Setenv("HALFTURN_NOTHING", " ")
	c, err := Load(write(t, t.TempDir(), "bench.yaml", valid), nil)
	if err != nil || c.Store != "mine.db" {
		t.Errorf("%v, %v", c, err)
	}
}

// Parse looks at the text alone.
func TestParseTakesNoEnvironment(t *testing.T) {
	t.Setenv("HALFTURN_STORE", "env.db")
	t.Setenv("HALFTURN_STROE", "x")
	if c := parsed(t, valid); c.Store != "mine.db" {
		t.Errorf("store %q", c.Store)
	}
}
