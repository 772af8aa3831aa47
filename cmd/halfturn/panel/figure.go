package panel

import (
	"bytes"
	"encoding/json"
	"fmt"
	"html"
	"html/template"
	"math"
	"regexp"
	"strconv"
	"strings"

	"halfturn/analysis/report"
	"halfturn/units"
)

// figure is a plot with what is read from it.
type figure struct {
	ID, Heading string
	SVG         template.HTML
	X, Y        string // of the readings in the picture, by blanks; "-" where a reading has no place
	Texts       string // JSON array
	Count       int
	Edge, Boxes string // of an X-Y figure: volts at the edge, and left, top and side of each panel
	Words       string // of an X-Y figure, its description
}

// reading is one step in one plot.
type reading struct {
	frequency float64 // hertz
	value     float64 // where the marker stands; not a number for none
	text      string
}

// styleAttribute is how the plots carry their look. The policy of the pages
// forbids it, and the same properties stand as presentation attributes just as
// well (SVG 2, 6.6).
var styleAttribute = regexp.MustCompile(` style="([^"]*)"`)

// plain turns style attributes into presentation attributes.
func plain(svg []byte) []byte {
	return styleAttribute.ReplaceAllFunc(svg, func(match []byte) []byte {
		var out []byte
		for property := range bytes.SplitSeq(match[len(` style="`):len(match)-1], []byte(";")) {
			if name, value, ok := bytes.Cut(property, []byte(":")); ok {
				out = append(out, ' ')
				out = append(out, bytes.TrimSpace(name)...)
				out = append(out, '=', '"')
				out = append(out, bytes.TrimSpace(value)...)
				out = append(out, '"')
			}
		}
		return out
	})
}

// drawn makes the figure of a plot; list is its readings in the order of
// frequency.
func drawn(p report.Plot, list []reading) (figure, error) {
	var svg bytes.Buffer
	if err := p.WriteInline(&svg); err != nil {
		return figure{}, err
	}
	// The plots are ours, every text in them escaped: safe as HTML.
	f := figure{ID: "plot-" + p.Name, Heading: p.Heading, SVG: template.HTML(plain(svg.Bytes()))}
	err := f.read(list)
	return f, err
}

// read places readings in a figure.
func (f *figure) read(list []reading) error {
	f.Count = len(list)
	if len(list) == 0 {
		return nil
	}
	scale, known := readAxes(string(f.SVG), list)
	var x, y strings.Builder
	texts := make([]string, len(list))
	for i, r := range list {
		if i > 0 {
			x.WriteByte(' ')
			y.WriteByte(' ')
		}
		texts[i] = hertz(r.frequency) + ": " + r.text
		if !known || !(r.frequency > 0) {
			x.WriteByte('-')
			y.WriteByte('-')
			continue
		}
		px, py := scale.place(r.frequency, r.value)
		x.WriteString(strconv.FormatFloat(px, 'f', 1, 64))
		if finite(py) && py > scale.top-1 && py < scale.bottom+1 {
			y.WriteString(strconv.FormatFloat(py, 'f', 1, 64))
		} else {
			y.WriteByte('-')
		}
	}
	words, err := json.Marshal(texts)
	f.X, f.Y, f.Texts = x.String(), y.String(), string(words)
	return err
}

// axes say where in a picture a value stands, in units of its view box.
type axes struct {
	left, right float64
	low, high   float64 // natural logarithms of the frequencies there
	top, bottom float64
	y0, perUnit float64
}

func (a *axes) place(frequency, value float64) (x, y float64) {
	x = (a.left + a.right) / 2
	if a.high > a.low {
		x = a.left + (a.right-a.left)*(math.Log(frequency)-a.low)/(a.high-a.low)
	}
	return x, a.y0 + a.perUnit*value
}

var (
	viewBox   = regexp.MustCompile(`viewBox="0 0 ([0-9.]+) ([0-9.]+)"`)
	axisParts = regexp.MustCompile(`<path d="M(-?[0-9.]+),(-?[0-9.]+)L(-?[0-9.]+),(-?[0-9.]+)" fill="none" stroke="var\(--muted\)" stroke-width="0\.7"|<text [^>]*>([^<]*)</text>`)
)

