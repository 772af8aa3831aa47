package simbench

import (
	"encoding"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"go.yaml.in/yaml/v3"
)

// decoder fills a struct from a YAML tree and remembers the line of each key.
// It is strict as KnownFields is, and unlike it gives the line of a value that
// cannot be read, too.
type decoder struct {
	lines map[string]int // by key: "balun.sleeve.inductance"
}

// decode fills v, which key names. Keys that are left out keep v's value.
func (d *decoder) decode(node *yaml.Node, key string, v reflect.Value) error {
	d.lines[key] = node.Line
	if node.Kind == yaml.AliasNode {
		return at(node, key, "write the value out; a reference to another one is not read here")
	}
	if u, ok := v.Addr().Interface().(encoding.TextUnmarshaler); ok {
		if node.Kind != yaml.ScalarNode {
			return at(node, key, "one value is expected")
		}
		if err := u.UnmarshalText([]byte(node.Value)); err != nil {
			return at(node, key, err.Error())
		}
		return nil
	}
	switch v.Kind() {
	case reflect.Struct:
		return d.decodeStruct(node, key, v)
	case reflect.Array:
		if node.Kind != yaml.SequenceNode || len(node.Content) != v.Len() {
			return at(node, key, fmt.Sprintf("a list of %d is expected", v.Len()))
		}
		for i, item := range node.Content {
			if err := d.decode(item, fmt.Sprintf("%s[%d]", key, i), v.Index(i)); err != nil {
				return err
			}
		}
		return nil
	}
	if v.Kind() == reflect.Slice {
		return d.decodeList(node, key, v)
	}
	if node.Kind != yaml.ScalarNode || node.Value == "" {
		return at(node, key, "one value is expected")
	}
	if err := decodePlain(node, v); err != nil {
		return at(node, key, fmt.Sprintf("%s is expected, not %s", kindName(v.Kind()), strconv.Quote(node.Value)))
	}
	return nil
}

// longest list; more is a slip.
const longest = 100

func (d *decoder) decodeList(node *yaml.Node, key string, v reflect.Value) error {
	if node.Kind != yaml.SequenceNode || len(node.Content) == 0 || len(node.Content) > longest {
		return at(node, key, fmt.Sprintf("a list of 1 to %d is expected", longest))
	}
	list := reflect.MakeSlice(v.Type(), len(node.Content), len(node.Content))
	for i, item := range node.Content {
		if err := d.decode(item, fmt.Sprintf("%s[%d]", key, i), list.Index(i)); err != nil {
			return err
		}
	}
	v.Set(list)
	return nil
}

// decodePlain leaves all but whole numbers to the library, which would cut
// 1.5 down to one.
func decodePlain(node *yaml.Node, v reflect.Value) error {
	switch v.Kind() {
	case reflect.Uint64:
		n, err := strconv.ParseUint(node.Value, 10, 64)
		v.SetUint(n)
		return err
	case reflect.Int:
		n, err := strconv.Atoi(node.Value)
		v.SetInt(int64(n))
		return err
	}
	return node.Decode(v.Addr().Interface())
}

func kindName(k reflect.Kind) string {
	switch k {
	case reflect.Int:
		return "a whole number"
	case reflect.Uint64:
		return "a whole number, not negative,"
	case reflect.Float64:
		return "a number"
	case reflect.Bool:
		return "true or false"
	default:
		return "text"
	}
}

func (d *decoder) decodeStruct(node *yaml.Node, key string, v reflect.Value) error {
	if node.Kind != yaml.MappingNode {
		return at(node, key, "keys with values are expected")
	}
	var known []string
	for i := range v.NumField() {
		known = append(known, v.Type().Field(i).Tag.Get("yaml"))
	}
	seen := map[string]bool{}
	for i := 0; i+1 < len(node.Content); i += 2 {
		name, value := node.Content[i], node.Content[i+1]
		full := strings.TrimPrefix(key+"."+name.Value, ".")
		field := slices.Index(known, name.Value)
		if field < 0 {
			return at(name, full, "no such key here; known are "+strings.Join(known, ", "))
		}
		if seen[name.Value] {
			return at(name, full, "given twice")
		}
		seen[name.Value] = true
		if err := d.decode(value, full, v.Field(field)); err != nil {
			return err
		}
	}
	return nil
}

func at(node *yaml.Node, key, why string) error {
	if key == "" {
		return fmt.Errorf("line %d: %s", max(node.Line, 1), why)
	}
	return fmt.Errorf("line %d: %s: %s", node.Line, key, why)
}

// line of a key, or of the nearest one above it that the file has.
func (d *decoder) line(key string) int {
	for key != "" {
		if n, found := d.lines[key]; found {
			return n
		}
		key = key[:max(strings.LastIndexAny(key, ".["), 0)]
	}
	return 1
}
