package drivers

import (
	"math"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"halfturn/units"
)

func TestLevelLimits(t *testing.T) {
	l := LevelLimits{{200e6, 13}, {400e6, 10}, {1e9, 7}}
	for _, c := range []struct {
		f    units.Hertz
		want units.DBm
	}{{1e6, 13}, {200e6, 13}, {200e6 + 1, 10}, {400e6, 10}, {1e9, 7}, {2e9, 7}} {
		if got := l.At(c.f); got != c.want {
			t.Errorf("%s: %v, want %v", c.f.Brief(), got, c.want)
		}
	}
	if none := LevelLimits(nil); !math.IsInf(float64(none.At(1e6)), 1) || !math.IsInf(float64(none.Least()), 1) {
		t.Error("no limit is a limit")
	}
	if l.Least() != 7 {
		t.Errorf("least %v", l.Least())
	}
}

func drawnLimits(t *rapid.T, what string) LevelLimits {
	var l LevelLimits
	f := units.Hertz(0)
	for range rapid.IntRange(0, 5).Draw(t, what) {
		f += units.Hertz(rapid.IntRange(1, 4).Draw(t, "band"))
		l = append(l, LevelLimit{f, units.DBm(rapid.IntRange(-20, 20).Draw(t, "level"))})
	}
	return l
}

// Under is the smaller one at every frequency, and again a list that ascends.
func TestUnderIsTheSmallerEverywhere(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := drawnLimits(t, "a"), drawnLimits(t, "b")
		both := a.Under(b)
		for f := units.Hertz(0.5); f < 25; f += 0.5 {
			if got, want := both.At(f), min(a.At(f), b.At(f)); got != want {
				t.Fatalf("at %v: %v, want %v of %v and %v: %v", f, got, want, a, b, both)
			}
		}
		if err := (Habits{Drive: DriveHabits{To: both}}).Validate(); err != nil {
			t.Fatal(err)
		}
	})
}

func TestBandsCrossed(t *testing.T) {
	b := Bands{Edges: []units.Hertz{16e6, 64e6}}
	for _, c := range []struct {
		from, to units.Hertz
		want     bool
	}{
		{10e6, 15e6, false}, {10e6, 17e6, true}, {17e6, 10e6, true}, {17e6, 63e6, false}, {10e6, 100e6, true},
		{10e6, 16e6, true}, {16e6, 17e6, true}, {16e6, 16e6, false},
	} {
		if got := b.Crossed(c.from, c.to); got != c.want {
			t.Errorf("%s to %s: %v", c.from.Brief(), c.to.Brief(), got)
		}
	}
}

func TestAttenuatorPositions(t *testing.T) {
	a := Attenuator{Levels: []units.DBm{-17, -7, 3}, Hysteresis: 4}
	inf := units.DBm(math.Inf(1))
	for _, c := range []struct {
		level       units.DBm
		position    int
		from, below units.DBm
		under       units.DBm
		two         bool
	}{
		{-60, 3, -inf, -17, -21, false},
		{-21.5, 3, -inf, -17, -21, false},
		{-21, 3, -inf, -17, -21, true},
		{-17.5, 3, -inf, -17, -21, true},
		{-17, 2, -17, -7, -11, false},
		{-11, 2, -17, -7, -11, true},
		{2.9, 1, -7, 3, -1, true},
		{3, 0, 3, inf, inf, false},
		{13, 0, 3, inf, inf, false},
	} {
		from, below := a.Span(c.level)
		under, two := a.Below(c.level)
		if got := a.Position(c.level); got != c.position || from != c.from || below != c.below || under != c.under || two != c.two {
			t.Errorf("%v: position %d, span %v to %v, under %v (%v); want %+v", c.level, got, from, below, under, two, c)
		}
	}
	if none := (Attenuator{}); none.Position(5) != 0 || none.String() != "" {
		t.Error("no attenuator has a position")
	}
}

func TestClicks(t *testing.T) {
	a := GeneratorAbilities{
		Bands:      Bands{Edges: []units.Hertz{16e6}, Settle: 60 * time.Millisecond},
		Attenuator: Attenuator{Levels: []units.DBm{3}, Hysteresis: 2, Settle: 40 * time.Millisecond},
	}
	for _, c := range []struct {
		from, to units.Hertz
		was, is  units.DBm
		want     time.Duration
	}{
		{10e6, 12e6, 0, 2.5, 0}, {10e6, 20e6, 0, 2.5, 60e6}, {10e6, 12e6, 2.5, 3, 40e6}, {20e6, 10e6, 5, 2.5, 100e6},
	} {
		if got := a.Clicks(c.from, c.to, c.was, c.is); got != c.want {
			t.Errorf("%+v: %v", c, got)
		}
	}
	if got := a.AllClicks(); got != 100*time.Millisecond {
		t.Errorf("all: %v", got)
	}
}

func TestWith(t *testing.T) {
	a := GeneratorAbilities{
		MinFrequency: 1e5, MaxFrequency: 1e9, MinDrive: -60, MaxDrive: 13, DriveStep: 0.1,
		Limits: LevelLimits{{200e6, 13}, {1e9, 7}},
		Bands:  Bands{Edges: []units.Hertz{16e6}, Settle: time.Second},
	}
	own := Habits{
		Drive:      DriveHabits{To: LevelLimits{{100e6, 20}, {1e9, 10}}, Step: 0.5},
		Attenuator: Attenuator{Levels: []units.DBm{3}, Hysteresis: 2, Settle: time.Second},
	}
	got, err := a.With(own)
	if err != nil {
		t.Fatal(err)
	}
	want := a
	want.Limits = LevelLimits{{100e6, 13}, {200e6, 10}, {1e9, 7}}
	want.DriveStep, want.Attenuator = 0.5, own.Attenuator
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
	// What a run was started with may be stated again for its resumption.
	if again, err := got.With(own); err != nil || !cmp.Equal(again, got) {
		t.Errorf("%v: %s", err, cmp.Diff(got, again))
	}
	for _, c := range []struct {
		habits Habits
		says   string
	}{
		{Habits{Drive: DriveHabits{Step: 0.25}}, "drive.step is 0.25 dB: it must be a whole multiple of the dialect's 0.1 dB"},
		{Habits{Drive: DriveHabits{Step: 0.05}}, "whole multiple"},
		{Habits{Drive: DriveHabits{To: LevelLimits{{1e9, -61}}}}, "drive.to allows -61 dBm up to 1 GHz, below the lowest level"},
		{Habits{Attenuator: Attenuator{Levels: []units.DBm{-59}, Hysteresis: 2}}, "attenuator.levels begins with -59 dBm"},
		{Habits{Attenuator: Attenuator{Levels: []units.DBm{units.DBm(math.NaN())}}}, "which is no level"},
	} {
		if _, err := a.With(c.habits); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v, want %q", err, c.says)
		}
	}
}
