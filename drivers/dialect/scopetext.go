package dialect

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"

	"halfturn/drivers"
	"halfturn/units"
)

// scopeText is what a file says about a scope.
type scopeText struct {
	abilities drivers.ScopeAbilities
	channels  []string
	formats   formats
	setRange  verb
	setWindow verb
	start     []message
	wait      waitText
	read      readText
	scale     scaleText
}

// readText is how the record of one channel is fetched.
type readText struct {
	ask      message
	inBlock  bool // or in a line of text
	encoding encoding
}

// scaleText says which volts a code stands for.
type scaleText struct {
	ask          []scaleQuery
	voltsPerCode *expression // over range, then the fields of ask in order
	zero         *expression
	low, high    int // the converter's rails, as codes
}

// scaleQuery asks for numbers, answered with commas between them.
type scaleQuery struct {
	ask    message
	fields []int // positions of the named ones, from 1
}

// mostSamples of a record.
const mostSamples = 1 << 26

func (d *document) scope(m mapping) *scopeText {
	s := &scopeText{}
	a := m.section("abilities", "channels", "ranges", "windows", "input_limit", "settle")
	s.channels = d.channels(a.need("channels", "the channels' names, like [1, 2]"))
	s.abilities.Ranges = d.ranges(a.need("ranges", "full scales, peak to peak, ascending, like [80 mV, 800 mV]"))
	s.abilities.Windows = d.windows(a.need("windows", "the time windows, like - {rate: 500 MHz, samples: 10000}"))
	s.abilities.InputLimit = positive(d, a.need("input_limit", "the peak volts that an input stands"), units.ParseVolts)
	s.abilities.Settle = d.duration(a.need("settle", "the time that a change of range takes"))

	s.formats = d.formats(m, qRange, qRate, qInterval, qSpan)
	s.setRange = d.verb(m, qRange, s.formats, true, qRange)
	s.setWindow = d.verb(m, "window", s.formats, false, qRate, qInterval, qSpan, qSamples)

	acquire := m.section("acquire", "start", "wait")
	s.start = d.messages(acquire.need("start", "the message that starts one acquisition"), nil)
	s.wait = d.wait(acquire.section("wait", "ask", "reply"))
	s.read = d.read(m.section("read", "ask", "encoding", "byte_order", "framing"))
	s.scale = d.scale(m.section("scale", "ask", "volts_per_code", "zero", "rails"), s)
	d.tryScope(s)
	return s
}

func (d *document) channels(n *yaml.Node) []string {
	var all []string
	for _, item := range d.items(n) {
		c := d.line(item)
		if d.err == nil && slices.Contains(all, c) {
			d.fail(item, "channel %s is given twice", c)
		}
		all = append(all, c)
	}
	if d.err == nil && len(all) < 2 {
		d.fail(n, "two channels at least are expected, one for each arm")
	}
	return all
}

func (d *document) ranges(n *yaml.Node) []units.Volts {
	var all []units.Volts
	for i, item := range d.items(n) {
		v := positive(d, item, units.ParseVolts)
		if i > 0 && v <= all[i-1] {
			d.fail(item, "the ranges must ascend, and %v comes after %v", v, all[i-1])
		}
		all = append(all, v)
	}
	return all
}

func (d *document) windows(n *yaml.Node) []drivers.Window {
	var all []drivers.Window
	for i, item := range d.items(n) {
		m := d.mapping(item, "windows", "rate", "samples")
		w := drivers.Window{
			Rate:    positive(d, m.need("rate", "samples a second with both channels on, like 500 MHz"), units.ParseHertz),
			Samples: d.whole(m.need("samples", "samples in each channel"), 1, mostSamples),
		}
		if d.err == nil && i > 0 && w.Span() <= all[i-1].Span() {
			d.fail(item, "the windows must ascend in time, and %v comes after %v", w.Span(), all[i-1].Span())
		}
		all = append(all, w)
	}
	return all
}

func (d *document) read(m mapping) readText {
	r := readText{ask: d.message(m.need("ask", "the query for one channel's record"), []string{qChannel})}
	names := encodingNames()
	name := d.word(m.need("encoding", "how the samples come: "+strings.Join(names, ", ")), names...)
	order := ""
	if m.has("byte_order") {
		order = d.word(m.at("byte_order"), "little", "big")
	}
	if d.err != nil {
		return r
	}
	r.encoding = encodings[name]
	switch two := r.encoding.width == 2; {
	case two && order == "":
		d.fail(m.node, "%q is missing in read: whether the little or the big end of %s comes first", "byte_order", name)
	case !two && order != "":
		d.fail(m.at("byte_order"), "byte_order has no meaning for %s", name)
	}
	r.encoding.big = order == "big"
	r.inBlock = r.encoding.width > 0
	if m.has("framing") {
		r.inBlock = d.word(m.at("framing"), "block", "line") == "block"
		if !r.inBlock && r.encoding.width > 0 {
			d.fail(m.at("framing"), "%s comes in a block, only ascii can come in a line", name)
		}
	}
	return r
}

