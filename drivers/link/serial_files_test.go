//go:build linux

package link

import (
	"context"
	"os"
	"strings"
	"syscall"
	"testing"

	"github.com/creack/pty"
)

// A process with many files open, a daemon with many clients say, gets an
// error and goes on.
func TestSerialBeyondManyFiles(t *testing.T) {
	const many = 1024
	var limits syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_NOFILE, &limits); err != nil || limits.Cur < many+100 {
		t.Skipf("%d files may be open, %v", limits.Cur, err)
	}
	for {
		f, err := os.Open(os.DevNull)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		if f.Fd() > many {
			break
		}
	}
	far, near, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer far.Close()
	defer near.Close()
	for library, says := range map[string]string{"bugst": "library=tarm", "tarm": ""} {
		l, err := Open(context.Background(), "serial://"+near.Name()+"?library="+library)
		if err != nil {
			t.Fatal(err)
		}
		limit(t, l, long)
		if _, err := far.WriteString("x"); err != nil {
			t.Fatal(err)
		}
		_, err = l.Read(make([]byte, 1))
		if says == "" && err != nil || says != "" && (err == nil || !strings.Contains(err.Error(), says)) {
			t.Errorf("%s: %v", library, err)
		}
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	}
}
