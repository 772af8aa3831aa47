package setup

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"reflect"
	"regexp"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"
)

// document is a file as text values by key, and the place of each.
type document struct {
	name   string
	values map[string]any    // texts, lists and mappings of them
	places map[string]string // "bench.yaml:12" by key path
	*problems
}

// readDocument reads YAML text of shape t. Everything that has no place in
// that shape is a problem. Paths begin with root.
func readDocument(name string, text []byte, t reflect.Type, root string, p *problems) *document {
	d := &document{name: name, places: map[string]string{}, problems: p}
	var top yaml.Node
	decoder := yaml.NewDecoder(bytes.NewReader(text))
	switch err := decoder.Decode(&top); {
	case errors.Is(err, io.EOF):
		d.add(name, root, "the file is empty")
		return d
	case err != nil:
		d.syntax(text, root, err)
		return d
	}
	var second yaml.Node
	if err := decoder.Decode(&second); err == nil {
		d.add(d.at(&second), root, "a second document begins here: one file holds one")
		return d
	} else if !errors.Is(err, io.EOF) {
		d.syntax(text, root, err)
		return d
	}
	content := top.Content[0]
	d.places[root] = d.at(content)
	if content.Kind != yaml.MappingNode {
		d.add(d.at(content), root, "keys and values are wanted here, such as %q", "name: Hut 4")
		return d
	}
	d.values = d.mapping(content, t, root)
	return d
}

func (d *document) at(n *yaml.Node) string { return fmt.Sprintf("%s:%d", d.name, n.Line) }

var (
	yamlError     = regexp.MustCompile(`^yaml: (?:line (\d+): )?((?s).*)$`)
	unknownAnchor = regexp.MustCompile(`unknown anchor '(.*)'`)
)

// syntax turns the parser's message into one of ours. Where the parser knows
// no line, or that of the end, the text shows it.
func (d *document) syntax(text []byte, root string, err error) {
	what, line := err.Error(), ""
	if m := yamlError.FindStringSubmatch(what); m != nil {
		line, what = m[1], m[2]
	}
	var culprit *regexp.Regexp
	if strings.Contains(what, "tab character") || strings.Contains(what, "cannot start any token") {
		culprit = regexp.MustCompile(`^ *\t`)
	} else if m := unknownAnchor.FindStringSubmatch(what); m != nil {
		culprit = regexp.MustCompile(`\*` + regexp.QuoteMeta(m[1]))
	}
	if culprit != nil {
		for i, s := range bytes.Split(text, []byte("\n")) {
			if culprit.Match(s) {
				line = strconv.Itoa(i + 1)
				break
			}
		}
	}
	place := d.name
	if line != "" {
		place += ":" + line
	}
	d.add(place, root, "this is not YAML: %s", what)
}

// mapping reads the keys that t knows.
func (d *document) mapping(n *yaml.Node, t reflect.Type, path string) map[string]any {
	possible := fields(t)
	values := map[string]any{}
	seen := map[string]int{}
	for i := 0; i+1 < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		if key.Kind != yaml.ScalarNode {
			d.add(d.at(key), path, "a key is a word, not a list or a mapping")
			continue
		}
		full := join(path, key.Value)
		if line, twice := seen[key.Value]; twice {
			d.add(d.at(key), full, "given twice, first in line %d", line)
			continue
		}
		seen[key.Value] = key.Line
		f, ok := find(possible, key.Value)
		if !ok {
			d.unknown(key, path, possible)
			continue
		}
		d.places[full] = d.at(key)
		if v := d.value(value, f.typ, full); v != nil {
			values[f.key] = v
		}
	}
	return values
}

func find(all []field, key string) (field, bool) {
	for _, f := range all {
		if f.key == key {
			return f, true
		}
	}
	return field{}, false
}

// unknown says what the key may have been meant to be: a sibling that is
// spelled alike, or the same word where it belongs.
func (d *document) unknown(key *yaml.Node, path string, siblings []field) {
	full := join(path, key.Value)
	if near := nearest(key.Value, names(siblings)); near != "" {
		d.add(d.at(key), full, "there is no such key, did you mean %q?", near)
		d.silence(join(path, near))
		return
	}
	for _, k := range known {
		if home := parent(k); k == join(home, key.Value) && home != "" {
			d.add(d.at(key), full, "there is no such key here, it belongs in %q", home)
			d.silence(k)
			return
		}
	}
	d.add(d.at(key), full, "there is no such key, here are %s", strings.Join(names(siblings), ", "))
}

// channels is the key whose list may have names instead of an order.
const channels = "bench.scope.channels"

// channels reads names as the list in their order.
func (d *document) channels(n *yaml.Node) any {
	t := reflect.TypeFor[namedChannels]()
	values := d.mapping(n, t, channels)
	var list []any
	for _, f := range fields(t) {
		v, ok := values[f.key]
		switch {
		case ok:
			list = append(list, v)
		case f.key != "reference" && d.places[join(channels, f.key)] == "":
			d.add(d.at(n), channels, "%s is missing, write them like {arm1: 1, arm2: 2, reference: 3}", f.key)
			return nil
		}
	}
	return list
}

// value reads text, a list or a mapping, as t wants it; nil is a problem told.
func (d *document) value(n *yaml.Node, t reflect.Type, path string) any {
	refuse := func(format string, a ...any) any {
		d.add(d.at(n), path, format, a...)
		return nil
	}
	switch t = listed(t); {
	case n.Kind == yaml.AliasNode:
		return refuse("*%s stands for another value: write the value itself", n.Value)
	case n.Kind == yaml.ScalarNode && (n.Tag == "!!null" || strings.TrimSpace(n.Value) == ""):
		return refuse("is empty: give a value, or remove the line")
	case path == "limits" && n.Kind == yaml.ScalarNode:
		return n.Value // the name of a file
	case isMapping(t):
		if n.Kind != yaml.MappingNode {
			return refuse("keys are wanted here: %s", strings.Join(names(fields(t)), ", "))
		}
		return d.mapping(n, t, path)
	case path == channels && n.Kind == yaml.MappingNode:
		return d.channels(n)
	case t.Kind() == reflect.Slice:
		if n.Kind != yaml.SequenceNode {
			return refuse("a list is wanted here, like [..., ...]")
		}
		list := make([]any, 0, len(n.Content))
		for i, item := range n.Content {
			at := fmt.Sprintf("%s[%d]", path, i)
			d.places[at] = d.at(item)
			if v := d.value(item, t.Elem(), at); v != nil {
				list = append(list, v)
			} else {
				d.silence(path) // its indices no longer hold
			}
		}
		return list
	default:
		if n.Kind != yaml.ScalarNode {
			return refuse("one value is wanted here, not a list or keys")
		}
		return n.Value
	}
}
