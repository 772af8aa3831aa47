package report

import (
	"fmt"
	"io"
	"iter"
	"math"
)

// Plot is one plot of a run, ready to be written as SVG.
type Plot struct {
	Name    string // for a file name or an address: "phase-balance"
	Heading string // what is drawn
	drawing drawing
}

// WriteSVG writes the plot as a file of its own, on its own light ground.
func (p Plot) WriteSVG(w io.Writer) error {
	_, err := w.Write(p.drawing.svg(false))
	return err
}

// WriteInline writes the plot for the inside of an HTML page, which sets the
// CSS properties --ink, --muted, --rule, --first, --second, --alarm and
// --paper for its light and its dark scheme.
func (p Plot) WriteInline(w io.Writer) error {
	_, err := w.Write(p.drawing.svg(true))
	return err
}

// Plots are the plots that a run of this kind has, in the order of the page;
// X-Y figures are apart (XYPlots).
func Plots(in Input) []Plot {
	var list []Plot
	for plot := range in.plots() {
		list = append(list, plot)
	}
	return list
}

// plots makes one plot after the other, so that a caller who draws each at
// once never holds the points of more than one.
func (in *Input) plots() iter.Seq[Plot] {
	return func(yield func(Plot) bool) {
		for _, q := range in.quantities() {
			if !yield(q.plot(in)) {
				return
			}
		}
		if in.calibrates() && !yield(amplitudePlot(in)) {
			return
		}
		_ = yield(drivePlot(in)) && yield(fillPlot(in))
	}
}

// drawable says whether a step has a place on a log frequency axis.
func drawable(s *Step) bool {
	f := float64(s.Point.Frequency)
	return finite(f) && f > 0
}

// plot draws the quantity against log frequency, with its uncertainty, its
// limit and the steps where it is not measurable.
func (q quantity) plot(in *Input) Plot {
	c := chart{heading: headingCase(q.name) + " / " + unitName(q.unit), zero: q.bound == 0, least: 0.05}
	t := trace{colour: first, band: true, points: make([]point, 0, len(in.Steps))}
	gap := false
	for i := range in.Steps {
		s := &in.Steps[i]
		if !drawable(s) {
			continue
		}
		r, ok := q.at(s)
		if !ok {
			c.missing = append(c.missing, float64(s.Point.Frequency))
			gap = true
			continue
		}
		p := point{x: float64(s.Point.Frequency), y: r.v, lo: r.lo, hi: r.hi, gap: gap}
		if in.inBand(s.Point.Frequency) {
			p.verdict = q.verdict(s.Decision)
		}
		if r.bounded {
			p.y, p.bound = r.lo, true
		}
		t.points = append(t.points, p)
		gap = false
	}
	c.traces = []trace{t}
	c.limits = q.limitLines(in.Limits)
	c.desc = q.describe(in, len(t.points), len(c.missing))
	return Plot{Name: plotName(q.name), Heading: headingCase(q.name), drawing: c.drawing()}
}

// describe says in words what the plot shows.
func (q quantity) describe(in *Input, measured, missing int) string {
	s := fmt.Sprintf("%s against frequency, logarithmic", headingCase(q.name))
	if len(in.Steps) > 0 {
		s += ", " + in.sweptText()
	}
	s += fmt.Sprintf("; %s, %d not measurable", counted(measured, "step"), missing)
	if l := q.limitText(in.Limits); l != "" {
		s += "; limit " + l
	}
	if i := q.worstIn(in); i >= 0 {
		s += "; " + q.title + " " + q.textAt(&in.Steps[i]) + " at " + in.frequency(in.Steps[i].Point.Frequency)
	}
	return s + "."
}

// stepTrace is a line of one figure of every step; NaN where there is none.
func stepTrace(in *Input, t trace, v func(*Step) float64) trace {
	t.points = make([]point, 0, len(in.Steps))
	gap := false
	for i := range in.Steps {
		s := &in.Steps[i]
		if !drawable(s) {
			continue
		}
		y := v(s)
		if !finite(y) {
			gap = true
			continue
		}
		t.points = append(t.points, point{x: float64(s.Point.Frequency), y: y, lo: y, hi: y, gap: gap})
		gap = false
	}
	return t
}

