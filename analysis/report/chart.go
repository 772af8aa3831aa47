package report

import (
	"image/color"
	"math"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"halfturn/analysis/conformity"
)

// A chart is drawn small, with type large enough that it still reads when a
// phone scales it down.
const (
	chartWidth  = vg.Length(420)
	chartHeight = vg.Length(254)
	// chartColumns is the resolution that lines are thinned to.
	chartColumns = 400
)

// point is a value against frequency, with the interval it stands for.
type point struct {
	x, y, lo, hi float64
	gap          bool // the line breaks before this point
	bound        bool // y is a lower bound: drawn as an arrow up, outside of the line
	verdict      conformity.Verdict
}

// trace is one line of a chart.
type trace struct {
	name   string // in the legend; empty for the only line
	points []point
	colour color.NRGBA
	dashed bool
	// dashDotted is a thinner line, of what is computed beside what was measured.
	dashDotted bool
	band       bool // draw lo to hi
}

// style is the line's.
func (t *trace) style() draw.LineStyle {
	s := draw.LineStyle{Color: t.colour, Width: 1.5}
	switch {
	case t.dashDotted:
		s.Width, s.Dashes = 1.1, []vg.Length{7, 3, 1.5, 3}
	case t.dashed:
		s.Dashes = []vg.Length{5, 3}
	}
	return s
}

// limitLine is a limit over the band it holds for.
type limitLine struct {
	y, from, to float64
	label       string
	rise        float64 // from from to to
}

// chart is values against log frequency.
type chart struct {
	heading, desc string
	traces        []trace
	limits        []limitLine
	missing       []float64 // frequencies of steps that are not measurable
	also          []float64 // frequencies to keep in view
	logarithmic   bool      // the values too; all of them above 0
	zero          bool      // keep 0 in view
	floor, ceil   float64   // fixed range, where ceil > floor
	least         float64   // smallest height of a range that is not fixed
}

func (c *chart) drawing() drawing {
	c.leaveOut()
	return drawing{chartWidth, chartHeight, c.heading, c.desc, c.draw}
}

// leaveOut drops what has no place on a logarithmic axis of frequency.
func (c *chart) leaveOut() {
	nowhere := func(x float64) bool { return !finite(x) || x <= 0 }
	for i := range c.traces {
		c.traces[i].points = slices.DeleteFunc(c.traces[i].points, func(p point) bool { return nowhere(p.x) })
	}
	c.missing = slices.DeleteFunc(c.missing, nowhere)
	c.also = slices.DeleteFunc(c.also, nowhere)
}

func (c *chart) draw(canvas draw.Canvas) {
	xmin, xmax, ok := c.xRange()
	heading := face(textSize, ink)
	heading.YAlign = draw.YTop
	top := vg.Length(20)
	canvas.FillText(heading, vg.Point{X: canvas.Min.X + 2, Y: canvas.Max.Y - 2}, c.heading)
	c.legend(canvas)
	body := draw.Crop(canvas, 0, -6, 2, -top)
	if !ok {
		note := face(textSize, muted)
		note.XAlign, note.YAlign = draw.XCenter, draw.YCenter
		canvas.FillText(note, body.Center(), "no step to draw")
		return
	}
	ymin, ymax := c.yRange()

	p := plot.New()
	p.BackgroundColor = nil
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = xmin, xmax, ymin, ymax
	p.X.Scale = plot.LogScale{}
	p.X.Tick.Marker = plot.TickerFunc(frequencyTicks)
	p.Y.Tick.Marker = plot.TickerFunc(c.valueTicks)
	if c.logarithmic {
		p.Y.Scale = plot.LogScale{}
	}
	for _, a := range []*plot.Axis{&p.X, &p.Y} {
		a.Padding = 0
		a.LineStyle = draw.LineStyle{Color: muted, Width: 0.7}
		a.Tick.LineStyle = draw.LineStyle{Color: muted, Width: 0.7}
		a.Tick.Length = 4
		align := a.Tick.Label
		a.Tick.Label = face(labelSize, muted)
		a.Tick.Label.XAlign, a.Tick.Label.YAlign = align.XAlign, align.YAlign
	}
	p.Add(plotFunc(c.drawData))
	p.Draw(draw.Crop(body, c.overhang(p, body.Max.X-body.Min.X), 0, 0, 0))
}

