package report

import (
	"bytes"
	"fmt"
	"html"
	"image/color"
	"strings"

	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"
)

// The colours of a plot by their part. Each has a name as a CSS property, so
// that a page can exchange them for its dark scheme; lines are told apart by
// dash and marker as well, so that they survive a black and white print.
var (
	ink    = color.NRGBA{0x22, 0x26, 0x2b, 0xff} // text, axes, limits
	muted  = color.NRGBA{0x5c, 0x64, 0x6d, 0xff} // tick labels, samples
	rule   = color.NRGBA{0xdf, 0xe2, 0xe5, 0xff} // grid
	first  = color.NRGBA{0x0b, 0x5d, 0x6b, 0xff} // arm 1, the figure itself
	second = color.NRGBA{0x9c, 0x4a, 0x0c, 0xff} // arm 2
	alarm  = color.NRGBA{0xa3, 0x1f, 0x2b, 0xff} // fails
	paper  = color.NRGBA{0xfe, 0xfe, 0xfd, 0xff} // inside of open markers
)

var properties = []struct {
	c    color.NRGBA
	name string
}{{ink, "ink"}, {muted, "muted"}, {rule, "rule"}, {first, "first"}, {second, "second"}, {alarm, "alarm"}, {paper, "paper"}}

var inlineColours = func() *strings.Replacer {
	var pairs []string
	for _, p := range properties {
		pairs = append(pairs, hex(p.c), "var(--"+p.name+")")
	}
	return strings.NewReplacer(pairs...)
}()

func hex(c color.NRGBA) string { return fmt.Sprintf("#%02X%02X%02X", c.R, c.G, c.B) }

// wash is a translucent colour. The SVG canvas divides the components by the
// opacity and cuts off the fraction; rounding up here gives back the very
// colour, which inlineColours looks for.
type wash struct{ color.NRGBA }

func (w wash) RGBA() (r, g, b, a uint32) {
	a = uint32(w.A) * 0x101
	up := func(c uint8) uint32 { return (uint32(c)*a + 0xfe) / 0xff }
	return up(w.R), up(w.G), up(w.B), a
}

func faded(c color.NRGBA, alpha uint8) wash { c.A = alpha; return wash{c} }

const (
	textSize  = 12.5
	labelSize = 11.5
	// The plots are set in Liberation Sans, which gonum/plot measures with and
	// Arial and Helvetica match in width.
	fontFamily = "'Liberation Sans', Arial, Helvetica, sans-serif"
)

func face(size vg.Length, c color.Color) text.Style {
	return text.Style{
		Color:   c,
		Font:    font.Font{Typeface: "Liberation", Variant: "Sans", Size: size},
		Handler: text.Plain{Fonts: font.DefaultCache},
	}
}

// drawing is an SVG with the words that stand for it where it cannot be seen.
type drawing struct {
	width, height vg.Length
	title, desc   string
	draw          func(draw.Canvas)
}

// svg renders a drawing. It holds no id, so that any number of them can stand
// in one page. inline leaves out what a page supplies: the name space and
// the colours, which become CSS properties.
func (d drawing) svg(inline bool) []byte {
	c := vgsvg.New(d.width, d.height)
	d.draw(draw.New(c))
	var raw bytes.Buffer
	c.WriteTo(&raw) // a bytes.Buffer does not fail

	// The canvas writes its own head, and the font anew at each text.
	_, body, _ := strings.Cut(raw.String(), "xlink\">\n")
	body = fontStyle.Replace(body)
	if inline {
		body = inlineColours.Replace(body)
	}
	var out bytes.Buffer
	out.Grow(len(body) + 1024)
	space := ""
	if !inline {
		space = fmt.Sprintf(` xmlns="http://www.w3.org/2000/svg" width="%.5g" height="%.5g"`, float64(d.width), float64(d.height))
	}
	title := html.EscapeString(d.title)
	fmt.Fprintf(&out, `<svg%s viewBox="0 0 %.5g %.5g" role="img" aria-label="%s" font-family="%s">`+"\n",
		space, float64(d.width), float64(d.height), title, fontFamily)
	fmt.Fprintf(&out, "<title>%s</title>\n<desc>%s</desc>\n", title, html.EscapeString(d.desc))
	if !inline {
		fmt.Fprintf(&out, `<rect width="100%%" height="100%%" fill="%s"/>`+"\n", hex(paper))
	}
	out.WriteString(body)
	return out.Bytes()
}

var fontStyle = strings.NewReplacer(
	"font-family:Liberation Sans;font-variant:normal;font-weight:normal;font-style:normal;", "",
	"\n\tstyle=", " style=",
)
