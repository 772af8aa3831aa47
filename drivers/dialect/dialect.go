// Package dialect makes a drivers.Generator or a drivers.Scope of a dialect
// file: a text that says how one kind of instrument is spoken to. All
// knowledge of instruments is in those files, none in this package.
//
//	sweep            asks a Generator and a Scope
//	drivers/dialect  fills the file's messages in, reads the replies by its rules
//	drivers/scpi     carries messages and replies
//
// Parse and Load read a file and try it out: every message is filled in with
// every channel, range and window that the file lists, every number is written
// and read back, every scale is computed. Only a branch that a template takes
// at one frequency or level in between is left to the bench, where a failure is
// a refusal. configs/dialects/README.md tells how to write a file; the shipped
// ones lie beside it.
package dialect

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"

	"halfturn/drivers/scpi"
)

// The instruments that a file can describe.
const (
	ofGenerator = "generator"
	ofScope     = "scope"
)

// File is a dialect file that has been read and tried out.
type File struct {
	Name  string // of the shipped dialect, or the path
	About string // what the file says of itself
	// Instrument is "generator" or "scope".
	Instrument string

	link      linkText
	prepare   prepareText
	generator *generatorText
	scope     *scopeText
}

// HasErrorQueue says whether the instrument can be asked for errors: for its
// error queue, or for a status that tells them.
func (f *File) HasErrorQueue() bool { return f.link.errors != "" }

// Confirms says whether a verb (frequency, drive or rf; range or window) is
// read back after it was set.
func (f *File) Confirms(verb string) bool {
	switch g, s := f.generator, f.scope; {
	case g != nil && verb == qFrequency:
		return len(g.frequency.confirm) > 0
	case g != nil && verb == qDrive:
		return len(g.drive.confirm) > 0
	case g != nil && verb == qRF:
		return g.rfConfirm != nil
	case s != nil && verb == qRange:
		return len(s.setRange.confirm) > 0
	case s != nil && verb == vWindow:
		return len(s.setWindow.confirm) > 0
	}
	return false
}

// linkText is what holds for every exchange.
type linkText struct {
	terminator string
	timeLimit  time.Duration
	identity   string // query; empty if the instrument has none
	errors     string // query; empty if the instrument has none
	errorReply scpi.ErrorReply
	headers    bool   // replies begin with the header of their query
	echo       bool   // what is sent comes back before the reply
	prompt     string // that is written when the next message is taken; empty for none
}

// prepareText brings the instrument into a known state.
type prepareText struct {
	send []message
	wait *waitText // nil if not waited for
}

// formatVersion is the format that this package reads.
const formatVersion = "1"

// Load reads the shipped dialect of that name, or else the file with that path.
func Load(nameOrPath string) (*File, error) {
	from := find(nameOrPath)
	text, err := from.read()
	if err != nil {
		return nil, fmt.Errorf("dialect %q: %w", nameOrPath, err)
	}
	return interpret(from, text)
}

// Parse reads a dialect file; name is its path, which includes go by. The error
// is one line with the name, the line in the file and what was expected there.
func Parse(name string, r io.Reader) (*File, error) {
	text, err := readAll(r)
	if err != nil {
		return nil, fmt.Errorf("dialect %s: %w", name, err)
	}
	return interpret(source{name: name}, text)
}

func interpret(from source, text []byte) (*File, error) {
	d := &document{name: from.name, from: map[*yaml.Node]string{}}
	f := d.file(from, text)
	if d.err != nil {
		return nil, d.err
	}
	return f, nil
}

// common are the keys of both kinds of file.
var common = []string{"format", kInclude, "instrument", "about", "link", "abilities", "numbers", "prepare"}

var keysOf = map[string][]string{
	ofGenerator: append(slices.Clone(common), "frequency", "drive", "rf"),
	ofScope:     append(slices.Clone(common), "range", "window", "acquire", "read", "scale"),
}

