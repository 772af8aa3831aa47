package setup

import (
	"encoding/json"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/spf13/pflag"
	"pgregory.net/rapid"

	"halfturn/analysis/balance"
	"halfturn/analysis/conformity"
	"halfturn/configs"
	"halfturn/drivers"
	"halfturn/sweep"
	"halfturn/units"
)

// valid is a bench with every key, one a line where that is possible, so that
// tests can count lines.
const valid = `bench:
  name: Hut 4
  fixture: plate 2
  generator:
    address: tcp://192.0.2.10:5025
    dialect: scpi99-generator
    time_limit: 2 s
  scope:
    address: serial:///dev/ttyUSB0?baud=115200
    dialect: scpi99-digitiser
    time_limit: 10 s
    channels: [CH1, CH2]
  load:
    resistance: 100 Ω
    capacitance: 15 pF
    source: 50 Ω
  max_drive:
    generator: 13 dBm
    balun: 20 dBm
  input_limit: 5 V
  clock_tolerance: 50 ppm
  settle: 20 ms
plan:
  from: 3 MHz
  to: 500 MHz
  points: 60
  spacing: linear
  captures: 8
  max_captures: 32
  precision: 0.2
  fill:
    aim: 0.6
    min: 0.4
    max: 0.8
  headroom: 3 dB
  max_age: 7 d
  linearity: {drop: 3 dB, every: 5}
limits:
  name: mine
  from: 30 MHz
  to: 300 MHz
  amplitude_balance: 0.5 dB
  phase_balance: 4 deg
  common_mode_rejection: 25 dB
  insertion_loss: 1 dB
  rule: guarded
store: mine.db
thin: {after: 90 d}
`

// edited is valid with one piece replaced.
func edited(t testing.TB, old, new string) string {
	t.Helper()
	if strings.Count(valid, old) != 1 {
		t.Fatalf("%q is not once in the valid bench", old)
	}
	return strings.Replace(valid, old, new, 1)
}

