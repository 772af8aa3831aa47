package conformity

import (
	"encoding/json"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"halfturn/analysis/balance"
	"halfturn/units"
)

// JCGM 106:2012, 8.2 (simple acceptance) and 8.3.2 (guarded acceptance, w = U);
// values exact in binary. Where U is above the limit nothing but a proven fail
// is told by any rule.
func TestRules(t *testing.T) {
	const above = 1 + 1e-9
	for _, c := range []struct {
		value, u, limit               float64
		nonBinary, simple, guardedOne Verdict
	}{
		{0, 0.25, 1, Pass, Pass, Pass},
		{0.75, 0.25, 1, ConditionalPass, Pass, Pass},
		{0.75 * above, 0.25, 1, ConditionalPass, Pass, Fail},
		{1, 0.25, 1, ConditionalPass, Pass, Fail},
		{1 * above, 0.25, 1, ConditionalFail, Fail, Fail},
		{1.25, 0.25, 1, ConditionalFail, Fail, Fail},
		{2, 0.25, 1, Fail, Fail, Fail},
		{1, 0, 1, ConditionalPass, Pass, Pass},
		{0.5, 3, 1, NotMeasurable, NotMeasurable, NotMeasurable},
		{5, 3, 1, Fail, Fail, Fail},
		{math.NaN(), 0.1, 1, NotMeasurable, NotMeasurable, NotMeasurable},
		{0.1, math.Inf(1), 1, NotMeasurable, NotMeasurable, NotMeasurable},
	} {
		for rule, want := range map[Rule]Verdict{"": c.nonBinary, NonBinary: c.nonBinary, Simple: c.simple, Guarded: c.guardedOne} {
			if got := rule.decide(c.value, c.u, c.limit); got != want {
				t.Errorf("%v ± %v against %v by %q: %q, want %q", c.value, c.u, c.limit, rule, got, want)
			}
		}
	}
}

func TestDecideBy(t *testing.T) {
	l := Limits{PhaseBalance: limit(units.Degrees(3)), InsertionLoss: limit(units.DB(1))}
	r := balance.Result{PhaseBalance: -2.8, UPhaseBalance: 0.5, InsertionLoss: 0.4, UInsertionLoss: 0.1}
	for rule, want := range map[Rule]Decision{
		NonBinary: {Verdict: ConditionalPass, PhaseBalance: ConditionalPass, InsertionLoss: Pass},
		Simple:    {Verdict: Pass, PhaseBalance: Pass, InsertionLoss: Pass},
		Guarded:   {Verdict: Fail, PhaseBalance: Fail, InsertionLoss: Pass},
	} {
		if got := l.DecideBy(rule, r); got != want {
			t.Errorf("%s: %+v, want %+v", rule, got, want)
		}
	}
	if l.Decide(r) != l.DecideBy(NonBinary, r) {
		t.Error("the default is another rule")
	}
}

func TestRuleNames(t *testing.T) {
	for _, rule := range Rules {
		var back Rule
		if err := back.UnmarshalText([]byte(rule)); err != nil || back != rule {
			t.Errorf("%s: %q, %v", rule, back, err)
		}
		if text := rule.Text(); !strings.Contains(text, "JCGM 106") && !strings.Contains(text, "ILAC-G8:09/2019, 4.2.3") {
			t.Errorf("%s does not name its source: %s", rule, text)
		}
	}
	if Rule("").Text() != NonBinary.Text() || Rule("").Validate() != nil {
		t.Error("the empty rule is not the default")
	}
	rule := Simple
	if err := rule.UnmarshalText([]byte("generous")); err == nil || rule != Simple || !strings.Contains(err.Error(), `"generous"`) {
		t.Errorf("%q, %v", rule, err)
	}
	if err := json.Unmarshal([]byte(`"generous"`), &rule); err == nil {
		t.Error("an unknown rule is read from JSON")
	}
}

// JCGM 106:2012, worked examples of clause 7, values from memory: 7.3.2, a
// Zener diode with an upper limit of -5.40 V, measured as -5.47 V with u 0.05 V:
// Φ(1.40) = 0.92; 7.4, motor oil of 12.5 to 16.3 mm²/s, measured as 13.6 with
// u 1.8: Φ(1.5) - Φ(-0.61) = 0.66.
func TestProbabilityOf(t *testing.T) {
	inf := math.Inf(1)
	for _, c := range []struct{ value, u, low, high, want, tolerance float64 }{
		{-5.47, 0.05, -inf, -5.40, 0.92, 5e-3},
		{13.6, 1.8, 12.5, 16.3, 0.66, 5e-3},
		{1, 0.1, -1, 1, 0.5, 1e-9}, // at the limit
		{0.8, 0.1, -1, 1, 0.97725, 1e-5},
		{0, 1, -1, 1, 0.68269, 1e-5},
		{1, 0, -1, 1, 1, 0},
		{1.1, 0, -1, 1, 0, 0},
		{inf, 1, -1, 1, 0, 0},
		{40, 0.1, -1, 1, 0, 1e-12},
	} {
		if got := ProbabilityOf(c.value, c.u, c.low, c.high); !(math.Abs(got-c.want) <= c.tolerance) {
			t.Errorf("%+v: %.6f", c, got)
		}
	}
	for _, c := range [][2]float64{{math.NaN(), 1}, {0, math.NaN()}, {0, -1}, {0, inf}} {
		if got := ProbabilityOf(c[0], c[1], -1, 1); !math.IsNaN(got) {
			t.Errorf("%v: %g", c, got)
		}
	}
}

