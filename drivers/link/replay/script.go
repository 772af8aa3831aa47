package replay

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"halfturn/drivers/link/record"
)

// Recording is what a file holds, ready to be served.
type Recording struct {
	Name     string
	Sessions []record.Header
	// Damage is why the file was not read to its end; nil where it was.
	Damage *record.Damage
	// Notes tell what cannot be served as it was.
	Notes []string

	file    io.ReaderAt
	parts   []string // instruments, in the order in which they appear
	scripts map[string]*script
}

// script is what went on with one instrument, over all its connections.
type script struct {
	steps []step
	over  string // why there is no more, if not because it ended
}

// step is a message and what followed it. One without a message begins a
// connection.
type step struct {
	connection int // over all sessions, from 1
	exchange   int // of the connection, from 1
	line       int // of the file
	at         time.Duration
	message    string
	replies    []delivery
	end        ending
	after      time.Duration // from the message to the end
	late       bool          // the end was noticed when the next message was being sent
	idle       bool          // or before
}

func (s *step) begins() bool { return s.exchange == 0 }

// delivery is bytes that came.
type delivery struct {
	after  time.Duration // from the message
	offset int64         // of their line in the file
}

// ending is how the far end left.
type ending int

const (
	stays ending = iota
	hangsUp
	resets // and what else breaks a connection
)

// Read reads a recording of the given size. It keeps messages and where the
// replies stand, not the replies: file must stay open.
func Read(file io.ReaderAt, size int64, name string) (*Recording, error) {
	rec := &Recording{Name: name, file: file, scripts: map[string]*script{}}
	r := record.NewReader(io.NewSectionReader(file, 0, size), name)
	connections, before := map[string]int{}, map[string]int{}
	for {
		h, e, err := r.Next()
		switch {
		case err == io.EOF:
			return rec.finish()
		case errors.As(err, &rec.Damage):
			if len(rec.Sessions) == 0 {
				return nil, err
			}
			for _, s := range rec.scripts {
				s.over = "the recording is cut off there"
			}
			return rec.finish()
		case err != nil:
			return nil, err
		case h != nil:
			rec.Sessions = append(rec.Sessions, *h)
			for part, n := range connections {
				before[part] = n
			}
			continue
		case e.Event == record.Full:
			for _, s := range rec.scripts {
				s.over = "the recording ends there, " + e.Note
			}
			continue
		case e.Event == record.Ended:
			continue
		}
		s := rec.scripts[e.Instrument]
		if s == nil {
			s = &script{}
			rec.scripts[e.Instrument] = s
			rec.parts = append(rec.parts, e.Instrument)
		}
		line, offset := r.Where()
		number := before[e.Instrument] + e.Connection
		connections[e.Instrument] = number
		if note := s.add(e, number, line, offset); note != "" {
			rec.Notes = append(rec.Notes, fmt.Sprintf("line %d, %s: %s", line, e.Instrument, note))
		}
	}
}

func (rec *Recording) finish() (*Recording, error) {
	if len(rec.parts) == 0 {
		return nil, fmt.Errorf("recording %s: it holds no connection to an instrument", rec.Name)
	}
	return rec, nil
}

// add takes one event.
func (s *script) add(e *record.Entry, connection, line int, offset int64) (note string) {
	if n := len(s.steps); n == 0 || s.steps[n-1].connection != connection {
		s.steps = append(s.steps, step{connection: connection, line: line, at: e.At})
	}
	last := &s.steps[len(s.steps)-1]
	switch e.Event {
	case record.Sent:
		for message := range messages(string(e.Data)) {
			s.steps = append(s.steps, step{connection: connection, exchange: s.steps[len(s.steps)-1].exchange + 1, line: line, at: e.At, message: message})
		}
	case record.Got:
		last.replies = append(last.replies, delivery{e.At - last.at, offset})
	case record.HungUp, record.Failed:
		last.end, last.after = hangsUp, e.At-last.at
		last.idle = strings.HasPrefix(e.Note, record.Idle)
		last.late = strings.HasPrefix(e.Note, record.NotSent)
		if e.Event == record.HungUp {
			break
		}
		last.end = resets
		if !strings.Contains(e.Note, "reset") {
			return fmt.Sprintf("%q is replayed as a reset of the connection", e.Note)
		}
	case record.Refused:
		last.end = resets
		return fmt.Sprintf("no connection came about, which is replayed as one that is reset at once: %s", e.Note)
	}
	return ""
}

// messages splits what was sent. Whatever terminator a dialect has, none of
// these bytes is within a message.
func messages(text string) func(yield func(string) bool) {
	return func(yield func(string) bool) {
		for m := range strings.FieldsFuncSeq(text, func(r rune) bool { return r == '\n' || r == '\r' }) {
			if !yield(m) {
				return
			}
		}
	}
}

// Exchanges is how many messages were recorded.
func (rec *Recording) Exchanges() int {
	n := 0
	for _, s := range rec.scripts {
		for i := range s.steps {
			if !s.steps[i].begins() {
				n++
			}
		}
	}
	return n
}

// Instrument is what the last session that knew of it says of a part of the
// bench.
func (rec *Recording) Instrument(part string) record.Instrument {
	for i := len(rec.Sessions) - 1; i >= 0; i-- {
		if known, ok := rec.Sessions[i].Instruments[part]; ok {
			return known
		}
	}
	return record.Instrument{}
}
