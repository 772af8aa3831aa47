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
}

// verb reads a section with send and confirm. quantities are those that it
// sets; with channel its messages may name the channel too.
func (d *document) verb(m mapping, key string, declared formats, channel bool, quantities ...string) verb {
	s := m.section(key, "send", "confirm")
	places := quantities
	if channel {
		places = append([]string{qChannel}, quantities...)
	}
	v := verb{send: d.messages(s.need("send", "the message that sets it"), places)}
	for _, m := range v.send {
		d.declared(m, declared)
	}
	for _, n := range d.items(s.at("confirm")) {
		v.confirm = append(v.confirm, d.confirmation(n, declared, places, quantities))
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

func firstUnit(q string) string {
	i := slices.IndexFunc(unitNames, func(u string) bool { return unitsOf[q][u] != 0 })
	return unitNames[i]
}

func (d *document) confirmation(n *yaml.Node, declared formats, places, quantities []string) confirmation {
	m := d.mapping(n, "confirm", "ask", "is", "within")
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
	c.within = d.tolerance(m.need("within", "how far the answer may be off, like "+exampleTolerance[c.is]), c.is)
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
