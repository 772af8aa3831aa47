package replay

import (
	"fmt"
	"time"
)

// Divergence is a message that was not recorded at its place.
type Divergence struct {
	Recording  string
	Instrument string
	Connection int
	Exchange   int
	Line       int           // of the recording
	At         time.Duration // when it was recorded
	Expected   string        // empty: nothing
	Got        string
	Over       string // why nothing more is there, if the recording does not say that it ended
}

func (d *Divergence) Error() string {
	where := fmt.Sprintf("%s: %s, connection %d, exchange %d", d.Recording, d.Instrument, d.Connection, d.Exchange)
	if d.Expected == "" {
		why := d.Over
		if why == "" {
			why = "nothing more was recorded"
		}
		return fmt.Sprintf("%s: %s; got %q", where, why, d.Got)
	}
	return fmt.Sprintf("%s (line %d, after %.3f s): expected %q, got %q", where, d.Line, d.At.Seconds(), d.Expected, d.Got)
}

// matcher finds the place in a script of what arrives.
//
// What arrives as recorded is the rule. Two things may differ, since they hang
// on time: a question may be asked again or a time fewer in a row, and a
// connection may break and be made anew where it was not, after which the
// identity, the error queue and the settings go over it once more. What is
// asked again is answered as it was the last time.
type matcher struct {
	script *script
	pos    int           // the next step
	last   map[after]int // where each message was met last
	before string        // the message that came before
	anew   bool          // on a connection that was not recorded, or not for this
	served int           // messages met, of the script's
	again  int           // answered once more, in a row
}

// after is a message and the one before it; where the latter is left out, any.
// Whether RF is on has the answer of the time that it was last switched alike.
type after struct{ before, message string }

// mostAgain is how many messages in a row may be answered once more.
const mostAgain = 200

func newMatcher(s *script) *matcher { return &matcher{script: s, last: map[after]int{}} }

// connect is a client that connects. It returns the step that began the
// recorded connection, or nil where none was recorded here.
func (m *matcher) connect() *step {
	m.again = 0
	if m.pos < len(m.script.steps) && m.script.steps[m.pos].begins() {
		s := &m.script.steps[m.pos]
		// After a connection that broke between two exchanges it is a matter
		// of moments whether the driver notices before or after it sends.
		m.anew = m.pos > 0 && m.script.steps[m.pos-1].idle
		m.pos++
		return s
	}
	m.anew = true
	return nil
}

// message returns the step that answers it, or nil where it was not recorded.
func (m *matcher) message(text string) *step {
	steps := m.script.steps
	defer func() { m.before = text }()
	take := func(i int) *step {
		m.served += i + 1 - m.pos
		for j := m.pos; j <= i; j++ {
			if steps[j].begins() {
				m.served--
			}
		}
		m.pos, m.again = i+1, 0
		m.last[after{m.before, text}], m.last[after{message: text}] = i, i
		return &steps[i]
	}
	if m.pos > 0 && steps[m.pos-1].late {
		return &step{end: steps[m.pos-1].end} // lost, as the one that was recorded
	}
	next := m.pos
	if next < len(steps) && steps[next].begins() { // the client did not connect again
		next++
	}
	if next < len(steps) && steps[next].message == text {
		return take(next)
	}
	// A question that was recorded several times in a row, and came fewer.
	if next = m.pos; next > 0 && !steps[next-1].begins() {
		for next < len(steps) && steps[next].message == steps[next-1].message {
			next++
		}
		if next > m.pos && next < len(steps) && steps[next].message == text {
			return take(next)
		}
	}
	met, known := m.last[after{m.before, text}]
	if !known {
		met, known = m.last[after{message: text}]
	}
	if known && (m.anew || met == m.pos-1) && m.again < mostAgain {
		m.again++
		return &steps[met]
	}
	return nil
}

// whole says whether all was met.
func (m *matcher) whole() bool {
	for i := m.pos; i < len(m.script.steps); i++ {
		if !m.script.steps[i].begins() {
			return false
		}
	}
	return true
}

// divergence reports a message that has no place.
func (m *matcher) divergence(text string) *Divergence {
	d := &Divergence{Got: text, Over: m.script.over}
	steps := m.script.steps
	at := m.pos
	if at < len(steps) && steps[at].begins() {
		at++
	}
	if at < len(steps) {
		s := &steps[at]
		d.Connection, d.Exchange, d.Line, d.At, d.Expected = s.connection, s.exchange, s.line, s.at, s.message
	} else {
		s := &steps[len(steps)-1]
		d.Connection, d.Exchange = s.connection, s.exchange+1
	}
	return d
}
