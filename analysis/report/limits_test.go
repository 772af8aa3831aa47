package report

import (
	"bytes"
	"math"
	"strings"
	"testing"

	"halfturn/analysis/conformity"
	"halfturn/units"
)

// segmented has limits that vary with frequency.
func segmented() Input {
	in := failing.input()
	degrees := func(v units.Degrees) conformity.Values { return conformity.Values{PhaseBalance: &v} }
	in.Limits.Segments = &conformity.Segments{
		{From: 2e6, To: 5e6, Values: degrees(2)},
		{From: 5e6, To: 20e6, Values: degrees(2), End: degrees(8)},
	}
	for i := range in.Steps {
		in.Steps[i].Decision = in.Limits.Decide(in.Steps[i].Result)
	}
	in.Summary = summarise(in.Steps, in.Limits)
	return in
}

func init() { inputs["segmented"] = segmented }

func TestStretchesOfLimit(t *testing.T) {
	in := segmented()
	got := phaseBalance.stretchesOf(in.Limits)
	want := []stretchOfLimit{{1.8e6, 2e6, 3, 3}, {2e6, 5e6, 2, 2}, {5e6, 20e6, 2, 8}, {20e6, 30e6, 3, 3}}
	if len(got) != len(want) {
		t.Fatalf("%v, want %v", got, want)
	}
	for i := range want {
		// The ends are read a trifle inside, which a slope notices.
		if got[i].from != want[i].from || got[i].to != want[i].to || math.Abs(got[i].atFrom-want[i].atFrom) > 1e-3 || math.Abs(got[i].atTo-want[i].atTo) > 1e-3 {
			t.Errorf("%v, want %v", got[i], want[i])
		}
	}
	// What is not limited in the segments keeps its one limit, in one piece.
	if got := amplitudeBalance.stretchesOf(in.Limits); len(got) != 1 || got[0] != (stretchOfLimit{1.8e6, 30e6, 0.5, 0.5}) {
		t.Errorf("%v", got)
	}
	if got := phaseBalance.limitText(in.Limits); got != "within ±2.00° to ±8.00°, by frequency" {
		t.Errorf("%q", got)
	}
	if got := amplitudeBalance.limitText(in.Limits); got != "within ±0.5 dB" {
		t.Errorf("%q", got)
	}
	if got := insertionLoss.limitText(conformity.Limits{}); got != "" {
		t.Errorf("%q", got)
	}
}

// The limit beside the worst figure is the one that holds there.
func TestWorstStandsBesideItsOwnLimit(t *testing.T) {
	in := segmented()
	i := phaseBalance.worstIn(&in)
	f := in.Steps[i].Point.Frequency
	want := "within ±" + trimmed(float64(*in.Limits.At(f).PhaseBalance)) + "°"
	for _, got := range in.findings() {
		if got.Name == phaseBalance.title && got.Limit != want {
			t.Errorf("at %v: %q, want %q", f, got.Limit, want)
		}
	}
	var b bytes.Buffer
	if err := phaseBalance.plot(&in).WriteSVG(&b); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(b.String(), "by frequency") {
		t.Error("the plot's words do not say that the limit varies")
	}
}
