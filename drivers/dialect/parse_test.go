package dialect

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfturn/configs"
	"halfturn/drivers"
	"halfturn/units"
)

// shippedText is the text of a shipped dialect.
func shippedText(t testing.TB, name string) string {
	t.Helper()
	b, err := configs.FS.ReadFile("dialects/" + name + ".yaml")
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// readmeText is the README of the dialects.
func readmeText(t testing.TB) string {
	t.Helper()
	b, err := configs.FS.ReadFile("dialects/README.md")
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// workedExample is the complete example in the README.
func workedExample(t testing.TB) string {
	t.Helper()
	found := regexp.MustCompile("(?s)```yaml\n(.*?)```").FindAllStringSubmatch(readmeText(t), -1)
	if len(found) != 1 {
		t.Fatalf("%d yaml examples in the README, the complete one is expected", len(found))
	}
	return found[0][1]
}

// change replaces the one place where old stands.
func change(t testing.TB, text, old, new string) string {
	t.Helper()
	if strings.Count(text, old) != 1 {
		t.Fatalf("%q stands %d times in the text, once was expected", old, strings.Count(text, old))
	}
	return strings.Replace(text, old, new, 1)
}

// lineOf is the number of the line in which the one place with s begins.
func lineOf(t testing.TB, text, s string) int {
	t.Helper()
	i := strings.Index(text, s)
	if i < 0 {
		t.Fatalf("%q is not in the text", s)
	}
	return 1 + strings.Count(text[:i], "\n")
}

func TestShipped(t *testing.T) {
	if diff := cmp.Diff([]string{"bundled-generator", "bundled-scope", "coded-generator", "coded-scope", "headed-generator", "headed-scope",
		"scpi99-digitiser", "scpi99-digitiser-4", "scpi99-generator", "spoken-generator", "spoken-scope", "stepped-generator"}, shipped()); diff != "" {
		t.Error(diff)
	}
	g, err := Load("scpi99-generator")
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(drivers.GeneratorAbilities{
		MinFrequency: 100e3, MaxFrequency: 1e9, MinDrive: -60, MaxDrive: 13, DriveStep: 0.1, Settle: 5e6,
	}, g.generator.abilities); diff != "" {
		t.Error(diff)
	}
	s, err := Load("scpi99-digitiser")
	if err != nil {
		t.Fatal(err)
	}
	want := drivers.ScopeAbilities{
		Ranges:     []units.Volts{0.016, 0.04, 0.08, 0.16, 0.4, 0.8, 1.6, 4, 8},
		InputLimit: 5, Settle: 5e6,
	}
	for _, rate := range []units.Hertz{500e6, 250e6, 100e6, 50e6, 25e6, 10e6, 5e6} {
		want.Windows = append(want.Windows, drivers.Window{Rate: rate, Samples: 10000})
	}
	if diff := cmp.Diff(want, s.scope.abilities); diff != "" {
		t.Error(diff)
	}
	if g.Instrument != "generator" || s.Instrument != "scope" || g.About == "" || s.About == "" {
		t.Errorf("%+v, %+v", g, s)
	}
}

func TestLoad(t *testing.T) {
	dir := t.TempDir()
	own := filepath.Join(dir, "own.yaml")
	if err := os.WriteFile(own, []byte(shippedText(t, "scpi99-generator")), 0o600); err != nil {
		t.Fatal(err)
	}
	if f, err := Load(own); err != nil || f.Name != own {
		t.Errorf("%+v, %v", f, err)
	}
	for _, c := range []struct{ name, says string }{
		{"no-such", `dialect "no-such": neither a shipped one (bundled-generator, bundled-scope,`},
		{"", `dialect "": `},
		{dir, "dialect"},
	} {
		if _, err := Load(c.name); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%q: %v, want %q", c.name, err, c.says)
		}
	}
}

// Each bad file is a shipped one with one change; the error names the line of
// at and says what was expected.
func TestBadFiles(t *testing.T) {
	const g, s, f, o, r, k = "scpi99-generator", "scpi99-digitiser", "bundled-scope", "coded-scope", "coded-generator", "headed-scope"
	for _, c := range []struct {
		what, base, old, new string
		at                   string // text at whose line the error is
		says                 string
	}{
		{"format missing", g, "format: 1\n", "", "instrument:", `"format" is missing`},
		{"format unknown", g, "format: 1", "format: 2", "format:", `format "2" is not known, only 1 is`},
		{"instrument missing", g, "instrument: generator\n", "", "format:", `"instrument" is missing: generator or scope`},
		{"instrument unknown", g, "instrument: generator", "instrument: meter", "instrument:", "generator or scope is expected"},
		{"unknown key", g, "rf:\n", "rfx: 1\nrf:\n", "rfx", `"rfx" is not known in a generator's dialect; known here: format`},
		{"misspelled key", g, "time_limit: 5 s", "time_limits: 5 s", "time_limits", `"time_limits" is not known in link; known here: terminator, time_limit`},
		{"misspelled verb", g, "\ndrive:\n  send", "\ndrives:\n  send", "drives:", `"drives" is not known`},
		{"key of the other kind", g, "rf:\n", "read: {}\nrf:\n", "read:", `"read" is not known in a generator's dialect`},
		{"key twice", g, "  terminator: LF", "  terminator: LF\n  terminator: CR", "  terminator: CR", "given twice, first in line"},
		{"verb missing", g, "frequency:\n  send: \":SOURce:FREQuency {{.frequency}}\"\n  confirm: {ask: \":SOURce:FREQuency?\", within: 1 Hz}\n", "", "format:", `"frequency" is missing`},
		{"rf off missing", g, "  off: \":OUTPut OFF\"\n", "", "on: \":OUT", `"off" is missing in rf: the message that switches RF off`},
		{"rf off empty", g, `":OUTPut OFF"`, "", "  off:", `"off" is empty`},
		{"rf off list empty", g, `":OUTPut OFF"`, "[]", "  off:", "the list is empty"},
		{"rf off blank", g, `":OUTPut OFF"`, `"  "`, "  off:", "a text is expected"},
		{"rf off comes out empty", g, `":OUTPut OFF"`, `"{{if false}}x{{end}}"`, "  off:", "comes out empty"},
		{"section is a text", g, "rf:\n  on: \":OUTPut ON\"\n  off: \":OUTPut OFF\"\n  confirm: {ask: \":OUTPut?\"}", "rf: on", "rf:", `lines of the form "key: value"`},
		{"text is a section", g, `":OUTPut ON"`, "{a: b}", "  on:", "a text is expected here"},
		{"two lines in a message", g, `":OUTPut ON"`, `":OUTPut ON\n:BEEP"`, "  on:", "one line without control characters"},
		{"template unclosed", g, "{{.frequency}}", "{{.frequency", `send: ":SOURce:FREQ`, "cannot be read: unclosed action"},
		{"template unknown field", g, "{{.frequency}}", "{{.frequenzy}}", `send: ":SOURce:FREQ`, "{{.frequenzy}} is not known here; known: {{.frequency}}"},
		{"template field of another verb", g, "{{.frequency}}", "{{.drive}}", `send: ":SOURce:FREQ`, "{{.drive}} is not known here"},
		{"template field where none is", g, `":OUTPut ON"`, `":OUTPut {{.rf}}"`, "  on:", "there is nothing to fill in here"},
		{"template unknown function", g, "{{.frequency}}", "{{mega .frequency}}", `send: ":SOURce:FREQ`, `function "mega" not defined`},
		{"template other function", g, "{{.frequency}}", `{{printf \"%s\" .frequency}}`, `send: ":SOURce:FREQ`, "printf is not used in messages"},
		{"template loop", g, "{{.frequency}}", "{{range 1000000000000}}{{end}}", `send: ":SOURce:FREQ`, "only {{.quantity}} and {{if}}"},
		{"template dot", g, "{{.frequency}}", "{{.}}", `send: ":SOURce:FREQ`, "only {{.quantity}}"},
		{"template variable", g, "{{.frequency}}", "{{$x := .frequency}}{{$x}}", `send: ":SOURce:FREQ`, "variables are not used"},
		{"template deep field", g, "{{.frequency}}", "{{.frequency.x}}", `send: ":SOURce:FREQ`, "{{.frequency.x}} is not known here"},
		{"template recursion", g, "{{.frequency}}", `{{template \"message\"}}`, `send: ":SOURce:FREQ`, "only {{.quantity}}"},
		{"template only a definition", g, `":OUTPut ON"`, `"{{define \"x\"}}y{{end}}"`, "  on:", "comes out empty"},
		{"template fails when filled in", g, "{{.frequency}}", "{{if not}}x{{end}}", `send: ":SOURce:FREQ`, "cannot be filled in"},
		{"number not declared", g, "  frequency: {unit: Hz, decimals: 3}\n", "", `send: ":SOURce:FREQ`, `is expected under numbers, like "frequency: {unit: Hz}"`},
		{"unit unknown", g, "unit: Hz", "unit: hz", "unit: hz", `"hz": Hz or kHz or MHz or GHz is expected`},
		{"unit of another quantity", g, "unit: dBm", "unit: V", "unit: V", `"V": dBm or Vrms or mVrms or uVrms or Vpp or mVpp or uVpp is expected`},
		{"too few decimals", g, "unit: Hz, decimals: 3", "unit: MHz, decimals: 3", "unit: MHz", "would be rounded by up to 500 Hz"},
		{"too few digits", g, "unit: Hz, decimals: 3", "unit: Hz, digits: 5", "digits: 5", "more decimals or digits are needed"},
		{"too few decimals for the step", g, "unit: dBm, decimals: 1", "unit: dBm, decimals: 0", "unit: dBm", `drive -59.9 dBm would be written as "-60"`},
		{"decimals and digits", g, "decimals: 3", "decimals: 3, digits: 9", "decimals: 3", "not both"},
		{"decimals negative", g, "decimals: 3", "decimals: -1", "decimals: -1", "a whole number from 0 to 15"},
		{"quantity of the other kind", g, "numbers:\n", "numbers:\n  range: {unit: V}\n", "  range:", `"range" is not known in numbers`},
		{"time without unit", g, "time_limit: 5 s", "time_limit: 5", "time_limit", "the unit is missing"},
		{"time limit zero", g, "time_limit: 5 s", "time_limit: 0 s", "time_limit", "above 0 s"},
		{"time negative", g, "settle: 5 ms", "settle: -5 ms", "settle", "a time from 0 s"},
		{"time too long", g, "settle: 5 ms", "settle: 1e300 s", "settle", "to one day"},
		{"terminator unknown", g, "terminator: LF", `terminator: "\n"`, "terminator", "a text is expected"},
		{"terminator misspelled", g, "terminator: LF", "terminator: lf", "terminator", "LF, CR or CRLF is expected"},
		{"frequencies upside down", g, "{from: 100 kHz, to: 1 GHz}", "{from: 1 GHz, to: 100 kHz}", "  frequency: {from", "must ascend from 1 GHz to 100 kHz"},
		{"frequency negative", g, "from: 100 kHz", "from: -100 kHz", "from: -100", "must be above zero"},
		{"levels upside down", g, "{from: -60 dBm, to: 13 dBm", "{from: 13 dBm, to: -60 dBm", "  drive: {from", "must ascend"},
		{"step zero", g, "step: 0.1 dB", "step: 0 dB", "step: 0", "must be above zero"},
		{"step too large", g, "step: 0.1 dB", "step: 100 dB", "step: 100", "larger than all levels together"},
		{"step in the wrong unit", g, "step: 0.1 dB", "step: 0.1 dBm", "step: 0.1 dBm", "dB"},
		{"within missing", g, ", within: 1 Hz", "", `ask: ":SOURce:FREQ`, `"within" is missing in confirm: how far the answer may be off, like 1 Hz`},
		{"within without unit", g, "within: 1 Hz", "within: 1", `ask: ":SOURce:FREQ`, "how far a frequency may be off is expected"},
		{"within negative", g, "within: 1 Hz", "within: -1 Hz", `ask: ":SOURce:FREQ`, "cannot be negative"},
		{"drive within in per cent", g, "within: 0.01 dB", "within: 1 %", `ask: ":SOURce:POW`, "like 0.05 dB"},
		{"anchor", g, "time_limit: 5 s", "time_limit: &x 5 s\n  terminator: *x", "terminator: *x", ""},
		{"alias in a list", g, `send: ["*RST", "*CLS"]`, `send: [&x "*RST", *x]`, "&x", "a text is expected"},
		{"not YAML", g, "about:", "# here or next\nabout: [", "# here", "not YAML, here or in the next line: did not find"},
		{"tab", g, "  terminator: LF", "\tterminator: LF", "terminator", "not YAML"},
		{"second document", g, "link:\n", "---\nlink:\n", "---", "one document is expected"},

		{"channel missing", s, "channels: [1, 2]", "channels: [1]", "channels:", "two channels at least"},
		{"channel twice", s, "channels: [1, 2]", "channels: [1, 1]", "channels:", "channel 1 is given twice"},
		{"ranges empty", s, "ranges: [16 mV, 40 mV, 80 mV, 160 mV, 400 mV, 800 mV, 1.6 V, 4 V, 8 V]", "ranges: []", "ranges:", "the list is empty"},
		{"ranges not ascending", s, "16 mV, 40 mV", "40 mV, 16 mV", "ranges:", "the ranges must ascend, and 16 mV comes after 40 mV"},
		{"range twice", s, "16 mV, 40 mV", "40 mV, 40 mV", "ranges:", "must ascend"},
		{"range negative", s, "[16 mV", "[-16 mV", "ranges:", "-16 mV must be above zero"},
		{"range without unit", s, "[16 mV", "[16", "ranges:", "the unit is missing"},
		{"windows empty", s, "  windows:\n", "  windows: []\n  input_limits:\n", "input_limits:", "input_limits"},
		{"windows not ascending", s, "rate: 250 MHz", "rate: 1 GHz", "rate: 1 GHz", "the windows must ascend in time, and 10 µs comes after 20 µs"},
		{"rate negative", s, "rate: 500 MHz", "rate: -500 MHz", "rate: -500", "must be above zero"},
		{"samples zero", s, "{rate: 500 MHz, samples: 10000}", "{rate: 500 MHz, samples: 0}", "samples: 0", "a whole number from 1"},
		{"samples not whole", s, "{rate: 500 MHz, samples: 10000}", "{rate: 500 MHz, samples: 1e4}", "samples: 1e4", "a whole number from 1"},
		{"input limit zero", s, "input_limit: 5 V", "input_limit: 0 V", "input_limit", "must be above zero"},
		{"input limit missing", s, "  input_limit: 5 V # peak\n", "", "  channels:", `"input_limit" is missing in abilities`},
		{"interval too coarse", s, "digits: 9", "decimals: 8", "decimals: 8", `interval 2 ns would be written as "0.00000000"`},
		{"is missing", s, "is: samples, ", "", "SWEep:POINts?", `"is" is missing in confirm`},
		{"is unknown", s, "is: samples", "is: points", "is: points", "rate or interval or span or samples is expected"},
		{"answer not declared", s, "is: samples, within: 0}", "is: rate, within: 1 Hz}", "is: rate", `like "rate: {unit: Hz}"`},
		{"start missing", s, "  start: \":INITiate\"\n", "", `  wait: {ask: "*OPC?", reply: 1}` + "\n\nread", `"start" is missing in acquire`},
		{"wait missing", s, "start: \":INITiate\"\n  wait: {ask: \"*OPC?\", reply: 1}\n", "start: \":INITiate\"\n", "start:", `"wait" is missing in acquire`},
		{"reply missing", s, "start: \":INITiate\"\n  wait: {ask: \"*OPC?\", reply: 1}\n", "start: \":INITiate\"\n  wait: {ask: x}\n", "wait: {ask: x", `"reply" is missing in wait`},
		{"read missing", s, "  ask: \":TRACe:DATA? CH{{.channel}}\"\n", "", "encoding:", `"ask" is missing in read`},
		{"read comes out empty", s, `":TRACe:DATA? CH{{.channel}}"`, `'{{if eq .channel "1"}}x{{end}}'`, "ask: '", "comes out empty"},
		{"encoding unknown", s, "encoding: int8", "encoding: int12", "encoding:", "ascii or ascii_volts or float32 or int16 or int8 or uint16 or uint8 is expected"},
		{"byte order missing", s, "encoding: int8", "encoding: int16", "  ask: \":TRACe", "the little or the big end of int16"},
		{"byte order useless", s, "encoding: int8", "encoding: int8\n  byte_order: big", "byte_order:", "has no meaning for int8"},
		{"byte order unknown", s, "encoding: int8", "encoding: int16\n  byte_order: middle", "byte_order:", "little or big is expected"},
		{"binary in a line", s, "encoding: int8", "encoding: int8\n  framing: line", "framing:", "comes in a block"},
		{"scale divides by zero", s, "range / 256", "range / 0", "volts_per_code:", "divides by zero"},
		{"scale divides by a difference of zero", s, "range / 256", "1 / (range - range)", "volts_per_code:", "divides by zero"},
		{"scale divides by zero in one range", s, "range / 256", "1 / (range - 0.4)", "volts_per_code:", ""},
		{"zero divides by zero", s, "  zero: 0", "  zero: 1 / 0", "  zero:", "zero divides by zero"},
		{"scale negative", s, "range / 256", "-range / 256", "volts_per_code:", "must be above zero"},
		{"scale zero", s, "range / 256", "range * 0", "volts_per_code:", "must be above zero"},
		{"scale unknown name", s, "range / 256", "rangex / 256", "volts_per_code:", `"rangex" is not known here; known: range`},
		{"scale unfinished", s, "range / 256", "range /", "volts_per_code:", "missing at the end"},
		{"scale unclosed", s, "range / 256", "(range / 256", "volts_per_code:", "a closing parenthesis is missing"},
		{"scale too much", s, "range / 256", "range / 256 8", "volts_per_code:", `"8" is not expected`},
		{"scale no number", s, "range / 256", "range / 2.5.6", "volts_per_code:", `"2.5.6" is not a number`},
		{"scale too long", s, "range / 256", strings.Repeat("(", 300), "volts_per_code:", "longer than 200"},
		{"scale strange", s, "range / 256", "range % 256", "volts_per_code:", `"% 256" is not expected`},
		{"rails upside down", s, "[-128, 127]", "[127, -128]", "rails:", "must ascend"},
		{"rails outside the encoding", s, "[-128, 127]", "[-129, 127]", "rails:", "a whole number from -128 to 127"},
		{"one rail", s, "[-128, 127]", "[-128]", "rails:", "two rails are expected"},
		{"scale query without fields", s, "scale:\n", "scale:\n  ask: {query: x, fields: {}}\n", "  ask: {query", "names no number"},
		{"scale query bad name", s, "scale:\n", "scale:\n  ask: {query: x, fields: {range: 1}}\n", "  ask: {query", `"range": a name`},
		{"scale query bad place", s, "scale:\n", "scale:\n  ask: {query: x, fields: {a: 0}}\n", "  ask: {query", "a whole number from 1"},
		{"headers neither", k, "headers: yes", "headers: maybe", "headers:", `"maybe": yes or no is expected`},
		{"errors without a way", f, `{ask: "STATUS?", bits: 32}`, `{ask: "STATUS?"}`, "errors:", "either empty (the text that says that there is no error) or bits"},
		{"errors both ways", f, `{ask: "STATUS?", bits: 32}`, `{ask: "STATUS?", bits: 32, empty: x}`, "errors:", "either empty"},
		{"errors bits zero", f, `{ask: "STATUS?", bits: 32}`, `{ask: "STATUS?", bits: 0}`, "errors:", "a whole number from 1 to 65535"},
		{"errors query missing", f, `{ask: "STATUS?", bits: 32}`, `{bits: 32}`, "errors:", `"ask" is missing in errors`},
		{"divisions zero", o, "divisions: 10", "divisions: 0", "divisions:", "a whole number from 1 to 100"},
		{"time divisions zero", o, "divisions: 10\n", "divisions: 10\n  time_divisions: 0\n", "time_divisions:", "a whole number from 1 to 100"},
		{"time divisions missing", o, "RATE {{.rate}};RATE?", "RATE {{.time_division}};RATE?", "RATE", "{{.time_division}} is not known here"},
		{"prompt empty", o, "  errors: ", "  prompt: \" \"\n  errors: ", "prompt:", "a text is expected here"},
		{"divisions missing", o, "  divisions: 10\n", "", "VDIV", "{{.division}} is not known here; known: {{.channel}}, {{.range}}"},
		{"division not declared", o, "  division: {unit: V}\n", "", "VDIV", `like "division: {unit: V}"`},
		{"neither send nor a query that sets", o, "VDIV {{.channel}} {{.division}};", "", "VDIV", `"send" is missing in range`},
		{"field zero", f, "field: 2", "field: 0", "field: 0", "a whole number from 1"},
		{"separator without field", f, "field: 2", "separator: blank", "separator: blank", "which item of the answer it is"},
		{"separator unknown", f, "field: 2", "field: 2, separator: tab", "separator: tab", "comma or semicolon or blank is expected"},
		{"wait without limit", f, ", limit: 5 s", "", `wait: {ask: "STATUS?"`, `"limit" is missing in wait`},
		{"wait without pause", f, "every: 2 ms, ", "", `wait: {ask: "STATUS?"`, `"every" is missing in wait`},
		{"wait pauses for nothing", f, "every: 2 ms", "every: 0 s", `wait: {ask: "STATUS?"`, "every must be above 0 s"},
		{"wait pauses beyond its limit", f, "every: 2 ms", "every: 6 s", `wait: {ask: "STATUS?"`, "limit not below it"},
		{"wait with reply and bits", f, "bits: 1, error", "bits: 1, reply: 1, error", "reply: 1", "not both"},
		{"wait with overlapping bits", f, "error_bits: 32", "error_bits: 33", "error_bits:", "other bits of the status"},
		{"wait with error_bits alone", f, "bits: 1, error_bits: 32", "reply: 1, error_bits: 32", "error_bits:", "other bits of the status"},
		{"wait with one word for both", k, "while: RUNNING", "while: STOPPED", "while:", "cannot say both ready and not yet"},
		{"rf with ask and on", r, `{on: "OUT 1;OUT?", `, `{ask: "OUT?", on: "OUT 1;OUT?", `, `ask: "OUT?"`, "either ask, or on and off"},
		{"rf confirm without off", r, `, off: "OUT 0;OUT?"`, "", `on: "OUT 1`, `"off" is missing in confirm`},
		{"channels unknown", f, "channels: in_turn", "channels: all", "channels: all", "each or in_turn or interleaved is expected"},
		{"order where each is asked for", k, "byte_order: big", "byte_order: big\n  order: [1, 2]", "order: [1", "order has a meaning only where one transfer"},
		{"order of another channel", f, "channels: in_turn", "channels: in_turn\n  order: [1, 3]", "order: [1", `channel "3" is none of 1, 2`},
		{"order twice", f, "channels: in_turn", "channels: in_turn\n  order: [1, 1]", "order: [1", "channel 1 is given twice"},
		{"a channel where all come", o, `"BOTH?"`, `"BOTH? {{.channel}}"`, "BOTH?", "there is nothing to fill in here"},
		{"spare bits of a byte", s, "encoding: int8", "encoding: int8\n  spare_bits: 4", "spare_bits:", "spare_bits has no meaning for int8"},
		{"spare bits too many", o, "spare_bits: 8", "spare_bits: 16", "spare_bits:", "a whole number from 1 to 12"},
		{"spare bits eat the rails", o, "[0, 65280]", "[0, 255]", "rails:", "the rails must ascend"},
		{"floats without byte order", f, "  byte_order: little\n", "", "  ask: \"DATA?", "the little or the big end of float32"},
		{"zero of volts", f, "  rails: [-range", "  zero: 0\n  rails: [-range", "  zero:", "zero has no meaning for float32, whose samples are volts"},
		{"rails of volts upside down", f, "[-range / 2, range / 2 * 127 / 128]", "[range, -range]", "rails:", "do not rise"},
		{"rails of volts beyond the codes", f, "range / 256", "range / 1000000", "rails:", "are not between -32768 and 32767"},
		{"rails of volts divide by zero", f, "[-range / 2,", "[-range / 0,", "rails:", "rails divides by zero"},
		{"rails of volts that do not parse", f, "[-range / 2,", "[-full / 2,", "rails:", `"full" is not known here; known: range`},
		{"expect nothing of a place", k, "expect: {1: 2,", "expect: {0: 2,", "expect:", "a whole number from 1"},
		{"include nowhere", g, "format: 1\n", "format: 1\ninclude: no-such\n", "include:", "neither a shipped one"},
		{"scale query bad template", s, "scale:\n", "scale:\n  ask: {query: \"{{.range}}\", fields: {a: 1}}\n", "  ask: {query", "known: {{.channel}}"},
	} {
		t.Run(c.what, func(t *testing.T) {
			text := change(t, shippedText(t, c.base), c.old, c.new)
			f, err := Parse("bad.yaml", strings.NewReader(text))
			if err == nil {
				t.Fatalf("read as %+v", f)
			}
			if f != nil {
				t.Error("a file comes with the error")
			}
			if strings.Contains(err.Error(), "\n") {
				t.Errorf("more than one line: %v", err)
			}
			start := "dialect bad.yaml, line " + strconv.Itoa(lineOf(t, text, c.at)) + ": "
			if !strings.HasPrefix(err.Error(), start) || !strings.Contains(err.Error(), c.says) {
				t.Errorf("got  %v\nwant %s… %s", err, start, c.says)
			}
		})
	}
	for _, text := range []string{"", "# nothing\n", "[]", "x", "null", "--- \n...\n", strings.Repeat("#", largest+1), "\x00", "format: 1", "\xff\xfe"} {
		if f, err := Parse("bad.yaml", strings.NewReader(text)); err == nil || f != nil || strings.Contains(err.Error(), "\n") {
			t.Errorf("%.20q: %v, %v", text, f, err)
		}
	}
}

// The README names every key that the reader knows: each section is given a
// key that it does not know, and lists those that it does.
func TestReadmeNamesEveryKey(t *testing.T) {
	readme := readmeText(t)
	digitiser := change(t, shippedText(t, "scpi99-digitiser"), "scale:\n", "scale:\n  ask: {query: x, fields: {a: 1}}\n")
	for _, c := range []struct{ text, old, new string }{
		{digitiser, "link:\n", "zz: 1\nlink:\n"},
		{shippedText(t, "scpi99-generator"), "link:\n", "zz: 1\nlink:\n"},
		{digitiser, "link:\n", "link:\n  zz: 1\n"},
		{digitiser, "abilities:\n", "abilities:\n  zz: 1\n"},
		{shippedText(t, "scpi99-generator"), "abilities:\n", "abilities:\n  zz: 1\n"},
		{shippedText(t, "scpi99-generator"), "{from: 100 kHz", "{zz: 1, from: 100 kHz"},
		{shippedText(t, "scpi99-generator"), "{from: -60 dBm", "{zz: 1, from: -60 dBm"},
		{digitiser, "{rate: 500 MHz", "{zz: 1, rate: 500 MHz"},
		{digitiser, "numbers:\n", "numbers:\n  zz: 1\n"},
		{digitiser, "{unit: V", "{zz: 1, unit: V"},
		{digitiser, "prepare:\n", "prepare:\n  zz: 1\n"},
		{digitiser, "range:\n  send", "range:\n  zz: 1\n  send"},
		{digitiser, "window:\n", "window:\n  zz: 1\n"},
		{digitiser, "is: samples", "zz: 1, is: samples"},
		{digitiser, "acquire:\n", "acquire:\n  zz: 1\n"},
		{digitiser, "read:\n", "read:\n  zz: 1\n"},
		{digitiser, "scale:\n", "scale:\n  zz: 1\n"},
		{digitiser, "{query: x", "{zz: 1, query: x"},
		{digitiser, "reply: 1}\n\nread", "reply: 1, zz: 1}\n\nread"},
		{shippedText(t, "bundled-scope"), "{ask: \"STATUS?\", bits: 32}", "{ask: \"STATUS?\", bits: 32, zz: 1}"},
		{shippedText(t, "coded-generator"), "{on: ", "{zz: 1, on: "},
		{shippedText(t, "scpi99-generator"), "rf:\n", "rf:\n  zz: 1\n"},
	} {
		_, err := Parse("x", strings.NewReader(change(t, c.text, c.old, c.new)))
		if err == nil {
			t.Fatalf("%q: no error", c.new)
		}
		_, known, found := strings.Cut(err.Error(), "known here: ")
		if !found {
			t.Fatalf("%q: %v", c.new, err)
		}
		for key := range strings.SplitSeq(known, ", ") {
			if !regexp.MustCompile(`\b` + key + `\b`).MatchString(readme) {
				t.Errorf("the README has no %q", key)
			}
		}
	}
	for _, name := range encodingNames() {
		if !strings.Contains(readme, "`"+name+"`") {
			t.Errorf("the README has no encoding %q", name)
		}
	}
	for _, name := range unitNames(slices.Concat(hertz, levels, volts, seconds)) {
		if !regexp.MustCompile(`\b` + name + `\b`).MatchString(readme) {
			t.Errorf("the README has no unit %q", name)
		}
	}
	for _, name := range functions {
		if !regexp.MustCompile(`\b` + name + `\b`).MatchString(readme) {
			t.Errorf("the README has no function %q", name)
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add(shippedText(f, "scpi99-generator"))
	f.Add(shippedText(f, "stepped-generator"))
	f.Add(shippedText(f, "scpi99-digitiser"))
	f.Add(shippedText(f, "scpi99-digitiser-4"))
	f.Add(workedExample(f))
	for _, name := range shipped() {
		f.Add(shippedText(f, name))
	}
	f.Add("include: f\nformat: 1\n")
	f.Add("format: 1\ninstrument: scope\n")
	f.Add("a: &a [*a]\n")
	f.Fuzz(func(t *testing.T, text string) {
		file, err := Parse("f", strings.NewReader(text))
		switch {
		case err != nil && (file != nil || strings.Contains(err.Error(), "\n") || !strings.HasPrefix(err.Error(), "dialect f")):
			t.Errorf("%+v, %v", file, err)
		case err == nil && file.Instrument == "scope":
			c := drivers.Config{}
			if len(file.scope.channels) > 2 && len(file.scope.windowsWith(3)) > 0 {
				c.Reference = file.scope.channels[2]
			}
			if _, err := file.scope.used("f", c); err != nil {
				t.Error(err)
			}
		}
	})
}
