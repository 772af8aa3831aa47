package conformity

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"halfturn/analysis/balance"
	"halfturn/units"
)

// band is 10 MHz to 100 MHz, the phase limited to 3°.
var band = Limits{From: 10e6, To: 100e6, PhaseBalance: limit(units.Degrees(3))}

// steps decides results of these phases, ±0.5°, at the frequencies in MHz; NaN
// is a step without a result.
func steps(l Limits, mhz, phase []float64) ([]balance.Result, []Decision) {
	var results []balance.Result
	var decisions []Decision
	for i := range mhz {
		r := balance.Result{Frequency: units.Hertz(mhz[i] * 1e6)}
		if math.IsNaN(phase[i]) {
			results, decisions = append(results, r), append(decisions, Unmeasured())
			continue
		}
		r.PhaseBalance, r.UPhaseBalance = units.Degrees(phase[i]), 0.5
		results, decisions = append(results, r), append(decisions, l.Decide(r))
	}
	return results, decisions
}

func TestSummariseVerdict(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		name       string
		mhz, phase []float64
		want       Verdict
	}{
		{"all pass", []float64{5, 10, 30, 100, 200}, []float64{1, 1, -1, 1, 1}, Pass},
		{"fails outside only", []float64{5, 10, 30, 100, 200}, []float64{9, 1, 1, 1, 9}, Pass},
		{"conditional pass", []float64{10, 30, 100}, []float64{1, 2.8, 1}, ConditionalPass},
		{"conditional fail", []float64{10, 30, 100}, []float64{2.8, 3.2, 1}, ConditionalFail},
		{"unmeasured step", []float64{10, 30, 100}, []float64{3.2, nan, 1}, NotMeasurable},
		{"fail beats unmeasured", []float64{10, 30, 100}, []float64{9, nan, 1}, Fail},
		{"any order", []float64{100, 10, 30, 200, 5}, []float64{1, 1, 9, 1, 1}, Fail},
		{"no step in the band", []float64{1, 5, 200}, []float64{1, 1, 1}, NotMeasurable},
		{"no step at all", nil, nil, NotMeasurable},
		{"starts too high", []float64{20, 30, 100}, []float64{1, 1, 1}, NotMeasurable},
		{"ends too low", []float64{10, 50, 60}, []float64{1, 1, 1}, NotMeasurable},
		{"starts too high, but fails", []float64{20, 30, 100}, []float64{1, 9, 1}, Fail},
		{"half a step short at the bottom", []float64{11, 13.4, 100}, []float64{1, 1, 1}, Pass},
		{"a little more", []float64{11, 13.2, 100}, []float64{1, 1, 1}, NotMeasurable},
		{"half a step short at the top", []float64{10, 85, 95}, []float64{1, 1, 1}, Pass},
		{"a little more at the top", []float64{10, 86, 95}, []float64{1, 1, 1}, NotMeasurable},
		{"bracketed", []float64{5, 50, 150}, []float64{1, 1, 1}, Pass},
		{"moved off a multiple by the grid", []float64{10 * (1 + 5e-7), 50, 100 * (1 - 5e-7)}, []float64{1, 1, 1}, Pass},
		{"a fail at the very edge, as rounded", []float64{10 * (1 - 5e-7), 50, 100}, []float64{9, 1, 1}, Fail},
		{"a fail at the very edge above", []float64{10, 50, 100 * (1 + 5e-7)}, []float64{1, 1, 9}, Fail},
		{"one step, in the middle", []float64{30}, []float64{1}, NotMeasurable},
	} {
		results, decisions := steps(band, c.mhz, c.phase)
		if got := Summarise(band, results, decisions); got.Verdict != c.want {
			t.Errorf("%s: %q, want %q", c.name, got.Verdict, c.want)
		}
	}
}

func TestSummarisePassingBand(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		name       string
		mhz, phase []float64
		from, to   units.Hertz
	}{
		{"goes on outside the band", []float64{1, 5, 10, 50, 100, 200, 400}, []float64{9, 1, 1, 1, 1, 1, 9}, 5e6, 200e6},
		{"ends at a conditional pass", []float64{10, 20, 50, 100}, []float64{1, 1, 1, 2.8}, 10e6, 50e6},
		{"ends at an unmeasured step", []float64{10, 20, 50, 100}, []float64{1, 1, nan, 1}, 10e6, 20e6},
		{"the wider one in ratio, not in hertz", []float64{10, 30, 40, 70, 100}, []float64{1, 1, 9, 1, 1}, 10e6, 30e6},
		{"the higher one where it is wider", []float64{10, 12, 20, 30, 100}, []float64{1, 1, 9, 1, 1}, 30e6, 100e6},
		{"the first of equals", []float64{10, 20, 25, 50, 100}, []float64{1, 1, 9, 1, 1}, 10e6, 20e6},
		{"must overlap the band", []float64{1, 2, 5, 10, 20, 50, 100}, []float64{1, 1, 1, 9, 1, 1, 9}, 20e6, 50e6},
		{"wholly outside", []float64{1, 2, 5, 10, 100, 200}, []float64{1, 1, 1, 9, 9, 1}, 0, 0},
		{"one step", []float64{10, 50, 100}, []float64{9, 1, 9}, 50e6, 50e6},
		{"touches the edge", []float64{5, 10, 50, 100}, []float64{1, 1, 9, 9}, 5e6, 10e6},
		{"none", []float64{10, 50, 100}, []float64{9, nan, 2.9}, 0, 0},
		{"any order", []float64{100, 50, 10, 20}, []float64{9, 1, 1, 1}, 10e6, 50e6},
	} {
		results, decisions := steps(band, c.mhz, c.phase)
		got := Summarise(band, results, decisions)
		if got.PassFrom != c.from || got.PassTo != c.to {
			t.Errorf("%s: %v to %v, want %v to %v", c.name, got.PassFrom, got.PassTo, c.from, c.to)
		}
	}
}