func parsed(t testing.TB, text string) *Config {
	t.Helper()
	c, err := Parse("bench.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// quiet removes our variables from the environment of the test.
func quiet(t *testing.T) {
	for name := range environment(os.Environ()) {
		t.Setenv(name, "")
	}
}

func pointer[T any](v T) *T { return &v }

func TestParseReadsEveryKey(t *testing.T) {
	want := &Config{
		Bench: sweep.Bench{
			Name: "Hut 4", Fixture: "plate 2",
			Generator:      drivers.Config{Address: "tcp://192.0.2.10:5025", Dialect: "scpi99-generator", TimeLimit: 2 * time.Second},
			Scope:          drivers.Config{Address: "serial:///dev/ttyUSB0?baud=115200", Dialect: "scpi99-digitiser", TimeLimit: 10 * time.Second, Channels: [2]string{"CH1", "CH2"}},
			Load:           balance.Load{Resistance: 100, Capacitance: 15e-12, Source: 50},
			MaxDrive:       sweep.MaxDrive{Generator: 13, Balun: 20},
			InputLimit:     5,
			ClockTolerance: 50,
			Settle:         20 * time.Millisecond,
		},
		Plan: sweep.Plan{
			Segments: []sweep.Segment{{From: 3e6, To: 500e6, Points: 60, Spacing: "linear"}},
			Captures: 8, MaxCaptures: 32, Precision: 0.2,
			Fill:     sweep.Fill{Aim: 0.6, Min: 0.4, Max: 0.8},
			Headroom: 3, MaxAge: 7 * 24 * time.Hour,
			Linearity: sweep.Linearity{Drop: 3, Every: 5},
		},
		Limits: conformity.Limits{
			Name: "mine", From: 30e6, To: 300e6,
			AmplitudeBalance: pointer(units.DB(0.5)), PhaseBalance: pointer(units.Degrees(4)),
			CommonModeRejection: pointer(units.DB(25)), InsertionLoss: pointer(units.DB(1)),
			Rule: conformity.Guarded,
		},
		Store: "mine.db",
		Thin:  Thin{After: 90 * 24 * time.Hour},
		Serve: Serve{Listen: "127.0.0.1:8737", Retries: 6, Backoff: time.Second},
	}
	if diff := cmp.Diff(want, parsed(t, valid)); diff != "" {
		t.Error(diff)
	}
	// Every key is in it, or an example of the list that it stands in.
	for _, key := range known {
		last := key[strings.LastIndex(key, ".")+1:]
		// Those of the uncertainty, of the generator's habits, of the limits' segments and of the daemon have tests of their own.
		if strings.HasPrefix(key, "serve.") || habitual(key) {
			continue
		}
		if !strings.Contains(valid, last+":") && key != "plan.frequencies" && parent(parent(key)) != uncertain {
			t.Errorf("the valid bench of the tests lacks %s", key)
		}
	}
}

func TestDefaults(t *testing.T) {
	c := parsed(t, `
bench:
  name: Hut 4
  fixture: plate 2
  generator: {address: "tcp://192.0.2.10:5025", dialect: g}
  scope: {address: "tcp://192.0.2.11:5025", dialect: s}
  load: {resistance: 100 Ω, capacitance: 0 pF}
  max_drive: {generator: 0 dBm, balun: 0 dBm}
plan: {frequencies: [3.5 MHz, 7 MHz]}
`)
	want := &Config{
		Bench: sweep.Bench{
			Name: "Hut 4", Fixture: "plate 2",
			Generator:      drivers.Config{Address: "tcp://192.0.2.10:5025", Dialect: "g"},
			Scope:          drivers.Config{Address: "tcp://192.0.2.11:5025", Dialect: "s"},
			Load:           balance.Load{Resistance: 100, Source: 50},
			ClockTolerance: 100,
		},
		Plan: sweep.Plan{
			Segments: []sweep.Segment{{From: 3.5e6, To: 3.5e6, Points: 1, Spacing: "logarithmic"}, {From: 7e6, To: 7e6, Points: 1, Spacing: "logarithmic"}},
			Captures: 4, MaxCaptures: 64, Precision: 0.1,
			Fill:     sweep.Fill{Aim: 0.7, Min: 0.5, Max: 0.9},
			Headroom: 4, MaxAge: 24 * time.Hour,
			Linearity: sweep.Linearity{Drop: 6},
		},
		Store: "halfturn.db",
		Serve: Serve{Listen: "127.0.0.1:8737", Retries: 6, Backoff: time.Second},
	}
	if diff := cmp.Diff(want, c); diff != "" {
		t.Error(diff)
	}
	if got := c.Plan.Frequencies(); !reflect.DeepEqual(got, []units.Hertz{3.5e6, 7e6}) {
		t.Errorf("frequencies %v", got)
	}
}

func TestSegments(t *testing.T) {
	c := parsed(t, edited(t, "  from: 3 MHz\n  to: 500 MHz\n  points: 60\n", `  segments:
    - {from: 1 MHz, to: 2 MHz, points: 2}
    - from: 2 MHz
      to: 4 MHz
      points: 3
      spacing: logarithmic
    - {from: 5 MHz, to: 5 MHz, points: 1}
`))
	want := []sweep.Segment{
		{From: 1e6, To: 2e6, Points: 2, Spacing: "linear"}, // that of the plan
		{From: 2e6, To: 4e6, Points: 3, Spacing: "logarithmic"},
		{From: 5e6, To: 5e6, Points: 1, Spacing: "linear"},
	}
	if diff := cmp.Diff(want, c.Plan.Segments); diff != "" {
		t.Error(diff)
	}
	// 2 MHz is where two segments meet, and is taken once.
	if got := c.Plan.Frequencies(); !reflect.DeepEqual(got, []units.Hertz{1e6, 2e6, 2828427, 4e6, 5e6}) {
		t.Errorf("frequencies %v", got)
	}
}

// Limits, durations and words as people write them.
func TestSpellings(t *testing.T) {
	for _, c := range []struct {
		old, new string
		get      func(*Config) any
		want     any
	}{
		{"settle: 20 ms", "settle: 1.5s", func(c *Config) any { return c.Bench.Settle }, 1500 * time.Millisecond},
		{"settle: 20 ms", "settle: 200 µs", func(c *Config) any { return c.Bench.Settle }, 200 * time.Microsecond},
		{"settle: 20 ms", "settle: 200 us", func(c *Config) any { return c.Bench.Settle }, 200 * time.Microsecond},
		{"max_age: 7 d", "max_age: 90 min", func(c *Config) any { return c.Plan.MaxAge }, 90 * time.Minute},
		{"max_age: 7 d", "max_age: 1h30m", func(c *Config) any { return c.Plan.MaxAge }, 90 * time.Minute},
		{"max_age: 7 d", "max_age: 24 h", func(c *Config) any { return c.Plan.MaxAge }, 24 * time.Hour},
		{"[CH1, CH2]", "[1, 2]", func(c *Config) any { return c.Bench.Scope.Channels }, [2]string{"1", "2"}},
		{"[CH1, CH2]", `["2", '1']`, func(c *Config) any { return c.Bench.Scope.Channels }, [2]string{"2", "1"}},
		{"name: Hut 4", "name: 2024", func(c *Config) any { return c.Bench.Name }, "2024"},
		{"name: Hut 4", "name: yes", func(c *Config) any { return c.Bench.Name }, "yes"},
		{"100 Ω", "0.1 kohm", func(c *Config) any { return c.Bench.Load.Resistance }, units.Ohms(100)},
		{"phase_balance: 4 deg", "phase_balance: 4°", func(c *Config) any { return *c.Limits.PhaseBalance }, units.Degrees(4)},
		{"generator: 13 dBm", "generator: +13 dBm", func(c *Config) any { return c.Bench.MaxDrive.Generator }, units.DBm(13)},
	} {
		if got := c.get(parsed(t, edited(t, c.old, c.new))); got != c.want {
			t.Errorf("%s: got %v, want %v", c.new, got, c.want)
		}
	}
}

func TestShippedFilesLoad(t *testing.T) {
	quiet(t)
	if got := shipped("benches"); !reflect.DeepEqual(got, []string{"demo", "example", "stepped"}) {
		t.Errorf("benches: %v", got)
	}
	for _, name := range shipped("benches") {
		c, err := Load(name, nil)
		if err != nil {
			t.Error(err)
			continue
		}
		if err := c.Plan.Validate(); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		text, err := configs.FS.ReadFile("benches/" + name + ".yaml")
		if err != nil {
			t.Fatal(err)
		}
		again, err := Parse(name, text)
		if diff := cmp.Diff(c, again); err != nil || diff != "" {
			t.Errorf("%s: %v\n%s", name, err, diff)
		}
	}
	for _, name := range Limits() {
		c := parsed(t, valid[:strings.Index(valid, "limits:")]+"limits: "+name+"\n")
		if err := c.Limits.Validate(); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// What the demo counts on.
func TestDemo(t *testing.T) {
	quiet(t)
	c, err := Load("demo", nil)
	if err != nil {
		t.Fatal(err)
	}
	f := c.Plan.Frequencies()
	if len(f) != 60 || f[0] != 3e6 || f[59] != 500e6 {
		t.Errorf("%d frequencies from %v to %v", len(f), f[0], f[len(f)-1])
	}
	if c.Bench.Name != "Harbour bench" || c.Limits.From != 30e6 || *c.Limits.CommonModeRejection != 25 {
		t.Errorf("%+v", c)
	}
}

// The example's lines that are commented out are as good as the others.
func TestExampleAlternatives(t *testing.T) {
	text, err := configs.FS.ReadFile("benches/example.yaml")
	if err != nil {
		t.Fatal(err)
	}
	swap := func(pairs ...string) string {
		s := string(text)
		for i := 0; i < len(pairs); i += 2 {
			if strings.Count(s, pairs[i]) != 1 {
				t.Fatalf("%q is not once in the example", pairs[i])
			}
			s = strings.Replace(s, pairs[i], pairs[i+1], 1)
		}
		return s
	}
	ends := []string{"  from: 3 MHz\n", "", "  to: 500 MHz\n", "", "  points: 60\n", ""}
	c := parsed(t, swap(append(ends, "  # segments:\n  #   - {from: 3 MHz", "  segments:\n    - {from: 3 MHz", "  #   - {from: 30 MHz, to: 300 MHz", "    - {from: 30 MHz, to: 300 MHz")...))
	if len(c.Plan.Segments) != 2 || len(c.Plan.Frequencies()) != 67 {
		t.Errorf("%+v", c.Plan)
	}
	ends = append(ends, "  spacing: logarithmic                   # or linear\n", "")
	c = parsed(t, swap(append(ends, "  # frequencies:", "  frequencies:")...))
	if len(c.Plan.Segments) != 4 {
		t.Errorf("%+v", c.Plan)
	}
	s := swap("# limits: default", "limits: default")
	s = s[:strings.Index(s, "\nlimits:\n")]
	if c = parsed(t, s); c.Limits.Name == "" {
		t.Errorf("%+v", c.Limits)
	}
}

func write(t *testing.T, folder, name, text string) string {
	t.Helper()
	path := filepath.Join(folder, name)
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func flagged(t *testing.T, args ...string) *pflag.FlagSet {
	t.Helper()
	fs := pflag.NewFlagSet("test", pflag.ContinueOnError)
	fs.String("label", "", "a flag of the command's own")
	Flags(fs)
	if err := fs.Parse(args); err != nil {
		t.Fatal(err)
	}
	return fs
}

// File, environment, flags: each above the one before it, key by key.
func TestPrecedence(t *testing.T) {
	quiet(t)
	folder := t.TempDir()
	path := write(t, folder, "bench.yaml", valid)
	get := map[string]func(*Config) any{
		"store":                   func(c *Config) any { return c.Store },
		"plan.from":               func(c *Config) any { return c.Plan.Segments[0].From },
		"plan.to":                 func(c *Config) any { return c.Plan.Segments[0].To },
		"plan.points":             func(c *Config) any { return c.Plan.Segments[0].Points },
		"plan.spacing":            func(c *Config) any { return c.Plan.Segments[0].Spacing },
		"plan.captures":           func(c *Config) any { return c.Plan.Captures },
		"plan.max_captures":       func(c *Config) any { return c.Plan.MaxCaptures },
		"bench.generator.address": func(c *Config) any { return c.Bench.Generator.Address },
		"bench.scope.address":     func(c *Config) any { return c.Bench.Scope.Address },
		"limits":                  func(c *Config) any { return c.Limits.Name },
	}
	second := write(t, folder, "second.yaml", "{name: second, from: 1 MHz, to: 2 MHz, phase_balance: 3 deg}")
	third := write(t, folder, "third.yaml", "{name: third, from: 1 MHz, to: 2 MHz, phase_balance: 3 deg}")
	cases := map[string]struct {
		file                  any
		environment, flag     string
		byEnvironment, byFlag any
	}{
		"store":                   {"mine.db", "env.db", "flag.db", "env.db", "flag.db"},
		"plan.from":               {units.Hertz(3e6), "4 MHz", "5 MHz", units.Hertz(4e6), units.Hertz(5e6)},
		"plan.to":                 {units.Hertz(500e6), "400 MHz", "300 MHz", units.Hertz(400e6), units.Hertz(300e6)},
		"plan.points":             {60, "61", "62", 61, 62},
		"plan.spacing":            {"linear", "logarithmic", "linear", "logarithmic", "linear"},
		"plan.captures":           {8, "9", "10", 9, 10},
		"plan.max_captures":       {32, "33", "34", 33, 34},
		"bench.generator.address": {"tcp://192.0.2.10:5025", "tcp://env:1", "tcp://flag:1", "tcp://env:1", "tcp://flag:1"},
		"bench.scope.address":     {"serial:///dev/ttyUSB0?baud=115200", "tcp://env:2", "tcp://flag:2", "tcp://env:2", "tcp://flag:2"},
		"limits":                  {"mine", second, third, "second", "third"},
	}
	for _, f := range flagKeys {
		t.Run(f.flag, func(t *testing.T) {
			c, ok := cases[f.key]
			if !ok {
				t.Fatal("no case for this flag")
			}
			check := func(want any, args ...string) {
				t.Helper()
				config, err := Load(path, flagged(t, args...))
				if err != nil {
					t.Fatal(err)
				}
				if got := get[f.key](config); got != want {
					t.Errorf("%s: got %v, want %v", f.key, got, want)
				}
			}
			check(c.file)
			check(c.byFlag, "--"+f.flag, c.flag)
			t.Setenv(variable(f.key), c.environment)
			check(c.byEnvironment)
			check(c.byFlag, "--"+f.flag, c.flag)
			t.Setenv(variable(f.key), "")
			check(c.file)
		})
	}
}

// Every key with a variable of its own is overridden by it.
func TestEveryVariable(t *testing.T) {
	quiet(t)
	path := write(t, t.TempDir(), "bench.yaml", valid)
	values := map[string]string{
		"bench.name": "A", "bench.fixture": "B",
		"bench.generator.address": "tcp://a:1", "bench.generator.dialect": "C", "bench.generator.time_limit": "3 s",
		"bench.scope.address": "tcp://b:1", "bench.scope.dialect": "D", "bench.scope.time_limit": "4 s", "bench.scope.channels": "A, B",
		"bench.load.resistance": "200 Ω", "bench.load.capacitance": "1 pF", "bench.load.source": "75 Ω",
		"bench.max_drive.generator": "1 dBm", "bench.max_drive.balun": "2 dBm",
		"bench.input_limit": "1 V", "bench.clock_tolerance": "1 ppm", "bench.settle": "1 s",
		"plan.from": "1 MHz", "plan.to": "600 MHz", "plan.points": "3", "plan.spacing": "logarithmic",
		"plan.captures": "1", "plan.max_captures": "40", "plan.precision": "0.5",
		"plan.fill.aim": "0.5", "plan.fill.min": "0.3", "plan.fill.max": "0.7", "plan.headroom": "1 dB", "plan.max_age": "1 h",
		"plan.linearity.drop": "10 dB", "plan.linearity.every": "7",
		"limits.name": "E", "limits.from": "1 MHz", "limits.to": "400 MHz", "limits.amplitude_balance": "1 dB",
		"limits.phase_balance": "1 deg", "limits.common_mode_rejection": "1 dB", "limits.insertion_loss": "2 dB", "limits.rule": "simple",
		"store":        "F",
		"thin.after":   "30 d",
		"serve.listen": "127.0.0.1:1", "serve.retries": "2", "serve.backoff": "2 s", "serve.hook": "G", "serve.webhook": "https://192.0.2.1/",
		"serve.token_hash": "$argon2id$v=19$m=65536,t=3,p=4$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA",
	}
	before, err := Load(path, nil)
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]string{}
	for _, key := range overridable() {
		if other, twice := seen[variable(key)]; twice {
			t.Errorf("%s and %s share a variable", key, other)
		}
		seen[variable(key)] = key
		if key == "limits" {
			continue // names a file: TestPrecedence
		}
		value, ok := values[key]
		if !ok {
			t.Errorf("no value for %s", key)
			continue
		}
		t.Run(key, func(t *testing.T) {
			t.Setenv(variable(key), value)
			after, err := Load(path, nil)
			if err != nil {
				t.Fatal(err)
			}
			if n := leavesThatDiffer(t, before, after); n != 1 && key != "bench.scope.channels" || n == 0 {
				t.Errorf("%s=%s changes %d values", variable(key), value, n)
			}
		})
	}
}

func leavesThatDiffer(t *testing.T, a, b *Config) int {
	t.Helper()
	n := 0
	var walk func(a, b any)
	walk = func(a, b any) {
		if m, ok := a.(map[string]any); ok {
			for k := range m {
				walk(m[k], b.(map[string]any)[k])
			}
		} else if l, ok := a.([]any); ok {
			for i := range l {
				walk(l[i], b.([]any)[i])
			}
		} else if a != b {
			n++
		}
	}
	walk(plain(t, a), plain(t, b))
	return n
}

func plain(t *testing.T, c *Config) any {
	t.Helper()
	text, err := json.Marshal(c)
	if err != nil {
		t.Fatal(err)
	}
	var v any
	if err := json.Unmarshal(text, &v); err != nil {
		t.Fatal(err)
	}
	return v
}

// A list in the file gives way to from, to and points above it only together.
func TestFlagsInPlaceOfAList(t *testing.T) {
	quiet(t)
	path := write(t, t.TempDir(), "b.yaml", edited(t, "  from: 3 MHz\n  to: 500 MHz\n  points: 60\n  spacing: linear\n", "  frequencies: [1 MHz, 2 MHz]\n"))
	t.Setenv("HALFTURN_PLAN_POINTS", "5")
	c, err := Load(path, flagged(t, "--from", "1 MHz", "--to", "5 MHz", "--spacing", "linear"))
	if err != nil {
		t.Fatal(err)
	}
	if want := []sweep.Segment{{From: 1e6, To: 5e6, Points: 5, Spacing: "linear"}}; !reflect.DeepEqual(c.Plan.Segments, want) {
		t.Errorf("got %v", c.Plan.Segments)
	}
}

// A file's paths are relative to it, those of flags to the current folder.
func TestPathsAreRelativeToTheFile(t *testing.T) {
	quiet(t)
	folder := t.TempDir()
	t.Chdir(folder)
	text := strings.Replace(valid[:strings.Index(valid, "limits:")], "scpi99-digitiser", "dialects/mine.yaml", 1) + "limits: ./mine.yaml\n"
	write(t, folder, "benches/hut/bench.yaml", text)
	write(t, folder, "benches/hut/mine.yaml", "{name: beside, from: 1 MHz, to: 2 MHz, phase_balance: 3 deg}")
	write(t, folder, "mine.yaml", "{name: here, from: 1 MHz, to: 2 MHz, phase_balance: 3 deg}")
	c, err := Load("benches/hut/bench.yaml", nil)
	if err != nil {
		t.Fatal(err)
	}
	if c.Limits.Name != "beside" || c.Bench.Scope.Dialect != filepath.Join("benches", "hut", "dialects", "mine.yaml") || c.Bench.Generator.Dialect != "scpi99-generator" {
		t.Errorf("limits %q, dialects %q and %q", c.Limits.Name, c.Bench.Scope.Dialect, c.Bench.Generator.Dialect)
	}
	c, err = Load("benches/hut/bench.yaml", flagged(t, "--limits", "mine.yaml"))
	if err != nil || c.Limits.Name != "here" {
		t.Errorf("%v, %v", c, err)
	}
	t.Setenv("HALFTURN_LIMITS_NAME", "renamed")
	if c, err = Load("benches/hut/bench.yaml", nil); err != nil || c.Limits.Name != "renamed" {
		t.Errorf("%v, %v", c, err)
	}
	// The flag names other limits, whole.
	if c, err = Load("benches/hut/bench.yaml", flagged(t, "--limits", "mine.yaml")); err != nil || c.Limits.Name != "here" {
		t.Errorf("%v, %v", c, err)
	}
	// From its own folder the path stays a path.
	t.Chdir(filepath.Join(folder, "benches", "hut"))
	t.Setenv("HALFTURN_LIMITS_NAME", "")
	if c, err = Load("bench.yaml", nil); err != nil || c.Limits.Name != "beside" || c.Bench.Scope.Dialect != "dialects/mine.yaml" {
		t.Errorf("%v, %v", c, err)
	}
}

func TestJSONRoundTrip(t *testing.T) {
	texts := []string{valid, edited(t, "  from: 3 MHz\n  to: 500 MHz\n  points: 60\n  spacing: linear\n", "  frequencies: [1 MHz, 2.5 MHz]\n")}
	texts = append(texts, valid[:strings.Index(valid, "limits:")])
	for _, text := range texts {
		c := parsed(t, text)
		written, err := json.Marshal(c)
		if err != nil {
			t.Fatal(err)
		}
		var got Config
		if err := json.Unmarshal(written, &got); err != nil {
			t.Fatalf("%v in %s", err, written)
		}
		if diff := cmp.Diff(c, &got); diff != "" {
			t.Errorf("%s\n%s", diff, written)
		}
	}
}

func TestFlagsHaveHelp(t *testing.T) {
	fs := pflag.NewFlagSet("test", pflag.ContinueOnError)
	Flags(fs)
	n := 0
	fs.VisitAll(func(f *pflag.Flag) {
		n++
		if !strings.Contains(f.Usage, ", e.g. --"+f.Name+" ") {
			t.Errorf("--%s shows no example: %s", f.Name, f.Usage)
		}
		if name, _ := pflag.UnquoteUsage(f); name == "string" {
			t.Errorf("--%s does not say what it takes", f.Name)
		}
	})
	if n != len(flagKeys) {
		t.Errorf("%d flags", n)
	}
	for _, f := range flagKeys {
		if f.key != "limits" && !slices.Contains(known, f.key) {
			t.Errorf("--%s overrides %s, which is no key", f.flag, f.key)
		}
	}
}

// Whatever values are drawn, a bench that is not refused can be carried out,
// and comes through JSON.
func TestWhatIsReadIsValid(t *testing.T) {
	accepted := 0
	rapid.Check(t, func(t *rapid.T) {
		text := valid
		for _, line := range strings.Split(strings.TrimSpace(valid), "\n") {
			key, value, found := strings.Cut(line, ": ")
			if !found || rapid.IntRange(0, 14).Draw(t, "change") > 0 {
				continue
			}
			number, unit, _ := strings.Cut(value, " ")
			number = rapid.SampledFrom([]string{number, "0", "-1", "1", "1e-9", "2", "400", "1e300", "nan"}).Draw(t, "number")
			text = strings.Replace(text, line, key+": "+strings.TrimSpace(number+" "+unit), 1)
		}
		c, err := Parse("bench.yaml", []byte(text))
		if err != nil {
			return
		}
		accepted++
		if err := c.Plan.Validate(); err != nil {
			t.Fatal(err)
		}
		if err := c.Limits.Validate(); err != nil {
			t.Fatal(err)
		}
		if got, want := len(c.Plan.Frequencies()), c.Plan.Segments[0].Points; got != want {
			t.Fatalf("%d frequencies of %d points", got, want)
		}
		if _, err := json.Marshal(c); err != nil {
			t.Fatal(err)
		}
	})
	if accepted == 0 {
		t.Error("everything was refused, so nothing was tested")
	}
}
