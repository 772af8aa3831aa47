package simbench

import (
	"io"
	"sync"
	"time"
)

const (
	// characterTime is how long an instrument needs for a character.
	characterTime = 500 * time.Microsecond
	// characters is what its input buffer holds.
	characters = 16
	// atOnce is how much it sends before it looks whether it shall stop.
	atOnce = 16
	// looking is how often it looks for characters.
	looking = 500 * time.Microsecond
	// unread is how much it keeps for a command that is not done yet.
	unread = 1 << 16

	xon  = 0x11 // DC1
	xoff = 0x13 // DC3
)

// wire is a serial line with the habits of an old terminal: a small input
// buffer that loses what comes too fast, and XON/XOFF.
type wire struct {
	line   *serialLine
	buffer buffer

	mu     sync.Mutex
	change sync.Cond // of anything below
	input  []byte    // taken, and not read yet
	held   bool      // XOFF came last
	ended  error
}

func newWire(line *serialLine, perCharacter time.Duration) *wire {
	if perCharacter == 0 {
		perCharacter = characterTime
	}
	w := &wire{line: line, buffer: buffer{each: perCharacter}}
	w.change.L = &w.mu
	return w
}

// buffer is the input buffer: so many characters, one of which is taken out in
// each time. One that finds it full is lost.
type buffer struct {
	each time.Duration
	fill float64 // characters in it after the last one
}

// admit says whether a character gets in that comes so long after the last.
func (b *buffer) admit(gap time.Duration) bool {
	b.fill = max(0, b.fill-float64(gap)/float64(b.each))
	if b.fill+1 > characters {
		return false
	}
	b.fill++
	return true
}

// take reads the line until it is closed. When characters came is known only to
// lie between the last look at the line that left none and this one; they are
// put down as spread evenly, so that a slow machine loses none of those that
// were sent slowly.
func (w *wire) take() {
	var chunk [4096]byte
	empty := time.Now()
	for {
		look := time.Now()
		n, err := w.line.readNow(chunk[:])
		if err != nil {
			w.end(err)
			return
		}
		if n > 0 {
			w.arrive(chunk[:n], time.Since(empty)/time.Duration(n))
		}
		if n < len(chunk) {
			empty = look
			time.Sleep(looking)
		}
	}
}

// arrive sorts characters that came with a gap between them.
func (w *wire) arrive(data []byte, gap time.Duration) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, c := range data {
		switch {
		case c == xoff:
			w.held = true
		case c == xon:
			w.held = false
		case w.buffer.admit(gap) && len(w.input) < unread:
			w.input = append(w.input, c)
		}
	}
	w.change.Broadcast()
}

func (w *wire) end(err error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.ended == nil {
		w.ended = err
	}
	w.change.Broadcast()
}

func (w *wire) close() { w.end(io.ErrClosedPipe) }

// Read waits for characters that were taken.
func (w *wire) Read(p []byte) (int, error) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for len(w.input) == 0 && w.ended == nil {
		w.change.Wait()
	}
	if len(w.input) == 0 {
		return 0, w.ended
	}
	n := copy(p, w.input)
	w.input = w.input[:copy(w.input, w.input[n:])]
	return n, nil
}

// Write sends a few characters at a time and none while it is held.
func (w *wire) Write(p []byte) (n int, err error) {
	for len(p) > 0 {
		if err := w.clear(); err != nil {
			return n, err
		}
		sent, err := w.line.Write(p[:min(atOnce, len(p))])
		n += sent
		if err != nil {
			return n, err
		}
		p = p[sent:]
	}
	return n, nil
}

// clear waits until XON or the end.
func (w *wire) clear() error {
	w.mu.Lock()
	defer w.mu.Unlock()
	for w.held && w.ended == nil {
		w.change.Wait()
	}
	return w.ended
}
