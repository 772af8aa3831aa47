//go:build !linux && !windows

package link

import (
	"fmt"
	"runtime"
)

// openTarm refuses: on this system the library needs a C compiler.
func openTarm(settings) (port, error) {
	return nil, fmt.Errorf("library tarm is not available on %s, leave library=tarm out", runtime.GOOS)
}
