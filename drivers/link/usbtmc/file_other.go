//go:build !(linux && (386 || amd64 || arm || arm64 || loong64 || riscv64))

package usbtmc

import (
	"errors"
	"runtime"
)

// OpenFile refuses: the device file is Linux's.
func OpenFile(string) (File, error) {
	return nil, errors.New("USBTMC device files are Linux's, and this is " + runtime.GOOS + "/" + runtime.GOARCH + "; reach the instrument over tcp, hislip, vxi11 or serial")
}
