package device

import (
	"iter"
	"time"
)

// Tongue is how an instrument is spoken to. A Device calls it for one command
// at a time.
type Tongue interface {
	Framing() Framing
	// Calls takes one message apart, without its end. What is yielded has been
	// carried out when the next is asked for.
	Calls(message string) iter.Seq[Call]
	// Report keeps an error where a client finds it.
	Report(Code)
	// PowerUp brings settings and errors to those of an instrument that has just
	// been switched on.
	PowerUp()
}

// Framing is where messages and replies end on the wire.
type Framing struct {
	Message byte   // ends a message
	Join    string // stands between the replies to one message
	Reply   string // ends the replies to one message
	Echo    bool   // a message goes back as it came, with its end, before it is carried out
}

// Call is one command of a message.
type Call struct {
	Name  string                           // what hooks see; a query's ends as the tongue marks it
	Set   func() error                     // for a command without a reply
	Query func(dst []byte) ([]byte, error) // for one with a reply, which it appends
	Busy  time.Duration                    // how long the instrument takes
	Bare  bool                             // the reply ends by itself, without Framing.Reply
	Err   error                            // why it is neither
}
