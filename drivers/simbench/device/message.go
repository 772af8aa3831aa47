package device

import "strings"

// unit is one command of a program message, IEEE 488.2, 7.3.
type unit struct {
	header string   // as sent, in upper case, without the question mark
	query  bool     // ended in a question mark
	params []string // trimmed; quoted strings keep their quotes
}

// splitOutsideQuotes cuts s at every sep that is not in a quoted string.
func splitOutsideQuotes(s string, sep byte) []string {
	var parts []string
	var quote byte
	start := 0
	for i := 0; i < len(s); i++ {
		switch c := s[i]; {
		case quote != 0:
			if c == quote {
				quote = 0
			}
		case c == '"' || c == '\'':
			quote = c
		case c == sep:
			parts = append(parts, s[start:i])
			start = i + 1
		}
	}
	return append(parts, s[start:])
}

// parseUnit takes one command apart. Every byte up to the space is the
// header; whether it names anything is found out later.
func parseUnit(text string) unit {
	text = strings.TrimFunc(text, isBlank)
	end := strings.IndexFunc(text, isBlank)
	if end < 0 {
		end = len(text)
	}
	header, rest := text[:end], strings.TrimFunc(text[end:], isBlank)
	u := unit{}
	header, u.query = strings.CutSuffix(header, "?")
	u.header = strings.ToUpper(header)
	if rest != "" {
		u.params = splitOutsideQuotes(rest, ',')
		for i, p := range u.params {
			u.params[i] = strings.TrimFunc(p, isBlank)
		}
	}
	return u
}

// isBlank is white space of IEEE 488.2, 7.4.1.2: every control but newline, and space.
func isBlank(r rune) bool { return r <= ' ' }

// words gives the header's keywords from the root of the tree, and the path
// that the next unit starts from (SCPI-99 Volume 1, 6.2.4): a header without a
// leading colon goes on where the last one branched off; a common command
// leaves the path alone.
func words(header string, path []string) (full, next []string) {
	rooted := strings.HasPrefix(header, ":")
	list := strings.Split(strings.TrimPrefix(header, ":"), ":")
	if !rooted {
		list = append(append([]string(nil), path...), list...)
	}
	return list, list[:len(list)-1]
}