func TestSummariseFigures(t *testing.T) {
	l := Limits{
		From: 10e6, To: 100e6,
		PhaseBalance:  limit(units.Degrees(3)),
		InsertionLoss: limit(units.DB(1)),
	}
	results := []balance.Result{
		{Frequency: 5e6, PhaseBalance: -90, Imbalance: 3, AmplitudeBalance: -9, InsertionLoss: 9},
		{Frequency: 10e6, PhaseBalance: -2, UPhaseBalance: 0.1, Imbalance: 0.03, AmplitudeBalance: 0.1, InsertionLoss: 0.5, UInsertionLoss: 0.03},
		{Frequency: 20e6},
		{Frequency: 40e6, PhaseBalance: 80, UPhaseBalance: 100, Imbalance: 0.02, AmplitudeBalance: -0.3, InsertionLoss: 0.1, UInsertionLoss: 0.04},
		{Frequency: 100e6, PhaseBalance: 1, UPhaseBalance: 0.1, Imbalance: 0.01, AmplitudeBalance: 0.2, InsertionLoss: 0.2, UInsertionLoss: 0.05},
	}
	var decisions []Decision
	for i, r := range results {
		if i == 2 {
			decisions = append(decisions, Unmeasured())
		} else {
			decisions = append(decisions, l.Decide(r))
		}
	}
	want := Summary{
		Verdict: NotMeasurable,
		From:    10e6, To: 100e6,
		PassFrom: 10e6, PassTo: 10e6, // the first of two single steps
		LeastProbable:            Conformity{1, "phase balance", 10e6}, // of equals the first
		WorstAmplitudeBalance:    3,
		WorstPhaseBalance:        1, // 80° ± 100° is not measured
		WorstCommonModeRejection: 1,
		WorstInsertionLoss:       1,
		Flatness:                 0.4,
		UFlatness:                0.05,
		Steps:                    4,
		NotMeasurable:            2,
	}
	got := Summarise(l, results, decisions)
	closeEnough := cmp.Comparer(func(a, b units.DB) bool { return math.Abs(float64(a-b)) < 1e-12 })
	if diff := cmp.Diff(want, got, closeEnough); diff != "" {
		t.Error(diff)
	}
}

func TestSummariseNothingMeasured(t *testing.T) {
	results, decisions := steps(band, []float64{10, 100}, []float64{math.NaN(), math.NaN()})
	want := Summary{
		Verdict: NotMeasurable, From: 10e6, To: 100e6, Steps: 2, NotMeasurable: 2,
		WorstAmplitudeBalance: -1, WorstPhaseBalance: -1, WorstCommonModeRejection: -1, WorstInsertionLoss: -1,
	}
	if diff := cmp.Diff(want, Summarise(band, results, decisions)); diff != "" {
		t.Error(diff)
	}
}

func TestSummariseBandSwept(t *testing.T) {
	results, decisions := steps(band, []float64{20, 30, 60}, []float64{1, 1, 1})
	if s := Summarise(band, results, decisions); s.From != 20e6 || s.To != 60e6 || s.Steps != 3 {
		t.Errorf("%+v", s)
	}
	// Without a band in the limits: the whole sweep.
	everywhere := Limits{PhaseBalance: band.PhaseBalance}
	if s := Summarise(everywhere, results, decisions); s.Verdict != Pass || s.From != 20e6 || s.To != 60e6 {
		t.Errorf("%+v", s)
	}
	// Without limits: no verdict, and the figures all the same.
	decisions = make([]Decision, len(results))
	decisions[1] = Unmeasured()
	s := Summarise(Limits{}, results, decisions)
	if s.Verdict != NotLimited || s.Verdict.ExitCode() != 0 || s.WorstPhaseBalance != 0 || s.NotMeasurable != 1 || s.PassFrom != 0 {
		t.Errorf("%+v", s)
	}
}

// The order in which steps come changes nothing but their indices.
func TestSummariseIgnoresOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 12).Draw(t, "steps")
		mhz, phase := make([]float64, n), make([]float64, n)
		for i := range mhz {
			mhz[i] = float64(2 * (i + 1) * (i + 1))
			phase[i] = rapid.SampledFrom([]float64{1, 2.8, 3.2, 9, math.NaN()}).Draw(t, "phase") + 1e-3*float64(i)
		}
		results, decisions := steps(band, mhz, phase)
		want := Summarise(band, results, decisions)
		places := rapid.Permutation(mhz).Draw(t, "order")
		shuffled, verdicts := make([]balance.Result, n), make([]Decision, n)
		for i, f := range places {
			from := int(math.Sqrt(f/2)) - 1
			shuffled[i], verdicts[i] = results[from], decisions[from]
		}
		got := Summarise(band, shuffled, verdicts)
		if (want.WorstPhaseBalance < 0) != (got.WorstPhaseBalance < 0) ||
			want.WorstPhaseBalance >= 0 && shuffled[got.WorstPhaseBalance] != results[want.WorstPhaseBalance] {
			t.Fatalf("worst at %d, want %d", got.WorstPhaseBalance, want.WorstPhaseBalance)
		}
		for _, index := range []*int{
			&got.WorstAmplitudeBalance, &got.WorstPhaseBalance, &got.WorstCommonModeRejection, &got.WorstInsertionLoss,
			&want.WorstAmplitudeBalance, &want.WorstPhaseBalance, &want.WorstCommonModeRejection, &want.WorstInsertionLoss,
		} {
			*index = 0
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatal(diff)
		}
	})
}
