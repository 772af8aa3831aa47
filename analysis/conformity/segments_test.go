package conformity

import (
	"encoding/json"
	"math"
	"reflect"
	"strings"
	"testing"

	"github.com/go-viper/mapstructure/v2"
	"go.yaml.in/yaml/v3"
	"pgregory.net/rapid"

	"halfturn/units"
)

// stepped has 3° to 50 MHz, then 3° rising to 6° at 200 MHz, and 5° elsewhere.
func stepped() Limits {
	return Limits{
		From: 10e6, To: 300e6,
		PhaseBalance: limit(units.Degrees(5)), AmplitudeBalance: limit(units.DB(1)),
		Segments: &Segments{
			{From: 10e6, To: 50e6, Values: Values{PhaseBalance: limit(units.Degrees(2)), CommonModeRejection: limit(units.DB(30))}},
			{From: 50e6, To: 200e6, Values: Values{PhaseBalance: limit(units.Degrees(3)), CommonModeRejection: limit(units.DB(25))},
				End: Values{PhaseBalance: limit(units.Degrees(6))}},
		},
	}
}

func TestAt(t *testing.T) {
	l := stepped()
	if err := l.Validate(); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		mhz       float64
		phase     float64
		rejection float64 // NaN for none
	}{
		{5, 5, math.NaN()},
		{10, 2, 30},
		{10 * (1 - 5e-7), 2, 30}, // moved off a multiple by the grid
		{30, 2, 30},
		{50, 2, 30},    // where two meet, the stricter one
		{100, 4.5, 25}, // half way in log f
		{200, 6, 25},   //
		{200.1, 5, math.NaN()},
		{300, 5, math.NaN()},
	} {
		here := l.At(units.Hertz(c.mhz * 1e6))
		if got := float64(*here.PhaseBalance); math.Abs(got-c.phase) > 1e-9 {
			t.Errorf("%g MHz: phase balance %g, want %g", c.mhz, got, c.phase)
		}
		if got := limitOf(here.CommonModeRejection); got != c.rejection && !(math.IsNaN(got) && math.IsNaN(c.rejection)) {
			t.Errorf("%g MHz: rejection %g, want %g", c.mhz, got, c.rejection)
		}
		if *here.AmplitudeBalance != 1 || here.Segments != nil || here.From != l.From || here.To != l.To {
			t.Errorf("%g MHz: %+v", c.mhz, here)
		}
	}
	plain := Limits{From: 1e6, To: 2e6, PhaseBalance: limit(units.Degrees(3))}
	if plain.At(1e6) != plain {
		t.Error("limits without segments vary with frequency")
	}
}

// Between the ends of a segment a limit stays between their values, and goes
// one way.
func TestAtInterpolates(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		from := units.Hertz(rapid.Float64Range(1e5, 1e8).Draw(t, "from"))
		s := Segment{From: from, To: from * units.Hertz(rapid.Float64Range(1, 100).Draw(t, "ratio")),
			Values: Values{InsertionLoss: limit(units.DB(rapid.Float64Range(0.1, 5).Draw(t, "a")))},
			End:    Values{InsertionLoss: limit(units.DB(rapid.Float64Range(0.1, 5).Draw(t, "b")))}}
		l := Limits{From: s.From, To: s.To, Segments: &Segments{s}}
		if err := l.Validate(); err != nil {
			t.Fatal(err)
		}
		a, b := float64(*s.InsertionLoss), float64(*s.End.InsertionLoss)
		last := math.NaN()
		for i := range 11 {
			f := s.From * units.Hertz(math.Pow(float64(s.To/s.From), float64(i)/10))
			v := float64(*l.At(f).InsertionLoss)
			if v < min(a, b)-1e-9 || v > max(a, b)+1e-9 || (v-last)*(b-a) < -1e-9 {
				t.Fatalf("%v: %g after %g, from %g to %g", f, v, last, a, b)
			}
			last = v
		}
	})
}

