package link

import (
	"errors"
	"fmt"
	"syscall"

	"go.bug.st/serial"
)

// bugstPort is a line of go.bug.st/serial, whose Read returns 0 and nil when
// its time has passed, as a port has to.
type bugstPort struct {
	serial.Port
	mode *serial.Mode
}

func openBugst(s settings) (port, error) {
	mode := &serial.Mode{
		BaudRate: s.baud,
		DataBits: s.bits,
		Parity:   map[string]serial.Parity{"none": serial.NoParity, "odd": serial.OddParity, "even": serial.EvenParity}[s.parity],
		StopBits: map[int]serial.StopBits{1: serial.OneStopBit, 2: serial.TwoStopBits}[s.stop],
		// InitialStatusBits stays nil: lines without modem control, a pty
		// among them, refuse to have it set.
	}
	p, err := serial.Open(s.device, mode)
	if err != nil {
		return nil, fmt.Errorf("serial line: %w", err)
	}
	if err := p.SetReadTimeout(slice); err != nil {
		p.Close()
		return nil, fmt.Errorf("serial line: %w", err)
	}
	return bugstPort{p, mode}, nil
}

// Read waits with select(2), which knows the first 1024 files of a process; the
// library panics beyond them.
func (p bugstPort) Read(b []byte) (n int, err error) {
	defer func() {
		if recover() != nil {
			n, err = 0, errors.New("too many files are open for this line library; library=tarm takes any number")
		}
	}()
	return p.Port.Read(b)
}

func (p bugstPort) Write(b []byte) (int, error) {
	n, err := p.Port.Write(b)
	if errors.Is(err, syscall.EINTR) {
		err = nil // the rest is written by the next call
	}
	return n, err
}

// unstick drops what waits to be sent. Setting the mode again wakes a writer
// (Linux, n_tty_set_termios), which a pty's flush alone does not.
func (p bugstPort) unstick() {
	// Both are attempts: the caller looks whether the write has ended.
	_ = p.ResetOutputBuffer()
	_ = p.SetMode(p.mode)
}