// spanOf is the smallest and the largest value of a trace.
func (t trace) spanOf() (lo, hi float64) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for _, p := range t.points {
		lo, hi = min(lo, p.y), max(hi, p.y)
	}
	return lo, hi
}

func drivePlot(in *Input) Plot {
	c := chart{heading: "Drive / dBm", least: 2}
	t := stepTrace(in, trace{colour: first}, func(s *Step) float64 { return float64(s.Point.Drive) })
	c.traces = []trace{t}
	c.desc = "Drive against frequency, logarithmic."
	if lo, hi := t.spanOf(); lo <= hi {
		c.desc = fmt.Sprintf("Drive against frequency, logarithmic; from %s to %s dBm.", rounded(lo, 2), rounded(hi, 2))
		largest := float64(min(in.Bench.MaxDrive.Generator, in.Bench.MaxDrive.Balun))
		if finite(largest) && largest >= hi && largest-hi < 15 {
			c.limits = largestDrive(largest, in.Bench.MaxDrive.Falling)
		}
	}
	return Plot{Name: "drive", Heading: "Drive", drawing: c.drawing()}
}

// largestDrive is the limit of the drive, lower where the generator gives less.
func largestDrive(largest float64, falling []Level) []limitLine {
	list := []limitLine{{y: largest, to: math.Inf(1), label: "largest allowed"}}
	for i, l := range falling {
		at := &list[len(list)-1]
		most := min(largest, float64(l.Most))
		switch {
		case i == 0:
			at.y = most
		case most != at.y:
			at.to = float64(falling[i-1].UpTo)
			list = append(list, limitLine{y: most, from: at.to, to: math.Inf(1)})
		}
	}
	return list
}

func fillPlot(in *Input) Plot {
	c := chart{heading: "Fill of the range", floor: 0, ceil: 1.05}
	for i, t := range []trace{{name: "arm 1", colour: first}, {name: "arm 2", colour: second, dashed: true}} {
		c.traces = append(c.traces, stepTrace(in, t, func(s *Step) float64 { return s.Fill[i] }))
	}
	_, a := c.traces[0].spanOf()
	_, b := c.traces[1].spanOf()
	if top := max(a, b); top > 1 {
		c.ceil = 1.05 * top
	}
	c.desc = "Signal peak to peak over range, of arm 1 and arm 2, against frequency."
	if in.Fill.Max > 0 {
		c.limits = []limitLine{{in.Fill.Max, 0, math.Inf(1), "most accepted", 0}, {in.Fill.Min, 0, math.Inf(1), "least accepted", 0}}
	}
	return Plot{Name: "fill", Heading: "Fill of the range", drawing: c.drawing()}
}

// amplitudePlot draws what reaches the channels, relative to the drive into a
// matched load: the roll-off of scope and fixture.
func amplitudePlot(in *Input) Plot {
	c := chart{heading: "Amplitude against drive / dB", least: 0.2}
	for i, t := range []trace{{name: "arm 1", colour: first}, {name: "arm 2", colour: second, dashed: true}} {
		c.traces = append(c.traces, stepTrace(in, t, func(s *Step) float64 {
			peak := float64(s.Point.Amplitude[i])
			if !s.Measured || peak <= 0 {
				return math.NaN()
			}
			return 20 * math.Log10(peak/(math.Sqrt2*float64(s.Point.Drive.VoltsRMS())))
		}))
	}
	c.desc = "Amplitude of arm 1 and arm 2 over that of the drive in 50 Ω, against frequency."
	for i := range in.Steps {
		if s := &in.Steps[i]; !s.Measured && drawable(s) {
			c.missing = append(c.missing, float64(s.Point.Frequency))
		}
	}
	return Plot{Name: "amplitude", Heading: "Amplitude against drive", drawing: c.drawing()}
}

func headingCase(s string) string {
	if s == "" || s[0] < 'a' || s[0] > 'z' {
		return s
	}
	return string(s[0]-'a'+'A') + s[1:]
}

func unitName(unit string) string {
	if unit == "°" {
		return "degrees"
	}
	return unit[1:]
}

func plotName(s string) string {
	out := []byte(s)
	for i, b := range out {
		if b == ' ' {
			out[i] = '-'
		}
	}
	return string(out)
}