// overhang is by how much the label of the lowest labelled frequency would
// stand out to the left of a plot of the given width; gonum/plot keeps room
// for the one at the right only.
func (c *chart) overhang(p *plot.Plot, width vg.Length) vg.Length {
	label, left := face(labelSize, muted), vg.Length(0)
	for _, t := range c.valueTicks(p.Y.Min, p.Y.Max) {
		left = max(left, label.Width(t.Label))
	}
	left += p.Y.Tick.Length
	for _, t := range frequencyTicks(p.X.Min, p.X.Max) {
		if t.Label != "" && t.Value >= p.X.Min {
			at := left + (width-left)*vg.Length(math.Log(t.Value/p.X.Min)/math.Log(p.X.Max/p.X.Min))
			return max(0, label.Width(t.Label)/2-at)
		}
	}
	return 0
}

// plotFunc is a plot.Plotter.
type plotFunc func(draw.Canvas, *plot.Plot)

func (f plotFunc) Plot(c draw.Canvas, p *plot.Plot) { f(c, p) }

func (c *chart) drawData(canvas draw.Canvas, p *plot.Plot) {
	tx, ty := p.Transforms(&canvas)
	at := func(x, y float64) vg.Point { return vg.Point{X: tx(x), Y: ty(y)} }

	grid := draw.LineStyle{Color: rule, Width: 0.7}
	for _, t := range c.valueTicks(p.Y.Min, p.Y.Max) {
		style := grid
		if t.Value == 0 {
			style = draw.LineStyle{Color: muted, Width: 0.7}
		}
		if t.Label != "" && t.Value >= p.Y.Min && t.Value <= p.Y.Max {
			canvas.StrokeLine2(style, canvas.Min.X, ty(t.Value), canvas.Max.X, ty(t.Value))
		}
	}
	for _, t := range frequencyTicks(p.X.Min, p.X.Max) {
		if t.Label != "" && t.Value >= p.X.Min && t.Value <= p.X.Max {
			canvas.StrokeLine2(grid, tx(t.Value), canvas.Min.Y, tx(t.Value), canvas.Max.Y)
		}
	}

	column := func(x float64) int {
		return int(math.Log(x/p.X.Min) / math.Log(p.X.Max/p.X.Min) * chartColumns)
	}
	for _, t := range c.traces {
		if t.band {
			for _, piece := range pieces(t.points) {
				drawBand(canvas, envelope(piece, column), p, at, t.colour)
			}
		}
	}
	for _, l := range c.limits {
		c.drawLimit(canvas, l, p, at)
	}
	for _, t := range c.traces {
		style, lastBound := t.style(), -chartColumns
		for _, piece := range pieces(t.points) {
			if piece[0].bound {
				if k := column(piece[0].x); k-lastBound >= chartColumns/80 {
					lastBound = k
					drawBound(canvas, piece[0], t.colour, at)
				}
				continue
			}
			thin := thinned(piece, column)
			line := make([]vg.Point, len(thin))
			for i, q := range thin {
				line[i] = at(q.x, q.y)
			}
			if len(line) == 1 || len(t.points) <= 24 && !t.dashDotted {
				radius := vg.Length(1.8)
				if len(t.points) == 1 {
					radius = 3
				}
				for _, q := range line {
					canvas.DrawGlyph(draw.GlyphStyle{Color: t.colour, Radius: radius, Shape: draw.CircleGlyph{}}, q)
				}
			}
			canvas.StrokeLines(style, canvas.ClipLinesXY(line)...)
		}
		c.drawVerdicts(canvas, t, column, at)
	}
	cross := draw.GlyphStyle{Color: ink, Radius: 2.6, Shape: draw.CrossGlyph{}}
	last := -chartColumns
	for _, x := range c.missing {
		if k := column(x); k-last >= chartColumns/80 {
			last = k
			canvas.DrawGlyphNoClip(cross, vg.Point{X: tx(x), Y: canvas.Min.Y + 6})
		}
	}
}

