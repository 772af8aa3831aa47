package conformity

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"halfturn/analysis/balance"
	"halfturn/units"
)

func limit[Q any](q Q) *Q { return &q }

// ILAC-G8:09/2019, 4.2.3, guard band w = U: pass below TL - w, conditional pass
// in [TL - w, TL], conditional fail in [TL, TL + w], fail above TL + w; TL
// itself counts as the pass side. All values are exact in binary.
func TestDecideBoundaries(t *testing.T) {
	const below, above = 1 - 1e-9, 1 + 1e-9
	for _, c := range []struct {
		value, u, limit float64
		want            Verdict
	}{
		{0, 0.25, 1, Pass},
		{0.75 * below, 0.25, 1, Pass},
		{0.75, 0.25, 1, ConditionalPass},
		{1 * below, 0.25, 1, ConditionalPass},
		{1, 0.25, 1, ConditionalPass},
		{1 * above, 0.25, 1, ConditionalFail},
		{1.25, 0.25, 1, ConditionalFail},
		{1.25 * above, 0.25, 1, Fail},
		{40, 0.25, 1, Fail},
		// Without uncertainty nothing but the limit counts.
		{1 * below, 0, 1, Pass},
		{1, 0, 1, ConditionalPass},
		{1 * above, 0, 1, Fail},
		// An uncertainty as large as the limit can still be decided, a larger one cannot.
		{0, 1, 1, ConditionalPass},
		{0.5, 1, 1, ConditionalPass},
		{0, 1 * above, 1, NotMeasurable},
		{0.5, 3, 1, NotMeasurable},
		{4, 3, 1, NotMeasurable},
		{4 * above, 3, 1, Fail}, // proven, whatever the uncertainty
		{math.Inf(1), 3, 1, Fail},
		{math.Inf(1), math.Inf(1), 1, NotMeasurable},
		{0.5, math.Inf(1), 1, NotMeasurable},
		{math.NaN(), 0.1, 1, NotMeasurable},
		{0.5, math.NaN(), 1, NotMeasurable},
		{0.5, -0.1, 1, NotMeasurable},
		{-3, 0.25, 1, Pass}, // a loss below zero, by noise
	} {
		if got := decide(c.value, c.u, c.limit); got != c.want {
			t.Errorf("%v ± %v against %v: %q, want %q", c.value, c.u, c.limit, got, c.want)
		}
	}
}

func TestDecideQuantities(t *testing.T) {
	all := Limits{
		AmplitudeBalance:    limit(units.DB(0.5)),
		PhaseBalance:        limit(units.Degrees(3)),
		CommonModeRejection: limit(units.DB(20)), // imbalance 0.1
		InsertionLoss:       limit(units.DB(1)),
	}
	good := balance.Result{
		AmplitudeBalance: 0.1, UAmplitudeBalance: 0.05,
		PhaseBalance: -1, UPhaseBalance: 0.3,
		Imbalance: 0.05, UImbalance: 0.01,
		InsertionLoss: 0.4, UInsertionLoss: 0.1,
	}
	passes := Decision{Pass, Pass, Pass, Pass, Pass}
	for _, c := range []struct {
		name   string
		change func(*balance.Result)
		want   Decision
	}{
		{"all good", func(*balance.Result) {}, passes},
		{"amplitude too low", func(r *balance.Result) { r.AmplitudeBalance = -0.6 }, Decision{Fail, Fail, Pass, Pass, Pass}},
		{"phase at the limit", func(r *balance.Result) { r.PhaseBalance = -2.8 }, Decision{ConditionalPass, Pass, ConditionalPass, Pass, Pass}},
		{"phase past it, other side", func(r *balance.Result) { r.PhaseBalance = 3.2 }, Decision{ConditionalFail, Pass, ConditionalFail, Pass, Pass}},
		{"imbalance", func(r *balance.Result) { r.Imbalance = 0.2 }, Decision{Fail, Pass, Pass, Fail, Pass}},
		{"imbalance drowned", func(r *balance.Result) { r.UImbalance = 0.11 }, Decision{NotMeasurable, Pass, Pass, NotMeasurable, Pass}},
		{"loss", func(r *balance.Result) { r.InsertionLoss = 1.05 }, Decision{ConditionalFail, Pass, Pass, Pass, ConditionalFail}},
		{"one fails, one drowned", func(r *balance.Result) { r.UPhaseBalance, r.AmplitudeBalance = 9, 2 }, Decision{Fail, Fail, NotMeasurable, Pass, Pass}},
		{"one conditional, one drowned", func(r *balance.Result) { r.UPhaseBalance, r.AmplitudeBalance = 9, 0.52 }, Decision{NotMeasurable, ConditionalFail, NotMeasurable, Pass, Pass}},
	} {
		r := good
		c.change(&r)
		if got := all.Decide(r); got != c.want {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
	}
	if got := (Limits{}).Decide(good); got != (Decision{}) {
		t.Errorf("no limits: %+v", got)
	}
	if got := (Limits{PhaseBalance: limit(units.Degrees(3))}).Decide(good); got != (Decision{Verdict: Pass, PhaseBalance: Pass}) {
		t.Errorf("phase only: %+v", got)
	}
	if got := Unmeasured(); got.Verdict != NotMeasurable {
		t.Errorf("%+v", got)
	}
}

// A larger value, or the same further out, never gives a better verdict of
// those that are decided.
func TestDecideIsMonotonic(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		tl := rapid.Float64Range(0.01, 10).Draw(t, "limit")
		u := tl * rapid.Float64Range(0, 1).Draw(t, "u")
		a := rapid.Float64Range(0, 30).Draw(t, "value")
		b := a + rapid.Float64Range(0, 30).Draw(t, "more")
		if severity[decide(a, u, tl)] > severity[decide(b, u, tl)] {
			t.Fatalf("%g: %q, %g: %q", a, decide(a, u, tl), b, decide(b, u, tl))
		}
	})
}

func TestExitCode(t *testing.T) {
	for v, want := range map[Verdict]int{
		Pass: 0, NotLimited: 0, Fail: 3, ConditionalPass: 4, ConditionalFail: 4, NotMeasurable: 4,
	} {
		if got := v.ExitCode(); got != want {
			t.Errorf("%q ends with %d, want %d", v, got, want)
		}
	}
}
