//go:build !linux

package simbench

import "errors"

// HasPTY says whether Options.PTY works on this system.
const HasPTY = false

// serialLine exists on Linux only.
type serialLine struct{ path string }

var errNoLine = errors.New("simulated serial lines need Linux; use the tcp address")

func openLine() (*serialLine, error)              { return nil, errNoLine }
func (l *serialLine) Read(p []byte) (int, error)  { return 0, errNoLine }
func (l *serialLine) Write(p []byte) (int, error) { return 0, errNoLine }
func (l *serialLine) close()                      {}

func (l *serialLine) readNow([]byte) (int, error) { return 0, errNoLine }
