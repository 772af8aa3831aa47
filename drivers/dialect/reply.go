package dialect

import (
	"fmt"
	"strings"

	"halfturn/drivers"
	"halfturn/drivers/scpi"
)

// What stands between the items of a reply.
var separators = map[string]byte{"comma": ',', "semicolon": ';', "blank": ' '}

var separatorNames = []string{"comma", "semicolon", "blank"}

// separator reads the key of that name; a comma if it is left out.
func (d *document) separator(m mapping) byte {
	if !m.has("separator") {
		return ','
	}
	return separators[d.word(m.at("separator"), separatorNames...)]
}

// items parts a reply. What separates counts only outside of quotes; between
// blanks a unit stays with the number before it, so that "500 MHz 1000" has two
// items.
func items(reply string, separator byte) []string {
	var all []string
	add := func(item string) {
		item = strings.TrimSpace(item)
		if separator == ' ' {
			if item == "" {
				return
			}
			if n := len(all); n > 0 && (isLetter(item[0]) || item[0] >= 0x80) && isBare(all[n-1]) {
				all[n-1] += " " + item
				return
			}
		}
		all = append(all, item)
	}
	begin, quoted := 0, false
	for i := range len(reply) {
		switch c := reply[i]; {
		case c == '"':
			quoted = !quoted
		case c == separator && !quoted:
			add(reply[begin:i])
			begin = i + 1
		}
	}
	add(reply[begin:])
	return all
}

// isBare says whether an item is a number without a unit.
func isBare(item string) bool {
	_, err := scpi.ParseNumber(item)
	return err == nil
}

// itemAt is one item of a reply, counted from 1.
func itemAt(all []string, place int) (string, error) {
	if place > len(all) {
		return "", fmt.Errorf("%w: item %d is needed, and %d came", drivers.ErrReply, place, len(all))
	}
	return all[place-1], nil
}

// unquoted is a text without the quotes around it.
func unquoted(s string) string {
	s = strings.TrimSpace(s)
	if len(s) >= 2 && (s[0] == '"' || s[0] == '\'') && s[len(s)-1] == s[0] {
		return s[1 : len(s)-1]
	}
	return s
}
