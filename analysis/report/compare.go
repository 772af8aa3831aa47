package report

import (
	"fmt"
	"math"
	"strings"
	"time"

	"halfturn/analysis/balance"
	"halfturn/analysis/compare"
	"halfturn/analysis/conformity"
	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// Compared is what the report of a comparison is made from: of a run with its
// baseline where Pair is set, of a series of runs where Series is.
type Compared struct {
	Pair   *compare.Comparison
	Series *compare.Series

	Runs         []ComparedRun // baseline first
	BaselineName string        // that the first run goes by; empty for none
	Options      compare.Options
	Warnings     []string
	Generated    time.Time
	Program      string
}

// ComparedRun is a run with the conditions that matter beside another.
type ComparedRun struct {
	Run
	Calibration int64
	Bench       string
	Fixture     string
}

// comparedQuantity is how the report writes a quantity of a comparison.
type comparedQuantity struct {
	compare.Quantity
	quantity // of the same name in a run's report
}

func (q comparedQuantity) name() string { return q.quantity.name }

var comparedQuantities = []comparedQuantity{
	{compare.AmplitudeBalance, amplitudeBalance},
	{compare.PhaseBalance, phaseBalance},
	{compare.CommonModeRejection, commonModeRejection},
	{compare.InsertionLoss, insertionLoss},
}

// comparison is a report of a comparison in words, worked out once for text
// and page.
type comparison struct {
	*Compared
	in Input // holds the frequencies, for writing them
}

func newComparison(c *Compared) *comparison {
	v := &comparison{Compared: c}
	add := func(f units.Hertz) {
		v.in.Steps = append(v.in.Steps, Step{Point: balance.Point{Estimate: balance.Estimate{Frequency: f}}})
	}
	if c.Pair != nil {
		for i := range c.Pair.Steps {
			add(c.Pair.Steps[i].Frequency)
		}
	} else if c.Series != nil {
		for i := range c.Series.Steps {
			add(c.Series.Steps[i].Frequency)
		}
	}
	return v
}

func (v *comparison) steps() int { return len(v.in.Steps) }

// runName names a run in a sentence: its number, and its label if it has one.
func runName(r *ComparedRun) string {
	s := fmt.Sprintf("run %d", r.ID)
	if l := clean(r.Label); l != "" {
		s += " “" + l + "”"
	}
	return s
}

func (v *comparison) baselineName() string {
	if n := clean(v.BaselineName); n != "" {
		return "baseline “" + n + "”, " + runName(&v.Runs[0])
	}
	return runName(&v.Runs[0])
}

// subject says what is compared.
func (v *comparison) subject() string {
	if v.Pair != nil {
		return runName(&v.Runs[1]) + " against " + v.baselineName()
	}
	var ids []string
	for i := range v.Runs {
		ids = append(ids, fmt.Sprint(v.Runs[i].ID))
	}
	const most = 12
	if len(ids) > most {
		ids = append(ids[:most-1], "…", fmt.Sprint(v.Runs[len(v.Runs)-1].ID))
	}
	return fmt.Sprintf("%d runs: %s", len(v.Runs), strings.Join(ids, ", "))
}

// headline is the verdict, or for a series what its spread amounts to.
func (v *comparison) headline() string {
	if v.Pair != nil {
		return string(v.Pair.Verdict)
	}
	spread, drifts := v.spreadAndDrift()
	switch {
	case spread && drifts:
		return "spread and drift"
	case spread:
		return "spread"
	case drifts:
		return "drift"
	}
	return "alike"
}

// spreadAndDrift say whether any quantity of a series does so for certain.
func (v *comparison) spreadAndDrift() (spread, drifts bool) {
	for q := range v.Series.Band {
		spread = spread || v.Series.Band[q].Exceeds
		drifts = drifts || v.Series.Band[q].Drifting > 0
	}
	return spread, drifts
}

// mark stands before the verdict.
func (v *comparison) mark() string {
	if v.Pair == nil {
		if spread, drifts := v.spreadAndDrift(); spread || drifts {
			return "?"
		}
		return "="
	}
	return changeMark(v.Pair.Verdict)
}

func changeMark(v compare.Verdict) string {
	switch v {
	case compare.Better:
		return "✓"
	case compare.Worse:
		return "✗"
	case compare.Mixed:
		return "?"
	}
	return "="
}

// likeness is the verdict of a run that a change is coloured like.
func (v *comparison) likeness() conformity.Verdict {
	if v.Pair == nil {
		if spread, drifts := v.spreadAndDrift(); spread || drifts {
			return conformity.ConditionalFail
		}
		return conformity.NotLimited
	}
	switch v.Pair.Verdict {
	case compare.Better:
		return conformity.Pass
	case compare.Worse:
		return conformity.Fail
	case compare.Mixed:
		return conformity.ConditionalFail
	}
	return conformity.NotLimited
}

// sentence says what the verdict rests on.
func (v *comparison) sentence() string {
	if v.Pair != nil {
		return v.pairSentence()
	}
	spread, drifts := v.spreadAndDrift()
	over := v.overText()
	switch {
	case spread && drifts:
		return "The runs differ by more than their uncertainties explain, and drift with time, " + over + "."
	case spread && !v.Series.Timed():
		return "The runs differ by more than their uncertainties explain, " + over + "."
	case spread:
		return "The runs differ by more than their uncertainties explain, " + over + "; no drift with time is certain."
	case drifts:
		return "The runs drift with time, " + over + "; about that they differ by no more than their uncertainties explain."
	}
	return "The runs differ by no more than their uncertainties explain, " + over + "."
}

func (v *comparison) overText() string {
	return "at " + counted(v.steps(), "step") + ", " + v.in.sweptText()
}

func (v *comparison) pairSentence() string {
	var better, worse, aside []string
	for _, q := range comparedQuantities {
		b := &v.Pair.Band[q.Quantity]
		if b.Better > 0 || b.WholeVerdict == compare.Better {
			better = append(better, q.name())
		}
		if b.Worse > 0 || b.WholeVerdict == compare.Worse {
			worse = append(worse, q.name())
		}
		if b.Aside > 0 && b.Better+b.Worse == 0 && b.WholeVerdict == compare.Unchanged {
			aside = append(aside, q.name())
		}
	}
	var parts []string
	if len(better) > 0 {
		parts = append(parts, "nearer to the ideal in "+listed(better))
	}
	if len(worse) > 0 {
		parts = append(parts, "farther from it in "+listed(worse))
		if len(better) == 0 {
			parts[0] = "farther from the ideal in " + listed(worse)
		}
	}
	if len(aside) > 0 {
		parts = append(parts, "changed past the ideal in "+listed(aside))
	}
	if len(parts) == 0 {
		return "Nothing changed that the uncertainty does not explain, " + v.overText() + "."
	}
	return headingCase(strings.Join(parts, "; ")) + ". Compared " + v.overText() + "."
}

func listed(s []string) string {
	if len(s) < 2 {
		return strings.Join(s, "")
	}
	return strings.Join(s[:len(s)-1], ", ") + " and " + s[len(s)-1]
}

// findings are the figures: the largest difference of each quantity, or the
// largest spread and drift.
func (v *comparison) findings() []finding {
	var list []finding
	for _, q := range comparedQuantities {
		if v.Pair != nil {
			list = append(list, v.pairFinding(q))
		} else {
			list = append(list, v.seriesFindings(q)...)
		}
	}
	return list
}

func (v *comparison) pairFinding(q comparedQuantity) finding {
	b := &v.Pair.Band[q.Quantity]
	f := finding{Name: "largest change of " + q.name(), Value: notMeasurable}
	if b.Largest < 0 {
		return f
	}
	s := &v.Pair.Steps[b.Largest]
	f.Value = changeText(s.Changes[q.Quantity], q.unit)
	f.Where = "at " + v.in.frequency(s.Frequency)
	f.Limit = fmt.Sprintf("%s (%s → %s)", b.Verdict, q.textOf(&s.Results[0]), q.textOf(&s.Results[1]))
	return f
}

// textOf writes the quantity of a result without its uncertainty.
func (q comparedQuantity) textOf(r *balance.Result) string {
	x := q.Of(r)
	if !finite(x) {
		return notMeasurable
	}
	return rounded(x, plainPlaces) + q.unit
}

// changeText writes a difference with its sign.
func changeText(c compare.Change, unit string) string {
	switch {
	case !c.Measured || !finite(c.Difference):
		return notMeasurable
	case !finite(c.U):
		return "cannot be told"
	}
	return signed(withU(c.Difference, c.U, unit))
}

func signed(s string) string {
	if strings.HasPrefix(s, "-") || s == notMeasurable || strings.Trim(strings.SplitN(s, " ", 2)[0], "0.°") == "" {
		return s
	}
	return "+" + s
}

func (v *comparison) seriesFindings(q comparedQuantity) []finding {
	b := &v.Series.Band[q.Quantity]
	f := finding{Name: "largest spread of " + q.name(), Value: notMeasurable}
	if b.Largest < 0 {
		return []finding{f}
	}
	s := &v.Series.Steps[b.Largest]
	c := &s.Spread[q.Quantity]
	f.Value = "s = " + rounded(c.SD, places(c.SD)) + q.unit
	f.Where = "at " + v.in.frequency(s.Frequency) + ", mean " + rounded(c.Mean, places(c.SD)) + q.unit
	f.Limit = "over the band no more than the uncertainties explain"
	if b.Exceeds {
		f.Limit = "over the band more than the uncertainties explain"
		if finite(b.Ratio) {
			f.Limit = fmt.Sprintf("over the band %s times what the uncertainties explain", rounded(b.Ratio, max(0, min(places(b.Ratio), 2))))
		}
	}
	list := []finding{f}
	if b.LargestDrift >= 0 {
		s := &v.Series.Steps[b.LargestDrift]
		c := &s.Spread[q.Quantity]
		d := finding{Name: "largest drift of " + q.name(), Value: signed(withU(c.Slope, c.USlope, q.unit)) + " per hour",
			Where: "at " + v.in.frequency(s.Frequency), Limit: "no drift is certain"}
		if b.Drifting > 0 {
			d.Limit = fmt.Sprintf("certain at %d of %s", b.Drifting, counted(b.Compared, "step"))
		}
		list = append(list, d)
	}
	return list
}

// reasons are why, one line for each quantity.
func (v *comparison) reasons() []stretch {
	if v.Pair == nil {
		return nil
	}
	var list []stretch
	for _, q := range comparedQuantities {
		b := &v.Pair.Band[q.Quantity]
		s := stretch{Mark: changeMark(b.Verdict), Span: headingCase(q.name()), Verdict: string(b.Verdict)}
		if b.Compared == 0 {
			s.Steps, s.Verdict = "no step", notMeasurable
			list = append(list, s)
			continue
		}
		s.Steps = fmt.Sprintf("%d of %s differ by more than U, %s expected by chance",
			b.Exceeding, counted(b.Compared, "step"), rounded(b.ByChance, 1))
		var certain []string
		for _, part := range []struct {
			n    int
			what string
		}{{b.Better, "better"}, {b.Worse, "worse"}, {b.Aside, "changed past the ideal"}} {
			if part.n > 0 {
				certain = append(certain, fmt.Sprintf("%s at %d", part.what, part.n))
			}
		}
		if len(certain) > 0 {
			s.Why = "for certain " + listed(certain)
		}
		if b.WholeVerdict != compare.Unchanged {
			if s.Why != "" {
				s.Why += "; "
			}
			s.Why += string(b.WholeVerdict) + " over the band as a whole"
		}
		if s.Why == "" {
			s.Why = "none of it is more than chance"
		}
		if v.steps() > 1 && finite(b.Mean) && b.Verdict != compare.Unchanged {
			s.Why += "; mean difference " + signed(rounded(b.Mean, places(math.Abs(b.Mean)))+q.unit)
		}
		list = append(list, s)
	}
	return list
}

// notes are what else to know.
func (v *comparison) notes() []string {
	var list []string
	for _, w := range v.Warnings {
		list = append(list, clean(w))
	}
	passed := 0
	if v.Pair != nil {
		passed = v.Pair.PassedOver
		between := 0
		for i := range v.Pair.Steps {
			if v.Pair.Steps[i].Between {
				between++
			}
		}
		if between > 0 {
			list = append(list, "read between two steps of a run, with the uncertainty of doing so: "+counted(between, "step"))
		}
	} else {
		passed = v.Series.PassedOver
	}
	if passed > 0 {
		list = append(list, "passed over, since not every run has a result there: "+counted(passed, "step"))
	}
	return list
}

// rules say how it was decided.
func (v *comparison) rules() []string {
	shared := v.Pair != nil && v.Pair.Shared || v.Series != nil && v.Series.Shared
	cal := "The runs have different calibrations: the noise of each is in the uncertainty, and an error that stayed with the fixture or the scope is not in the difference only if both calibrations took it out."
	if shared {
		cal = fmt.Sprintf("The runs share calibration %d: its noise and its systematic errors cancel in the differences.", v.Runs[0].Calibration)
	}
	contains := "U contains the noise of the runs, the gain of ranges that differ, "
	if v.Options.Budget != nil {
		contains += "what the bench's budget says of each run's own errors (repeatability, drift of the skew and of the level), "
	}
	switch refit := v.Options.Refit; {
	case refit != nil && *refit == 0:
		contains += "and nothing for fitting the balun anew: it was not touched."
	case refit != nil:
		contains += fmt.Sprintf("and %v (standard, of the arm ratio) for fitting the balun anew.", *refit)
	case v.Options.Budget.Entry(uncertainty.ConnectorRepeatability) != nil:
		contains += "and the budget's connector repeatability for fitting the balun anew."
	default:
		contains += "and nothing for fitting the balun anew: refit the same balun, compare, and state it."
	}
	list := []string{cal, contains}
	if v.Pair != nil {
		return append(list,
			"Better is nearer to the ideal: a smaller amplitude balance or phase balance in magnitude, a larger common-mode rejection, a smaller insertion loss. Differences are run minus baseline.",
			fmt.Sprintf("Of unchanged steps about %s %% differ by more than U. The verdict does not rest on those: all steps and quantities together find a change where there is none in at most %s %% of comparisons (half for single steps, Holm's procedure; half for each quantity over the band as a whole).",
				rounded(100*compare.Chance, 1), trimmed(100*compare.Significance)))
	}
	list = append(list, "s is the sample standard deviation of the runs. Whether it is more than the uncertainties explain is a chi-square test over all steps of a quantity; all quantities together find a spread where there is none in at most "+trimmed(100*compare.Significance)+" % of series.")
	if !v.Series.Timed() {
		return append(list, "The series is too short for a drift per hour.")
	}
	return append(list, "The drift is the slope of a straight line against each run's start. Its uncertainty is found from those of the runs, and from the scatter about the line where that is larger than they explain.")
}

// conditions are under what the runs were made.
func (v *comparison) conditions() []condition {
	var list []condition
	add := func(name, value string) {
		if value = clean(value); value != "" {
			list = append(list, condition{name, value})
		}
	}
	for i := range v.Runs {
		r := &v.Runs[i]
		name := fmt.Sprintf("run %d", r.ID)
		if i == 0 && v.Pair != nil {
			name += ", baseline"
		}
		text := clean(r.Label)
		join := func(s string) {
			if s = clean(s); s != "" {
				if text != "" {
					text += ", "
				}
				text += s
			}
		}
		join(moment(r.Started))
		join(r.Bench)
		if f := clean(r.Fixture); f != "" {
			join("fixture " + f)
		}
		join(fmt.Sprintf("calibration %d", r.Calibration))
		if r.State != StateDone {
			join("not finished (" + r.State + ")")
		}
		add(name, text)
	}
	add("compared", v.in.sweptText()+", "+counted(v.steps(), "step"))
	add("report", strings.TrimPrefix(moment(v.Generated)+", "+clean(v.Program), "unknown, "))
	return list
}
