// Package drivers says what a sweep may ask of a generator and of a scope.
//
// One page of types that everything below serves and everything above uses:
//
//	sweep            asks a Generator and a Scope
//	drivers          Generator, Scope, Capture (this page); Habits of a generator
//	drivers/dialect  makes both from a dialect file: the only implementation
//	drivers/scpi     IEEE 488.2 message exchange with time limits
//	drivers/link     bytes to and from tcp://, serial://, hislip://, vxi11:// and usbtmc:// addresses
//
// drivers/link/record and drivers/link/replay keep what goes over a link and
// serve it again; drivers/simbench is a simulated bench, which knows nothing of
// the drivers, nor they of it.
//
// A scope samples the channels of both arms, and that of the phase reference
// where the bench has one: a split of the generator's signal, beside which each
// arm's transmission can be stated.
//
// A call that talks to an instrument takes a context. Each exchange ends within
// the instrument's time limit; a call that has to reconnect first makes a few.
// Its error says which instrument, what was asked, what came back and what to
// do about it, and is matched with errors.Is against ErrLink, ErrRefused and
// ErrReply. drivers imports only units.
package drivers

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"halfturn/units"
)

// The kinds of failure that a caller treats differently.
var (
	// ErrLink: nothing, or only part of a reply, came within the time limit,
	// or the link broke. The next call reconnects and sends the settings again.
	ErrLink = errors.New("link failed")
	// ErrRefused: the instrument understood and said no (its error queue was
	// not empty). Asking again will not help.
	ErrRefused = errors.New("refused by the instrument")
	// ErrReply: something arrived, and it is not what the dialect expects.
	ErrReply = errors.New("unexpected reply")
)

// Error is the error of every instrument call.
type Error struct {
	Instrument string // "scope at tcp://127.0.0.1:5025"
	Asked      string // the message sent, shortened; empty if none
	Got        string // what came back, shortened and quoted; empty if nothing
	Advice     string // what a person can do about it
	Err        error  // wraps one of ErrLink, ErrRefused, ErrReply
}

func (e *Error) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s: %v", e.Instrument, e.Err)
	if e.Asked != "" {
		fmt.Fprintf(&b, "; asked %q", e.Asked)
	}
	if e.Got != "" {
		fmt.Fprintf(&b, "; got %s", e.Got)
	}
	if e.Advice != "" {
		fmt.Fprintf(&b, "; %s", e.Advice)
	}
	return b.String()
}

func (e *Error) Unwrap() error { return e.Err }

// Config is what a bench file says about one instrument.
type Config struct {
	Address   string        // as drivers/link writes it: tcp://host:port, serial:///dev/ttyUSB0?baud=115200, …
	Dialect   string        // name of a shipped dialect, or path of a dialect file
	TimeLimit time.Duration // for one exchange; zero means the dialect's
	Channels  [2]string     // scope only: the channels that arm 1 and arm 2 feed, as the dialect writes them
	Habits    Habits        `json:",omitzero"` // generator only: stated for this bench, above the dialect's
	// Reference, scope only, is the channel that a split of the generator's
	// signal feeds; empty where there is none.
	Reference string `json:",omitempty"`
}

// Arm numbers the balanced outputs and the channels that they feed.
type Arm int

const (
	Arm1 Arm = iota
	Arm2
	Reference // no arm: the channel of the phase reference, where a channel is meant
)

func (a Arm) String() string {
	if a == Reference {
		return "the reference"
	}
	return fmt.Sprintf("arm %d", int(a)+1)
}

// Window is one way a scope samples: how fast and how many samples in each
// channel with all that are in use on.
type Window struct {
	Rate    units.Hertz `json:"rate"`
	Samples int         `json:"samples"`
}

// Span is the time that the window covers.
func (w Window) Span() units.Seconds { return units.Seconds(float64(w.Samples) / float64(w.Rate)) }

// GeneratorAbilities is what the dialect says that a generator can do.
type GeneratorAbilities struct {
	MinFrequency, MaxFrequency units.Hertz
	MinDrive, MaxDrive         units.DBm
	DriveStep                  units.DB      // resolution of the level; a drive is rounded down to it
	Settle                     time.Duration // after a change of frequency or level
	Limits                     LevelLimits   // of the drive over frequency, where MaxDrive does not hold everywhere
	Bands                      Bands
	Attenuator                 Attenuator
}

// ScopeAbilities is what the dialect says that a scope can do.
type ScopeAbilities struct {
	Channels   int           // in use, sampled together: 2, or 3 with a reference
	Ranges     []units.Volts // full scale, peak to peak, ascending
	Windows    []Window      // with so many channels, shortest span first
	InputLimit units.Volts   // peak volts that an input stands
	Settle     time.Duration // after a change of range
}

// Generator is a signal generator into 50 Ω. An implementation remembers what
// was set, and sets it again when it had to reconnect.
type Generator interface {
	// Identity is the *IDN? reply, asked once when the instrument was opened.
	Identity() string
	Abilities() GeneratorAbilities
	// Prepare switches RF off, then brings the instrument into the state that
	// the dialect asks for.
	Prepare(ctx context.Context) error
	// SetFrequency is refused where the present drive is above the limit at f:
	// the drive goes down first.
	SetFrequency(ctx context.Context, f units.Hertz) error
	// SetDrive sets the level; one outside Abilities at the frequency that is set
	// is refused before it is sent, and where none is set, one that any frequency
	// forbids. An attenuator is brought into the level's position, see Attenuator.
	SetDrive(ctx context.Context, level units.DBm) error
	SetRF(ctx context.Context, on bool) error
	// CheckErrors reads the error queue until it is empty; anything in it
	// comes back as ErrRefused.
	CheckErrors(ctx context.Context) error
	// Close closes the link and changes nothing on the instrument.
	Close() error
}

// Scope samples both arms' channels, and that of the reference where
// Config.Reference names one. An implementation remembers what was set, and
// sets it again when it had to reconnect.
type Scope interface {
	Identity() string
	Abilities() ScopeAbilities
	Prepare(ctx context.Context) error
	// SetRange sets the full scale of one channel, one of Abilities().Ranges.
	SetRange(ctx context.Context, arm Arm, fullScale units.Volts) error
	// SetWindow is given one of Abilities().Windows.
	SetWindow(ctx context.Context, w Window) error
	// Capture samples all channels in use together once and fills into, reusing
	// its buffers. A record of the wrong length is an error (ErrReply).
	Capture(ctx context.Context, into *Capture) error
	// Reading is how long all captures so far have spent on reading their
	// records, as distinct from acquiring them.
	Reading() time.Duration
	CheckErrors(ctx context.Context) error
	Close() error
}

// Trace is what one channel sampled: codes of the converter and how to read
// them, volts = (code - Zero) · VoltsPerCode.
type Trace struct {
	Codes        []int16
	VoltsPerCode units.Volts
	Zero         float64
	Low, High    int16 // the converter's rails: a code at or beyond one is clipped
}

// Capture is the channels in use sampled together, once.
type Capture struct {
	Rate   units.Hertz
	Traces [2]Trace // by Arm
	// Reference is the split of the generator's signal; without Codes where
	// no channel samples it.
	Reference Trace
}

// Trace is that of an arm or of the reference.
func (c *Capture) Trace(of Arm) *Trace {
	if of == Reference {
		return &c.Reference
	}
	return &c.Traces[of]
}
