package dialect

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"go.yaml.in/yaml/v3"

	"halfturn/units"
)

// document reads a file node by node, so that each complaint has its line.
// It keeps the first complaint; after it everything reads as zero, and only
// conclusions drawn from what was read need to look at err.
type document struct {
	name string
	from map[*yaml.Node]string // the file of a node, where it is an included one
	err  error
}

// fail complains about the line of n; nil is the top of the file.
func (d *document) fail(n *yaml.Node, format string, args ...any) {
	if d.err == nil {
		name, line := d.name, 1
		if n != nil {
			line = max(n.Line, 1)
			if file := d.from[n]; file != "" {
				name = file + " (included by " + d.name + ")"
			}
		}
		d.err = fmt.Errorf("dialect %s, line %d: %w", name, line, fmt.Errorf(format, args...))
	}
}

// yamlLine takes the line out of an error of the YAML package.
var yamlLine = regexp.MustCompile(`^yaml: line (\d+): `)

// root reads the text of a file as YAML, one document with a mapping in it;
// file is empty for the first one, and the included file's name else.
func (d *document) root(file string, text []byte) *yaml.Node {
	fail := func(at *yaml.Node, format string, args ...any) {
		if at == nil {
			at = &yaml.Node{}
		}
		d.from[at] = file
		d.fail(at, format, args...)
	}
	var doc yaml.Node
	in := yaml.NewDecoder(bytes.NewReader(text))
	err := in.Decode(&doc)
	switch {
	case errors.Is(err, io.EOF):
		fail(nil, "the file is empty, \"format: %s\" is expected", formatVersion)
		return nil
	case err != nil:
		at := &yaml.Node{Line: 1}
		why := strings.TrimPrefix(err.Error(), "yaml: ")
		if m := yamlLine.FindStringSubmatch(err.Error()); m != nil {
			at.Line, _ = strconv.Atoi(m[1]) // digits, by the expression
			why = err.Error()[len(m[0]):]
		}
		// The package counts some lines from 0.
		fail(at, "not YAML, here or in the next line: %s", why)
		return nil
	}
	var more yaml.Node
	if err := in.Decode(&more); !errors.Is(err, io.EOF) {
		fail(&more, "one document is expected in a file, and nothing after it")
		return nil
	}
	if len(doc.Content) == 0 {
		fail(nil, "the file is empty, \"format: %s\" is expected", formatVersion)
		return nil
	}
	if file != "" {
		d.mark(&doc, file)
	}
	return doc.Content[0]
}

// mark remembers of which included file the nodes are.
func (d *document) mark(n *yaml.Node, file string) {
	d.from[n] = file
	for _, inner := range n.Content {
		d.mark(inner, file)
	}
}

// mapping is one section of a file.
type mapping struct {
	d      *document
	what   string
	node   *yaml.Node
	values map[string]*yaml.Node
}

// loose is a mapping whose keys are the file's own choice.
func (d *document) loose(n *yaml.Node) mapping {
	m := mapping{d: d, node: n, values: map[string]*yaml.Node{}}
	if n == nil || d.err != nil {
		return m
	}
	if n.Kind != yaml.MappingNode {
		d.fail(n, "lines of the form \"key: value\" are expected here")
		return m
	}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		if value.Kind == yaml.AliasNode || key.Kind != yaml.ScalarNode {
			d.fail(key, "anchors, aliases and compound keys are not used in dialects, write it out")
			return m
		}
		if first, twice := m.values[key.Value]; twice {
			d.fail(key, "%s is given twice, first in line %d", key.Value, first.Line)
			return m
		}
		m.values[key.Value] = value
	}
	return m
}

// mapping is a section with known keys.
func (d *document) mapping(n *yaml.Node, what string, keys ...string) mapping {
	m := d.loose(n)
	m.what = what
	if n == nil || d.err != nil {
		return m
	}
	for i := 0; i+1 < len(n.Content); i += 2 {
		if key := n.Content[i]; !slices.Contains(keys, key.Value) {
			d.fail(key, "%q is not known in %s; known here: %s", key.Value, what, strings.Join(keys, ", "))
			return m
		}
	}
	return m
}