func (d *document) scale(m mapping, s *scopeText) scaleText {
	var c scaleText
	names := []string{qRange}
	for _, n := range d.items(m.at("ask")) {
		q := d.mapping(n, "ask", "query", "fields")
		asked := scaleQuery{ask: d.message(q.need("query", "a query answered by one or more numbers"), []string{qChannel})}
		fields := d.loose(q.need("fields", "the names of the numbers and their places in the answer, like {step: 1}"))
		for i := 0; d.err == nil && i+1 < len(fields.node.Content); i += 2 {
			key := fields.node.Content[i]
			if !isName(key.Value) || slices.Contains(names, key.Value) {
				d.fail(key, "%q: a name of letters, digits and _ that is not used yet is expected", key.Value)
			}
			names = append(names, key.Value)
			asked.fields = append(asked.fields, d.whole(fields.node.Content[i+1], 1, mostItems))
		}
		if d.err == nil && len(asked.fields) == 0 {
			d.fail(n, "fields names no number of the answer")
		}
		c.ask = append(c.ask, asked)
	}
	expression := func(key, what string) *expression {
		n := m.need(key, what)
		text := d.text(n)
		if d.err != nil {
			return nil
		}
		e, err := parseExpression(text, names)
		if err != nil {
			d.fail(n, "%s: %q: %w", key, text, err)
		}
		return e
	}
	c.voltsPerCode = expression("volts_per_code", "the volts between two codes, like range / 256")
	c.zero = expression("zero", "the code that stands for 0 V, like 0 or 128")

	rails := m.need("rails", "the lowest and the highest code, like [-128, 127]")
	if d.err != nil {
		return c
	}
	ends := d.items(rails)
	if len(ends) != 2 {
		d.fail(rails, "two rails are expected, the lowest and the highest code, like [-128, 127]")
		return c
	}
	least, most := s.read.encoding.least, s.read.encoding.most
	c.low, c.high = d.whole(ends[0], least, most), d.whole(ends[1], least, most)
	if c.low >= c.high {
		d.fail(rails, "the rails must ascend from the lowest code to the highest")
	}
	if d.err == nil {
		d.tryScale(m, &c, names, s.abilities.Ranges)
	}
	return c
}

// tryScale computes the scale for each range. What a scope will be asked for
// is not known yet; numbers that no expression has by chance stand for it.
func (d *document) tryScale(m mapping, c *scaleText, names []string, ranges []units.Volts) {
	values := make([]float64, len(names))
	for i := range values {
		values[i] = math.Sqrt(2) + math.Sqrt(3)*float64(i)
	}
	for _, r := range ranges {
		values[0] = float64(r)
		step, zero := c.voltsPerCode.compute(values), c.zero.compute(values)
		switch {
		case math.IsInf(step, 0) || math.IsNaN(step):
			d.fail(m.at("volts_per_code"), "volts_per_code divides by zero or overflows in the range %v", r)
		case math.IsInf(zero, 0) || math.IsNaN(zero):
			d.fail(m.at("zero"), "zero divides by zero or overflows in the range %v", r)
		case step <= 0 && len(c.ask) == 0:
			d.fail(m.at("volts_per_code"), "volts_per_code is %g V in the range %v, it must be above zero", step, r)
		}
	}
}

func (d *document) tryScope(s *scopeText) {
	if d.err != nil {
		return
	}
	const exact = 1e-6
	for _, r := range s.abilities.Ranges {
		values := map[string]float64{qRange: float64(r)}
		d.tryValues(s.formats, values, exact)
		for _, c := range s.channels {
			d.tryVerb(s.setRange, s.formats.fill(values, c))
		}
	}
	for _, w := range s.abilities.Windows {
		values := windowValues(w)
		d.tryValues(s.formats, values, exact)
		d.tryVerb(s.setWindow, s.formats.fill(values, ""))
	}
	for _, m := range s.start {
		d.try(m, nil, true)
	}
	for _, c := range s.channels {
		with := fill{qChannel: c}
		d.try(s.read.ask, with, true)
		for _, q := range s.scale.ask {
			d.try(q.ask, with, true)
		}
	}
}

// tryValues writes each value whose quantity the file declares.
func (d *document) tryValues(declared formats, values map[string]float64, exact float64) {
	for _, q := range []string{qRange, qRate, qInterval, qSpan} {
		v, there := values[q]
		if f, known := declared[q]; there && known {
			d.tryWriting(q, f, v, exact*v)
		}
	}
}

// windowValues are the ways in which a window can be told.
func windowValues(w drivers.Window) map[string]float64 {
	return map[string]float64{
		qRate:     float64(w.Rate),
		qInterval: 1 / float64(w.Rate),
		qSpan:     float64(w.Span()),
		qSamples:  float64(w.Samples),
	}
}

func (s *scopeText) window(w drivers.Window) error {
	if !slices.Contains(s.abilities.Windows, w) {
		return fmt.Errorf("%d samples at %v are none of the dialect's windows", w.Samples, w.Rate)
	}
	return nil
}
