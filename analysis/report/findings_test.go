package report

import (
	"strings"
	"testing"
	"time"

	"halfturn/analysis/conformity"
	"halfturn/units"
)

// decided makes a run of steps 1 MHz apart with the given verdicts of phase
// balance, each within the band of the limits.
func decided(verdicts ...conformity.Verdict) Input {
	limits := conformity.Limits{Name: "bench", From: 1e6, To: 1e6 * units.Hertz(len(verdicts)), PhaseBalance: ptr(units.Degrees(3))}
	in := Input{Run: Run{Kind: KindBalun, State: StateDone}, Limits: limits}
	for i, v := range verdicts {
		s := Step{Index: i, Measured: true, Decision: conformity.Decision{Verdict: v, PhaseBalance: v}}
		s.Point.Frequency = units.Hertz(i+1) * 1e6
		s.Result.Frequency = s.Point.Frequency
		s.Result.PhaseBalance, s.Result.UPhaseBalance = units.Degrees(i), 0.5
		if v == conformity.NotMeasurable {
			s.Measured, s.Remark, s.Decision = false, "no signal", conformity.Unmeasured()
		}
		in.Steps = append(in.Steps, s)
	}
	in.Summary = summarise(in.Steps, limits)
	return in
}

func TestSentence(t *testing.T) {
	const p, cp, cf, f, n = conformity.Pass, conformity.ConditionalPass, conformity.ConditionalFail, conformity.Fail, conformity.NotMeasurable
	short := decided(p, p, p)
	short.Limits.To = 9e6
	short.Summary = summarise(short.Steps, short.Limits)
	outside := decided(p, p)
	outside.Limits.From, outside.Limits.To = 20e6, 30e6
	outside.Summary = summarise(outside.Steps, outside.Limits)
	for _, c := range []struct {
		in   Input
		want string
	}{
		{decided(p, p), "At each of 2 steps every figure meets the limits “bench”, its uncertainty included."},
		{decided(p), "At the one step in the band every figure meets the limits “bench”, its uncertainty included."},
		{decided(p, cp, cp), "Every figure lies inside the limits “bench”, but at 2 of 3 steps by less than its uncertainty."},
		{decided(p, cp, cf), "At 1 of 3 steps a figure lies outside the limits “bench”, by less than its uncertainty."},
		{decided(f, n, f), "At 2 of 3 steps a figure lies outside the limits “bench” by more than its uncertainty."},
		{decided(cf, n), "At 1 of 2 steps nothing could be measured, or the uncertainty is larger than the limits “bench”."},
		{short, "The sweep does not reach both ends of the band of the limits “bench”; what of it was swept, 3 steps, is measurable."},
		{outside, "No step lies in the band of the limits “bench”."},
		{decided(), "No step has been measured."},
	} {
		if got := c.in.sentence(); got != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.in.Summary.Verdict, got, c.want)
		}
	}
}

func TestStretches(t *testing.T) {
	const p, cp, f, n = conformity.Pass, conformity.ConditionalPass, conformity.Fail, conformity.NotMeasurable
	in := decided(f, f, cp, p, p, f, n, n)
	list, more := in.stretches()
	var got []string
	for _, s := range list {
		got = append(got, s.Span+", "+s.Steps+": "+s.Verdict+" ("+s.Why+")")
	}
	want := []string{
		"1 MHz to 2 MHz, 2 steps: fail (phase balance 1.00° ± 0.50°)",
		"3 MHz, 1 step: conditional pass (phase balance 2.00° ± 0.50°)",
		"6 MHz, 1 step: fail (phase balance 5.00° ± 0.50°)",
		"7 MHz to 8 MHz, 2 steps: not measurable (no signal)",
	}
	if strings.Join(got, "\n") != strings.Join(want, "\n") || more != 0 {
		t.Errorf("got %d more and\n%s\nwant\n%s", more, strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	in.Limits.From, in.Limits.To = 4e6, 5e6 // only what counts is listed
	if list, _ := in.stretches(); len(list) != 0 {
		t.Errorf("outside of the band: %v", list)
	}
	var many []conformity.Verdict
	for range 40 {
		many = append(many, f, p)
	}
	in = decided(many...)
	if list, more := in.stretches(); len(list) != mostStretches || more != 40-mostStretches {
		t.Errorf("%d listed, %d more", len(list), more)
	}
}

func TestVerdictOutsideTheBandIsBracketed(t *testing.T) {
	in := decided(conformity.Fail, conformity.Pass, conformity.Pass)
	in.Limits.From = 2e6
	in.Summary = summarise(in.Steps, in.Limits)
	if got := in.stepVerdict(&in.Steps[0]); got != "(✗ fail)" {
		t.Errorf("outside: %q", got)
	}
	if got := in.stepVerdict(&in.Steps[1]); got != "✓ pass" {
		t.Errorf("inside: %q", got)
	}
	if in.Summary.Verdict != conformity.Pass || !in.bracketed() {
		t.Errorf("verdict %q, bracketed %t", in.Summary.Verdict, in.bracketed())
	}
}

func TestCalibrationAge(t *testing.T) {
	in := good.input()
	if got, want := in.calibrationText(), "run 11 “cable”, 2031-05-14 07:06 UTC, 2 hours 14 minutes before this run"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	in.Calibration.Finished = in.Run.Started.Add(time.Hour)
	if got := in.calibrationText(); !strings.HasSuffix(got, "1 hour after the start of this run") {
		t.Errorf("%q", got)
	}
	in.Calibration = nil
	if got := in.calibrationText(); got != "none" {
		t.Errorf("%q", got)
	}
}

func TestRangesThatDifferAreRemarked(t *testing.T) {
	s := Step{Measured: true}
	s.Result.RangesDiffer = true
	if s.remark() == "" {
		t.Error("no remark")
	}
	s.Result.AttenuatorsDiffer = true
	if got := s.remark(); !strings.Contains(got, "range") || !strings.Contains(got, "; not in the calibration's position of the generator's attenuator") {
		t.Errorf("%q", got)
	}
	s.Measured, s.Remark = false, "no signal"
	if s.remark() != "no signal" {
		t.Errorf("%q", s.remark())
	}
}

// The drive's limit is found where it held the fill below what was wanted.
func TestFillHeldDown(t *testing.T) {
	const p = conformity.Pass
	in := decided(p, p, p, p, conformity.NotMeasurable)
	in.Fill = Fill{Min: 0.5, Max: 0.9}
	for i, fill := range []float64{0.5, 0.44, 0.62, 0.31, 0} {
		in.Steps[i].Fill = [2]float64{fill - 0.01, fill}
		in.Steps[i].Point.Drive = units.DBm(7 + i)
	}
	got, ok := in.held()
	want := finding{Name: "fill held down by the drive's limit", Value: "0.31 with 10 dBm", Where: "at 4 MHz; 2 steps, 2 MHz to 4 MHz", Limit: "wanted 0.5"}
	if !ok || got != want {
		t.Errorf("%+v, %v, want %+v", got, ok, want)
	}
	var out strings.Builder
	if err := Text(&out, in, Options{}); err != nil || !strings.Contains(out.String(), want.Name+"  "+want.Value) {
		t.Errorf("%v\n%s", err, out.String())
	}
	in.Steps = in.Steps[:1]
	if got, ok := in.held(); ok {
		t.Errorf("%+v", got)
	}
}
