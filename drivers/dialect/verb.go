package dialect

import (
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"
)

// verb is how one thing is set: messages, and queries that confirm them.
type verb struct {
	send    []message
	confirm []confirmation
}

// confirmation asks whether the instrument took a value.
type confirmation struct {
	ask    message
	is     string // quantity
	format format
	within tolerance

	field     int // of the answer, from 1; 0: all of it
	separator byte
}

// read is the value that an answer tells.
func (c *confirmation) read(reply string) (float64, error) {
	if c.field == 0 {
		return c.format.read(reply)
	}
	item, err := itemAt(items(reply, c.separator), c.field)
	if err != nil {
		return 0, err
	}
	return c.format.read(item)
}

// verb reads a section with send and confirm. quantities are those that it
// sets; with channel its messages may name the channel too.
func (d *document) verb(m mapping, key string, declared formats, channel bool, quantities ...string) verb {
	s := m.section(key, "send", "confirm")
	places := quantities
	if channel {
		places = append([]string{qChannel}, quantities...)
	}
	var v verb
	if s.has("send") {
		v.send = d.messages(s.at("send"), places)
	}
	for _, m := range v.send {
		d.declared(m, declared)
	}
	sets := true
	for _, n := range d.items(s.at("confirm")) {
		c := d.confirmation(n, declared, places, quantities)
		v.confirm = append(v.confirm, c)
		// A query that fills in what it asks for sets it, too.
		sets = sets && slices.ContainsFunc(c.ask.uses, func(q string) bool { return slices.Contains(quantities, q) })
	}
	if len(v.send) == 0 && !(sets && len(v.confirm) > 0) {
		s.need("send", "the message that sets it")
	}
	return v
}

// declared complains about a quantity in a message of which the file does not
// say how it is written.
func (d *document) declared(m message, declared formats) {
	for _, q := range m.uses {
		if _, known := declared[q]; !known && q != qChannel {
			d.fail(m.node, "{{.%s}} is used: how it is written is expected under numbers, like \"%s: {unit: %s}\"", q, q, firstUnit(q))
		}
	}
}

func firstUnit(q string) string { return unitsOf[q][0].name }

func (d *document) confirmation(n *yaml.Node, declared formats, places, quantities []string) confirmation {
	m := d.mapping(n, "confirm", "ask", "is", "within", "field", "separator")
	c := confirmation{ask: d.message(m.need("ask", "the query for the value"), places)}
	d.declared(c.ask, declared)
	c.is = quantities[0]
	if len(quantities) > 1 || m.has("is") {
		c.is = d.word(m.need("is", "what the answer is, "+strings.Join(quantities, " or ")), quantities...)
	}
	var known bool
	if c.format, known = declared[c.is]; !known && d.err == nil {
		d.fail(m.node, "in which unit a %s is answered is expected under numbers, like \"%s: {unit: %s}\"", c.is, c.is, firstUnit(c.is))
	}
	if m.has("field") {
		c.field = d.whole(m.at("field"), 1, mostItems)
	}
	if c.separator = d.separator(m); c.field == 0 && m.has("separator") {
		d.fail(m.at("separator"), "which item of the answer it is, is expected as field, counted from 1")
	}
	c.within = d.tolerance(m.need("within", "how far the answer may be off, like "+exampleTolerance[c.is]), c.is, c.format.unit)
	return c
}

// tryVerb fills in all messages of a verb.
func (d *document) tryVerb(v verb, with fill) {
	for _, m := range v.send {
		d.try(m, with, false)
	}
	for _, c := range v.confirm {
		d.try(c.ask, with, true)
	}
}
