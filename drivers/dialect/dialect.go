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
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"slices"
	"strings"
	"time"

	"halfturn/configs"
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

// linkText is what holds for every exchange.
type linkText struct {
	terminator string
	timeLimit  time.Duration
	identity   string // query; empty if the instrument has none
	errors     string // query; empty if the instrument has none
}

// prepareText brings the instrument into a known state.
type prepareText struct {
	send []message
	wait *waitText // nil if not waited for
}

// waitText is a query that is answered when the instrument is ready.
type waitText struct {
	ask   message
	reply string
}

// formatVersion is the format that this package reads.
const formatVersion = "1"

// largest file that is read: a slip such as the path of a record is told at once.
const largest = 1 << 20

// Load reads the shipped dialect of that name, or else the file with that path.
func Load(nameOrPath string) (*File, error) {
	if f, err := configs.FS.Open("dialects/" + nameOrPath + ".yaml"); err == nil {
		defer f.Close()
		return Parse(nameOrPath, f)
	}
	f, err := os.Open(nameOrPath)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("dialect %q: neither a shipped one (%s) nor a file", nameOrPath, strings.Join(shipped(), ", "))
	}
	if err != nil {
		return nil, fmt.Errorf("dialect: %w", err)
	}
	defer f.Close()
	return Parse(nameOrPath, f)
}

// shipped lists the dialects inside the binary.
func shipped() []string {
	// A pattern that is constant and well formed has no error.
	names, _ := fs.Glob(configs.FS, "dialects/*.yaml")
	for i, n := range names {
		names[i] = strings.TrimSuffix(path.Base(n), ".yaml")
	}
	slices.Sort(names)
	return names
}

// Parse reads a dialect file. The error is one line with the name, the line
// in the file and what was expected there.
func Parse(name string, r io.Reader) (*File, error) {
	text, err := io.ReadAll(io.LimitReader(r, largest+1))
	if err != nil {
		return nil, fmt.Errorf("dialect %s: %w", name, err)
	}
	if len(text) > largest {
		return nil, fmt.Errorf("dialect %s: larger than %d bytes, this is no dialect", name, largest)
	}
	d := &document{name: name}
	f := d.file(text)
	if d.err != nil {
		return nil, d.err
	}
	return f, nil
}

// common are the keys of both kinds of file.
var common = []string{"format", "instrument", "about", "link", "abilities", "numbers", "prepare"}

var keysOf = map[string][]string{
	ofGenerator: append(slices.Clone(common), "frequency", "drive", "rf"),
	ofScope:     append(slices.Clone(common), "range", "window", "acquire", "read", "scale"),
}

func (d *document) file(text []byte) *File {
	root := d.root(text)
	if root == nil {
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
	f.link = d.link(m.section("link", "terminator", "time_limit", "identity", "errors"))
	f.prepare = d.prepare(m.section("prepare", "send", "wait"))
	if f.Instrument == ofGenerator {
		f.generator = d.generator(m)
	} else {
		f.scope = d.scope(m)
	}
	return f
}

// terminators by the names of their control characters.
var terminators = map[string]string{"LF": "\n", "CR": "\r", "CRLF": "\r\n"}

// none stands where an instrument has no such query.
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
	query := func(key, example string) string {
		n := m.need(key, fmt.Sprintf("a query like %q, or none", example))
		if q := d.line(n); q != none {
			return q
		}
		return ""
	}
	l.identity = query("identity", "*IDN?")
	l.errors = query("errors", ":SYSTem:ERRor?")
	return l
}

func (d *document) prepare(m mapping) prepareText {
	p := prepareText{send: d.messages(m.need("send", "the set-up lines"), nil)}
	if m.has("wait") {
		w := d.wait(m.section("wait", "ask", "reply"))
		p.wait = &w
	}
	for _, set := range p.send {
		d.try(set, nil, false)
	}
	return p
}

// wait reads a query and the reply that says ready.
func (d *document) wait(m mapping) waitText {
	w := waitText{
		ask:   d.message(m.need("ask", "the query that is answered when all is done"), nil),
		reply: d.line(m.need("reply", "what the instrument answers when it is ready")),
	}
	d.try(w.ask, nil, true)
	return w
}
