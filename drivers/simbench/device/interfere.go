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

// Hook sees every command before it takes effect. command is the header in
// SCPI-99's mixed case without optional brackets, with the parameters as sent
// ("SOURce:POWer:LEVel:IMMediate:AMPLitude -3"); one that names nothing comes
// as it was sent. reply is what a query is about to answer, without
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
	header := blockHeader(reply)
	return Action{Reply: bytes.Clone(reply[:header+(len(reply)-header)/2])}
}

// WrongCount sends a well-formed block of two bytes less than asked for.
func WrongCount(reply []byte) Action {
	header := blockHeader(reply)
	data := reply[header:]
	data = data[:max(len(data)-2, 0)]
	return Action{Reply: append(AppendBlockHeader(nil, len(data)), data...)}
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

// blockHeader is the length of a definite block's header, 0 where there is none.
func blockHeader(reply []byte) int {
	if len(reply) < 2 || reply[0] != '#' || reply[1] < '1' || reply[1] > '9' {
		return 0
	}
	return min(2+int(reply[1]-'0'), len(reply))
}