// drawLimit draws a dashed line with a foot at either end that points to the
// side that is allowed, and its label.
func (c *chart) drawLimit(canvas draw.Canvas, l limitLine, p *plot.Plot, at func(x, y float64) vg.Point) {
	from, to := max(l.from, p.X.Min), min(l.to, p.X.Max)
	// A stretch that rises has ends.
	y := func(f float64) float64 {
		if l.rise == 0 {
			return l.y
		}
		return l.y + l.rise*math.Log(f/l.from)/math.Log(l.to/l.from)
	}
	if from > to || min(y(from), y(to)) < p.Y.Min || max(y(from), y(to)) > p.Y.Max {
		return
	}
	a, b := at(from, y(from)), at(to, y(to))
	canvas.StrokeLine2(draw.LineStyle{Color: ink, Width: 1.1, Dashes: []vg.Length{7, 3, 1.5, 3}}, a.X, a.Y, b.X, b.Y)
	end := draw.LineStyle{Color: ink, Width: 1.1}
	canvas.StrokeLine2(end, a.X, a.Y-4, a.X, a.Y+4)
	canvas.StrokeLine2(end, b.X, b.Y-4, b.X, b.Y+4)
	if l.label == "" {
		return
	}
	label := face(labelSize, ink)
	c.placeLabel(canvas, label, l.label, a, b, at)
}

// placeLabel writes a limit's label above or below its line, at the right or
// the left end, where it covers the fewest points.
func (c *chart) placeLabel(canvas draw.Canvas, style text.Style, label string, a, b vg.Point, at func(x, y float64) vg.Point) {
	width, fewest := style.Width(label), math.MaxInt
	var best vg.Point
	for _, pos := range []vg.Point{
		{X: b.X - 4 - width, Y: b.Y + 3}, {X: a.X + 4, Y: a.Y + 3},
		{X: b.X - 4 - width, Y: b.Y - labelSize}, {X: a.X + 4, Y: a.Y - labelSize},
	} {
		if pos.X < canvas.Min.X || pos.X+width > canvas.Max.X || pos.Y < canvas.Min.Y || pos.Y+labelSize > canvas.Max.Y {
			continue
		}
		covered := 0
		for _, t := range c.traces {
			for _, q := range t.points {
				p := at(q.x, q.y)
				if p.X > pos.X-3 && p.X < pos.X+width+3 && p.Y > pos.Y-3 && p.Y < pos.Y+labelSize {
					covered++
				}
			}
		}
		if covered < fewest {
			best, fewest = pos, covered
		}
	}
	if fewest < math.MaxInt {
		canvas.FillText(style, best, label)
	}
}

// drawVerdicts marks what does not pass: a filled triangle fails, an open
// ring is undecided. Marks closer than they can be told apart are thinned,
// failures kept before the undecided.
func (c *chart) drawVerdicts(canvas draw.Canvas, t trace, column func(float64) int, at func(x, y float64) vg.Point) {
	const apart = chartColumns / 80
	type mark struct {
		p     point
		fails bool
	}
	slots := map[int]mark{}
	for _, q := range t.points {
		slot := column(q.x) / apart
		switch q.verdict {
		case conformity.Fail:
			if m, taken := slots[slot]; !taken || !m.fails {
				slots[slot] = mark{q, true}
			}
		case conformity.ConditionalPass, conformity.ConditionalFail:
			if _, taken := slots[slot]; !taken {
				slots[slot] = mark{q, false}
			}
		}
	}
	for slot := 0; slot <= chartColumns/apart; slot++ {
		m, taken := slots[slot]
		if !taken {
			continue
		}
		pos := at(m.p.x, m.p.y)
		if m.fails {
			pos.Y = min(max(pos.Y, canvas.Min.Y), canvas.Max.Y)
			canvas.DrawGlyphNoClip(draw.GlyphStyle{Color: alarm, Radius: 3.8, Shape: draw.PyramidGlyph{}}, pos)
		} else {
			canvas.DrawGlyph(draw.GlyphStyle{Color: t.colour, Radius: 3.2, Shape: draw.CircleGlyph{}}, pos)
			canvas.DrawGlyph(draw.GlyphStyle{Color: paper, Radius: 1.9, Shape: draw.CircleGlyph{}}, pos)
		}
	}
}

