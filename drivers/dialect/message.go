package dialect

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"text/template"
	"text/template/parse"

	"go.yaml.in/yaml/v3"
)

// message is one line to an instrument, with places to be filled in.
type message struct {
	text string // as the file has it
	form *template.Template
	uses []string // quantities
	node *yaml.Node
}

// fill are the texts that the places of a message are filled with.
type fill map[string]string

// message reads a template that may use the given quantities.
func (d *document) message(n *yaml.Node, quantities []string) message {
	m := message{text: d.line(n), node: n}
	if d.err != nil {
		return m
	}
	form, err := template.New("message").Option("missingkey=error").Parse(m.text)
	if err != nil {
		why := strings.TrimPrefix(err.Error(), "template: message:1: ")
		d.fail(n, "the message %q cannot be read: %s", m.text, why)
		return m
	}
	w := walker{known: quantities}
	if err := w.walk(form.Root); err != nil {
		d.fail(n, "the message %q: %w", m.text, err)
	}
	m.uses = w.used
	m.form = form
	return m
}

// messages reads one message or a list of them.
func (d *document) messages(n *yaml.Node, quantities []string) []message {
	var all []message
	for _, item := range d.items(n) {
		all = append(all, d.message(item, quantities))
	}
	return all
}

// functions of templates that a message may use: those that choose.
var functions = []string{"eq", "ne", "and", "or", "not"}

// walker goes through a template.
type walker struct {
	known []string // quantities
	used  []string
}

// walk tells whether a template uses known quantities and nothing that loops,
// so that no file can hang the bench.
func (w *walker) walk(nodes ...parse.Node) error {
	for _, n := range nodes {
		if err := w.one(n); err != nil {
			return err
		}
	}
	return nil
}

func (w *walker) one(node parse.Node) error {
	switch n := node.(type) {
	case *parse.ListNode:
		return w.walk(n.Nodes...)
	case *parse.ActionNode:
		return w.one(n.Pipe)
	case *parse.IfNode:
		if n.ElseList != nil {
			return w.walk(n.Pipe, n.List, n.ElseList)
		}
		return w.walk(n.Pipe, n.List)
	case *parse.PipeNode:
		if len(n.Decl) > 0 {
			return errors.New("variables are not used in messages")
		}
		for _, c := range n.Cmds {
			if err := w.walk(c.Args...); err != nil {
				return err
			}
		}
		return nil
	case *parse.FieldNode:
		if len(n.Ident) == 1 && slices.Contains(w.known, n.Ident[0]) {
			w.used = append(w.used, n.Ident[0])
			return nil
		}
		if len(w.known) == 0 {
			return fmt.Errorf("there is nothing to fill in here, and so no {{%s}}", n)
		}
		return fmt.Errorf("{{%s}} is not known here; known: %s", n, places(w.known))
	case *parse.IdentifierNode:
		if slices.Contains(functions, n.Ident) {
			return nil
		}
		return fmt.Errorf("%s is not used in messages, only %s", n.Ident, strings.Join(functions, ", "))
	case *parse.TextNode, *parse.StringNode, *parse.BoolNode, *parse.CommentNode:
		return nil
	}
	return fmt.Errorf("%s is not used in messages, only {{.quantity}} and {{if}}", node)
}

func places(quantities []string) string {
	var all []string
	for _, q := range quantities {
		all = append(all, "{{."+q+"}}")
	}
	return strings.Join(all, ", ")
}

// write fills the message in. One that comes out empty is not sent.
func (m message) write(with fill) (string, error) {
	var out strings.Builder
	if err := m.form.Execute(&out, map[string]string(with)); err != nil {
		why := err.Error()
		if _, after, found := strings.Cut(why, "executing \"message\" at "); found {
			why = after
		}
		return "", fmt.Errorf("the message %q cannot be filled in: %s", m.text, why)
	}
	return strings.TrimSpace(out.String()), nil
}

// try fills a message in as it will be at the bench; one that must be sent
// cannot come out empty.
func (d *document) try(m message, with fill, must bool) {
	if d.err != nil {
		return
	}
	s, err := m.write(with)
	if err != nil {
		d.fail(m.node, "%w", err)
	} else if must && s == "" {
		d.fail(m.node, "the message %q comes out empty", m.text)
	}
}

// fill writes the values. Those whose quantity the file does not declare are
// left out.
func (f formats) fill(values map[string]float64, channel string) fill {
	with := fill{}
	if channel != "" {
		with[qChannel] = channel
	}
	for q, v := range values {
		if form, declared := f[q]; declared {
			with[q] = form.write(v)
		}
	}
	return with
}