func (d *document) file(from source, text []byte) *File {
	root := d.root("", text)
	if root == nil {
		return nil
	}
	if d.include(root, []source{from}); d.err != nil {
		return nil
	}
	// The version and the kind decide what else may be in the file.
	first := d.loose(root)
	if v := d.text(first.need("format", "the version of the format, "+formatVersion)); d.err == nil && v != formatVersion {
		d.fail(first.at("format"), "format %q is not known, only %s is", v, formatVersion)
	}
	f := &File{Name: d.name}
	f.Instrument = d.text(first.need("instrument", "generator or scope"))
	keys, known := keysOf[f.Instrument]
	if d.err == nil && !known {
		d.fail(first.at("instrument"), "instrument %q: generator or scope is expected", f.Instrument)
	}
	if d.err != nil {
		return nil
	}
	m := d.mapping(root, "a "+f.Instrument+"'s dialect", keys...)
	if m.has("about") {
		f.About = d.text(m.at("about"))
	}
	f.link = d.link(m.section("link", "terminator", "time_limit", "identity", "errors", "headers", "echo", "prompt"))
	if f.Instrument == ofGenerator {
		f.prepare = d.prepare(m.section("prepare", "send", "wait"))
		f.generator = d.generator(m)
	} else {
		prepare := m.section("prepare", "send", "channel", "wait")
		f.prepare = d.prepare(prepare)
		f.scope = d.scope(m, prepare)
	}
	return f
}

// terminators by the names of their control characters.
var terminators = map[string]string{"LF": "\n", "CR": "\r", "CRLF": "\r\n"}

// none stands where an instrument has no such thing.
const none = "none"

func (d *document) link(m mapping) linkText {
	l := linkText{terminator: "\n"}
	if m.has("terminator") {
		t := d.text(m.at("terminator"))
		var known bool
		if l.terminator, known = terminators[t]; d.err == nil && !known {
			d.fail(m.at("terminator"), "terminator %q: LF, CR or CRLF is expected", t)
		}
	}
	l.timeLimit = d.duration(m.need("time_limit", "the time for one exchange, like 2 s"))
	if d.err == nil && l.timeLimit <= 0 {
		d.fail(m.at("time_limit"), "time_limit must be above 0 s")
	}
	query := func(m mapping, key, example string) string {
		n := m.need(key, fmt.Sprintf("a query like %q, or none", example))
		if q := d.line(n); q != none {
			return q
		}
		return ""
	}
	l.identity = query(m, "identity", "*IDN?")
	const errorQuery = ":SYSTem:ERRor?"
	if n := m.values["errors"]; n != nil && n.Kind == yaml.MappingNode {
		e := m.section("errors", "ask", "empty", "bits")
		l.errors = query(e, "ask", errorQuery)
		empty := e.values["empty"] // may be none, as it is the text that an instrument sends
		if empty != nil {
			l.errorReply.Empty = strings.TrimSpace(d.line(empty))
		}
		if e.has("bits") {
			l.errorReply.Bits = d.whole(e.at("bits"), 1, mostBits)
		}
		if d.err == nil && (empty != nil) == e.has("bits") {
			d.fail(n, "either empty (the text that says that there is no error) or bits (of a status byte that tell errors) is expected")
		}
	} else {
		l.errors = query(m, "errors", errorQuery)
	}
	l.headers, l.echo = d.yes(m, "headers"), d.yes(m, "echo")
	if m.has("prompt") {
		l.prompt = strings.TrimSpace(d.line(m.at("prompt")))
	}
	return l
}

// mostBits is the largest status: 16 bits.
const mostBits = 1<<16 - 1

// yes reads a switch that is off where it is left out.
func (d *document) yes(m mapping, key string) bool {
	return m.has(key) && d.word(m.at(key), "yes", "no") == "yes"
}

func (d *document) prepare(m mapping) prepareText {
	var p prepareText
	if n := m.need("send", "the set-up lines, or none"); m.has("send") {
		p.send = d.messages(n, nil)
	}
	if m.has("wait") {
		w := d.wait(m)
		p.wait = &w
	}
	for _, set := range p.send {
		d.try(set, nil, false)
	}
	return p
}
