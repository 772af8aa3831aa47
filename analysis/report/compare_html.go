package report

import (
	"bufio"
	_ "embed"
	"fmt"
	"html/template"
	"io"
)

//go:embed compare.html
var compareSource string

var comparePage = template.Must(template.New("compare").Parse(compareSource + topSource))

type compareView struct {
	Style                                template.CSS
	Headline, Subject, Place, Mark, Tone string
	Sentence                             string
	Notes                                []string
	Findings                             []finding
	Reasons                              []stretch
	Plots                                []template.HTML
	Key                                  string
	TableNote                            string
	Columns                              []string
	Rows                                 [][]string
	Conditions                           []condition
	Rules                                []string
	Cautions                             []string
	Footer                               string
}

// CompareHTML writes a comparison as one page that asks nothing of any other
// address.
func CompareHTML(w io.Writer, c Compared) error {
	p := newComparison(&c)
	v := compareView{
		Style:      template.CSS(pageStyle),
		Headline:   p.headline(),
		Subject:    headingCase(p.subject()),
		Place:      p.overText(),
		Mark:       p.mark(),
		Tone:       Tone(p.likeness()),
		Sentence:   p.sentence(),
		Notes:      p.notes(),
		Findings:   p.findings(),
		Reasons:    p.reasons(),
		Conditions: p.conditions(),
		Rules:      p.rules(),
		Cautions:   cautions,
		Footer:     "Generated " + moment(c.Generated) + " by " + clean(c.Program) + ".",
	}
	v.Place = headingCase(v.Place)
	if c.Pair != nil {
		v.Key = fmt.Sprintf("Solid line: run %d, the baseline. Dashed: run %d. Shaded: the interval of ± U. Arrow up: at least so much. In the differences, run minus baseline, a filled triangle is worse by more than U, and an open ring changed by more than U but not worse. × at the bottom edge: not measurable, or not to be told.", c.Runs[0].ID, c.Runs[1].ID)
	} else {
		v.Key = "Solid line: mean, shaded by ± s, the standard deviation of the runs; grey: the least and the largest run. × at the bottom edge: not measurable."
		if c.Series.Timed() {
			v.Key += " The drift is shaded by ± U; an open ring is a drift for certain."
		}
	}
	// The plots are ours, every text in them escaped: safe as HTML.
	for _, plot := range p.plots() {
		v.Plots = append(v.Plots, template.HTML(plot.drawing.svg(true)))
	}
	v.Columns, v.Rows = p.table("–", false)
	for i, name := range v.Columns {
		if name != "s" { // a symbol
			v.Columns[i] = headingCase(name)
		}
	}
	v.TableNote = counted(p.steps(), "step") + "; – stands for not measurable."
	if every := (len(v.Rows) + mostRows - 1) / mostRows; every > 1 {
		kept := v.Rows[:0]
		for i := 0; i < len(v.Rows); i += every {
			kept = append(kept, v.Rows[i])
		}
		v.TableNote = fmt.Sprintf("One in %d of %d steps; the JSON output has all.", every, len(v.Rows))
		v.Rows = kept
	}
	if c.Pair != nil {
		v.TableNote += " A mark before a difference says that it exceeds U: ✓ better, ✗ worse, ? past the ideal."
	} else if c.Series.Timed() {
		v.TableNote += " * before a drift says that it is certain."
	}
	b := bufio.NewWriterSize(w, 1<<16)
	if err := comparePage.Execute(b, v); err != nil {
		return err
	}
	return b.Flush()
}
