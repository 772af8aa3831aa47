package report

import (
	"math"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"pgregory.net/rapid"

	"halfturn/analysis/balance"
	"halfturn/units"
)

func TestWithU(t *testing.T) {
	for _, c := range []struct {
		v, u float64
		unit string
		want string
	}{
		{-0.12, 0.03, " dB", "-0.120 dB ± 0.030 dB"},
		{1.234, 0.34, "°", "1.23° ± 0.34°"},
		{1.2, 0.0996, "°", "1.20° ± 0.10°"}, // two digits of 0.0996 are 0.10
		{12.3, 9.96, " dB", "12 dB ± 10 dB"},
		{-123.4, 250, "°", "-120° ± 250°"},
		{0.1, 999, " dB", "0 dB ± 1000 dB"},
		{-0.0004, 0.03, " dB", "0.000 dB ± 0.030 dB"}, // no negative zero
		{0.5, 0, " dB", "0.50 dB"},                    // no uncertainty stated
		{0.123456789, 1e-9, " dB", "0.1235 dB ± 0.0001 dB"},
		{math.NaN(), 0.1, " dB", notMeasurable},
		{1, math.Inf(1), " dB", notMeasurable},
		{math.Inf(-1), 1, " dB", notMeasurable},
	} {
		if got := withU(c.v, c.u, c.unit); got != c.want {
			t.Errorf("withU(%g, %g) = %q, want %q", c.v, c.u, got, c.want)
		}
	}
}

func TestRejection(t *testing.T) {
	for _, c := range []struct {
		v, low  float64
		bounded bool
		want    string
	}{
		{63.1, 58.7, true, "> 58 dB"}, // rounded down: assured
		{31.24, 29.87, false, "31.2 dB, at least 29.8 dB"},
		{31.24, 31.24, false, "31.24 dB"},
		{math.Inf(1), math.Inf(1), true, notMeasurable},
		{math.NaN(), 20, false, notMeasurable},
		{60, -3.2, false, "60 dB, at least -4 dB"},
	} {
		if got := rejection(c.v, c.low, c.bounded); got != c.want {
			t.Errorf("rejection(%g, %g, %t) = %q, want %q", c.v, c.low, c.bounded, got, c.want)
		}
	}
}

// TestRejectionIsBoundedByUncertainty: where the imbalance cannot be told from
// none the step states a bound, and a number otherwise.
func TestRejectionIsBoundedByUncertainty(t *testing.T) {
	for _, c := range []struct {
		imbalance, u float64
		want         string
	}{
		{0.0005, 0.0007, "> 58 dB"},
		{0.001, 0.0002, "60.0 dB, at least 58.4 dB"},
	} {
		s := Step{Measured: true, Result: balance.Result{Imbalance: c.imbalance, UImbalance: c.u,
			CommonModeRejection:    units.DB(-20 * math.Log10(c.imbalance)),
			CommonModeRejectionLow: units.DB(-20 * math.Log10(c.imbalance+c.u))}}
		if got := commonModeRejection.textAt(&s); got != c.want {
			t.Errorf("imbalance %g ± %g: %q, want %q", c.imbalance, c.u, got, c.want)
		}
	}
}

// checkWithU holds what withU promises for any pair of numbers.
func checkWithU(t interface{ Fatalf(string, ...any) }, v, u float64) {
	s := withU(v, u, " dB")
	if !finite(v) || !finite(u) {
		if s != notMeasurable {
			t.Fatalf("withU(%g, %g) = %q", v, u, s)
		}
		return
	}
	value, uncertainty, has := strings.Cut(s, " ± ")
	value, uncertainty = strings.TrimSuffix(value, " dB"), strings.TrimSuffix(uncertainty, " dB")
	if has != (u > 0) {
		t.Fatalf("withU(%g, %g) = %q", v, u, s)
	}
	back, err := strconv.ParseFloat(value, 64)
	if err != nil || math.Signbit(back) && back == 0 {
		t.Fatalf("withU(%g, %g) = %q: value %v, %v", v, u, s, back, err)
	}
	if !has {
		return
	}
	ub, err := strconv.ParseFloat(uncertainty, 64)
	if err != nil || ub <= 0 {
		t.Fatalf("withU(%g, %g) = %q: uncertainty %v, %v", v, u, s, ub, err)
	}
	if decimalsOf(value) != decimalsOf(uncertainty) {
		t.Fatalf("withU(%g, %g) = %q: decimals differ", v, u, s)
	}
	// Rounding moves a figure by at most half a unit of its last place.
	unit := math.Pow(10, -float64(places(u)))
	if tolerance := 0.5*unit*(1+1e-9) + 1e-15*math.Abs(v); math.Abs(back-v) > tolerance {
		t.Fatalf("withU(%g, %g) = %q: value moved by %g, more than %g", v, u, s, math.Abs(back-v), tolerance)
	}
	if places(u) < mostPlaces {
		digits := strings.TrimLeft(strings.ReplaceAll(uncertainty, ".", ""), "0")
		if u < 99.5 && len(digits) != 2 {
			t.Fatalf("withU(%g, %g) = %q: %d significant digits of U", v, u, s, len(digits))
		}
		if math.Abs(ub-u) > 0.051*u {
			t.Fatalf("withU(%g, %g) = %q: U moved by more than 5 %%", v, u, s)
		}
	}
}

