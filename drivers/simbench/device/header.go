package device

import (
	"fmt"
	"strconv"
	"strings"
)

// node is one keyword of a command's header.
type node struct {
	names    []name // alternatives: CW|FIXed
	suffixes int    // largest numeric suffix; 0 where there is none
	optional bool
}

type name struct{ short, long string } // upper case

// parsePattern reads a header as SCPI-99 writes it: capitals are the short
// form, brackets hold optional nodes, a bar separates alternatives and <1|2>
// stands for a numeric suffix from 1 to 2:
//
//	[:SOURce]:FREQuency[:CW|:FIXed]
//	[:SENSe]:VOLTage<1|2>[:DC]:RANGe:PTPeak
func parsePattern(pattern string) ([]node, error) {
	var nodes []node
	rest := pattern
	for rest != "" {
		n := node{}
		var part string
		if inner, found := strings.CutPrefix(rest, "["); found {
			part, rest, found = strings.Cut(inner, "]")
			if !found {
				return nil, fmt.Errorf("%s: bracket not closed", pattern)
			}
			n.optional = true
		} else {
			start := strings.TrimPrefix(rest, ":")
			end := strings.IndexAny(start, ":[")
			if end < 0 {
				end = len(start)
			}
			part, rest = start[:end], start[end:]
		}
		if at := strings.Index(part, "<"); at >= 0 {
			list := strings.TrimSuffix(part[at+1:], ">")
			largest, err := strconv.Atoi(list[strings.LastIndex(list, "|")+1:])
			if err != nil {
				return nil, fmt.Errorf("%s: suffix %q", pattern, list)
			}
			n.suffixes, part = largest, part[:at]
		}
		for alternative := range strings.SplitSeq(part, "|") {
			word := strings.TrimPrefix(alternative, ":")
			short := strings.TrimRight(word, "abcdefghijklmnopqrstuvwxyz")
			if short == "" {
				return nil, fmt.Errorf("%s: empty keyword", pattern)
			}
			n.names = append(n.names, name{short, strings.ToUpper(word)})
		}
		nodes = append(nodes, n)
	}
	return nodes, nil
}

// match compares a header's words, in upper case, with a pattern. suffix is
// the numeric suffix given, 1 when left out; tooFar says that the header is
// right and its suffix is not.
func match(nodes []node, words []string) (suffix int, tooFar, ok bool) {
	if len(nodes) == 0 {
		return 1, false, len(words) == 0
	}
	n := nodes[0]
	if len(words) > 0 {
		if own, far, fits := n.matchWord(words[0]); fits {
			if suffix, tooFar, ok = match(nodes[1:], words[1:]); ok {
				if n.suffixes > 0 {
					suffix = own
				}
				return suffix, tooFar || far, true
			}
		}
	}
	if n.optional {
		return match(nodes[1:], words)
	}
	return 0, false, false
}

// matchWord takes a missing suffix for 1, at every node (SCPI-99 Volume 1, 6.2.5.2).
func (n node) matchWord(word string) (suffix int, tooFar, ok bool) {
	stem := strings.TrimRight(word, "0123456789")
	suffix = 1
	if digits := word[len(stem):]; digits != "" {
		v, err := strconv.Atoi(digits)
		if err != nil {
			v = 0 // more digits than a number holds: out of range
		}
		suffix = v
	}
	for _, alternative := range n.names {
		if stem == alternative.short || stem == alternative.long {
			return suffix, suffix < 1 || suffix > max(n.suffixes, 1), true
		}
	}
	return 0, false, false
}
