//go:build linux && (386 || amd64 || arm || arm64 || loong64 || riscv64)

package usbtmc

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// What can be tried of the device file without a device: that any other file
// is refused, and left closed.
func TestOpenFileRefuses(t *testing.T) {
	plain := filepath.Join(t.TempDir(), "plain")
	if err := os.WriteFile(plain, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]string{
		"/dev/no-such-device": "no such file",
		"/dev/null":           "no USBTMC device",
		plain:                 "no USBTMC device",
		t.TempDir():           "is a directory",
	} {
		files := func() int {
			all, err := os.ReadDir("/proc/self/fd")
			if err != nil {
				t.Skip(err)
			}
			return len(all)
		}
		before := files()
		f, err := OpenFile(path)
		if err == nil {
			f.Close()
		}
		if err == nil || !strings.Contains(err.Error(), want) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v, want one line with %q", path, err, want)
		}
		if after := files(); after != before {
			t.Errorf("%s: %d open files, and %d before", path, after, before)
		}
	}
}
