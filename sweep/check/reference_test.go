package check

import (
	"strings"
	"testing"

	"halfturn/drivers/simbench"
)

// referred is a bench with the splitter of the shipped scenario.
func referred(t *testing.T, spoil func(*simbench.Scenario)) Bench {
	t.Helper()
	r := newRig(t, "with-reference", simbench.Options{}, spoil)
	b := r.bench(t)
	b.Bench.Scope.Dialect, b.Bench.Scope.Reference = altered(t, "scpi99-digitiser-4"), "3"
	return b
}

func TestReferenceIsTold(t *testing.T) {
	report, text := run(t, referred(t, nil))
	f := find(report, "bench", "reference")
	// Two resistors leave half of the voltage; the level is 0.6 dB too large there
	// and the channel reads 0.1 dB more.
	if f.Status != OK || !strings.HasPrefix(f.Said, "channel 3 reads 5") || !strings.Contains(f.Said, "-5.2 dB against the level") || !report.Works {
		t.Errorf("%+v\n%s", f, text)
	}
	if f := find(report, "scope", "level"); f.Status != Note || !strings.Contains(f.Said, "splitter and pad") {
		t.Errorf("%+v", f)
	}
	if f := find(report, "scope", "range, reference"); f.Status != OK {
		t.Errorf("%+v", f)
	}
}

func TestReferenceIsNotCabled(t *testing.T) {
	report, _ := run(t, referred(t, func(s *simbench.Scenario) { s.Reference.Uncabled = true }))
	f := find(report, "bench", "reference")
	if f.Status != Failed || !strings.Contains(f.Said, "channel 3 reads nothing") || !strings.Contains(f.LookUp, "splitter") {
		t.Errorf("%+v", f)
	}
	// The arms are told as ever.
	if f := find(report, "bench", "connected"); f.Status != OK {
		t.Errorf("%+v", f)
	}
}

// The fourth channel has nothing on it.
func TestReferenceOnTheWrongChannel(t *testing.T) {
	b := referred(t, nil)
	b.Bench.Scope.Reference = "4"
	report, _ := run(t, b)
	if f := find(report, "bench", "reference"); f.Status != Failed || !strings.Contains(f.Said, "channel 4 reads nothing") {
		t.Errorf("%+v", f)
	}
}
