package scpi

import (
	"bytes"
	"errors"
	"fmt"
	"strings"

	"halfturn/drivers"
)

// With Options.Headers a reply begins with the header of its query, as older
// instruments have it and IEEE 488.2, 8.4 allows: FREQ? is answered by
// FREQ 3E+07, or by FREQUENCY 3E+07. Others put an equals sign between them. A header that is another one tells a reply
// to another question.

// headerOf is the header that the reply to query has: that of its last part.
// Common queries (*IDN?) have none.
func headerOf(query string) string {
	last := strings.TrimSpace(query[strings.LastIndexByte(query, ';')+1:])
	header, _, asks := strings.Cut(last, "?")
	if !asks {
		header, _, _ = strings.Cut(last, " ")
	}
	if strings.HasPrefix(header, "*") {
		return ""
	}
	return strings.TrimSpace(header)
}

// cutHeader takes the header off the reply to query.
func cutHeader(query string, reply []byte) ([]byte, error) {
	header := headerOf(query)
	if header == "" {
		return reply, nil
	}
	s := string(reply)
	words := strings.Count(header, " ") + 1
	end := 0
	for range words {
		for end < len(s) && s[end] == ' ' {
			end++
		}
		for end < len(s) && s[end] != ' ' && s[end] != '\t' && s[end] != '=' {
			end++
		}
	}
	if !sameHeader(header, strings.TrimSpace(s[:end])) {
		return reply, fmt.Errorf("%w: its header is missing, it should begin with %s, as the dialect says (link.headers)", drivers.ErrReply, header)
	}
	const white = " \t\r\n\x00" // as blank has it
	rest := bytes.TrimLeft(reply[end:], white)
	rest, _ = bytes.CutPrefix(rest, []byte("="))
	return bytes.TrimLeft(rest, white), nil
}

// RepeatsHeader says whether a reply begins with the header of its query and
// goes on behind it.
func RepeatsHeader(query, reply string) bool {
	rest, err := cutHeader(query, []byte(strings.TrimSpace(reply)))
	return err == nil && len(rest) > 0 && headerOf(query) != ""
}

// sameHeader compares headers, capital letters or not, and each part of them
// long or short: :SENS1:VOLT is SENSE1:VOLTAGE.
func sameHeader(a, b string) bool {
	parts := func(s string) []string {
		return strings.FieldsFunc(strings.ToUpper(s), func(r rune) bool { return r == ':' || r == ' ' })
	}
	x, y := parts(a), parts(b)
	if len(x) != len(y) || len(x) == 0 {
		return false
	}
	for i := range x {
		word, number := cutDigits(x[i])
		other, same := cutDigits(y[i])
		if number != same || !strings.HasPrefix(word, other) && !strings.HasPrefix(other, word) || (word == "") != (other == "") {
			return false
		}
	}
	return true
}

// cutDigits parts a word from the number at its end.
func cutDigits(s string) (word, number string) {
	word = strings.TrimRight(s, "0123456789")
	return word, s[len(word):]
}

// longest that is read in search of the # of a block.
const longestHeader = 256

// skipHeader reads up to the # of the block that answers query, into c.line
// what stands before it. found is false for a line without one.
func (c *Conn) skipHeader(query string) (found bool, err error) {
	for c.line = c.line[:0]; ; {
		b, err := c.in.ReadByte()
		switch {
		case err != nil:
			return false, err
		case len(c.line) == 0 && blank(b):
			continue
		case b == '#':
			// Just read: there is room to put it back.
			_ = c.in.UnreadByte()
			if len(c.line) == 0 { // its length alone is unmistakable
				return true, nil
			}
			if rest, err := cutHeader(query, c.line); err != nil || len(rest) > 0 {
				return true, fmt.Errorf("%w: a block comes, and %s should stand before it", drivers.ErrReply, headerOf(query))
			}
			return true, nil
		case c.ends(b):
			c.line = trimBlank(c.line)
			return false, nil
		case len(c.line) == longestHeader:
			return false, fmt.Errorf("%w: no block begins within %d bytes", drivers.ErrReply, longestHeader)
		}
		c.line = append(c.line, b)
	}
}

// trimBlank takes white space off the end.
func trimBlank(line []byte) []byte {
	for len(line) > 0 && blank(line[len(line)-1]) {
		line = line[:len(line)-1]
	}
	return line
}

// errNoEcho is a message that did not come back.
var errNoEcho = errors.New("what was sent did not come back, and the instrument is said to echo")

// deliver sends messages. An instrument that echoes has each sent back before
// the next goes out, so that it is never given more than it takes.
func (c *Conn) deliver(messages ...string) error {
	if !c.o.Echo {
		return c.write(messages...)
	}
	for _, m := range messages {
		if err := c.write(m); err != nil {
			return err
		}
		if err := c.readEcho(m); err != nil {
			return err
		}
	}
	return nil
}

// readEcho reads the line that the instrument sends back of a message. One
// that differs tells that characters were lost.
func (c *Conn) readEcho(message string) error {
	want := strings.TrimSpace(message)
	for want != "" { // an empty line does not show
		switch err := c.readLine(c.o.MaxReply, false); {
		case err != nil:
			return fmt.Errorf("%w: %w", errNoEcho, err)
		case string(c.line) == want:
			c.line = c.line[:0]
			return nil
		case c.staleIdentity(message) || c.owed > 0 && string(c.line) == c.o.IdentityQuery:
			continue // of an identity query that was given up
		}
		return fmt.Errorf("%w: this is not the echo of what was sent; characters are lost where they come faster than the instrument takes them (a serial address can have a pace)", drivers.ErrReply)
	}
	return nil
}
