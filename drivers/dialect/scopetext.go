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
	abilities     drivers.ScopeAbilities
	channels      []string
	divisions     float64   // of the full scale; 0 if the file does not say
	timeDivisions float64   // of the span
	most          []int     // by window: the channels that can be on with it
	channelOn     []message // sent for each channel in use, after the set-up lines
	formats       formats
	setRange      verb
	setWindow     verb
	start         []message
	wait          waitText
	read          readText
	scale         scaleText
}

// readText is how records are fetched.
type readText struct {
	send     []message // before ask, to choose a channel
	ask      message
	inBlock  bool // or in a line of text
	encoding encoding
	// holds are the channels that one transfer brings, in order; nil where each
	// is asked for by itself.
	holds       []string
	interleaved bool // sample by sample, or else one channel behind the other
}

// layout says where the samples of a channel stand in what ask brings.
func (r *readText) layout(channel string, samples int) layout {
	n := len(r.holds)
	i := slices.Index(r.holds, channel)
	switch {
	case n == 0:
		return layout{0, 1, samples, samples}
	case r.interleaved:
		return layout{i, n, samples, n * samples}
	}
	return layout{i * samples, 1, samples, n * samples}
}

// scaleText says which volts a code stands for.
type scaleText struct {
	send         []message // before ask, to choose a channel
	ask          []scaleQuery
	voltsPerCode *expression // over range, then the fields of ask in order
	zero         *expression // nil where samples are volts
	low, high    int         // the converter's rails, as codes
	lowVolts     *expression // as volts, where samples are
	highVolts    *expression
}

// scaleQuery asks for numbers.
type scaleQuery struct {
	ask       message
	separator byte
	fields    []int // positions of the named ones, from 1
	expect    []expected
}

// expected is an item of an answer that is always the same, such as the name
// of the format: another one would make the record mean something else.
type expected struct {
	place int
	text  string
}

// pick appends the numbers that q names of a reply.
func (q *scaleQuery) pick(values []float64, reply string) ([]float64, error) {
	all := items(reply, q.separator)
	for _, e := range q.expect {
		item, err := itemAt(all, e.place)
		if err != nil {
			return values, err
		}
		if !sameReply(unquoted(item), unquoted(e.text)) {
			return values, fmt.Errorf("%w: item %d is %s, and %s was expected", drivers.ErrReply, e.place, item, e.text)
		}
	}
	for _, place := range q.fields {
		item, err := itemAt(all, place)
		if err != nil {
			return values, err
		}
		v, err := readIn(item, ofScale, unit{size: 1})
		if err != nil {
			return values, fmt.Errorf("item %d: %w", place, err)
		}
		values = append(values, v)
	}
	return values, nil
}

// rule is a scale with its values: volts = (code - zero) * step, and the codes
// at which the converter stops.
type rule struct {
	step, zero float64
	low, high  int
}

// rule computes the scale. The error wraps drivers.ErrReply.
func (c *scaleText) rule(values []float64, e encoding) (rule, error) {
	// Dropping bits makes the steps larger, and the codes smaller.
	coarse := float64(int(1) << e.spare)
	r := rule{step: c.voltsPerCode.compute(values), low: (c.low - e.shift) >> e.spare, high: (c.high - e.shift) >> e.spare}
	if !(r.step > 0) || math.IsInf(r.step, 0) {
		return r, fmt.Errorf("%w: the scale makes no sense: %g V per code", drivers.ErrReply, r.step)
	}
	if !e.volts {
		if r.zero = c.zero.compute(values); math.IsNaN(r.zero) || math.IsInf(r.zero, 0) {
			return r, fmt.Errorf("%w: the scale makes no sense: 0 V at code %g", drivers.ErrReply, r.zero)
		}
		r.zero = (r.zero - float64(e.shift)) / coarse
		r.step *= coarse
		return r, nil
	}
	low, high := c.lowVolts.compute(values), c.highVolts.compute(values)
	a, b := math.Floor(low/r.step+0.5), math.Floor(high/r.step+0.5)
	if !(a < b) || a < float64(e.least) || b > float64(e.most) {
		return r, fmt.Errorf("%w: the rails %g V and %g V are the codes %g and %g, which do not rise or are not between %d and %d",
			drivers.ErrReply, low, high, a, b, e.least, e.most)
	}
	r.low, r.high = int(a), int(b)
	return r, nil
}

