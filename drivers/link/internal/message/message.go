// Package message finds where IEEE 488.2 messages end among their bytes, for
// links that carry the end beside the bytes (END, EOM) and users who know it
// by the newline alone.
//
// A newline ends a message unless it is a byte of an arbitrary block (488.2,
// 8.7.9 and 8.7.10; numbers from memory). A block counts where it begins a
// message, follows a header ("CURVE #3100…") or another block, and not within
// other text, where # can mean anything.
package message

import "bytes"

type state int

const (
	head       state = iota // a block may begin
	hash                    // after its #
	length                  // among the digits of its length
	definite                // among its bytes
	indefinite              // among bytes that only the message's end ends
	text                    // no block begins before the message ends
)

// Scanner follows the bytes of one message after another. The zero Scanner is
// at the beginning of a message.
type Scanner struct {
	state  state
	digits int  // of the length, to come
	left   int  // bytes of the block, to come
	ended  bool // the last byte was a newline that ends the message
	begun  bool // bytes of a message were seen since its beginning
}

// Reset goes to the beginning of a message.
func (s *Scanner) Reset() { *s = Scanner{} }

// Begun says whether bytes of the current message were seen, and its end was not.
func (s *Scanner) Begun() bool { return s.begun }

// Next takes bytes of p up to and including the newline that ends the
// message, or all. In an indefinite block that newline is the last byte of p.
func (s *Scanner) Next(p []byte) (n int, ended bool) {
	for n < len(p) {
		s.begun, s.ended = true, false
		switch s.state {
		case definite:
			taken := min(s.left, len(p)-n)
			n += taken
			if s.left -= taken; s.left == 0 {
				s.state = head
			}
			continue
		case indefinite:
			n = len(p)
			if p[n-1] == '\n' {
				return n, s.end()
			}
			continue
		case text:
			i := bytes.IndexByte(p[n:], '\n')
			if i < 0 {
				return len(p), false
			}
			return n + i + 1, s.end()
		}
		b := p[n]
		n++
		if b == '\n' {
			return n, s.end()
		}
		s.step(b)
	}
	return n, false
}

func (s *Scanner) end() bool {
	*s = Scanner{ended: true}
	return true
}

// step takes one byte of what may become a block.
func (s *Scanner) step(b byte) {
	isDigit := b >= '0' && b <= '9'
	switch {
	case s.state == head && b == '#':
		s.state = hash
	case s.state == head && mayPrecede(b):
	case s.state == hash && b == '0':
		s.state = indefinite
	case s.state == hash && isDigit:
		s.state, s.digits, s.left = length, int(b-'0'), 0
	case s.state == length && isDigit:
		s.left = s.left*10 + int(b-'0') // nine digits at most: no overflow
		if s.digits--; s.digits > 0 {
			return
		}
		if s.state = definite; s.left == 0 {
			s.state = head
		}
	default:
		s.state = text
	}
}

// mayPrecede says whether b may stand before a block: in a header, a
// separator, white space.
func mayPrecede(b byte) bool {
	return b >= 'A' && b <= 'Z' || b >= 'a' && b <= 'z' || bytes.IndexByte([]byte(":*_,; \t\r\x00"), b) >= 0
}

// End is told that the message ends here, and says whether it lacks the
// newline. An end among the bytes of a definite block is none: the block goes
// on with what comes next.
func (s *Scanner) End() (lacksNewline bool) {
	if s.state == definite {
		return false
	}
	lacks := !s.ended
	s.Reset()
	return lacks
}
