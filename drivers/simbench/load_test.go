package simbench

import (
	"os"
	"path/filepath"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"halfturn/configs"
)

func TestMistakesInScenariosAreNamedWithTheirLine(t *testing.T) {
	for _, c := range []struct {
		name, yaml, want string
	}{
		{"empty", "", "line 1: it is empty"},
		{"no description", "seed: 3\n", "line 1: description"},
		{"misspelled key", "description: a\nbalun:\n  sleves: 3\n", "line 3: balun.sleves: no such key here; known are line, sleeves"},
		{"unit missing", "description: a\nbalun:\n  sleeve:\n    inductance: 24\n", "line 4: balun.sleeve.inductance: \"24\" is not an inductance: the unit is missing"},
		{"wrong unit", "description: a\ncable:\n  delay: 3 nH\n", "line 3: cable.delay"},
		{"negative", "description: a\narms:\n  - resistance: -100 Ω\n  - resistance: 100 Ω\n", "line 3: arms[0].resistance: must be above zero"},
		{"sleeve without values", "description: a\nbalun:\n  sleeves: 3\n", "line 3: balun.sleeve.inductance: must be above zero"},
		{"one arm", "description: a\narms:\n  - resistance: 100 Ω\n", "line 3: arms: a list of 2 is expected"},
		{"unknown thing in the fixture", "description: a\nfixture:\n  balun: magnet\n", "line 3: fixture.balun: \"magnet\" is not one of nothing, cable"},
		{"twice", "description: a\nseed: 1\nseed: 2\n", "seed"},
		{"half a seed", "description: a\nseed: 1.5\n", "line 2: seed: a whole number, not negative, is expected, not \"1.5\""},
		{"word for a flag", "description: a\nbalun:\n  wires:\n    - {broken: perhaps}\n    - {}\n", "line 4: balun.wires[0].broken: true or false is expected"},
		{"list for a value", "description: a\ncable:\n  delay: [1 ns]\n", "line 3: cable.delay: one value is expected"},
		{"value for keys", "description: a\ncable: 50\n", "line 2: cable: keys with values are expected"},
		{"reference", "description: &d a\nfixture: *d\n", "line 2: fixture: write the value out"},
		{"harmonic above", "description: a\ngenerator:\n  harmonics:\n    second: 3 dB\n", "line 4: generator.harmonics.second: must be below 0 dB"},
		{"bent beyond use", "description: a\nscope:\n  channels:\n    - {cubic: 0.5}\n    - {}\n", "line 4: scope.channels[0].cubic: 0.5 is not within ±0.2"},
		{"negative doubling", "description: a\nbalun:\n  sleeves: 1\n  sleeve: {inductance: 1 µH, resistance: 1 kΩ, doubling: -1 V}\n", "line 4: balun.sleeve.doubling: must not be negative"},
		{"connector that repeats backwards", "description: a\nconnector: {amplitude: -1 dB}\n", "line 2: connector.amplitude: -1 dB is not between 0 and 6 dB"},
		{"connector that turns about", "description: a\nconnector:\n  phase: 100°\n", "line 3: connector.phase: 100° is not between"},
		{"endless delay", "description: a\nscope:\n  acquire: 1000 s\n", "line 3: scope.acquire"},
		{"not a number", "description: a\nscope:\n  offset: .nan\n", "line 3: scope.offset"},
		{"broken YAML", "description: [a\n", "line"},
		{"two documents", "description: a\n---\ndescription: b\n", "second document"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Parse([]byte(c.yaml))
			if err == nil {
				t.Fatal("accepted")
			}
			if !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "\n") {
				t.Errorf("got  %q\nwant %q in it, on one line", err, c.want)
			}
		})
	}
}

func TestLoadTakesNamesAndPaths(t *testing.T) {
	if _, err := Load("good-balun"); err != nil {
		t.Error(err)
	}
	file := filepath.Join(t.TempDir(), "mine.yaml")
	if err := os.WriteFile(file, []byte("description: mine\nbalun:\n  sleves: 2\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Load(file); err == nil || !strings.Contains(err.Error(), file+", line 3") {
		t.Errorf("error does not name file and line: %v", err)
	}
	for _, name := range []string{"bad-balun", "../limits/none", ""} {
		if _, err := Load(name); err == nil || !strings.Contains(err.Error(), "good-balun") {
			t.Errorf("%q: %v", name, err)
		}
	}
}

// Every key and every shipped scenario has its line.
func TestReadmeListsEveryKey(t *testing.T) {
	page, err := configs.FS.ReadFile("simbench/README.md")
	if err != nil {
		t.Fatal(err)
	}
	var walk func(t reflect.Type) []string
	walk = func(t reflect.Type) (keys []string) {
		switch t.Kind() {
		case reflect.Array:
			return walk(t.Elem())
		case reflect.Struct:
			for i := range t.NumField() {
				keys = append(append(keys, t.Field(i).Tag.Get("yaml")), walk(t.Field(i).Type)...)
			}
		}
		return keys
	}
	keys := walk(reflect.TypeFor[Scenario]())
	if len(keys) < 50 {
		t.Fatalf("found %d keys", len(keys))
	}
	for _, key := range keys {
		// `key`, `….key`, `.key`, `group.key` or `group.key.more`
		if !regexp.MustCompile("`(([a-z_]|…)*\\.)*" + key + "[`.]").Match(page) {
			t.Errorf("README does not list %s", key)
		}
	}
	for _, name := range Names() {
		if !strings.Contains(string(page), "| `"+name+"` |") {
			t.Errorf("README does not list the scenario %s", name)
		}
	}
}

func FuzzParse(f *testing.F) {
	// Small ones: the fuzzer spends its time on making seeds smaller.
	f.Add([]byte("description: a\nbalun: {sleeves: 2, sleeve: {inductance: 1 µH, resistance: 1 kΩ}}"))
	f.Add([]byte("description: b\nscope:\n  noise: {of_range: 0.1, floor: 1 mV}\n"))
	f.Add([]byte("description: c\nfixture: {balun: swapped}\ngenerator: {clock_offset: 3 ppm}"))
	f.Add([]byte("description: &a [*a]"))
	f.Add([]byte("description: x\narms: [{}, {}]"))
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := Parse(data)
		if err != nil {
			return
		}
		if err := s.Check(); err != nil {
			t.Fatalf("accepted, and then: %v", err)
		}
	})
}