// section is the section under a key that must be there.
func (m mapping) section(key string, keys ...string) mapping {
	return m.d.mapping(m.need(key, "a section with "+strings.Join(keys, ", ")), key, keys...)
}

// has says whether a key that may be left out is there. A none without quotes
// is as good as nothing, and takes away what an included file says.
func (m mapping) has(key string) bool {
	n := m.values[key]
	return n != nil && (n.Value != none || n.Style != 0)
}

// at is the value of a key that may be left out; nil if it is.
func (m mapping) at(key string) *yaml.Node {
	if !m.has(key) {
		return nil
	}
	return m.values[key]
}

// need is the value of a key that must be there; what says what belongs there.
func (m mapping) need(key, what string) *yaml.Node {
	n := m.values[key]
	if m.node == nil || m.d.err != nil {
		return nil
	}
	if n == nil {
		where := ""
		if m.what != "" {
			where = " in " + m.what
		}
		m.d.fail(m.node, "%q is missing%s: %s", key, where, what)
	} else if n.Tag == "!!null" {
		m.d.fail(n, "%q is empty: %s", key, what)
	}
	return n
}

// mostItems in a list: more are a slip, and every combination is tried.
const mostItems = 100

// items are the elements of a list, or the one value that stands for it.
func (d *document) items(n *yaml.Node) []*yaml.Node {
	if n == nil || d.err != nil {
		return nil
	}
	if n.Kind != yaml.SequenceNode {
		return []*yaml.Node{n}
	}
	if len(n.Content) == 0 {
		d.fail(n, "the list is empty")
	}
	if len(n.Content) > mostItems {
		d.fail(n, "the list has more than %d items", mostItems)
		return nil
	}
	return n.Content
}

// text is a value that is not a list or a section.
func (d *document) text(n *yaml.Node) string {
	if n == nil || d.err != nil {
		return ""
	}
	if n.Kind != yaml.ScalarNode || n.Tag == "!!null" || strings.TrimSpace(n.Value) == "" {
		d.fail(n, "a text is expected here")
		return ""
	}
	return n.Value
}

// line is a text that can be part of a message.
func (d *document) line(n *yaml.Node) string {
	s := d.text(n)
	if strings.ContainsFunc(s, unicode.IsControl) {
		d.fail(n, "a message is one line without control characters; the terminator is added to it")
		return ""
	}
	return s
}

func (d *document) word(n *yaml.Node, words ...string) string {
	s := d.text(n)
	if d.err == nil && !slices.Contains(words, s) {
		d.fail(n, "%q: %s is expected", s, strings.Join(words, " or "))
	}
	return s
}

func (d *document) whole(n *yaml.Node, from, to int) int {
	s := d.text(n)
	if d.err != nil {
		return 0
	}
	v, err := strconv.Atoi(s)
	if err != nil || v < from || v > to {
		d.fail(n, "%q: a whole number from %d to %d is expected", s, from, to)
		return 0
	}
	return v
}

// quantity reads a value with its unit by one of the Parse functions of units.
func quantity[Q ~float64](d *document, n *yaml.Node, parse func(string) (Q, error)) Q {
	s := d.text(n)
	if d.err != nil {
		return 0
	}
	v, err := parse(s)
	if err != nil {
		d.fail(n, "%w", err)
	}
	return v
}

// positive is quantity for what must be above zero.
func positive[Q ~float64](d *document, n *yaml.Node, parse func(string) (Q, error)) Q {
	v := quantity(d, n, parse)
	if d.err == nil && !(v > 0) {
		d.fail(n, "%s must be above zero", n.Value)
	}
	return v
}

// longest duration in a dialect: an exchange that takes longer is a slip.
const longest = units.Seconds(24 * 3600)

func (d *document) duration(n *yaml.Node) time.Duration {
	s := quantity(d, n, units.ParseSeconds)
	if d.err == nil && !(s >= 0 && s <= longest) {
		d.fail(n, "%s: a time from 0 s to one day is expected", n.Value)
		return 0
	}
	return time.Duration(float64(s) * float64(time.Second))
}
