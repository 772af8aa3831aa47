package report

import (
	"bufio"
	"bytes"
	"fmt"
	"html/template"
	"math"
	"strings"
)

// section is a part of the report that only some runs have, worked out once
// for Text, which writes the lines, and for the page, which has all of it.
type section struct {
	heading  string
	lines    []string // of Text
	lead     []string // sentences of the page
	findings []finding
	plots    []Plot
	key      string // of the plots
	tables   []grid
	listHead string
	list     []string
	notes    []string
}

// grid is a small table.
type grid struct {
	Caption string
	Head    []string
	Left    []bool // columns of words
	Wide    bool   // takes the width of the page
	Rows    [][]string
}

// IsLeft says whether column i holds words.
func (g grid) IsLeft(i int) bool { return i < len(g.Left) && g.Left[i] }

// sections are those that the run has, in the order of the page.
func (in *Input) sections() []section {
	var list []section
	for _, s := range []*section{in.transmissionSection(), in.swappedSection(), in.windingSection(), in.budgetSection(), in.linearitySection(), in.proofSection()} {
		if s != nil {
			list = append(list, *s)
		}
	}
	return list
}

type sectionView struct {
	Heading, Key, ListHead string
	Lead, List, Notes      []string
	Findings               []finding
	Plots                  []template.HTML
	Tables                 []grid
}

func (s *section) view() sectionView {
	v := sectionView{Heading: s.heading, Key: s.key, Lead: s.lead, ListHead: s.listHead, List: s.list, Notes: s.notes, Findings: s.findings, Tables: s.tables}
	for _, p := range s.plots {
		v.Plots = append(v.Plots, template.HTML(p.drawing.svg(true)))
	}
	return v
}

// write writes a section's lines for a terminal.
func (s *section) write(b *bufio.Writer) {
	if len(s.lines) == 0 {
		return
	}
	fmt.Fprintf(b, "\n%s\n", s.heading)
	for _, line := range s.lines {
		fmt.Fprintf(b, "  %s\n", line)
	}
}

// inColumns aligns cells for a section's lines.
func inColumns(rows [][]string) []string {
	var text bytes.Buffer
	b := bufio.NewWriter(&text)
	writeColumns(b, "", rows, nil)
	b.Flush() // a bytes.Buffer does not fail
	return strings.Split(strings.TrimSuffix(text.String(), "\n"), "\n")
}

// prefixes of SI, a step of a thousand each, from pico on.
var prefixes = [...]string{"p", "n", "µ", "m", "", "k", "M", "G"}

// inPrefixed writes v ± u with the prefix that suits v, or u where v is 0.
func inPrefixed(v, u float64, unit string) string {
	if !finite(v) || !finite(u) {
		return notMeasurable
	}
	size := math.Abs(v)
	if size == 0 {
		size = u
	}
	k := 4
	if size > 0 {
		k = min(max(4+int(math.Floor(math.Log10(size)/3+1e-12)), 0), len(prefixes)-1)
	}
	scale := math.Pow(1000, float64(k-4))
	v, u, unit = v/scale, u/scale, " "+prefixes[k]+unit
	if u > 0 {
		return withU(v, u, unit)
	}
	return briefly(v) + unit
}

// briefly writes v with three significant digits.
func briefly(v float64) string {
	if v == 0 {
		return "0"
	}
	return rounded(v, max(0, 2-int(math.Floor(math.Log10(math.Abs(v))))))
}

// percent writes a probability or a share so that it never reads as certain.
func percent(p float64) string {
	switch {
	case !finite(p):
		return "unknown"
	case p == 0 || p == 1:
		return rounded(100*p, 0) + " %"
	case p > 0.999 && p < 1:
		return "above 99.9 %"
	case p < 0.001 && p > 0:
		return "below 0.1 %"
	}
	return rounded(100*p, 1) + " %"
}
