package report

import (
	"math"
	"strings"
	"testing"
)

// Each figure of a report is defined in it, once.
func TestFiguresAreDefined(t *testing.T) {
	names := func(in *Input) string {
		var list []string
		for _, d := range in.definitions() {
			list = append(list, d.Name)
		}
		return strings.Join(list, ", ")
	}
	in := Input{Run: Run{Kind: KindBalun}}
	if got, want := names(&in), "arm ratio r, planes, amplitude balance, phase balance, common-mode rejection, insertion loss, not known"; got != want {
		t.Error(got)
	}
	in.Run.Kind = KindSwapped
	if got := names(&in); !strings.Contains(got, "arms exchanged") {
		t.Error(got)
	}
	in.Run.Kind, in.Steps = KindBalun, make([]Step, 1)
	in.Steps[0].Result.Referred = true
	if got := names(&in); !strings.Contains(got, "transmission of arm i, delay, not known") {
		t.Error(got)
	}
	in.Run.Kind = KindCalibration
	if got := names(&in); got != "gain mismatch, phase difference" {
		t.Error(got)
	}
}

// The drive's limit falls where the generator's own does, and never rises above
// the bench's.
func TestLargestDrive(t *testing.T) {
	inf := math.Inf(1)
	for name, c := range map[string]struct {
		falling []Level
		want    []limitLine
	}{
		"the same at all": {nil, []limitLine{{y: 13, to: inf}}},
		"falling":         {[]Level{{200e6, 16}, {400e6, 10}, {1e9, 7}}, []limitLine{{y: 13, to: 200e6}, {y: 10, from: 200e6, to: 400e6}, {y: 7, from: 400e6, to: inf}}},
		"below at once":   {[]Level{{1e9, 7}}, []limitLine{{y: 7, to: inf}}},
		"above it all":    {[]Level{{200e6, 20}, {1e9, 16}}, []limitLine{{y: 13, to: inf}}},
	} {
		got := largestDrive(13, c.falling)
		if len(got) != len(c.want) {
			t.Errorf("%s: %v", name, got)
			continue
		}
		for i := range got {
			got[i].label = ""
			if got[i] != c.want[i] {
				t.Errorf("%s: %v, want %v", name, got[i], c.want[i])
			}
		}
	}
}
