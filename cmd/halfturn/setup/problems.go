package setup

import (
	"fmt"
	"strings"
	"unicode"
)

// most is how many problems are shown at once: enough to mend a file in one
// go, few enough to read.
const most = 6

// Error is all that is wrong with a configuration, one line each: the place
// (file and line, environment variable or flag), the key, what is wrong and
// what to write instead.
type Error struct {
	Lines []string
}

func (e *Error) Error() string {
	if more := len(e.Lines) - most; more > 0 {
		return strings.Join(e.Lines[:most], "\n") + fmt.Sprintf("\n... and %d more", more)
	}
	return strings.Join(e.Lines, "\n")
}

// problems collects what is wrong. What was said about a key once is not said
// again in other words by a later check.
type problems struct {
	lines  []string
	spoken map[string]bool
}

func (p *problems) add(place, key, format string, a ...any) {
	p.silence(key)
	what := fmt.Sprintf(format, a...)
	if key != "" {
		what = key + ": " + what
	}
	p.lines = append(p.lines, oneLine(place+": "+what))
}

// silence keeps later checks from speaking of key.
func (p *problems) silence(key string) {
	if p.spoken == nil {
		p.spoken = map[string]bool{}
	}
	p.spoken[key] = true
}

// said tells whether any of the keys, or what they stand in, is a problem already.
func (p *problems) said(keys ...string) bool {
	for _, key := range keys {
		for k := key; k != ""; k = parent(k) {
			if p.spoken[k] {
				return true
			}
		}
	}
	return false
}

// saidIn tells whether anything that stands in the key is a problem already.
func (p *problems) saidIn(key string) bool {
	for k := range p.spoken {
		if strings.HasPrefix(k, key) {
			return true
		}
	}
	return false
}

func (p *problems) err() error {
	if len(p.lines) == 0 {
		return nil
	}
	return &Error{p.lines}
}

// oneLine keeps what a file holds from breaking a message into several lines,
// or from steering the terminal.
func oneLine(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || r == '\u2028' || r == '\u2029' {
			return ' '
		}
		return r
	}, s)
}

// parent is the key that key stands in: of "a.b[2]" "a.b", then "a", then "".
func parent(key string) string {
	return key[:max(strings.LastIndexAny(key, ".["), 0)]
}