// drawBound draws a lower bound: a bar at it, and an arrow up from there.
func drawBound(canvas draw.Canvas, p point, colour color.NRGBA, at func(x, y float64) vg.Point) {
	foot := at(p.x, p.y)
	if foot.Y < canvas.Min.Y || foot.Y > canvas.Max.Y {
		return
	}
	tip := min(foot.Y+12, canvas.Max.Y)
	line := draw.LineStyle{Color: colour, Width: 1.3}
	canvas.StrokeLine2(line, foot.X-3, foot.Y, foot.X+3, foot.Y)
	canvas.StrokeLine2(line, foot.X, foot.Y, foot.X, tip)
	canvas.StrokeLine2(line, foot.X-2.5, tip-4, foot.X, tip)
	canvas.StrokeLine2(line, foot.X+2.5, tip-4, foot.X, tip)
}

func drawBand(canvas draw.Canvas, band []point, p *plot.Plot, at func(x, y float64) vg.Point, colour color.NRGBA) {
	clamp := func(y float64) float64 { return min(max(y, p.Y.Min), p.Y.Max) }
	if len(band) == 0 || band[0].bound {
		return
	}
	if len(band) == 1 { // a single step gets a bar
		q := band[0]
		a, b := at(q.x, clamp(q.lo)), at(q.x, clamp(q.hi))
		canvas.StrokeLine2(draw.LineStyle{Color: faded(colour, 0x66), Width: 4}, a.X, a.Y, b.X, b.Y)
		return
	}
	outline := make([]vg.Point, 0, 2*len(band))
	for _, q := range band {
		outline = append(outline, at(q.x, clamp(q.hi)))
	}
	for i := len(band) - 1; i >= 0; i-- {
		outline = append(outline, at(band[i].x, clamp(band[i].lo)))
	}
	canvas.FillPolygon(faded(colour, 0x3a), outline)
}

// legend names the lines, from the right end of the heading's line.
func (c *chart) legend(canvas draw.Canvas) {
	const sample, gap = vg.Length(22), vg.Length(5)
	style := face(labelSize, ink)
	style.YAlign = draw.YTop
	x, y := canvas.Max.X-8, canvas.Max.Y-2
	for i := len(c.traces) - 1; i >= 0; i-- {
		t := c.traces[i]
		if t.name == "" {
			continue
		}
		x -= style.Width(t.name)
		canvas.FillText(style, vg.Point{X: x, Y: y}, t.name)
		canvas.StrokeLine2(t.style(), x-gap-sample, y-6.5, x-gap, y-6.5)
		x -= sample + gap + 12
	}
}

// pieces splits a line at its gaps; a bound is a piece by itself.
func pieces(points []point) [][]point {
	var list [][]point
	start := 0
	for i := range points {
		if i > start && (points[i].gap || points[i].bound || points[i-1].bound) {
			list = append(list, points[start:i])
			start = i
		}
	}
	if start < len(points) {
		list = append(list, points[start:])
	}
	return list
}

// thinned keeps of the points in one pixel column the first, the last, the
// smallest and the largest, in their order: the line looks the same.
func thinned(points []point, column func(float64) int) []point {
	if len(points) <= 2*chartColumns {
		return points
	}
	var out []point
	for start := 0; start < len(points); {
		end, low, high := start+1, start, start
		for k := column(points[start].x); end < len(points) && column(points[end].x) == k; end++ {
			if points[end].y < points[low].y {
				low = end
			}
			if points[end].y > points[high].y {
				high = end
			}
		}
		last := -1
		for _, i := range []int{start, min(low, high), max(low, high), end - 1} {
			if i != last {
				out = append(out, points[i])
			}
			last = i
		}
		start = end
	}
	return out
}

// envelope joins the intervals of the points in one pixel column.
func envelope(points []point, column func(float64) int) []point {
	if len(points) <= 2*chartColumns {
		return points
	}
	var out []point
	for i, last := 0, math.MinInt; i < len(points); i++ {
		if k := column(points[i].x); k != last || i == len(points)-1 {
			out, last = append(out, points[i]), k
			continue
		}
		e := &out[len(out)-1]
		e.lo, e.hi = min(e.lo, points[i].lo), max(e.hi, points[i].hi)
	}
	return out
}
