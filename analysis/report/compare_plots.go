package report

import (
	"fmt"
	"math"
	"slices"

	"halfturn/analysis/balance"
	"halfturn/analysis/compare"
	"halfturn/analysis/conformity"
)

// ComparePlots are the plots of a comparison in the order of its page: for a
// pair both runs and their difference, for a series mean and drift.
func ComparePlots(c Compared) []Plot { return newComparison(&c).plots() }

func (v *comparison) plots() []Plot {
	var list []Plot
	for _, q := range comparedQuantities {
		if v.Pair != nil {
			list = append(list, v.overlayPlot(q), v.differencePlot(q))
		} else {
			list = append(list, v.meanPlot(q))
			if v.Series.Timed() {
				list = append(list, v.driftPlot(q))
			}
		}
	}
	return list
}

// line collects the points of a trace and where there are none.
type line struct {
	points  []point
	missing []float64
}

func (l *line) add(p point) {
	if !finite(p.y) || math.IsNaN(p.lo) || math.IsNaN(p.hi) {
		l.missing = append(l.missing, p.x)
		return
	}
	p.gap = len(l.missing) > 0 && len(l.points) > 0 && l.missing[len(l.missing)-1] > l.points[len(l.points)-1].x
	l.points = append(l.points, p)
}

// interval is a quantity of a result as the point of a plot.
func (q comparedQuantity) interval(r *balance.Result) point {
	s := Step{Result: *r, Measured: true}
	reading, ok := q.at(&s)
	p := point{x: float64(r.Frequency), y: reading.v, lo: reading.lo, hi: reading.hi}
	switch {
	case !ok:
		p.y = math.NaN()
	case reading.bounded:
		p.y, p.bound = reading.lo, true
	}
	return p
}

func (v *comparison) overlayPlot(q comparedQuantity) Plot {
	c := chart{heading: headingCase(q.name()) + " / " + unitName(q.unit), zero: q.bound == 0, least: 0.05}
	for i, t := range []trace{{colour: first, band: true}, {colour: second, dashed: true, band: true}} {
		var l line
		for k := range v.Pair.Steps {
			l.add(q.interval(&v.Pair.Steps[k].Results[i]))
		}
		t.name, t.points = fmt.Sprintf("run %d", v.Runs[i].ID), l.points
		c.traces = append(c.traces, t)
		if i == 1 {
			c.missing = l.missing
		}
	}
	c.desc = fmt.Sprintf("%s of run %d, solid, and run %d, dashed, against frequency, logarithmic, %s.",
		headingCase(q.name()), v.Runs[0].ID, v.Runs[1].ID, v.in.sweptText())
	return Plot{Name: plotName(q.name()), Heading: headingCase(q.name()), drawing: c.drawing()}
}

// height is that of the usual interval and some air, so that a difference is
// seen against what the uncertainty explains.
func (l *line) height(least float64) float64 {
	widths := make([]float64, len(l.points))
	for i, p := range l.points {
		widths[i] = p.hi - p.lo
	}
	if len(widths) == 0 {
		return least
	}
	slices.Sort(widths)
	return max(least, 1.2*widths[len(widths)/2])
}

func (v *comparison) differencePlot(q comparedQuantity) Plot {
	c := chart{heading: "Difference of " + q.name() + " / " + unitName(q.unit), zero: true, least: 0.01}
	var l line
	for i := range v.Pair.Steps {
		s := &v.Pair.Steps[i]
		d := s.Changes[q.Quantity]
		p := point{x: float64(s.Frequency), y: d.Difference, lo: d.Difference - d.U, hi: d.Difference + d.U}
		switch {
		case !d.Measured || !finite(d.U):
			p.y = math.NaN()
		case d.Exceeds && d.Toward == compare.Worse:
			p.verdict = conformity.Fail // drawn as a triangle
		case d.Exceeds:
			p.verdict = conformity.ConditionalFail // drawn as a ring
		}
		l.add(p)
	}
	c.traces = []trace{{colour: first, band: true, points: l.points}}
	c.missing, c.least = l.missing, l.height(c.least)
	b := &v.Pair.Band[q.Quantity]
	c.desc = fmt.Sprintf("Difference of %s, run %d minus run %d, against frequency, logarithmic, %s; %d of %s differ by more than U.",
		q.name(), v.Runs[1].ID, v.Runs[0].ID, v.in.sweptText(), b.Exceeding, counted(b.Compared, "step"))
	return Plot{Name: plotName("difference of " + q.name()), Heading: "Difference of " + q.name(), drawing: c.drawing()}
}

func (v *comparison) meanPlot(q comparedQuantity) Plot {
	c := chart{heading: headingCase(q.name()) + " / " + unitName(q.unit), zero: q.bound == 0, least: 0.05}
	var l line
	for i := range v.Series.Steps {
		s := &v.Series.Steps[i]
		d := s.Spread[q.Quantity]
		p := point{x: float64(s.Frequency), y: d.Mean, lo: d.Mean - d.SD, hi: d.Mean + d.SD}
		if !d.Measured {
			p.y = math.NaN()
		}
		l.add(p)
	}
	// One thin line for the first and the last run would show no more than
	// the band does; a batch's odd one out does, at the edge of it.
	for end, name := range []string{"least", "largest"} {
		t := trace{colour: muted, dashed: end == 0, name: name}
		var edge line
		for i := range v.Series.Steps {
			s := &v.Series.Steps[i]
			y := q.Of(&s.Results[0])
			for k := range s.Results {
				if x := q.Of(&s.Results[k]); end == 0 && x < y || end == 1 && x > y {
					y = x
				}
			}
			if !s.Spread[q.Quantity].Measured {
				y = math.NaN()
			}
			edge.add(point{x: float64(s.Frequency), y: y, lo: y, hi: y})
		}
		t.points = edge.points
		c.traces = append(c.traces, t)
	}
	c.traces = append(c.traces, trace{name: "mean", colour: first, band: true, points: l.points})
	c.missing = l.missing
	c.desc = fmt.Sprintf("Mean and standard deviation of %s over %d runs, and the least and the largest of them, against frequency, logarithmic, %s.",
		q.name(), len(v.Runs), v.in.sweptText())
	return Plot{Name: plotName(q.name()), Heading: headingCase(q.name()), drawing: c.drawing()}
}

func (v *comparison) driftPlot(q comparedQuantity) Plot {
	c := chart{heading: "Drift of " + q.name() + " / " + perHour(q), zero: true, least: 0.001}
	var l line
	for i := range v.Series.Steps {
		s := &v.Series.Steps[i]
		d := s.Spread[q.Quantity]
		p := point{x: float64(s.Frequency), y: d.Slope, lo: d.Slope - d.USlope, hi: d.Slope + d.USlope}
		switch {
		case !d.Measured:
			p.y = math.NaN()
		case d.Drifts:
			p.verdict = conformity.ConditionalFail
		}
		l.add(p)
	}
	c.traces = []trace{{colour: first, band: true, points: l.points}}
	c.missing, c.least = l.missing, l.height(c.least)
	c.desc = fmt.Sprintf("Drift of %s per hour against frequency, logarithmic, %s; certain at %s.",
		q.name(), v.in.sweptText(), counted(v.Series.Band[q.Quantity].Drifting, "step"))
	return Plot{Name: plotName("drift of " + q.name()), Heading: "Drift of " + q.name(), drawing: c.drawing()}
}

func perHour(q comparedQuantity) string { return unitName(q.unit) + " per hour" }
