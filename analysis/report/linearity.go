package report

import (
	"fmt"
	"slices"

	"halfturn/analysis/linearity"
)

// Linearity is what the steps of a run that were taken at two drives tell.
type Linearity struct {
	linearity.Report
	// Calibration is the same of the run's calibration; without steps for a
	// calibration run, or where it has no second drive.
	Calibration linearity.Report
}

func (in *Input) linearitySection() *section {
	l := in.Linearity
	if l == nil || l.Verdict == linearity.NotTaken {
		return nil
	}
	s := &section{heading: "Linearity: " + string(l.Verdict)}
	say := func(format string, a ...any) {
		text := fmt.Sprintf(format, a...)
		s.lines, s.lead = append(s.lines, text), append(s.lead, headingCase(text)+".")
	}
	if i := l.Largest; i >= 0 {
		step := &l.Steps[i]
		say("raising the drive by %s moves the arm ratio by %s at %s, the most against its uncertainty",
			rounded(float64(step.Drive[0]-step.Drive[1]), 1)+" dB", inWords(&step.Change), in.frequency(step.Frequency))
		at := "at " + in.frequency(step.Frequency)
		part := func(name string, c *linearity.Change, where string) {
			gain, phase := levelChange(c)
			s.findings = append(s.findings, finding{Name: name, Value: gain, Where: "and " + phase + "; " + where})
		}
		part("change of the arm ratio", &step.Change, at)
		if step.Scope.Known() {
			s.lines = append(s.lines, "of that the calibration shows "+inWords(&step.Scope)+" at the same fill")
			part("of that the scope", &step.Scope, "which the calibration shows at the same fill")
			part("rest", &step.Rest, at)
		}
		if step.Why != "" {
			say("why: %s", clean(step.Why))
		}
	}
	if n := len(l.Steps); l.Told < n {
		if i := slices.IndexFunc(l.Steps, func(s linearity.Step) bool { return s.Verdict == linearity.Untold }); i >= 0 {
			step := &l.Steps[i]
			say("%d of %s cannot be told; at %s: %s", n-l.Told, counted(n, "step"), in.frequency(step.Frequency), clean(step.Why))
		}
	}
	for k := range l.Worst {
		f := l.harmonic(in, k)
		text := f.Name + ": " + f.Value
		switch d := &l.Worst[k]; {
		case d.At >= 0 && d.Harmonic.Seen():
			text += " " + f.Where
		case d.At >= 0:
			text += "; " + f.Where
		}
		s.lines, s.findings = append(s.lines, text), append(s.findings, f)
	}
	s.plots = []Plot{
		l.changePlot("gain", "dB", 0.01, func(c *linearity.Change) (v, u float64) { return float64(c.Gain), float64(c.UGain) }),
		l.changePlot("phase", "degrees", 0.05, func(c *linearity.Change) (v, u float64) { return float64(c.Phase), float64(c.UPhase) }),
		l.harmonicPlot(0), l.harmonicPlot(1),
	}
	s.key = "Change: of the arm ratio, from the lower to the higher drive. Shaded: the interval of ± U. Harmonics: below the fundamental. Arrow up: not above the noise, at least so far below."
	if len(l.Calibration.Steps) > 0 {
		s.key = "Change: of the arm ratio, from the lower to the higher drive; scope: what the calibration shows of it at the same fill; rest: what that leaves. " +
			"Shaded: the interval of ± U of change and rest. Harmonics: below the fundamental. Arrow up: not above the noise, at least so far below."
	}
	return s
}

func levelChange(c *linearity.Change) (gain, phase string) {
	return withU(float64(c.Gain), float64(c.UGain), " dB"), withU(float64(c.Phase), float64(c.UPhase), "°")
}

func inWords(c *linearity.Change) string {
	gain, phase := levelChange(c)
	return gain + " and " + phase
}

// harmonic is the strongest of an order, which is k + 2.
func (l *Linearity) harmonic(in *Input, k int) finding {
	d := &l.Worst[k]
	f := finding{Name: fmt.Sprintf("harmonic %d", k+2)}
	if d.At < 0 {
		f.Value = "not determinable at any step"
		return f
	}
	at := "at " + in.frequency(l.Steps[d.At].Frequency)
	if !d.Harmonic.Seen() {
		f.Value = "nothing above the noise"
		f.Where = "at least " + rounded(float64(d.Harmonic.AtLeast()), 1) + " dB below the fundamental, " + at
		return f
	}
	below, u := d.Harmonic.Below()
	f.Value = withU(float64(below), float64(u), " dB")
	f.Where = fmt.Sprintf("below the fundamental %s in arm %d; source: %s", at, d.Arm, d.Source)
	return f
}

// changePlot draws what raising the drive does to the arm ratio and, where the
// calibration tells, what of that is the scope's and what is left.
func (l *Linearity) changePlot(of, unit string, least float64, value func(*linearity.Change) (v, u float64)) Plot {
	whole := trace{colour: first, band: true}
	scope := trace{name: "scope", colour: second, dashed: true}
	rest := trace{name: "rest", colour: ink, dashDotted: true, band: true}
	c := chart{heading: "Change of " + of + " / " + unit, zero: true, least: least}
	for i := range l.Steps {
		s := &l.Steps[i]
		f := float64(s.Frequency)
		c.also = append(c.also, f)
		for t, change := range map[*trace]*linearity.Change{&whole: &s.Change, &scope: &s.Scope, &rest: &s.Rest} {
			if v, u := value(change); change.Known() && finite(v) {
				t.points = append(t.points, interval(f, v, u))
			}
		}
	}
	c.traces = []trace{whole}
	if len(scope.points) > 0 {
		whole.name = "change"
		c.traces = []trace{whole, scope, rest}
	}
	c.desc = fmt.Sprintf("Change of the arm ratio's %s from the lower to the higher drive against frequency, logarithmic, with the part that the calibration shows and the rest where they are told; %s of %s.",
		of, counted(len(whole.points), "step"), counted(len(l.Steps), "step"))
	return Plot{Name: "linearity-" + of, Heading: "Change of " + of, drawing: c.drawing()}
}