// readAxes takes the scales from what is drawn: the line of the frequency
// axis, which goes from the lowest frequency to the highest, and the labelled
// ticks of the other one. The picture is upright only after its y are
// subtracted from its height.
func readAxes(svg string, list []reading) (a axes, ok bool) {
	box := viewBox.FindStringSubmatch(svg)
	if box == nil {
		return a, false
	}
	height, _ := strconv.ParseFloat(box[2], 64)
	var labels []float64 // of the ticks that follow
	var ticks [][2]float64
	seenX, seenY := false, false
	for _, m := range axisParts.FindAllStringSubmatch(svg, -1) {
		if m[1] == "" {
			if v, err := strconv.ParseFloat(m[5], 64); err == nil && seenX {
				labels = append(labels, v)
			}
			continue
		}
		var c [4]float64
		for i := range c {
			c[i], _ = strconv.ParseFloat(m[i+1], 64)
		}
		width, rise := c[2]-c[0], c[3]-c[1]
		switch {
		case !seenX && rise == 0 && width > 100:
			a.left, a.right, seenX = c[0], c[2], true
		case seenX && !seenY && rise == 0 && width < 10 && len(ticks) < len(labels):
			ticks = append(ticks, [2]float64{labels[len(ticks)], height - c[1]})
		case seenX && !seenY && width == 0 && rise > 50:
			a.top, a.bottom, seenY = height-c[3], height-c[1], true
		}
		if seenY {
			break
		}
	}
	if !seenX || !seenY || len(ticks) < 2 || len(ticks) != len(labels) {
		return a, false
	}
	first, last := ticks[0], ticks[len(ticks)-1]
	a.perUnit = (last[1] - first[1]) / (last[0] - first[0])
	a.y0 = first[1] - a.perUnit*first[0]
	a.low, a.high = math.Inf(1), math.Inf(-1)
	for _, r := range list {
		if r.frequency > 0 {
			a.low, a.high = min(a.low, math.Log(r.frequency)), max(a.high, math.Log(r.frequency))
		}
	}
	return a, finite(a.perUnit) && a.low <= a.high
}

// parts are the sections of a report's page by their headings; the first one,
// without a heading, is "".
func parts(page []byte) map[string]template.HTML {
	list := map[string]template.HTML{}
	_, rest, _ := strings.Cut(string(page), "<main>")
	for {
		_, after, found := strings.Cut(rest, "<section")
		if !found {
			return list
		}
		var content string
		content, rest, _ = strings.Cut(after, "</section>")
		_, content, _ = strings.Cut(content, ">")
		heading := ""
		if h, body, ok := strings.Cut(content, "</h2>"); ok {
			_, heading, _ = strings.Cut(h, "<h2>")
			content = body
		}
		list[heading] = template.HTML(plain([]byte(content))) // made and escaped by package report
	}
}

// subject is the heading of a report's page.
func subject(page []byte) string {
	_, text, _ := strings.Cut(string(page), "<h1>")
	text, _, _ = strings.Cut(text, "</h1>")
	return html.UnescapeString(text)
}

var (
	panelBox  = regexp.MustCompile(`<path d="M(-?[0-9.]+),(-?[0-9.]+)L(-?[0-9.]+),(-?[0-9.]+)L(-?[0-9.]+),(-?[0-9.]+)L(-?[0-9.]+),(-?[0-9.]+)L(-?[0-9.]+),(-?[0-9.]+)" fill="none" stroke="var\(--rule\)"`)
	panelEdge = regexp.MustCompile(`>edge ± ([^<]+)</text>`)
	described = regexp.MustCompile(`<desc>([^<]*)</desc>`)
)

// readXY finds where an X-Y figure has its panels, and what their edge is.
func (f *figure) readXY() {
	svg := string(f.SVG)
	if words := described.FindStringSubmatch(svg); words != nil {
		// The first sentence is the heading and the axes.
		_, text, _ := strings.Cut(html.UnescapeString(words[1]), "arm 2 up. ")
		f.Words = text
	}
	box, edge := viewBox.FindStringSubmatch(svg), panelEdge.FindStringSubmatch(svg)
	if box == nil || edge == nil {
		return
	}
	height, _ := strconv.ParseFloat(box[2], 64)
	volts, err := units.ParseVolts(edge[1])
	if err != nil {
		return
	}
	var boxes []string
	for _, m := range panelBox.FindAllStringSubmatch(svg, -1) {
		left, _ := strconv.ParseFloat(m[1], 64)
		right, _ := strconv.ParseFloat(m[3], 64)
		top, _ := strconv.ParseFloat(m[6], 64)
		boxes = append(boxes, fmt.Sprintf("%.1f %.1f %.1f", left, height-top, right-left))
	}
	f.Edge, f.Boxes = strconv.FormatFloat(float64(volts), 'g', 6, 64), strings.Join(boxes, ",")
}

// takeFigures takes the figures out of a section of a report, so that they can
// be read: what stands before them, they, and what stands after.
func takeFigures(section template.HTML) (before template.HTML, list []figure, after template.HTML) {
	head, rest, found := strings.Cut(string(section), `<div class="plots`)
	if !found {
		return section, nil, ""
	}
	inside, tail, _ := strings.Cut(rest, "</div>")
	for {
		_, from, found := strings.Cut(inside, "<svg")
		if !found {
			break
		}
		var svg string
		svg, inside, _ = strings.Cut(from, "</svg>")
		_, heading, _ := strings.Cut(svg, "<title>")
		heading, _, _ = strings.Cut(heading, "</title>")
		list = append(list, figure{ID: "figure-" + strconv.Itoa(len(list)+1), Heading: html.UnescapeString(heading), SVG: template.HTML("<svg" + svg + "</svg>")})
	}
	return template.HTML(head), list, template.HTML(tail)
}
