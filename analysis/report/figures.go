package report

import (
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"

	"halfturn/analysis/conformity"
	"halfturn/units"
)

// How figures are written, in one place.

const (
	notMeasurable = "not measurable"
	// mostPlaces bounds the decimals: a ten thousandth of a dB or a degree is
	// beyond any bench.
	mostPlaces = 4
	// plainPlaces is for a value without an uncertainty.
	plainPlaces = 2
)

// places is the decimal position that leaves u two significant digits
// (JCGM 100:2008, 7.2.6): 2 for 0.34, -1 for 340.
func places(u float64) int {
	if !finite(u) || u <= 0 {
		return plainPlaces
	}
	e := int(math.Floor(math.Log10(u)))
	if math.Round(u*math.Pow(10, float64(1-e))) >= 100 { // 0.0998 is 0.10, one place less
		e++
	}
	return min(1-e, mostPlaces)
}

// rounded writes v to a decimal position; no negative zero.
func rounded(v float64, position int) string {
	if !finite(v) {
		return notMeasurable
	}
	if position < 0 {
		unit := math.Pow(10, float64(-position))
		v, position = math.Round(v/unit)*unit, 0
	}
	s := strconv.FormatFloat(v, 'f', position, 64)
	if strings.HasPrefix(s, "-") && strings.Trim(s, "-0.") == "" {
		return s[1:]
	}
	return s
}

// roundedU writes an uncertainty to a decimal position, and up where it would
// read as zero.
func roundedU(u float64, position int) string {
	if position >= 0 {
		u = max(u, math.Pow(10, float64(-position)))
	}
	return rounded(u, position)
}

// withoutUnits strips a figure for a table whose heading has the unit.
func withoutUnits(s, unit string) string {
	return strings.ReplaceAll(strings.ReplaceAll(s, "at least ", "≥ "), unit, "")
}

// withU writes a value and its expanded uncertainty with matching decimals:
// "-0.120 dB ± 0.030 dB", "1.20° ± 0.34°". Without an uncertainty (zero) it
// writes the value alone.
func withU(v, u float64, unit string) string {
	if !finite(v) || !finite(u) {
		return notMeasurable
	}
	p := places(u)
	s := rounded(v, p) + unit
	if u > 0 {
		s += " ± " + roundedU(u, p) + unit
	}
	return s
}

// rejection writes a common-mode rejection v whose assured lower bound is low.
// Where the imbalance cannot be told from none, only the bound is known.
func rejection(v, low float64, bounded bool) string {
	switch {
	case bounded && finite(low):
		return "> " + rounded(math.Floor(low), 0) + " dB"
	case !finite(v) || !finite(low):
		return notMeasurable
	}
	p := max(places(v-low), 0)
	unit := math.Pow(10, float64(p))
	bound := math.Floor(low*unit) / unit // rounded down: it is what is assured
	if low >= v {
		return rounded(v, p) + " dB"
	}
	return rounded(v, p) + " dB, at least " + rounded(bound, p) + " dB"
}

// verdictWord is the verdict for reading; "no limit" where none applies.
func verdictWord(v conformity.Verdict) string {
	if v == conformity.NotLimited {
		return "no limit"
	}
	return string(v)
}

// verdictMark stands before the word so that verdicts are told apart at a
// glance without colour.
func verdictMark(v conformity.Verdict) string {
	switch v {
	case conformity.Pass:
		return "✓"
	case conformity.ConditionalPass, conformity.ConditionalFail:
		return "?"
	case conformity.Fail:
		return "✗"
	case conformity.NotMeasurable:
		return "×"
	}
	return "·"
}

// frequency writes f for people: as units.Hertz.Brief, three significant
// digits, and more where the steps lie so close that three would make one of
// two neighbours.
func (in *Input) frequency(f units.Hertz) string {
	if !finite(float64(f)) {
		return "unknown frequency"
	}
	if in.digits == 0 {
		in.digits = in.frequencyDigits()
	}
	if in.digits == 3 || f == 0 {
		return f.Brief()
	}
	unit := math.Pow(10, math.Floor(math.Log10(math.Abs(float64(f))))-float64(in.digits-1))
	if unit >= 1 {
		return units.Hertz(math.Round(float64(f)/unit) * unit).String()
	}
	return units.Hertz(math.Round(float64(f)*1e3) / 1e3).String()
}

// frequencyDigits is how many significant digits tell the steps apart, 3 to 7.
func (in *Input) frequencyDigits() int {
	closest := 1.0
	for i := 1; i < len(in.Steps); i++ {
		a, b := float64(in.Steps[i-1].Point.Frequency), float64(in.Steps[i].Point.Frequency)
		if d := math.Abs(b-a) / max(a, b); d > 0 {
			closest = min(closest, d)
		}
	}
	return min(max(1+int(math.Ceil(-math.Log10(closest))), 3), 7)
}

// fromTo writes a span of frequencies.
func (in *Input) fromTo(from, to units.Hertz) string {
	a, b := in.frequency(from), in.frequency(to)
	if a == b {
		return a
	}
	return a + " to " + b
}

// moment writes a point in time as people compare it; "unknown" for none.
func moment(t time.Time) string {
	if t.IsZero() {
		return "unknown"
	}
	return t.Format("2006-01-02 15:04 MST")
}

// span writes a duration in its two largest units.
func span(d time.Duration) string {
	d = d.Abs()
	count := func(n int64, one string) string {
		if n == 1 {
			return "1 " + one
		}
		return strconv.FormatInt(n, 10) + " " + one + "s"
	}
	two := func(a string, n int64, b string) string {
		if n == 0 {
			return a
		}
		return a + " " + count(n, b)
	}
	seconds := int64(d.Round(time.Second) / time.Second)
	switch {
	case seconds < 60:
		return count(seconds, "second")
	case seconds < 3600:
		return two(count(seconds/60, "minute"), seconds%60, "second")
	case seconds < 86400:
		return two(count(seconds/3600, "hour"), seconds%3600/60, "minute")
	}
	return two(count(seconds/86400, "day"), seconds%86400/3600, "hour")
}

// clean makes text from outside safe to show: no control characters that move
// a terminal's cursor or turn the direction of writing, valid UTF-8.
func clean(s string) string {
	return strings.TrimSpace(strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\r' || r == '\t':
			return ' '
		case unicode.IsControl(r), unicode.Is(unicode.Cf, r), r == '\ufffe', r == '\uffff':
			return unicode.ReplacementChar
		}
		return r
	}, strings.ToValidUTF8(s, string(unicode.ReplacementChar))))
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// counted writes "1 step" and "12 steps".
func counted(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + one + "s"
}

// trimmed writes a number that someone chose, such as a limit, as short as it goes.
func trimmed(v float64) string { return strconv.FormatFloat(v, 'g', 6, 64) }
