package report

import (
	"bytes"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"testing"

	"pgregory.net/rapid"
)

// TestThinnedKeepsTheShape: in every pixel column the first, the last, the
// smallest and the largest value stay, in order.
func TestThinnedKeepsTheShape(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 3000).Draw(t, "points")
		seed := rapid.Float64Range(0.1, 9).Draw(t, "seed")
		points := make([]point, n)
		for i := range points {
			y := math.Sin(seed * float64(i*i%977))
			points[i] = point{x: float64(i), y: y, lo: y - 1, hi: y + 1}
		}
		column := func(x float64) int { return int(x / float64(n) * chartColumns) }
		thin, wide := thinned(points, column), envelope(points, column)
		if len(thin) > max(2*chartColumns, 4*chartColumns) || len(wide) > 2*chartColumns {
			t.Fatalf("%d and %d of %d points", len(thin), len(wide), n)
		}
		if !slices.IsSortedFunc(thin, func(a, b point) int { return int(a.x - b.x) }) {
			t.Fatal("out of order")
		}
		type ends struct{ first, last, low, high float64 }
		of := func(list []point) map[int]ends {
			m := map[int]ends{}
			for _, p := range list {
				e, ok := m[column(p.x)]
				if !ok {
					e = ends{p.y, p.y, p.y, p.y}
				}
				m[column(p.x)] = ends{e.first, p.y, min(e.low, p.y), max(e.high, p.y)}
			}
			return m
		}
		all, kept := of(points), of(thin)
		for k, e := range all {
			if kept[k] != e {
				t.Fatalf("column %d: %v, want %v", k, kept[k], e)
			}
		}
	})
}

func TestTicksLieInsideAndAreLabelled(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		from := math.Pow(10, rapid.Float64Range(2, 9).Draw(t, "log from"))
		to := from * math.Pow(10, rapid.Float64Range(0.01, 6).Draw(t, "decades"))
		labels := map[string]bool{}
		for _, tick := range frequencyTicks(from, to) {
			if tick.Value < from*(1-1e-9) || tick.Value > to*(1+1e-9) {
				t.Fatalf("tick %g outside %g to %g", tick.Value, from, to)
			}
			if tick.Label != "" && labels[tick.Label] {
				t.Fatalf("two ticks %q in %g to %g", tick.Label, from, to)
			}
			labels[tick.Label] = true
		}
		delete(labels, "")
		if len(labels) < 1 || len(labels) > 9 {
			t.Fatalf("%d labels in %g to %g", len(labels), from, to)
		}
	})
}

// TestPlotOfLongRunIsSmall: the size of a plot follows its pixels, not the
// number of steps.
func TestPlotOfLongRunIsSmall(t *testing.T) {
	y := long
	y.n = 30_000
	in := y.input()
	for name, plot := range map[string]Plot{"phase balance": phaseBalance.plot(&in), "fill": fillPlot(&in)} {
		var b bytes.Buffer
		if err := plot.WriteSVG(&b); err != nil {
			t.Fatal(err)
		}
		if b.Len() > 80_000 {
			t.Errorf("%s of %d steps takes %d bytes", name, y.n, b.Len())
		}
	}
}

// TestPlotShowsWhatIsNotMeasurable: marks at the bottom for steps without a
// figure, and words for who cannot see them.
func TestPlotShowsWhatIsNotMeasurable(t *testing.T) {
	count := func(y synth) int {
		var b bytes.Buffer
		in := y.input()
		if err := phaseBalance.plot(&in).WriteSVG(&b); err != nil {
			t.Fatal(err)
		}
		return bytes.Count(b.Bytes(), []byte("<path"))
	}
	measured := noisy
	measured.unread = 0
	measured.knee = 60e6
	seen := noisy
	seen.knee = 60e6
	if with, without := count(seen), count(measured); with <= without+5 {
		t.Errorf("%d paths with, %d without steps that are not measurable", with, without)
	}
	var b bytes.Buffer
	in := noisy.input()
	if err := phaseBalance.plot(&in).WriteSVG(&b); err != nil {
		t.Fatal(err)
	}
	if !bytes.Contains(b.Bytes(), []byte("limit within ±3°; worst phase balance")) {
		t.Errorf("description: %.400s", b.String())
	}
}

func benchmarkInput(n int) Input {
	y := failing
	y.n = n
	return y.input()
}

func BenchmarkHTML1000(b *testing.B) {
	in := benchmarkInput(1000)
	b.ReportAllocs()
	for b.Loop() {
		if err := HTML(io.Discard, in); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkHTML100000(b *testing.B) {
	in := benchmarkInput(100_000)
	b.ReportAllocs()
	for b.Loop() {
		if err := HTML(io.Discard, in); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkJSON1000(b *testing.B) {
	in := benchmarkInput(1000)
	b.ReportAllocs()
	for b.Loop() {
		if err := JSON(io.Discard, in); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkCSV1000(b *testing.B) {
	in := benchmarkInput(1000)
	b.ReportAllocs()
	for b.Loop() {
		if err := CSV(io.Discard, in); err != nil {
			b.Fatal(err)
		}
	}
}

// Every text of a plot begins inside of it, the label of the lowest frequency
// under narrow values included.
func TestLabelsBeginInside(t *testing.T) {
	for _, top := range []float64{2, 8, 0.01, 4000} {
		for _, from := range []float64{1e6, 10e6, 100e6, 9.4e6, 250e6} {
			c := chart{heading: "x", zero: true, traces: []trace{{colour: first, points: []point{{x: from, y: 0}, {x: 30 * from, y: top}}}}}
			for _, m := range regexp.MustCompile(`<text x="([^"]*)"`).FindAllSubmatch(c.drawing().svg(true), -1) {
				if x, err := strconv.ParseFloat(string(m[1]), 64); err != nil || x < 0 {
					t.Errorf("%g up from %g Hz: a text begins at %s", top, from, m[1])
				}
			}
		}
	}
}

// A frequency that no logarithmic axis has is left out, and ends the drawing no less.
func TestChartLeavesOutWhatHasNoPlace(t *testing.T) {
	c := chart{heading: "x", traces: []trace{{points: []point{{x: 0, y: 1}, {x: math.NaN(), y: 1}, {x: -1, y: 1}, {x: 1e6, y: 1}, {x: 1e7, y: 2}}}}, missing: []float64{0, 2e6}}
	d := c.drawing()
	if len(c.traces[0].points) != 2 || len(c.missing) != 1 {
		t.Errorf("kept %v and %v", c.traces[0].points, c.missing)
	}
	if err := (Plot{Name: "x", Heading: "x", drawing: d}).WriteSVG(io.Discard); err != nil {
		t.Error(err)
	}
}
