package conformity

import (
	"math"
	"strings"
	"testing"

	"halfturn/units"
)

func TestValidate(t *testing.T) {
	good := func() Limits {
		return Limits{
			From: 30e6, To: 300e6,
			AmplitudeBalance:    limit(units.DB(0.5)),
			PhaseBalance:        limit(units.Degrees(3)),
			CommonModeRejection: limit(units.DB(25)),
			InsertionLoss:       limit(units.DB(1)),
		}
	}
	if err := good().Validate(); err != nil {
		t.Errorf("good limits refused: %v", err)
	}
	if err := (Limits{From: 30e6, To: 30e6, PhaseBalance: limit(units.Degrees(3))}).Validate(); err != nil {
		t.Errorf("one frequency, one quantity refused: %v", err)
	}
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		name  string
		spoil func(*Limits)
		keys  []string // one line each, in this order
	}{
		{"upside down", func(l *Limits) { l.From, l.To = l.To, l.From }, []string{"from is 300 MHz and to is 30 MHz"}},
		{"negative frequency", func(l *Limits) { l.From = -30e6 }, []string{"from is"}},
		{"no end", func(l *Limits) { l.To = 0 }, []string{"to is missing"}},
		{"no band", func(l *Limits) { l.From, l.To = 0, 0 }, []string{"from is missing", "to is missing"}},
		{"infinite band", func(l *Limits) { l.To = units.Hertz(inf) }, []string{"to is"}},
		{"NaN band", func(l *Limits) { l.From = units.Hertz(nan) }, []string{"from is"}},
		{"negative amplitude", func(l *Limits) { *l.AmplitudeBalance = -0.5 }, []string{"amplitude_balance is -0.5 dB"}},
		{"zero phase", func(l *Limits) { *l.PhaseBalance = 0 }, []string{"phase_balance"}},
		{"any phase", func(l *Limits) { *l.PhaseBalance = 180 }, []string{"phase_balance"}},
		{"negative rejection", func(l *Limits) { *l.CommonModeRejection = -25 }, []string{"common_mode_rejection"}},
		{"NaN loss", func(l *Limits) { *l.InsertionLoss = units.DB(nan) }, []string{"insertion_loss"}},
		{"infinite loss", func(l *Limits) { *l.InsertionLoss = units.DB(inf) }, []string{"insertion_loss"}},
		{"nothing limited", func(l *Limits) { *l = Limits{From: 30e6, To: 300e6} }, []string{"none of amplitude_balance"}},
		{"two mistakes", func(l *Limits) { l.From = 1e9; *l.PhaseBalance = -1 }, []string{"from is", "phase_balance"}},
	} {
		l := good()
		c.spoil(&l)
		err := l.Validate()
		if err == nil {
			t.Errorf("%s: accepted", c.name)
			continue
		}
		lines := strings.Split(err.Error(), "\n")
		if len(lines) != len(c.keys) {
			t.Errorf("%s: %d lines, want %d:\n%v", c.name, len(lines), len(c.keys), err)
			continue
		}
		for i, key := range c.keys {
			if !strings.Contains(lines[i], key) {
				t.Errorf("%s: %q does not name %q", c.name, lines[i], key)
			}
		}
	}
}