func decimalsOf(s string) int {
	_, d, _ := strings.Cut(s, ".")
	return len(d)
}

func TestWithUProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(-400, 400).Draw(t, "v")
		u := math.Pow(10, rapid.Float64Range(-9, 4).Draw(t, "log u"))
		checkWithU(t, v, u)
	})
}

func FuzzWithU(f *testing.F) {
	f.Add(-0.12, 0.03)
	f.Add(1.0, 0.0)
	f.Add(math.NaN(), math.Inf(1))
	f.Add(99.95, 0.0996)
	f.Fuzz(func(t *testing.T, v, u float64) {
		if math.Abs(v) > 1e9 || math.Abs(u) > 1e9 {
			t.Skip("no such decibels or degrees")
		}
		checkWithU(t, v, u)
	})
}

func FuzzClean(f *testing.F) {
	f.Add("12 sleeves")
	f.Add("\x1b[2J\x00\u202e\nx")
	f.Add("\xff\xfe")
	f.Fuzz(func(t *testing.T, s string) {
		c := clean(s)
		if !utf8.ValidString(c) {
			t.Fatalf("clean(%q) = %q is no UTF-8", s, c)
		}
		for _, r := range c {
			if unicode.IsControl(r) || unicode.Is(unicode.Cf, r) {
				t.Fatalf("clean(%q) = %q holds %U", s, c, r)
			}
		}
		if clean(c) != c {
			t.Fatalf("clean(%q) is not settled", s)
		}
		for _, r := range ascii(s) {
			if r < ' ' || r > '~' {
				t.Fatalf("ascii(%q) holds %U", s, r)
			}
		}
		if x := cellText(s); x != "" && strings.ContainsRune("=+-@", rune(x[0])) {
			t.Fatalf("cellText(%q) = %q could be a formula", s, x)
		}
	})
}

func TestFrequencyTellsStepsApart(t *testing.T) {
	for _, c := range []struct {
		steps []units.Hertz
		f     units.Hertz
		want  string
	}{
		{[]units.Hertz{1e6, 30e6}, 1.2345e6, "1.23 MHz"},
		{[]units.Hertz{14.00e6, 14.05e6}, 14.05e6, "14.05 MHz"},
		{[]units.Hertz{14.000e6, 14.001e6}, 14.001e6, "14.001 MHz"},
		{[]units.Hertz{5e6, 5e6}, 5e6, "5 MHz"},
		{nil, 1e6, "1 MHz"},
		{nil, units.Hertz(math.NaN()), "unknown frequency"},
	} {
		var in Input
		for _, f := range c.steps {
			s := Step{}
			s.Point.Frequency = f
			in.Steps = append(in.Steps, s)
		}
		if got := in.frequency(c.f); got != c.want {
			t.Errorf("%v among %v: %q, want %q", float64(c.f), c.steps, got, c.want)
		}
	}
}

func TestSpan(t *testing.T) {
	for d, want := range map[time.Duration]string{
		0:                            "0 seconds",
		time.Second:                  "1 second",
		90 * time.Second:             "1 minute 30 seconds",
		-2*time.Hour - 5*time.Minute: "2 hours 5 minutes",
		24 * time.Hour:               "1 day",
		34*24*time.Hour + time.Hour:  "34 days 1 hour",
		59*time.Second + 600*1e6:     "1 minute",
	} {
		if got := span(d); got != want {
			t.Errorf("span(%v) = %q, want %q", d, got, want)
		}
	}
}
