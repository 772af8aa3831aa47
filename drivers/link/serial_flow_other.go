//go:build !linux && !darwin

package link

import (
	"fmt"
	"runtime"
)

// flow is not to be had on this system: neither line library can set it.
type flow struct{}

func openFlow(string) (*flow, error) {
	return nil, fmt.Errorf("flow control cannot be set on %s, leave flow out, or use pace", runtime.GOOS)
}

func (*flow) set(string) error { return nil }
func (*flow) waiting() int     { return 0 }
func (*flow) letGo()           {}
func (*flow) close() error     { return nil }