// mostSamples of a record.
const mostSamples = 1 << 26

func (d *document) scope(m, prepare mapping) *scopeText {
	s := &scopeText{}
	if prepare.has("channel") {
		s.channelOn = d.messages(prepare.at("channel"), []string{qChannel})
	}
	a := m.section("abilities", "channels", "ranges", "divisions", "time_divisions", "windows", "input_limit", "settle")
	s.channels = d.channels(a.need("channels", "the channels' names, like [1, 2]"))
	s.abilities.Ranges = d.ranges(a.need("ranges", "full scales, peak to peak, ascending, like [80 mV, 800 mV]"))
	s.abilities.Windows, s.most = d.windows(a.need("windows", "the time windows, like - {rate: 500 MHz, samples: 10000}"), len(s.channels))
	s.abilities.InputLimit = positive(d, a.need("input_limit", "the peak volts that an input stands"), units.ParseVolts)
	s.abilities.Settle = d.duration(a.need("settle", "the time that a change of range takes"))

	sets := []string{qRange}
	if a.has("divisions") {
		s.divisions = float64(d.whole(a.at("divisions"), 1, 100))
		sets = append(sets, qDivision)
	}
	times := []string{qRate, qInterval, qSpan, qSamples}
	if a.has("time_divisions") {
		s.timeDivisions = float64(d.whole(a.at("time_divisions"), 1, 100))
		times = append(times, qTimeDiv)
	}

	s.formats = d.formats(m, qRange, qDivision, qRate, qInterval, qSpan, qTimeDiv)
	s.setRange = d.verb(m, qRange, s.formats, true, sets...)
	s.setWindow = d.verb(m, vWindow, s.formats, false, times...)

	acquire := m.section("acquire", "start", "wait")
	s.start = d.messages(acquire.need("start", "the message that starts one acquisition"), nil)
	s.wait = d.wait(acquire)
	s.read = d.read(m.section("read", "send", "ask", "channels", "order", "encoding", "byte_order", "spare_bits", "framing"), s.channels)
	s.scale = d.scale(m.section("scale", "send", "ask", "volts_per_code", "zero", "rails"), s)
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

// windows are given with how many of the channels can be on in each: all of
// them where the file does not say.
func (d *document) windows(n *yaml.Node, channels int) (all []drivers.Window, most []int) {
	for i, item := range d.items(n) {
		m := d.mapping(item, "windows", "rate", "samples", "channels")
		w := drivers.Window{
			Rate:    positive(d, m.need("rate", "samples a second in each channel, like 500 MHz"), units.ParseHertz),
			Samples: d.whole(m.need("samples", "samples in each channel"), 1, mostSamples),
		}
		if d.err == nil && i > 0 && w.Span() <= all[i-1].Span() {
			d.fail(item, "the windows must ascend in time, and %v comes after %v", w.Span(), all[i-1].Span())
		}
		on := channels
		if m.has("channels") {
			on = d.whole(m.at("channels"), 2, max(2, channels))
		}
		all, most = append(all, w), append(most, on)
	}
	return all, most
}

// windowsWith are those that there are with so many channels on.
func (s *scopeText) windowsWith(channels int) []drivers.Window {
	if !slices.ContainsFunc(s.most, func(most int) bool { return most < channels }) {
		return s.abilities.Windows
	}
	var all []drivers.Window
	for i, w := range s.abilities.Windows {
		if s.most[i] >= channels {
			all = append(all, w)
		}
	}
	return all
}

func (d *document) read(m mapping, channels []string) readText {
	places := []string{qChannel}
	var r readText
	if m.has("channels") {
		if how := d.word(m.at("channels"), "each", "in_turn", "interleaved"); how != "each" {
			r.holds, r.interleaved = channels, how == "interleaved"
			places = nil
		}
	}
	if m.has("order") {
		if d.err == nil && r.holds == nil {
			d.fail(m.at("order"), "order has a meaning only where one transfer brings several channels, in_turn or interleaved")
		}
		r.holds = nil
		for _, n := range d.items(m.at("order")) {
			c := d.line(n)
			switch {
			case d.err != nil:
			case !slices.Contains(channels, c):
				d.fail(n, "channel %q is none of %s", c, strings.Join(channels, ", "))
			case slices.Contains(r.holds, c):
				d.fail(n, "channel %s is given twice", c)
			}
			r.holds = append(r.holds, c)
		}
	}
	if m.has("send") {
		r.send = d.messages(m.at("send"), places)
	}
	r.ask = d.message(m.need("ask", "the query for one channel's record"), places)
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
	r.encoding.name = name
	switch several := r.encoding.width > 1; {
	case several && order == "":
		d.fail(m.node, "%q is missing in read: whether the little or the big end of %s comes first", "byte_order", name)
	case !several && order != "":
		d.fail(m.at("byte_order"), "byte_order has no meaning for %s", name)
	}
	r.encoding.big = order == "big"
	if m.has("spare_bits") {
		if name != "int16" && name != "uint16" {
			d.fail(m.at("spare_bits"), "spare_bits has no meaning for %s, only for 16 bits of which a converter fills the upper ones", name)
		}
		r.encoding.spare = d.whole(m.at("spare_bits"), 1, 12)
	}
	r.inBlock = r.encoding.width > 0
	if m.has("framing") {
		r.inBlock = d.word(m.at("framing"), "block", "line") == "block"
		if !r.inBlock && r.encoding.width > 0 {
			d.fail(m.at("framing"), "%s comes in a block, only ascii and ascii_volts can come in a line", name)
		}
	}
	return r
}

func (d *document) scale(m mapping, s *scopeText) scaleText {
	var c scaleText
	names := []string{qRange}
	if m.has("send") {
		c.send = d.messages(m.at("send"), []string{qChannel})
	}
	for _, n := range d.items(m.at("ask")) {
		q := d.mapping(n, "ask", "query", "fields", "expect", "separator")
		asked := scaleQuery{
			ask:       d.message(q.need("query", "a query answered by one or more numbers"), []string{qChannel}),
			separator: d.separator(q),
		}
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
		if q.has("expect") {
			expect := d.loose(q.at("expect"))
			for i := 0; d.err == nil && i+1 < len(expect.node.Content); i += 2 {
				asked.expect = append(asked.expect, expected{
					place: d.whole(expect.node.Content[i], 1, mostItems), text: d.line(expect.node.Content[i+1])})
			}
		}
		c.ask = append(c.ask, asked)
	}
	expression := func(n *yaml.Node, key string) *expression {
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
	volts := s.read.encoding.volts
	c.voltsPerCode = expression(m.need("volts_per_code", "the volts between two codes, like range / 256"), "volts_per_code")
	switch {
	case !volts:
		c.zero = expression(m.need("zero", "the code that stands for 0 V, like 0 or 128"), "zero")
	case m.has("zero"):
		d.fail(m.at("zero"), "zero has no meaning for %s, whose samples are volts", s.read.encoding.name)
	}

	example := "the lowest and the highest code, like [-128, 127]"
	if volts {
		example = "the lowest and the highest volts, like [-range / 2, range / 2 * 127 / 128]"
	}
	rails := m.need("rails", example)
	if d.err != nil {
		return c
	}
	ends := d.items(rails)
	if len(ends) != 2 {
		d.fail(rails, "two rails are expected, %s", example)
		return c
	}
	if volts {
		c.lowVolts, c.highVolts = expression(ends[0], "rails"), expression(ends[1], "rails")
	} else {
		least, most := s.read.encoding.least, s.read.encoding.most
		c.low, c.high = d.whole(ends[0], least, most), d.whole(ends[1], least, most)
		if c.low>>s.read.encoding.spare >= c.high>>s.read.encoding.spare {
			d.fail(rails, "the rails must ascend from the lowest code to the highest")
		}
	}
	if d.err == nil {
		d.tryScale(m, &c, names, s)
	}
	return c
}

// tryScale computes the scale for each range. What a scope will be asked for
// is not known yet; numbers that no expression has by chance stand for it.
func (d *document) tryScale(m mapping, c *scaleText, names []string, s *scopeText) {
	values := make([]float64, len(names))
	for i := range values {
		values[i] = math.Sqrt(2) + math.Sqrt(3)*float64(i)
	}
	for _, r := range s.abilities.Ranges {
		values[0] = float64(r)
		finite := func(key string, e *expression) float64 {
			v := e.compute(values)
			if math.IsInf(v, 0) || math.IsNaN(v) {
				d.fail(m.at(key), "%s divides by zero or overflows in the range %v", key, r)
			}
			return v
		}
		step := finite("volts_per_code", c.voltsPerCode)
		if c.zero != nil {
			finite("zero", c.zero)
		} else {
			finite("rails", c.lowVolts)
			finite("rails", c.highVolts)
		}
		if d.err != nil || len(c.ask) > 0 {
			return
		}
		if step <= 0 {
			d.fail(m.at("volts_per_code"), "volts_per_code is %g V in the range %v, it must be above zero", step, r)
		} else if _, err := c.rule(values, s.read.encoding); err != nil {
			why := strings.TrimPrefix(err.Error(), drivers.ErrReply.Error()+": ")
			d.fail(m.at("rails"), "in the range %v %s", r, why)
		}
	}
}

func (d *document) tryScope(s *scopeText) {
	if d.err != nil {
		return
	}
	const exact = 1e-6
	for _, r := range s.abilities.Ranges {
		values := s.rangeValues(r)
		d.tryValues(s.formats, values, exact)
		for _, c := range s.channels {
			d.tryVerb(s.setRange, s.formats.fill(values, c))
		}
	}
	for _, w := range s.abilities.Windows {
		values := s.windowValues(w)
		d.tryValues(s.formats, values, exact)
		d.tryVerb(s.setWindow, s.formats.fill(values, ""))
	}
	for _, m := range s.start {
		d.try(m, nil, true)
	}
	for _, c := range s.channels {
		with := fill{qChannel: c}
		for _, m := range s.channelOn {
			d.try(m, with, false)
		}
		d.try(s.read.ask, with, true)
		for _, m := range slices.Concat(s.read.send, s.scale.send) {
			d.try(m, with, false)
		}
		for _, q := range s.scale.ask {
			d.try(q.ask, with, true)
		}
	}
}

// tryValues writes each value whose quantity the file declares.
func (d *document) tryValues(declared formats, values map[string]float64, exact float64) {
	for _, q := range []string{qRange, qDivision, qRate, qInterval, qSpan, qTimeDiv} {
		v, there := values[q]
		if f, known := declared[q]; there && known {
			d.tryWriting(q, f, v, exact*v)
		}
	}
}

// rangeValues are the ways in which a range can be told.
func (s *scopeText) rangeValues(r units.Volts) map[string]float64 {
	values := map[string]float64{qRange: float64(r)}
	if s.divisions > 0 {
		values[qDivision] = float64(r) / s.divisions
	}
	return values
}

// windowValues are the ways in which a window can be told.
func (s *scopeText) windowValues(w drivers.Window) map[string]float64 {
	values := map[string]float64{
		qRate:     float64(w.Rate),
		qInterval: 1 / float64(w.Rate),
		qSpan:     float64(w.Span()),
		qSamples:  float64(w.Samples),
	}
	if s.timeDivisions > 0 {
		values[qTimeDiv] = float64(w.Span()) / s.timeDivisions
	}
	return values
}
