package setup

import (
	"encoding"
	"reflect"
	"strings"
)

// field is one key of a mapping in the file.
type field struct {
	key string
	typ reflect.Type
}

// fields are the keys that a mapping of type t may hold, in the order of t.
func fields(t reflect.Type) []field {
	var all []field
	for i := range t.NumField() {
		f := t.Field(i)
		key, options, _ := strings.Cut(f.Tag.Get("mapstructure"), ",")
		if options == "squash" {
			all = append(all, fields(f.Type)...)
			continue
		}
		all = append(all, field{key, f.Type})
	}
	return all
}

func names(all []field) []string {
	var keys []string
	for _, f := range all {
		keys = append(keys, f.key)
	}
	return keys
}

var textual = reflect.TypeFor[encoding.TextUnmarshaler]()

// isMapping tells whether the file holds a mapping for t, not a value.
func isMapping(t reflect.Type) bool {
	return t.Kind() == reflect.Struct && !reflect.PointerTo(t).Implements(textual)
}

// listed is the slice that an optional list points to; any other type as it is.
func listed(t reflect.Type) reflect.Type {
	if t.Kind() == reflect.Pointer && t.Elem().Kind() == reflect.Slice {
		return t.Elem()
	}
	return t
}

// keys are the paths of all values below t, as "plan.segments[].from".
func keys(t reflect.Type, path string) []string {
	switch t = listed(t); {
	case isMapping(t):
		var all []string
		for _, f := range fields(t) {
			all = append(all, keys(f.typ, join(path, f.key))...)
		}
		return all
	case t.Kind() == reflect.Slice && isMapping(t.Elem()):
		return keys(t.Elem(), path+"[]")
	default:
		return []string{path}
	}
}

// known are all keys of a bench file.
var known = keys(reflect.TypeFor[shape](), "")

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

// nearest is the candidate that word is a misspelling of, or "".
func nearest(word string, candidates []string) string {
	best, least := "", 0
	for _, c := range candidates {
		d := distance(strings.ToLower(word), strings.ToLower(c))
		if d <= max(2, len(c)/3) && d < max(len(word), len(c)) && (best == "" || d < least) {
			best, least = c, d
		}
	}
	return best
}

// distance is the edit distance of Levenshtein (1966) between a and b, with a
// swap of neighbours counted as one edit, since that is how fingers slip.
func distance(a, b string) int {
	s, t := []rune(a), []rune(b)
	rows := make([][]int, len(s)+1)
	for i := range rows {
		rows[i] = make([]int, len(t)+1)
		rows[i][0] = i
	}
	for j := range rows[0] {
		rows[0][j] = j
	}
	for i := 1; i <= len(s); i++ {
		for j := 1; j <= len(t); j++ {
			change := 1
			if s[i-1] == t[j-1] {
				change = 0
			}
			rows[i][j] = min(rows[i-1][j]+1, rows[i][j-1]+1, rows[i-1][j-1]+change)
			if i > 1 && j > 1 && s[i-1] == t[j-2] && s[i-2] == t[j-1] {
				rows[i][j] = min(rows[i][j], rows[i-2][j-2]+1)
			}
		}
	}
	return rows[len(s)][len(t)]
}
