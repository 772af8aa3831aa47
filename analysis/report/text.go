package report

import (
	"bufio"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"halfturn/analysis/conformity"
)

// Options says what Text writes besides the summary.
type Options struct {
	Table  bool // the steps
	Truth  bool // the simulator's exact values and the errors against them
	Colour bool // ANSI colours for the verdicts; the words are the same without
}

// Text writes what a person at a terminal reads at a glance: the verdict, the
// band that passes, each worst figure with its expanded uncertainty and where
// it is, and why; then the table if asked for.
func Text(w io.Writer, in Input, o Options) error {
	b := bufio.NewWriter(w)
	p := func(format string, a ...any) { fmt.Fprintf(b, format, a...) }

	v := in.Summary.Verdict
	p("%s  %s\n", paint(o.Colour, v, verdictMark(v)+" "+strings.ToUpper(in.headline())), in.subject())
	p("  %s\n", in.sentence())
	if s := in.incomplete(); s != "" {
		p("  ! %s\n", s)
	}
	p("\n")
	var rows [][]string
	for _, f := range in.findings() {
		rows = append(rows, []string{f.Name, f.Value, f.Where, f.Limit})
	}
	writeColumns(b, "  ", rows, nil)
	if n := in.Summary.NotMeasurable; n > 0 {
		p("  %d of %s in the band not measurable\n", n, counted(in.Summary.Steps, "step"))
	}

	if list, more := in.stretches(); len(list) > 0 {
		p("\nWhy\n")
		for _, s := range list {
			p("  %s %s, %s: %s", s.Mark, s.Span, s.Steps, s.Verdict)
			if s.Why != "" {
				p(" (%s)", s.Why)
			}
			p("\n")
		}
		if more > 0 {
			p("  and %d more such stretches\n", more)
		}
	}
	for _, s := range in.sections() {
		s.write(b)
	}
	if len(in.Warnings) > 0 {
		p("\nWarnings\n")
		for _, s := range in.Warnings {
			p("  ! %s\n", clean(s))
		}
	}
	if o.Truth && in.simulated() {
		p("\nAgainst the simulator's exact values\n")
		rows = rows[:0]
		for _, f := range in.errorsAgainstTruth() {
			rows = append(rows, []string{f.Name, f.Value, f.Where, f.Limit})
		}
		writeColumns(b, "  ", rows, nil)
	}
	p("\n")
	rows = rows[:0]
	for _, s := range [][2]string{
		{"run", fmt.Sprintf("%d on %s, %s", in.Run.ID, orUnnamed(in.Bench.Name), moment(in.Run.Started))},
		{"calibration", in.calibrationText()},
		{"rule", clean(in.Rule)},
	} {
		if s[1] != "" && !(in.calibrates() && s[0] != "run") {
			rows = append(rows, []string{s[0], s[1]})
		}
	}
	writeColumns(b, "  ", rows, nil)
	p("  ± is the expanded uncertainty, k = 2\n")

	if o.Table {
		p("\n")
		in.writeTable(b, o)
		if in.bracketed() {
			p("(a verdict in brackets is of a step outside the band of the limits)\n")
		}
	}
	return b.Flush()
}

func orUnnamed(s string) string {
	if s = clean(s); s == "" {
		return "an unnamed bench"
	}
	return s
}

// paint colours a verdict for a terminal (ECMA-48 SGR: 32 green, 33 yellow,
// 31 red, 1 bold).
func paint(on bool, v conformity.Verdict, s string) string {
	if !on {
		return s
	}
	code := "1"
	switch v {
	case conformity.Pass:
		code = "1;32"
	case conformity.ConditionalPass, conformity.ConditionalFail, conformity.NotMeasurable:
		code = "1;33"
	case conformity.Fail:
		code = "1;31"
	}
	return "\x1b[" + code + "m" + s + "\x1b[0m"
}

// writeTable writes one line a step with aligned columns.
func (in *Input) writeTable(b *bufio.Writer, o Options) {
	truth := o.Truth && in.simulated()
	head := []string{"step", "frequency", "drive / dBm", "fill 1", "fill 2", "captures"}
	right := []bool{true, true, true, true, true, true}
	for _, q := range in.quantities() {
		head, right = append(head, q.name+" / "+unitName(q.unit)), append(right, true)
		if truth {
			head, right = append(head, "exact", "error"), append(right, true, true)
		}
	}
	head, right = append(head, "verdict", "remark"), append(right, false, false)
	rows := [][]string{head}
	for i := range in.Steps {
		s := &in.Steps[i]
		row := []string{
			fmt.Sprint(s.Index), in.frequency(s.Point.Frequency), rounded(float64(s.Point.Drive), 2),
			rounded(s.Fill[0], 2), rounded(s.Fill[1], 2), fmt.Sprint(s.Point.Captures),
		}
		for _, q := range in.quantities() {
			row = append(row, q.cellAt(s, "-"))
			if truth {
				exact, off := q.truthAt(s)
				row = append(row, exact, off)
			}
		}
		row = append(row, in.stepVerdict(s), clean(s.remark()))
		rows = append(rows, row)
	}
	writeColumns(b, "", rows, right)
}

// stepVerdict is the verdict of a step with its mark, in brackets outside the
// band, where it does not count; empty where there is no limit.
func (in *Input) stepVerdict(s *Step) string {
	v := s.verdict()
	if v == conformity.NotLimited {
		return ""
	}
	text := verdictMark(v) + " " + string(v)
	if !in.inBand(s.Point.Frequency) {
		return "(" + text + ")"
	}
	return text
}

// bracketed says whether a step outside the band has a verdict.
func (in *Input) bracketed() bool {
	for i := range in.Steps {
		if s := &in.Steps[i]; s.verdict() != conformity.NotLimited && !in.inBand(s.Point.Frequency) {
			return true
		}
	}
	return false
}

// truthAt writes the exact value and the error against it, without units;
// "-" where unknown.
func (q quantity) truthAt(s *Step) (exact, off string) {
	if s.Truth == nil || !finite(q.exact(s.Truth)) {
		return "-", "-"
	}
	exact = rounded(q.exact(s.Truth), mostPlaces)
	r, ok := q.at(s)
	if !ok || r.bounded {
		return exact, "-"
	}
	return exact, rounded(r.v-q.exact(s.Truth), mostPlaces)
}

// writeColumns aligns cells, to the right where asked for, two spaces apart,
// without trailing blanks.
func writeColumns(b *bufio.Writer, indent string, rows [][]string, right []bool) {
	var width []int
	for _, row := range rows {
		for i, cell := range row {
			if i == len(width) {
				width = append(width, 0)
			}
			width[i] = max(width[i], utf8.RuneCountInString(cell))
		}
	}
	for _, row := range rows {
		pending := len(indent)
		for i, cell := range row {
			if width[i] == 0 {
				continue
			}
			gap := width[i] - utf8.RuneCountInString(cell)
			if i < len(right) && right[i] {
				pending, gap = pending+gap, 0
			}
			if cell != "" {
				writeBlanks(b, pending)
				b.WriteString(cell)
				pending = 0
			} else {
				gap = width[i]
				if i < len(right) && right[i] {
					gap = 0
				}
			}
			pending += gap + 2
		}
		b.WriteByte('\n')
	}
}

func writeBlanks(b *bufio.Writer, n int) {
	for range n {
		b.WriteByte(' ')
	}
}
