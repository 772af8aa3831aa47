package setup

import (
	"encoding/json"
	"errors"
	"reflect"
	"strings"
	"testing"
)

// Whatever a file holds, it is read into something valid, or refused with
// lines that begin with its name.
func FuzzParse(f *testing.F) {
	f.Add(valid)
	f.Add(strings.Replace(valid, frequencies, "  segments: [{from: 1 MHz, to: 2 MHz, points: 3}, {from: 2 MHz, to: 3 MHz, points: 4}]\n", 1))
	f.Add(strings.Replace(valid, frequencies, "  frequencies: [1 MHz, 2 MHz]\n", 1))
	f.Add(valid[:strings.Index(valid, "limits:")] + "limits: default\n")
	for _, text := range []string{"", "bench: 3", "a: *b", "? [a]\n: b", "&x [*x]", "a: b\n---\n", "\tx: y", "plan: {points: 1e9}", "bench: {<<: {name: x}}", "limits: {from: 3}", "\xff\xfeb\x00"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if strings.Contains(text, "/") && strings.Contains(text, "limits: ") {
			t.Skip("may name a file, or a device to wait for")
		}
		c, err := Parse("bench.yaml", []byte(text))
		if err != nil {
			var e *Error
			if c != nil || !errors.As(err, &e) || len(e.Lines) == 0 {
				t.Fatalf("%v, %v", c, err)
			}
			for _, line := range e.Lines {
				if !strings.HasPrefix(line, "bench.yaml:") || strings.ContainsAny(line, "\n\r") {
					t.Errorf("%q", line)
				}
			}
			return
		}
		if err := c.Plan.Validate(); err != nil {
			t.Error(err)
		}
		for i, f := range c.Plan.Frequencies() {
			if !(f > 0) {
				t.Errorf("frequency %d is %v", i, f)
			}
		}
		written, err := json.Marshal(c)
		if err != nil {
			t.Fatal(err)
		}
		var again Config
		if err := json.Unmarshal(written, &again); err != nil || !reflect.DeepEqual(c, &again) {
			t.Errorf("%v: %s", err, written)
		}
	})
}
