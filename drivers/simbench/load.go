package simbench

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"reflect"
	"strings"

	"go.yaml.in/yaml/v3"

	"halfturn/configs"
)

const folder = "simbench"

// Names is the shipped scenarios, in alphabetical order.
func Names() []string {
	files, err := fs.Glob(configs.FS, path.Join(folder, "*.yaml"))
	if err != nil {
		panic(err) // the pattern is a constant
	}
	names := make([]string, len(files))
	for i, f := range files {
		names[i] = strings.TrimSuffix(path.Base(f), ".yaml")
	}
	return names
}

// Load reads a shipped scenario by its name or a file by its path. The error
// names the file, the line and the key.
func Load(nameOrPath string) (*Scenario, error) {
	data, err := read(nameOrPath)
	if err != nil {
		return nil, err
	}
	s, err := Parse(data)
	if err != nil {
		return nil, fmt.Errorf("scenario %s, %w", nameOrPath, err)
	}
	return s, nil
}

func read(nameOrPath string) ([]byte, error) {
	if !strings.ContainsAny(nameOrPath, `/\.`) {
		data, err := configs.FS.ReadFile(path.Join(folder, nameOrPath+".yaml"))
		if err == nil {
			return data, nil
		}
	}
	data, err := os.ReadFile(nameOrPath)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("scenario %q is neither a file nor one of %s", nameOrPath, strings.Join(Names(), ", "))
	}
	if err != nil {
		return nil, fmt.Errorf("scenario: %w", err)
	}
	return data, nil
}

// Parse reads a scenario's YAML.
func Parse(data []byte) (*Scenario, error) {
	var document yaml.Node
	in := yaml.NewDecoder(bytes.NewReader(data))
	switch err := in.Decode(&document); {
	case errors.Is(err, io.EOF):
		return nil, errors.New("line 1: it is empty")
	case err != nil:
		return nil, errors.New(strings.TrimPrefix(err.Error(), "yaml: "))
	}
	if err := in.Decode(new(yaml.Node)); !errors.Is(err, io.EOF) {
		return nil, errors.New("there is a second document in the file; one is read")
	}
	s := defaults()
	d := &decoder{lines: map[string]int{}}
	if err := d.decode(document.Content[0], "", reflect.ValueOf(&s).Elem()); err != nil {
		return nil, err
	}
	if f, bad := s.check(); bad {
		return nil, fmt.Errorf("line %d: %s: %s", d.line(f.key), f.key, f.why)
	}
	return &s, nil
}
