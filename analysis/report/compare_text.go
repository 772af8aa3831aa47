package report

import (
	"bufio"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"halfturn/analysis/compare"
)

// CompareText writes a comparison for a terminal: verdict first, figures, why;
// then every step if asked for.
func CompareText(w io.Writer, c Compared, o Options) error {
	v := newComparison(&c)
	b := bufio.NewWriter(w)
	p := func(format string, a ...any) { fmt.Fprintf(b, format, a...) }
	p("%s  %s\n", paint(o.Colour, v.likeness(), v.mark()+" "+strings.ToUpper(v.headline())), v.subject())
	p("  %s\n\n", v.sentence())
	var rows [][]string
	for _, f := range v.findings() {
		rows = append(rows, []string{f.Name, f.Value, f.Where, f.Limit})
	}
	writeColumns(b, "  ", rows, nil)
	if list := v.reasons(); len(list) > 0 {
		p("\nWhy\n")
		for _, s := range list {
			p("  %s %s: %s; %s", s.Mark, strings.ToLower(s.Span[:1])+s.Span[1:], s.Verdict, s.Steps)
			if s.Why != "" {
				p(" (%s)", s.Why)
			}
			p("\n")
		}
	}
	if list := v.notes(); len(list) > 0 {
		p("\nNotes\n")
		for _, s := range list {
			p("  ! %s\n", s)
		}
	}
	p("\n")
	for _, s := range v.rules() {
		writeWrapped(b, "  ", s)
	}
	p("  ± is the expanded uncertainty, k = 2\n")
	if o.Table {
		p("\n")
		head, cells := v.table("-", true)
		right := make([]bool, len(head))
		for i := range right {
			right[i] = true
		}
		writeColumns(b, "", append([][]string{head}, cells...), right)
	}
	return b.Flush()
}

// writeWrapped writes a paragraph in lines that a terminal takes.
func writeWrapped(b *bufio.Writer, indent, s string) {
	const width = 96
	n := 0
	for _, word := range strings.Fields(s) {
		l := utf8.RuneCountInString(word)
		switch {
		case n == 0:
			b.WriteString(indent)
		case n+1+l > width:
			b.WriteString("\n" + indent)
			n = 0
		default:
			b.WriteByte(' ')
			n++
		}
		b.WriteString(word)
		n += l
	}
	b.WriteByte('\n')
}

// table is a row for each step: frequency, and of each quantity the two runs
// (not where it is to be narrow), the difference and its mark; or mean,
// standard deviation and drift.
func (v *comparison) table(none string, narrow bool) (head []string, rows [][]string) {
	head = []string{"frequency"}
	for _, q := range comparedQuantities {
		name := q.name() + " / " + unitName(q.unit)
		switch {
		case v.Pair != nil && narrow:
			head = append(head, "change of "+name)
		case v.Pair != nil:
			head = append(head, fmt.Sprintf("%s, run %d", name, v.Runs[0].ID), fmt.Sprintf("run %d", v.Runs[1].ID), "difference")
		case v.Series.Timed():
			head = append(head, name+", mean", "s", "drift per hour")
		default:
			head = append(head, name+", mean", "s")
		}
	}
	number := func(x float64, position int) string {
		if !finite(x) {
			return none
		}
		return rounded(x, position)
	}
	if v.Pair != nil {
		for i := range v.Pair.Steps {
			s := &v.Pair.Steps[i]
			row := []string{v.in.frequency(s.Frequency)}
			for _, q := range comparedQuantities {
				if !narrow {
					row = append(row, number(q.Of(&s.Results[0]), 3), number(q.Of(&s.Results[1]), 3))
				}
				row = append(row, differenceCell(s.Changes[q.Quantity], q.unit, none))
			}
			rows = append(rows, row)
		}
		return head, rows
	}
	for i := range v.Series.Steps {
		s := &v.Series.Steps[i]
		row := []string{v.in.frequency(s.Frequency)}
		for _, q := range comparedQuantities {
			c := s.Spread[q.Quantity]
			mean, sd, drift := none, none, none
			if c.Measured {
				mean, sd = number(c.Mean, max(places(c.SD), 0)), number(c.SD, places(c.SD))
				drift = withoutUnits(signed(withU(c.Slope, c.USlope, q.unit)), q.unit)
				if c.Drifts {
					drift = "* " + drift
				}
			}
			row = append(row, mean, sd)
			if v.Series.Timed() {
				row = append(row, drift)
			}
		}
		rows = append(rows, row)
	}
	return head, rows
}

// differenceCell is a difference with the mark of where it leads, if it
// exceeds its U.
func differenceCell(c compare.Change, unit, none string) string {
	s := changeText(c, unit)
	if s == notMeasurable || !finite(c.U) {
		return none
	}
	s = withoutUnits(s, unit)
	if c.Exceeds {
		s = changeMark(c.Toward) + " " + s
	}
	return s
}
