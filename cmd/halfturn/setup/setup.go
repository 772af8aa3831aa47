// Package setup reads what a bench is and what a sweep is to do: from a file,
// from HALFTURN_ environment variables and from flags, each above the one
// before it.
//
//	file, environment, flags ──Load──▶ Config ──▶ sweep, conformity, journal
//
// The file is YAML; configs/benches/README.md lists its keys. viper merges the
// three sources. It lower-cases keys and forgets where a value stood, so the
// file is read beside it as YAML nodes, which refuses what viper would pass
// over (unknown and repeated keys) and remembers every line. A value is kept
// as the text that a person wrote until it is read into its type, so that one
// rule holds for all three sources: a quantity has its unit.
//
// Whatever is wrong is said in one line each, with the place it stands at; see
// Error.
package setup

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
	"time"

	"github.com/spf13/pflag"

	"halfturn/analysis/conformity"
	"halfturn/configs"
	"halfturn/sweep"
)

// Config is a bench and what is to be done on it. Where it came from without
// an error, Plan.Validate holds, and Limits.Validate unless there are no
// limits.
type Config struct {
	Bench  sweep.Bench       `json:"bench"`
	Plan   sweep.Plan        `json:"plan"`
	Limits conformity.Limits `json:"limits"` // zero where none are given
	Store  string            `json:"store"`  // path of the store
	Thin   Thin              `json:"thin"`   // what of it goes in time
	Serve  Serve             `json:"serve"`  // how the daemon of the bench serves
}

// Thin says which captures the daemon removes: see package thin.
type Thin struct {
	After time.Duration `json:"after" mapstructure:"after"` // 0 for none
}

// Load reads a bench: the file at path, or the shipped bench of that name
// where path is a bare word without an ending. HALFTURN_ environment variables
// override the file, and the flags of Flags that were given override both;
// flags may be nil.
func Load(path string, flags *pflag.FlagSet) (*Config, error) {
	name, text, err := open(path, "benches", "bench")
	if err != nil {
		return nil, err
	}
	r := &reader{name: name, folder: folderOf(path), flags: given(flags), environ: environment(os.Environ())}
	return r.read(text)
}

// Parse reads a bench from text alone, without environment and flags; name is
// what messages call it. Limits and dialects may be shipped ones or files, the
// latter relative to the current folder.
func Parse(name string, text []byte) (*Config, error) {
	r := &reader{name: name, folder: "."}
	return r.read(text)
}

// Limits names the shipped limits.
func Limits() []string { return shipped("limits") }

func shipped(kind string) []string {
	files, _ := fs.Glob(configs.FS, kind+"/*.yaml") // the only error is a bad pattern
	for i, f := range files {
		files[i] = strings.TrimSuffix(path.Base(f), ".yaml")
	}
	slices.Sort(files)
	return files
}

// open reads a shipped file by its name or any file by its path; what names
// the kind of file in messages. The first result is what messages call it.
func open(file, kind, what string) (string, []byte, error) {
	if file == "" {
		return "", nil, fmt.Errorf("no %s file is named", what)
	}
	if isFile(file) {
		text, err := readFile(file)
		if err != nil {
			return "", nil, fmt.Errorf("%s file: %w", what, err)
		}
		return file, text, nil
	}
	inside := kind + "/" + file + ".yaml"
	text, err := configs.FS.ReadFile(inside)
	if errors.Is(err, fs.ErrNotExist) || errors.Is(err, fs.ErrInvalid) {
		return "", nil, fmt.Errorf("no %s called %q is shipped (there are %s); a file of your own is given with its ending, like %s.yaml",
			what, file, strings.Join(shipped(kind), ", "), file)
	}
	return inside, text, err
}

// largest is more than anybody writes: beyond it the wrong file was named.
const largest = 1 << 20

func readFile(name string) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, largest+1))
	if err != nil {
		return nil, err
	}
	if len(text) > largest {
		return nil, fmt.Errorf("%s is larger than 1 MiB: is it the right file?", name)
	}
	return text, nil
}

// isFile tells a path from the name of something shipped.
func isFile(s string) bool {
	ending := strings.ToLower(filepath.Ext(s))
	return strings.ContainsAny(s, `/\`) || ending == ".yaml" || ending == ".yml"
}

func folderOf(file string) string {
	if isFile(file) {
		return filepath.Dir(file)
	}
	return "."
}

// beside resolves a path that a file names, which is relative to that file's folder.
func beside(folder, file string) string {
	if !isFile(file) || filepath.IsAbs(file) {
		return file
	}
	// Join would take the folder off "./x.yaml" and the path would be a name.
	if folder == "." {
		return file
	}
	return filepath.Join(folder, file)
}
