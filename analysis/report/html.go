package report

import (
	"bufio"
	_ "embed"
	"fmt"
	"html/template"
	"io"

	"halfturn/analysis/conformity"
	"halfturn/units"
)

// top is what every page begins with.
//
//go:embed top.html
var topSource string

//go:embed page.html
var pageSource string

//go:embed page.css
var pageStyle string

var page = template.Must(template.New("page").Parse(pageSource + topSource))

// mostRows bounds the table of the page; a longer run shows a part and says so.
const mostRows = 1000

type pageView struct {
	Style                                template.CSS
	Headline, Subject, Place, Mark, Tone string
	Sentence, Incomplete                 string
	Warnings                             []string
	Findings                             []finding
	NotMeasurable                        string
	Stretches                            []stretch
	MoreStretches                        int
	Plots                                []template.HTML
	Key                                  string
	XY                                   []xyView
	Sections                             []sectionView
	Calibration                          bool
	Truth                                []finding
	TableNote                            string
	Columns                              []columnView
	Rows                                 []rowView
	Verdicts, Remarks                    bool
	Conditions, Definitions              []condition
	Decision                             []string
	Cautions                             []string
	Footer                               string
}

type xyView struct {
	Heading string
	SVG     template.HTML
}

type columnView struct {
	Name string
	Left bool
}

type rowView struct {
	Index                                   int
	Frequency, Drive, Range, Fill, Captures string
	Values                                  []string
	Verdict, Remark                         string
}

// HTML writes the report as one page that asks nothing of any other address:
// style and plots are inside, there is no script.
func HTML(w io.Writer, in Input) error {
	v := pageView{
		Style:      template.CSS(pageStyle),
		Headline:   in.headline(),
		Subject:    headingCase(in.subject()),
		Place:      fmt.Sprintf("Run %d on %s, %s", in.Run.ID, orUnnamed(in.Bench.Name), moment(in.Run.Started)),
		Tone:       Tone(in.Summary.Verdict),
		Sentence:   in.sentence(),
		Incomplete: in.incomplete(),
		Findings:   in.findings(),
		Conditions: in.conditions(), Definitions: in.definitions(),
		Cautions: cautions,
		Footer:   "Generated " + moment(in.Generated) + " by " + clean(in.Program) + ".",
		Key: "Solid line: as measured. Shaded: the interval of ± U. Dash-dotted: limit, over the band it holds for. " +
			"Filled triangle: fails. Open ring: undecided. Arrow up: at least so much. × at the bottom edge: not measurable.",
		Calibration: in.calibrates(),
	}
	if in.calibrates() {
		v.Key = "Solid line: as read, fixture and scope included. Shaded: the interval of ± U. × at the bottom edge: not measurable."
	}
	if in.Summary.Verdict != conformity.NotLimited {
		v.Mark = verdictMark(in.Summary.Verdict)
	}
	for _, s := range in.Warnings {
		v.Warnings = append(v.Warnings, clean(s))
	}
	if n := in.Summary.NotMeasurable; n > 0 {
		v.NotMeasurable = fmt.Sprintf("%d of %s in the band not measurable.", n, counted(in.Summary.Steps, "step"))
	}
	v.Stretches, v.MoreStretches = in.stretches()
	if in.simulated() {
		v.Truth = in.errorsAgainstTruth()
	}
	// The plots are ours, every text in them escaped: safe as HTML.
	for p := range in.plots() {
		v.Plots = append(v.Plots, template.HTML(p.drawing.svg(true)))
	}
	for _, p := range XYPlots(in) {
		v.XY = append(v.XY, xyView{p.Heading, template.HTML(p.drawing.svg(true))})
	}
	for _, s := range in.sections() {
		v.Sections = append(v.Sections, s.view())
	}
	in.fillTable(&v)
	if in.limited() && !in.calibrates() {
		v.Decision = in.decisionTexts()
	}
	b := bufio.NewWriterSize(w, 1<<16)
	if err := page.Execute(b, v); err != nil {
		return err
	}
	return b.Flush()
}

// Tone is the class that colours a verdict.
func Tone(v conformity.Verdict) string {
	switch v {
	case conformity.Pass:
		return "pass"
	case conformity.Fail:
		return "fail"
	case conformity.NotLimited:
		return "unlimited"
	}
	return "undecided"
}

