package device

import (
	"bytes"
	"strings"
	"sync"
	"time"
)

// Action is what happens to one command instead of the usual. The zero Action
// changes nothing.
type Action struct {
	Delay  time.Duration // before the command is done and answered
	Refuse Code          // not done; this goes into the error queue
	Reply  []byte        // sent instead of the reply, without terminator; nil keeps the reply
	Silent bool          // no reply at all
	HangUp bool          // the link is closed after the reply; no terminator is sent
	Reboot bool          // settings and errors are forgotten and every link is dropped, before anything is sent
}

// Hook sees every command before it takes effect. command is one command of a
// message as it was sent, without ends ("LEVEL -3", "CURVE?"); of SCPI-99, where
// one command is written in many ways, the header in mixed case without optional
// brackets, with the parameters as sent
// ("SOURce:POWer:LEVel:IMMediate:AMPLitude -3"). reply is what a query is about to answer, without
// terminator, and nil for a setting. Calls to one instrument's hook come one
// at a time.
type Hook func(command string, reply []byte) Action

// Fault is an Action made for a reply.
type Fault func(reply []byte) Action

// FromNth applies fault to the n-th command that starts with prefix, counted
// from 1, and to each such command after it.
func FromNth(prefix string, n int, fault Fault) Hook { return counted(prefix, n, false, fault) }

// OnNth applies fault to the n-th command that starts with prefix, once.
func OnNth(prefix string, n int, fault Fault) Hook { return counted(prefix, n, true, fault) }

func counted(prefix string, n int, once bool, fault Fault) Hook {
	var mu sync.Mutex
	seen := 0
	return func(command string, reply []byte) Action {
		if !strings.HasPrefix(command, prefix) {
			return Action{}
		}
		mu.Lock()
		defer mu.Unlock()
		seen++
		if seen < n || once && seen > n {
			return Action{}
		}
		return fault(reply)
	}
}

// ShortBlock sends the block's header and half of its bytes, then the terminator.
func ShortBlock(reply []byte) Action {
	_, data := blockHeader(reply)
	return Action{Reply: bytes.Clone(reply[:data+(len(reply)-data)/2])}
}

// WrongCount sends a well-formed block of two bytes less than asked for, and of
// a list of numbers all but the last.
func WrongCount(reply []byte) Action {
	header, data := blockHeader(reply)
	short := bytes.Clone(reply[:header])
	if data == 0 {
		return Action{Reply: append(short, reply[:max(bytes.LastIndexByte(reply, ','), 0)]...)}
	}
	rest := reply[data:]
	rest = rest[:max(len(rest)-2, 0)]
	if reply[header+1] == '0' {
		short = append(short, "#0"...)
	} else {
		short = AppendBlockHeader(short, len(rest))
	}
	return Action{Reply: append(short, rest...)}
}

// Text sends words where a number or a block is due.
func Text([]byte) Action { return Action{Reply: []byte("UNCAL")} }

// Nothing answers nothing.
func Nothing([]byte) Action { return Action{Silent: true} }

// HalfThenHangUp sends half of the reply and closes the link.
func HalfThenHangUp(reply []byte) Action {
	return Action{Reply: append([]byte{}, reply[:len(reply)/2]...), HangUp: true}
}

// Reboot forgets the settings and drops every link.
func Reboot([]byte) Action { return Action{Reboot: true} }

// Late answers as usual after d.
func Late(d time.Duration) Fault { return func([]byte) Action { return Action{Delay: d} } }

// Refuse does nothing and puts an error into the queue.
func Refuse(code Code) Fault { return func([]byte) Action { return Action{Refuse: code} } }

// Say answers text.
func Say(text string) Fault { return func([]byte) Action { return Action{Reply: []byte(text)} } }

// longestWord is what may stand before a block in a reply.
const longestWord = 32

// blockHeader is where a block's header and its data begin, both 0 where there
// is none. The header may stand behind a word, and may be that of an indefinite
// block, IEEE 488.2, 8.7.9 and 8.7.10.
func blockHeader(reply []byte) (header, data int) {
	header = bytes.IndexByte(reply[:min(len(reply), longestWord)], '#')
	if header < 0 || header+1 >= len(reply) || reply[header+1] < '0' || reply[header+1] > '9' {
		return 0, 0
	}
	return header, min(header+2+int(reply[header+1]-'0'), len(reply))
}
