package report

import (
	"fmt"
	"math"
	"math/cmplx"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"halfturn/units"
)

// X-Y figures: arm 1 to the right, arm 2 up, the way the practitioner is used
// to see it. Arms equal and half a turn apart draw a line from upper left to
// lower right; what is left of phase opens it to an ellipse.

const (
	xyWidth, xyHeight = vg.Length(340), vg.Length(203)
	xyPoints          = 120 // of an ellipse
)

// XYPlots are the plots of in.Figures.
func XYPlots(in Input) []Plot {
	list := make([]Plot, len(in.Figures))
	for i, f := range in.Figures {
		list[i] = xyPlot(&in, f)
	}
	return list
}

func xyPlot(in *Input, f Figure) Plot {
	frequency := in.frequency(f.Frequency)
	desc := "X-Y figure at " + frequency + ", arm 1 to the right, arm 2 up. " + ellipseWords("As read", f.P[0], f.P[1])
	after := f.after()
	if !in.calibrates() && after != 0 {
		desc += " " + ellipseWords("Fixture taken out", f.P[0], after)
	}
	return Plot{
		Name:    fmt.Sprintf("xy-%.0f-hz", finiteOr0(float64(f.Frequency))),
		Heading: frequency,
		drawing: drawing{xyWidth, xyHeight, "X-Y figure at " + frequency, desc, func(c draw.Canvas) { f.draw(c, in.calibrates()) }},
	}
}

func finiteOr0(v float64) float64 {
	if !finite(v) {
		return 0
	}
	return v
}

// after is the phasor of arm 2 with the fixture taken out, arm 1 as it was.
func (f Figure) after() complex128 {
	if p := f.Ratio * f.P[0]; finite(cmplx.Abs(p)) {
		return p
	}
	return 0
}

func ellipseWords(what string, p1, p2 complex128) string {
	a, b := cmplx.Abs(p1), cmplx.Abs(p2)
	if !finite(a) || !finite(b) || a == 0 || b == 0 {
		return what + ": no signal."
	}
	return fmt.Sprintf("%s: arm 2 is %s times arm 1 at %s°.", what, rounded(b/a, 3), rounded(cmplx.Phase(p2/p1)*180/math.Pi, 1))
}

func (f Figure) draw(c draw.Canvas, calibration bool) {
	extent := 0.0
	see := func(v float64) {
		if finite(v) {
			extent = max(extent, math.Abs(v))
		}
	}
	after := f.after()
	for _, p := range []complex128{f.P[0], f.P[1], after} {
		see(cmplx.Abs(p))
	}
	for _, s := range f.Samples {
		for _, v := range s {
			see(float64(v))
		}
	}
	if extent == 0 {
		extent = 1
	}
	extent *= 1.06
	left, right := c, c
	left.Max.X = c.Center().X - 5
	right.Min.X = c.Center().X + 5
	ideal := -1.0
	if calibration {
		ideal = 1
		f.panel(left, "as read", extent, f.P[1], true, ideal)
		f.panel(right, "fitted", extent, f.P[1], false, ideal)
		return
	}
	f.panel(left, "as read", extent, f.P[1], true, ideal)
	f.panel(right, "fixture taken out", extent, after, false, ideal)
}

// panel draws one square: samples as read or not, the ellipse of the phasors,
// and the line of the ideal.
func (f Figure) panel(c draw.Canvas, heading string, extent float64, p2 complex128, samples bool, ideal float64) {
	side := min(c.Max.X-c.Min.X-1, c.Max.Y-c.Min.Y-38)
	box := vg.Rectangle{Min: vg.Point{X: c.Min.X, Y: c.Max.Y - 20 - side}, Max: vg.Point{X: c.Min.X + side, Y: c.Max.Y - 20}}
	at := func(x, y float64) vg.Point {
		return vg.Point{
			X: box.Min.X + side*vg.Length((x/extent+1)/2),
			Y: box.Min.Y + side*vg.Length((y/extent+1)/2),
		}
	}
	title := face(textSize, ink)
	title.YAlign = draw.YTop
	c.FillText(title, vg.Point{X: box.Min.X + 1, Y: c.Max.Y - 1}, heading)
	note := face(labelSize, muted)
	note.YAlign = draw.YTop
	c.FillText(note, vg.Point{X: box.Min.X + 1, Y: box.Min.Y - 4}, "edge ± "+units.Volts(extent).Brief())

	c.StrokeLines(draw.LineStyle{Color: rule, Width: 0.8}, []vg.Point{
		box.Min, {X: box.Max.X, Y: box.Min.Y}, box.Max, {X: box.Min.X, Y: box.Max.Y}, box.Min})
	axis := draw.LineStyle{Color: rule, Width: 0.8}
	c.StrokeLine2(axis, at(-extent, 0).X, at(0, 0).Y, at(extent, 0).X, at(0, 0).Y)
	c.StrokeLine2(axis, at(0, 0).X, box.Min.Y, at(0, 0).X, box.Max.Y)

	amplitude := cmplx.Abs(f.P[0])
	if finite(amplitude) {
		a, b := at(-amplitude, -ideal*amplitude), at(amplitude, ideal*amplitude)
		c.StrokeLine2(draw.LineStyle{Color: ink, Width: 0.9, Dashes: []vg.Length{4, 3}}, a.X, a.Y, b.X, b.Y)
	}
	if samples {
		c.SetColor(faded(muted, 0xb0))
		var dots vg.Path
		const r = vg.Length(0.9)
		for i := range min(len(f.Samples[0]), len(f.Samples[1])) {
			x, y := float64(f.Samples[0][i]), float64(f.Samples[1][i])
			if !finite(x) || !finite(y) {
				continue
			}
			q := at(x, y)
			dots.Move(vg.Point{X: q.X - r, Y: q.Y - r})
			dots.Line(vg.Point{X: q.X + r, Y: q.Y - r})
			dots.Line(vg.Point{X: q.X + r, Y: q.Y + r})
			dots.Line(vg.Point{X: q.X - r, Y: q.Y + r})
			dots.Close()
		}
		if len(dots) > 0 {
			c.Fill(dots)
		}
	}
	if p2 == 0 || !finite(cmplx.Abs(p2)) || !finite(amplitude) {
		none := face(textSize, muted)
		none.XAlign, none.YAlign = draw.XCenter, draw.YTop
		c.FillText(none, vg.Point{X: (box.Min.X + box.Max.X) / 2, Y: box.Max.Y - 6}, notMeasurable)
		return
	}
	ellipse := make([]vg.Point, xyPoints+1)
	for i := range ellipse {
		turn := cmplx.Rect(1, 2*math.Pi*float64(i)/xyPoints)
		ellipse[i] = at(real(f.P[0]*turn), real(p2*turn))
	}
	c.StrokeLines(draw.LineStyle{Color: first, Width: 1.4}, ellipse)
}
