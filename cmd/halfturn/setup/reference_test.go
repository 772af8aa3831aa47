package setup

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// The channels by name, in any order, are those of the list; the reference has
// no other form in the file.
func TestChannelsByName(t *testing.T) {
	quiet(t)
	list := parsed(t, valid)
	for text, reference := range map[string]string{
		"{arm1: CH1, arm2: CH2}":                                 "",
		"{reference: CH3, arm2: CH2, arm1: CH1}":                 "CH3",
		"\n      arm1: CH1\n      arm2: CH2\n      reference: 3": "3",
	} {
		got := parsed(t, edited(t, "[CH1, CH2]", text))
		want := list.Bench.Scope
		want.Reference = reference
		if diff := cmp.Diff(want, got.Bench.Scope); diff != "" {
			t.Errorf("%s: %s", text, diff)
		}
	}
	t.Setenv("HALFTURN_BENCH_SCOPE_CHANNELS", "4, 2, 1")
	path := filepath.Join(t.TempDir(), "bench.yaml")
	if err := os.WriteFile(path, []byte(valid), 0o600); err != nil {
		t.Fatal(err)
	}
	c, err := Load(path, nil)
	if err != nil {
		t.Fatal(err)
	}
	if got := c.Bench.Scope; got.Channels != [2]string{"4", "2"} || got.Reference != "1" {
		t.Errorf("from the environment: %+v", got)
	}
}
