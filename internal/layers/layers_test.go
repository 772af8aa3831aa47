// Package layers tests that imports go one way, as the map in DEVELOPERS.md
// has it, and that the map has every package.
package layers

import (
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

const (
	root   = "../.."
	module = "halfturn/"
)

// imports gives for each folder with Go files what of this module they import,
// tests left out.
func imports(t *testing.T) map[string][]string {
	t.Helper()
	found := map[string][]string{}
	err := filepath.WalkDir(root, func(name string, d fs.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && name != root && (strings.HasPrefix(d.Name(), ".") || d.Name() == "testdata"):
			return fs.SkipDir
		case d.IsDir() || filepath.Ext(name) != ".go":
			return nil
		}
		folder, err := filepath.Rel(root, filepath.Dir(name))
		if err != nil {
			return err
		}
		folder = filepath.ToSlash(folder)
		list := found[folder]
		if !strings.HasSuffix(name, "_test.go") {
			file, err := parser.ParseFile(token.NewFileSet(), name, nil, parser.ImportsOnly)
			if err != nil {
				return err
			}
			for _, spec := range file.Imports {
				imported, err := strconv.Unquote(spec.Path.Value)
				if err != nil {
					return err
				}
				if inside, ours := strings.CutPrefix(imported, module); ours {
					list = append(list, inside)
				}
			}
		}
		found[folder] = list
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return found
}

var quoted = regexp.MustCompile("`([^`]+)`")

// drawn reads the map: for each folder of the table what it may import.
func drawn(t *testing.T) map[string][]string {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(root, "DEVELOPERS.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, table, found := strings.Cut(string(text), "| folder |")
	if !found {
		t.Fatal("DEVELOPERS.md has no map")
	}
	table, _, _ = strings.Cut(table, "\n\n")
	may := map[string][]string{}
	for row := range strings.Lines(table) {
		cells := strings.Split(row, "|")
		if len(cells) != 5 {
			continue
		}
		allowed := []string{}
		for _, name := range quoted.FindAllStringSubmatch(cells[3], -1) {
			allowed = append(allowed, name[1])
		}
		for _, folder := range quoted.FindAllStringSubmatch(cells[1], -1) {
			may[folder[1]] = allowed
		}
	}
	return may
}

// within says whether a folder is one of names, or below one.
func within(folder string, names ...string) bool {
	for _, name := range names {
		if folder == name || strings.HasPrefix(folder, name+"/") {
			return true
		}
	}
	return false
}

func TestImportsGoAsTheMapSays(t *testing.T) {
	may := drawn(t)
	for folder, list := range imports(t) {
		row := folder
		for row != "." && may[row] == nil {
			row = path.Dir(row)
		}
		if row == "." {
			t.Errorf("%s is not on the map in DEVELOPERS.md", folder)
			continue
		}
		allowed := append([]string{"units"}, may[row]...)
		if row != folder {
			allowed = append(allowed, row)
		}
		for _, imported := range list {
			if !within(imported, allowed...) {
				t.Errorf("%s imports %s, and the map does not let it", folder, imported)
			}
		}
	}
	for folder := range may {
		if _, err := os.Stat(filepath.Join(root, filepath.FromSlash(folder))); err != nil {
			t.Errorf("the map has %s: %v", folder, err)
		}
	}
}

// What the map may never say.
func TestDriversAndAnalysisStandAlone(t *testing.T) {
	for folder, list := range imports(t) {
		for _, imported := range list {
			switch {
			case within(folder, "units", "configs"),
				within(folder, "analysis") && !within(imported, "analysis", "units"),
				within(folder, "drivers") && !within(imported, "drivers", "configs", "units"),
				within(folder, "sweep") && within(imported, "cmd"),
				within(imported, "internal"),
				// The drivers know nothing of the simulated bench, and it knows nothing of them.
				within(folder, "drivers/simbench") && within(imported, "drivers") && !within(imported, "drivers/simbench"),
				within(folder, "drivers") && !within(folder, "drivers/simbench") && within(imported, "drivers/simbench"):
				t.Errorf("%s imports %s", folder, imported)
			}
		}
	}
}
