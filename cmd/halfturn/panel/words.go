package panel

import (
	"fmt"
	"html/template"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"halfturn/analysis/conformity"
	"halfturn/analysis/report"
	"halfturn/cmd/halfturn/daemon"
	"halfturn/sweep"
	"halfturn/sweep/queue"
	"halfturn/units"
)

// functions are what the templates write figures with.
var functions = template.FuncMap{
	"moment":   moment,
	"stamp":    func(t time.Time) string { return t.UTC().Format(time.RFC3339) },
	"hertz":    hertz,
	"span":     span,
	"seconds":  secondsWords,
	"tone":     report.Tone,
	"mark":     mark,
	"verdict":  verdictWord,
	"capital":  capital,
	"bytes":    bytesWords,
	"counted":  counted,
	"fit":      fitWords,
	"series":   seriesWords,
	"lastRuns": lastRuns,
	"buttons":  func(j queue.Job, back string) jobButtons { return jobButtons{j, back} },
}

// moment writes a point in time as people compare it.
func moment(t time.Time) string {
	if t.IsZero() {
		return "–"
	}
	return t.Local().Format("2006-01-02 15:04")
}

func hertz(f float64) string {
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return "–"
	}
	return units.Hertz(f).Brief()
}

// span writes a duration in its two largest units.
func span(d time.Duration) string {
	d = d.Round(time.Second)
	parts := []struct {
		unit time.Duration
		name string
	}{{24 * time.Hour, "d"}, {time.Hour, "h"}, {time.Minute, "min"}, {time.Second, "s"}}
	for i, p := range parts {
		if d < p.unit && i < len(parts)-1 {
			continue
		}
		text := fmt.Sprintf("%d %s", d/p.unit, p.name)
		if rest := d % p.unit; i < len(parts)-1 && rest >= parts[i+1].unit {
			text += fmt.Sprintf(" %d %s", rest/parts[i+1].unit, parts[i+1].name)
		}
		return text
	}
	return "0 s"
}

// secondsWords writes what is mostly less than a second.
func secondsWords(s float64) string {
	switch {
	case !finite(s):
		return "–"
	case s < 0.1:
		return strconv.FormatFloat(1e3*s, 'f', 2, 64) + " ms"
	case s < 1:
		return strconv.FormatFloat(1e3*s, 'f', 0, 64) + " ms"
	}
	return strconv.FormatFloat(s, 'f', 2, 64) + " s"
}

// mark tells verdicts apart without colour, as in the report.
func mark(v conformity.Verdict) string {
	switch v {
	case conformity.Pass:
		return "✓"
	case conformity.Fail:
		return "✗"
	case conformity.NotMeasurable:
		return "×"
	case conformity.NotLimited:
		return ""
	}
	return "?"
}

func verdictWord(v conformity.Verdict) string {
	if v == conformity.NotLimited {
		return "–"
	}
	return string(v)
}

func capital(s string) string {
	if s == "" || s[0] < 'a' || s[0] > 'z' {
		return s
	}
	return string(s[0]-'a'+'A') + s[1:]
}

func bytesWords(n int64) string {
	switch {
	case n < 0:
		return "unknown"
	case n >= 1<<30:
		return fmt.Sprintf("%.1f GiB", float64(n)/(1<<30))
	}
	return fmt.Sprintf("%.0f MiB", float64(n)/(1<<20))
}

func counted(n int, one string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + one + "s"
}

// number is v with the decimals that leave u two significant digits
// (JCGM 100:2008, 7.2.6); without an uncertainty, with two decimals.
func number(v, u float64) string {
	if !finite(v) {
		return "–"
	}
	places := 2
	if u > 0 && !math.IsInf(u, 0) {
		e := int(math.Floor(math.Log10(u)))
		if math.Round(u*math.Pow(10, float64(1-e))) >= 100 { // 0.0998 is 0.10
			e++
		}
		places = min(max(1-e, 0), 4)
	}
	text := strconv.FormatFloat(v, 'f', places, 64)
	if strings.HasPrefix(text, "-") && strings.Trim(text, "-0.") == "" {
		return text[1:] // no negative zero
	}
	return text
}

const notMeasurable = "not measurable"

// withU writes a value and its expanded uncertainty.
func withU(v, u float64, unit string) string {
	if !finite(v) || !finite(u) {
		return notMeasurable
	}
	text := number(v, u) + unit
	if u > 0 {
		text += " ± " + number(u, u) + unit
	}
	return text
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// stateWords say in a sentence how the bench stands. They are told aloud when
// they change, so that nothing in them changes with every step.
func stateWords(b *daemon.Bench) string {
	rf := " RF " + string(b.RF) + "."
	switch {
	case b.State == daemon.Unsafe:
		return "RF may be on: " + b.Warning
	case b.Measuring != nil:
		return "Measuring: " + kindWords(b.Measuring.Kind) + labelWords(b.Measuring.Label) + "." + rf
	case b.Job != nil && b.Job.Question != nil:
		return "Waiting for somebody at the bench: " + b.Job.Question.Text + "." + rf
	case b.Job != nil && b.Job.Reason != "":
		return "Waiting for another try: " + b.Job.Reason + "." + rf
	case b.Job != nil:
		return "Waiting for " + jobName(b.Job) + "." + rf
	}
	return "Nothing is running." + rf
}

func kindWords(k sweep.Kind) string {
	if k == sweep.Swapped {
		return "balun, arms exchanged"
	}
	return string(k)
}

func labelWords(label string) string {
	if label == "" {
		return ""
	}
	return " “" + label + "”"
}

func jobName(j *queue.Job) string {
	if j.Name != "" {
		return "job “" + j.Name + "”"
	}
	return fmt.Sprintf("job %d", j.ID)
}

// seriesWords say how often a series repeats and when it ends.
func seriesWords(r queue.Request) string {
	text := "every " + span(time.Duration(r.Every))
	if r.Repeats > 0 {
		text += ", " + counted(r.Repeats, "time")
	}
	if !r.Until.IsZero() {
		if r.Repeats > 0 {
			text += " or"
		}
		text += " until " + moment(r.Until)
	}
	return text
}

func fitWords(f queue.Fit) string {
	if f.What == "" {
		return "not known"
	}
	return f.What + labelWords(f.Label)
}

// fieldWords write the fields of a log line in the order of their names.
func fieldWords(fields map[string]any) string {
	var parts []string
	for name, value := range fields {
		text := fmt.Sprint(value)
		if v, ok := value.(float64); ok {
			if text = "–"; finite(v) {
				text = fmt.Sprintf("%.4g", v)
			}
		}
		if text == "" {
			continue
		}
		parts = append(parts, name+" "+text)
	}
	slices.Sort(parts)
	return strings.Join(parts, " · ")
}
