//go:build linux || windows

package link

import (
	"errors"
	"fmt"
	"io"
	"syscall"
	"time"

	"github.com/tarm/serial"
)

// tarmPort is a line of github.com/tarm/serial, whose Read returns io.EOF both
// when its time has passed and when the line is gone.
type tarmPort struct {
	*serial.Port
	config *serial.Config
	early  int // reads in a row that ended before their time
}

func openTarm(s settings) (port, error) {
	config := &serial.Config{
		Name:        s.device,
		Baud:        s.baud,
		ReadTimeout: slice,
		Size:        byte(s.bits),
		Parity:      map[string]serial.Parity{"none": serial.ParityNone, "odd": serial.ParityOdd, "even": serial.ParityEven}[s.parity],
		StopBits:    map[int]serial.StopBits{1: serial.Stop1, 2: serial.Stop2}[s.stop],
	}
	p, err := serial.OpenPort(config)
	if err != nil {
		return nil, fmt.Errorf("serial line: %w", err)
	}
	return &tarmPort{Port: p, config: config}, nil
}

func (p *tarmPort) Read(b []byte) (int, error) {
	start := time.Now()
	n, err := p.Port.Read(b)
	switch {
	case n > 0:
		p.early = 0
		return n, nil
	case err == nil, errors.Is(err, syscall.EINTR):
		return 0, nil
	case !errors.Is(err, io.EOF):
		return 0, err
	case time.Since(start) >= slice/2:
		p.early = 0
		return 0, nil
	}
	// A line that hung up ends every read at once; a signal ends only one.
	if p.early++; p.early < 3 {
		return 0, nil
	}
	return 0, fmt.Errorf("it hung up: %w", io.EOF)
}

func (p *tarmPort) Write(b []byte) (int, error) {
	n, err := p.Port.Write(b)
	if errors.Is(err, syscall.EINTR) {
		err = nil // the rest is written by the next call
	}
	return n, err
}

// unstick drops what waits to be sent. Opening the line once more sets its
// mode, which wakes a writer (Linux, n_tty_set_termios); a pty's flush alone
// does not.
func (p *tarmPort) unstick() {
	// Both are attempts: the caller looks whether the write has ended.
	_ = p.Flush()
	if again, err := serial.OpenPort(p.config); err == nil {
		_ = again.Close()
	}
}