func TestDecideInSegments(t *testing.T) {
	l := stepped()
	results, decisions := steps(l, []float64{10, 30, 60, 150, 300}, []float64{1, 1, 3, 4.5, 4})
	for i, want := range []Verdict{Pass, Pass, ConditionalPass, Pass, Pass} {
		if decisions[i].PhaseBalance != want {
			t.Errorf("%v: %q, want %q", results[i].Frequency, decisions[i].PhaseBalance, want)
		}
	}
	s := Summarise(l, results, decisions)
	// 3° of 3.4°, not 4.5° of 5.4°, is the worst.
	if s.WorstPhaseBalance != 2 || s.LeastProbable.Frequency != 60e6 {
		t.Errorf("%+v", s)
	}
	// Limits in segments only.
	l.PhaseBalance, l.AmplitudeBalance, l.To = nil, nil, 200e6
	if l.None() || l.Validate() != nil {
		t.Errorf("None %v, %v", l.None(), l.Validate())
	}
	if s := Summarise(l, results, decisions); s.Verdict == NotLimited {
		t.Errorf("%+v", s)
	}
}

func TestValidateSegments(t *testing.T) {
	for _, c := range []struct {
		name  string
		spoil func(l *Limits, s Segments)
		want  string
	}{
		{"upside down", func(_ *Limits, s Segments) { s[0].From = 60e6 }, "segments[0].from is 60 MHz"},
		{"no end", func(_ *Limits, s Segments) { s[1].To = 0 }, "segments[1].from"},
		{"NaN", func(_ *Limits, s Segments) { s[1].To = units.Hertz(math.NaN()) }, "segments[1].from"},
		{"overlap", func(_ *Limits, s Segments) { s[1].From = 40e6 }, "segments[1].from is 40 MHz"},
		{"not ascending", func(_ *Limits, s Segments) { s[0], s[1] = s[1], s[0] }, "segments[1].from is 10 MHz"},
		{"nothing limited", func(_ *Limits, s Segments) { s[0].Values = Values{} }, "segments[0]: none of amplitude_balance"},
		{"negative", func(_ *Limits, s Segments) { s[0].PhaseBalance = limit(units.Degrees(-2)) }, "segments[0].phase_balance is -2"},
		{"negative at the end", func(_ *Limits, s Segments) { s[1].End.PhaseBalance = limit(units.Degrees(-2)) }, "segments[1].end.phase_balance is -2"},
		{"end without a beginning", func(_ *Limits, s Segments) { s[1].End.InsertionLoss = limit(units.DB(1)) }, "segments[1].end limits"},
		{"gap", func(l *Limits, s Segments) {
			l.PhaseBalance, l.AmplitudeBalance, l.To, s[1].From = nil, nil, 200e6, 60e6
		}, "nothing is limited from 50 MHz"},
		{"short at the top", func(l *Limits, _ Segments) { l.PhaseBalance, l.AmplitudeBalance = nil, nil }, "segments end at 200 MHz"},
		{"short at the bottom", func(l *Limits, s Segments) { l.PhaseBalance, l.AmplitudeBalance, l.To, l.From = nil, nil, 200e6, 5e6 }, "nothing is limited from 5 MHz"},
	} {
		l := stepped()
		c.spoil(&l, *l.Segments)
		err := l.Validate()
		if err == nil || strings.Contains(err.Error(), "\n") || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.name, err, c.want)
		}
	}
}

// As a limits file states them, and as a run keeps them.
func TestSegmentsFromFile(t *testing.T) {
	var raw map[string]any
	if err := yaml.Unmarshal([]byte(`
name: in steps
from: 10 MHz
to: 300 MHz
amplitude_balance: 1 dB
phase_balance: 5 deg
segments:
  - {from: 10 MHz, to: 50 MHz, phase_balance: 2 deg, common_mode_rejection: 30 dB}
  - {from: 50 MHz, to: 200 MHz, phase_balance: 3 deg, common_mode_rejection: 25 dB, end: {phase_balance: 6 deg}}
`), &raw); err != nil {
		t.Fatal(err)
	}
	var got Limits
	d, err := mapstructure.NewDecoder(&mapstructure.DecoderConfig{
		Result: &got, ErrorUnused: true, DecodeHook: mapstructure.TextUnmarshallerHookFunc(),
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := d.Decode(raw); err != nil {
		t.Fatal(err)
	}
	want := stepped()
	want.Name = "in steps"
	if !reflect.DeepEqual(got, want) {
		t.Errorf("%+v, want %+v", got, want)
	}
	text, err := json.Marshal(got)
	if err != nil {
		t.Fatal(err)
	}
	var back Limits
	if err := json.Unmarshal(text, &back); err != nil || !reflect.DeepEqual(back, want) {
		t.Errorf("%s: %v", text, err)
	}
	if text, _ := json.Marshal(Limits{}); strings.Contains(string(text), "segments") {
		t.Errorf("%s", text)
	}
}