// Verdict and probability go together: pass means at least 97.7 % (a guard
// band of 2 u), the limit itself 50 %, fail at most 2.3 %.
func TestProbabilitySuitsTheVerdict(t *testing.T) {
	l := Limits{InsertionLoss: limit(units.DB(1)), PhaseBalance: limit(units.Degrees(3)), CommonModeRejection: limit(units.DB(20))}
	rapid.Check(t, func(t *rapid.T) {
		r := balance.Result{
			InsertionLoss:  units.DB(rapid.Float64Range(-1, 3).Draw(t, "loss")),
			UInsertionLoss: units.DB(rapid.Float64Range(0.001, 1).Draw(t, "u")),
			PhaseBalance:   units.Degrees(rapid.Float64Range(-5, 5).Draw(t, "phase")),
			UPhaseBalance:  units.Degrees(rapid.Float64Range(0.001, 1).Draw(t, "u phase")),
			Imbalance:      rapid.Float64Range(0, 0.2).Draw(t, "imbalance"),
			UImbalance:     rapid.Float64Range(1e-4, 0.05).Draw(t, "u imbalance"),
		}
		p, d := l.Probability(r), l.Decide(r)
		if p.Quantity == "" || p.Probability < 0 || p.Probability > 1 {
			t.Fatalf("%+v", p)
		}
		switch d.Verdict {
		case Pass:
			if p.Probability < 0.9772 {
				t.Fatalf("pass with %+v", p)
			}
		case ConditionalPass:
			if p.Probability < 0.4772 {
				t.Fatalf("conditional pass with %+v", p)
			}
		case ConditionalFail:
			if p.Probability > 0.5 || p.Probability < 0.02 {
				t.Fatalf("conditional fail with %+v", p)
			}
		case Fail:
			if p.Probability > 0.0228 {
				t.Fatalf("fail with %+v", p)
			}
		}
	})
	if p := (Limits{}).Probability(balance.Result{Frequency: 1e6}); p != (Conformity{Frequency: 1e6}) {
		t.Errorf("without limits: %+v", p)
	}
	if p := l.Probability(balance.Result{PhaseBalance: 1, UPhaseBalance: 180, UInsertionLoss: units.DB(math.Inf(1)), UImbalance: 1}); p.Quantity != "phase balance" || p.Probability > 0.03 {
		t.Errorf("nothing known of the phase: %+v", p)
	}
}

func TestLeastProbable(t *testing.T) {
	results, decisions := steps(band, []float64{5, 10, 30, 60, 100}, []float64{9, 1, -2.8, math.NaN(), 2})
	s := Summarise(band, results, decisions)
	want := 1 - normalBelow(-0.2/0.25)
	if p := s.LeastProbable; p.Quantity != "phase balance" || p.Frequency != 30e6 || math.Abs(p.Probability-want) > 1e-9 {
		t.Errorf("%+v, want %.4f at 30 MHz", p, want)
	}
	results, decisions = steps(band, []float64{10, 100}, []float64{math.NaN(), math.NaN()})
	if p := Summarise(band, results, decisions).LeastProbable; p != (Conformity{}) {
		t.Errorf("nothing measured: %+v", p)
	}
}

// The verdict of a run of 1000 steps over its band.
func BenchmarkVerdictOf1000Steps(b *testing.B) {
	l := Limits{
		From: 30e6, To: 300e6,
		AmplitudeBalance: limit(units.DB(0.5)), PhaseBalance: limit(units.Degrees(3)),
		CommonModeRejection: limit(units.DB(20)), InsertionLoss: limit(units.DB(1)),
	}
	results := make([]balance.Result, 1000)
	for i := range results {
		results[i] = balance.Result{
			Frequency: units.Hertz(30e6 + 270e6*float64(i)/999), PhaseBalance: 1, UPhaseBalance: 0.3,
			Imbalance: 0.03, UImbalance: 0.01, AmplitudeBalance: 0.1, UAmplitudeBalance: 0.1, InsertionLoss: 0.3, UInsertionLoss: 0.2,
		}
	}
	decisions := make([]Decision, len(results))
	b.ReportAllocs()
	for b.Loop() {
		for i, r := range results {
			decisions[i] = l.Decide(r)
		}
		if s := Summarise(l, results, decisions); s.Verdict != Pass {
			b.Fatal(s)
		}
	}
}

func TestLimitsCarryTheirRule(t *testing.T) {
	db := units.DB(0.5)
	r := balance.Result{Frequency: 1e8, Ratio: -1, AmplitudeBalance: 0.48, UAmplitudeBalance: 0.05}
	for rule, want := range map[Rule]Verdict{"": ConditionalPass, NonBinary: ConditionalPass, Simple: Pass, Guarded: Fail} {
		l := Limits{From: 1e7, To: 1e9, AmplitudeBalance: &db, Rule: rule}
		if got := l.Decide(r).Verdict; got != want {
			t.Errorf("by %q: %s, want %s", rule, got, want)
		}
		if err := l.Validate(); err != nil {
			t.Errorf("%q: %v", rule, err)
		}
	}
	if err := (Limits{From: 1e7, To: 1e9, AmplitudeBalance: &db, Rule: "mine"}).Validate(); err == nil {
		t.Error("an unknown rule is taken")
	}
}
