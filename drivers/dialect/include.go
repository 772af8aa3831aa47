package dialect

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"go.yaml.in/yaml/v3"

	"halfturn/configs"
)

// source is a file that is read: a shipped dialect, or one on disk.
type source struct {
	name    string // as messages call it: of the shipped dialect, or the path
	shipped bool
}

// same says whether two sources are one file.
func (s source) same(other source) bool {
	if s.shipped || other.shipped || s.name == other.name {
		return s == other
	}
	a, err := os.Stat(s.name)
	b, wrong := os.Stat(other.name)
	return err == nil && wrong == nil && os.SameFile(a, b)
}

// find is the shipped dialect of that name, or else the file of that path.
func find(nameOrPath string) source {
	_, err := fs.Stat(configs.FS, "dialects/"+nameOrPath+".yaml")
	return source{nameOrPath, err == nil}
}

// beside finds what a dialect includes: a path is relative to its own file. A
// shipped dialect includes shipped ones only.
func (s source) beside(include string) source {
	found := find(include)
	if found.shipped || filepath.IsAbs(include) {
		return found
	}
	return source{name: filepath.Join(filepath.Dir(s.name), include), shipped: s.shipped}
}

// largest file that is read: a slip such as the path of a record is told at once.
const largest = 1 << 20

// read is the text of the file.
func (s source) read() ([]byte, error) {
	var f fs.File
	var err error
	if s.shipped {
		f, err = configs.FS.Open("dialects/" + s.name + ".yaml")
	} else {
		f, err = os.Open(s.name)
	}
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, fs.ErrInvalid) {
		return nil, fmt.Errorf("neither a shipped one (%s) nor a file", strings.Join(shipped(), ", "))
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return readAll(f)
}

func readAll(r io.Reader) ([]byte, error) {
	text, err := io.ReadAll(io.LimitReader(r, largest+1))
	if err == nil && len(text) > largest {
		err = fmt.Errorf("larger than %d bytes, this is no dialect", largest)
	}
	return text, err
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

// kInclude is the key that names another dialect. What that one says holds
// where the file itself says nothing.
const kInclude = "include"

// deepest that dialects include one another.
const deepest = 10

// include puts the keys of the included file under those of root. chain are
// the files that led here, the last is root's own.
func (d *document) include(root *yaml.Node, chain []source) {
	at, named := d.included(root)
	if at == nil || d.err != nil {
		return
	}
	base := chain[len(chain)-1].beside(named)
	if i := slices.IndexFunc(chain, base.same); i >= 0 {
		names := make([]string, 0, len(chain)+1)
		for _, s := range append(slices.Clone(chain[i:]), base) {
			names = append(names, s.name)
		}
		d.fail(at, "the dialect includes itself: %s", strings.Join(names, " includes "))
		return
	}
	if len(chain) == deepest {
		d.fail(at, "more than %d dialects include one another", deepest)
		return
	}
	if info, err := os.Stat(base.name); !base.shipped && err == nil && !info.Mode().IsRegular() {
		d.fail(at, "include %q: a file is expected", named)
		return
	}
	text, err := base.read()
	if err != nil {
		d.fail(at, "include %q: %w", named, err)
		return
	}
	under := d.root(base.name, text)
	if under == nil {
		return
	}
	if under.Kind != yaml.MappingNode {
		d.fail(under, "lines of the form \"key: value\" are expected here")
		return
	}
	d.include(under, append(slices.Clone(chain), base))
	if d.err == nil {
		layOver(root, under)
	}
}

// included is what the file includes, and where it says so; nil if it
// includes nothing.
func (d *document) included(root *yaml.Node) (at *yaml.Node, named string) {
	if root.Kind != yaml.MappingNode {
		return nil, ""
	}
	if at = valueOf(root, kInclude); at == nil {
		return nil, ""
	}
	return at, d.line(at)
}

// valueOf is the value of a key; nil if it is not there.
func valueOf(m *yaml.Node, key string) *yaml.Node {
	for i := 0; i+1 < len(m.Content); i += 2 {
		if m.Content[i].Value == key {
			return m.Content[i+1]
		}
	}
	return nil
}

// layOver gives top the keys of base that it has not, section by section. A
// list is one value: the file's own stands in place of the included one.
func layOver(top, base *yaml.Node) {
	for i := 0; i+1 < len(base.Content); i += 2 {
		key, value := base.Content[i], base.Content[i+1]
		if key.Value == kInclude {
			continue
		}
		switch own := valueOf(top, key.Value); {
		case own == nil:
			top.Content = append(top.Content, key, value)
		case own.Kind == yaml.MappingNode && value.Kind == yaml.MappingNode:
			layOver(own, value)
		}
	}
}