// decisionTexts states the limits and how the verdict comes from them.
func (in *Input) decisionTexts() []string {
	head := "Limits"
	if n := clean(in.Limits.Name); n != "" {
		head += " “" + n + "”"
	}
	if in.Limits.To > 0 {
		head += ", " + in.fromTo(in.Limits.From, in.Limits.To)
	}
	head += ": "
	separator := ""
	for _, q := range in.quantities() {
		if l := q.limitText(in.Limits); l != "" {
			head += separator + q.name + " " + l
			separator = "; "
		}
	}
	list := []string{head + "."}
	if r := clean(in.Rule); r != "" {
		list = append(list, "Rule: "+r)
	}
	if r := in.Limits.Rule; r == "" || r == conformity.NonBinary {
		list = append(list, "Pass and fail hold with the whole uncertainty on that side of the limit; "+
			"conditional pass and conditional fail lie nearer to the limit than that.")
	}
	if c := in.Summary.LeastProbable; c.Quantity != "" {
		list = append(list, fmt.Sprintf("The probability of conformity (JCGM 106:2012, clause 7, normal distribution) is least for %s at %s: %s.",
			c.Quantity, in.frequency(c.Frequency), percent(c.Probability)))
	}
	return append(list, "Not measurable is said where the uncertainty is larger than the limit. "+
		"The verdict over the band is the worst of its steps.")
}

// fillTable lists the steps; of a long run an even part, the worst steps and
// those at which the verdict changes.
func (in *Input) fillTable(v *pageView) {
	quantities := in.quantities()
	v.Columns = []columnView{{"Step", false}, {"Frequency", false}, {"Drive / dBm", false}, {"Range, arms 1, 2", false},
		{"Fill, arms 1, 2", false}, {"Captures", false}}
	for _, q := range quantities {
		v.Columns = append(v.Columns, columnView{headingCase(q.name) + " / " + unitName(q.unit), false})
	}
	for i := range in.Steps {
		v.Verdicts = v.Verdicts || in.Steps[i].Decision.Verdict != conformity.NotLimited || !in.Steps[i].Measured
		v.Remarks = v.Remarks || in.Steps[i].remark() != ""
	}
	if v.Verdicts {
		v.Columns = append(v.Columns, columnView{"Verdict", true})
	}
	if v.Remarks {
		v.Columns = append(v.Columns, columnView{"Remark", true})
	}
	rows, every := in.rows()
	v.TableNote = counted(len(in.Steps), "step") + "; – stands for not measurable."
	if every > 1 {
		v.TableNote = fmt.Sprintf("%d of %d steps: one in %d, the worst ones, and those where the verdict changes as far as they fit; the CSV file has all.",
			len(rows), len(in.Steps), every)
	}
	if in.bracketed() {
		v.TableNote += " A verdict in brackets is of a step outside the band of the limits."
	}
	for _, i := range rows {
		s := &in.Steps[i]
		r := rowView{
			Index:     s.Index,
			Frequency: in.frequency(s.Point.Frequency),
			Drive:     rounded(float64(s.Point.Drive), 2),
			Range:     pair(rangeText(s.Point.Range[0]), rangeText(s.Point.Range[1])),
			Fill:      pair(rounded(s.Fill[0], 2), rounded(s.Fill[1], 2)),
			Captures:  fmt.Sprint(s.Point.Captures),
			Verdict:   in.stepVerdict(s),
			Remark:    clean(s.remark()),
		}
		for _, q := range quantities {
			r.Values = append(r.Values, q.cellAt(s, "–"))
		}
		v.Rows = append(v.Rows, r)
	}
}

func rangeText(v units.Volts) string {
	if !finite(float64(v)) {
		return "unknown"
	}
	return v.Brief()
}

// pair writes what belongs to the two arms, once where it is the same.
func pair(a, b string) string {
	if a == b {
		return a
	}
	return a + ", " + b
}

// rows are the positions of the steps that the table shows, and the stride
// between the even part of them: 1 for all.
func (in *Input) rows() (list []int, every int) {
	n := len(in.Steps)
	every = 1
	if n > mostRows {
		every = (n + mostRows/2 - 1) / (mostRows / 2)
	}
	show := map[int]bool{}
	for _, q := range in.quantities() {
		if i := q.worstIn(in); i >= 0 {
			show[i] = true
		}
	}
	room := mostRows/2 - len(show)
	for i := 1; i < n && room > 1; i++ {
		if in.Steps[i].verdict() != in.Steps[i-1].verdict() {
			show[i-1], show[i] = true, true
			room -= 2
		}
	}
	for i := range in.Steps {
		if i%every == 0 || i == n-1 || show[i] {
			list = append(list, i)
		}
	}
	return list, every
}