// ordinals are the orders of harmonics in words.
var ordinals = [2]string{"second", "third"}

// harmonicPlot draws how far a harmonic is below the fundamental, in the arm
// that shows more of it, of this run and of its calibration.
func (l *Linearity) harmonicPlot(k int) Plot {
	c := chart{heading: headingCase(ordinals[k]) + " harmonic / dB below", least: 6}
	seen := func(t trace, steps []linearity.Step) trace {
		for i := range steps {
			d := &steps[i].Distortion[k]
			f := float64(steps[i].Frequency)
			c.also = append(c.also, f)
			if d.Source == linearity.NoSource {
				continue
			}
			if !d.Harmonic.Seen() {
				v := float64(d.Harmonic.AtLeast())
				t.points = append(t.points, point{x: f, y: v, lo: v, hi: v, bound: true, gap: true})
				continue
			}
			below, u := d.Harmonic.Below()
			t.points = append(t.points, interval(f, float64(below), float64(u)))
		}
		return t
	}
	own := trace{colour: first, band: true}
	if len(l.Calibration.Steps) > 0 {
		own.name = "balun"
		c.traces = []trace{seen(trace{name: "calibration", colour: second, dashed: true}, l.Calibration.Steps)}
	}
	c.traces = append(c.traces, seen(own, l.Steps))
	c.desc = fmt.Sprintf("How far the %s harmonic is below the fundamental, in the arm that shows more of it, against frequency, logarithmic. %s.", ordinals[k], headingCase(l.harmonicWords(k)))
	return Plot{Name: "harmonic-" + fmt.Sprint(k+2), Heading: headingCase(ordinals[k]) + " harmonic", drawing: c.drawing()}
}

func (l *Linearity) harmonicWords(k int) string {
	d := &l.Worst[k]
	switch {
	case d.At < 0:
		return "not determinable at any step"
	case !d.Harmonic.Seen():
		return "nothing above the noise"
	}
	below, _ := d.Harmonic.Below()
	return fmt.Sprintf("the strongest is %s below it, source: %s", rounded(float64(below), 1)+" dB", d.Source)
}

type jsonLinearity struct {
	Verdict linearity.Verdict `json:"verdict"`
	Told    int               `json:"steps_told"`
	Steps   []jsonLevels      `json:"steps"`
}

type jsonLevels struct {
	Frequency   figure            `json:"frequency_hz"`
	Drive       [2]figure         `json:"drive_dbm"`             // higher, lower
	Change      *jsonChange       `json:"change"`                // of the arm ratio, null where it cannot be told
	Calibration *jsonChange       `json:"calibration,omitempty"` // the calibration's own at this fill
	Rest        *jsonChange       `json:"rest,omitempty"`        // what that leaves
	Verdict     linearity.Verdict `json:"verdict"`
	Why         string            `json:"why,omitempty"`
	Harmonics   []jsonHarmonic    `json:"harmonics"` // those that can be determined, in the arm that shows more
}

type jsonChange struct {
	Gain        figure `json:"gain_db"`
	UGain       figure `json:"u_gain_db"`
	Phase       figure `json:"phase_deg"`
	UPhase      figure `json:"u_phase_deg"`
	Significant bool   `json:"significant"`
}

type jsonHarmonic struct {
	Order   int              `json:"order"`
	Arm     int              `json:"arm"`
	Below   *figure          `json:"below_db"` // the fundamental; null where not above the noise
	UBelow  *figure          `json:"u_below_db"`
	AtLeast figure           `json:"at_least_db"`
	Source  linearity.Source `json:"source"`
}

func (l *Linearity) json() jsonLinearity {
	out := jsonLinearity{Verdict: l.Verdict, Told: l.Told, Steps: []jsonLevels{}}
	change := func(c *linearity.Change) *jsonChange {
		if !c.Known() {
			return nil
		}
		return &jsonChange{figure(c.Gain), figure(c.UGain), figure(c.Phase), figure(c.UPhase), c.Significant}
	}
	for i := range l.Steps {
		s := &l.Steps[i]
		step := jsonLevels{
			Frequency: figure(s.Frequency), Drive: [2]figure{figure(s.Drive[0]), figure(s.Drive[1])},
			Change: change(&s.Change), Calibration: change(&s.Scope), Rest: change(&s.Rest),
			Verdict: s.Verdict, Why: s.Why, Harmonics: []jsonHarmonic{},
		}
		for _, d := range s.Distortion {
			if d.Source == linearity.NoSource {
				continue
			}
			h := jsonHarmonic{Order: d.Order, Arm: d.Arm, AtLeast: figure(d.Harmonic.AtLeast()), Source: d.Source}
			if d.Harmonic.Seen() {
				below, u := d.Harmonic.Below()
				h.Below, h.UBelow = known(float64(below)), known(float64(u))
			}
			step.Harmonics = append(step.Harmonics, h)
		}
		out.Steps = append(out.Steps, step)
	}
	return out
}
