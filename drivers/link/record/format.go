package record

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"hash/crc32"
	"math"
	"strconv"
	"sync"
	"time"

	"github.com/klauspost/compress/zstd"
)

// version of the format that this package writes and reads.
const version = 1

// Event is what happened on a connection.
type Event string

const (
	Opened  Event = "opened"  // a connection; Note is the address
	Refused Event = "refused" // no connection came about; Note tells why
	Sent    Event = "sent"    // Data went to the instrument
	Got     Event = "got"     // Data came from it
	Timeout Event = "timeout" // nothing came, or could be sent, until a time limit
	Cleared Event = "cleared" // a device clear was sent
	HungUp  Event = "hung up" // the far end closed the connection
	Failed  Event = "failed"  // the connection broke; Note tells how
	Closed  Event = "closed"  // this program closed it
	Ended   Event = "ended"   // the session; without it the recording was cut off
	Full    Event = "full"    // the session went on and the recording did not: Note tells why
)

// What the Note of HungUp and Failed begins with where no reply was awaited.
const (
	Idle    = "between exchanges"
	NotSent = "while sending"
)

var known = map[Event]bool{
	Opened: true, Refused: true, Sent: true, Got: true, Timeout: true, Cleared: true,
	HungUp: true, Failed: true, Closed: true, Ended: true, Full: true,
}

// Header begins a session: what one command did.
type Header struct {
	Version     int                   `json:"halfturn_recording"`
	Started     time.Time             `json:"started"`
	Program     string                `json:"program,omitempty"`
	Command     string                `json:"command,omitempty"`
	Masked      bool                  `json:"masked,omitempty"`
	Instruments map[string]Instrument `json:"instruments,omitempty"` // by part of the bench
}

// Instrument is what a bench file said of one, but for its address.
type Instrument struct {
	Dialect   string   `json:"dialect"`
	TimeLimit string   `json:"time_limit,omitempty"`
	Channels  []string `json:"channels,omitempty"`
	Reference string   `json:"reference,omitempty"`
}

// Entry is one event.
type Entry struct {
	At         time.Duration // since the session started, in whole microseconds
	Instrument string        // its part in the bench: "scope"
	Connection int           // of this session, from 1; a refused one counts
	Event      Event
	Identity   string // with Opened and Refused: the query of the identity
	Note       string
	Data       []byte
}

// line is an entry as it is written.
type line struct {
	At         float64 `json:"at"` // seconds
	Instrument string  `json:"instrument,omitempty"`
	Connection int     `json:"connection,omitempty"`
	Event      Event   `json:"event"`
	Identity   string  `json:"identity,omitempty"`
	Note       string  `json:"note,omitempty"`
	// One of these holds Data.
	Text   string `json:"text,omitempty"`
	Base64 []byte `json:"base64,omitempty"`
	Zstd   []byte `json:"zstd,omitempty"`

	Sum string `json:"sum"`
}

const (
	longestAt   = 10 * 365 * 24 * time.Hour
	longestLine = 8 << 20
	longestData = 2 << 20 // what one entry can hold; see tap
	longText    = 4096    // text beyond it is packed
	packFrom    = 200     // shorter data are not worth packing
)

// packer is zstd at its fastest: noise packs no better at leisure.
var packer = sync.OnceValue(func() *zstd.Encoder {
	// The options are constant and right.
	e, _ := zstd.NewWriter(nil, zstd.WithEncoderLevel(zstd.SpeedFastest), zstd.WithEncoderConcurrency(1), zstd.WithEncoderCRC(false), zstd.WithAllLitEntropyCompression(true))
	return e
})

var unpacker = sync.OnceValue(func() *zstd.Decoder {
	d, _ := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(longestData))
	return d
})

// readable says whether data can stand in a line as text.
func readable(data []byte) bool {
	for _, b := range data {
		if (b < ' ' || b > '~') && b != '\n' && b != '\r' && b != '\t' {
			return false
		}
	}
	return true
}

// appendEntry appends e's line. packed is storage for what is packed.
func appendEntry(dst []byte, e *Entry, packed *[]byte) []byte {
	start := len(dst)
	dst = append(dst, `{"at":`...)
	dst = strconv.AppendFloat(dst, float64(e.At.Microseconds())/1e6, 'f', 6, 64)
	text := func(key, value string) {
		if value != "" {
			dst = append(append(append(dst, `,"`...), key...), `":`...)
			quoted, _ := json.Marshal(value) // a string has no error
			dst = append(dst, quoted...)
		}
	}
	text("instrument", e.Instrument)
	if e.Connection > 0 {
		dst = strconv.AppendInt(append(dst, `,"connection":`...), int64(e.Connection), 10)
	}
	text("event", string(e.Event))
	text("identity", e.Identity)
	text("note", e.Note)
	if n := len(e.Data); n > 0 {
		plain := readable(e.Data)
		coded := "base64"
		data := e.Data
		if n >= packFrom && (!plain || n > longText) {
			if *packed = packer().EncodeAll(data, (*packed)[:0]); len(*packed) < n*7/8 {
				coded, data, plain = "zstd", *packed, false
			}
		}
		if plain {
			text("text", string(data))
		} else {
			dst = append(append(append(dst, `,"`...), coded...), `":"`...)
			dst = base64.StdEncoding.AppendEncode(dst, data)
			dst = append(dst, '"')
		}
	}
	return seal(dst, start)
}

// appendHeader appends h's line.
func appendHeader(dst []byte, h *Header) ([]byte, error) {
	text, err := json.Marshal(h)
	if err != nil {
		return nil, err
	}
	return seal(append(dst, text[:len(text)-1]...), len(dst)), nil
}

// seal ends the line that begins at start with the sum of its bytes.
func seal(dst []byte, start int) []byte {
	return fmt.Appendf(dst, sealForm, crc32.ChecksumIEEE(dst[start:]))
}

// The end of each line: CRC-32 (IEEE 802.3, from memory) of what is before it.
const (
	sealForm = ",\"sum\":\"%08x\"}\n"
	sealSize = len(`,"sum":"01234567"}`)
)

// parse reads a line without its newline: a header or an entry.
func parse(text []byte) (*Header, *Entry, error) {
	body := len(text) - sealSize
	if body <= 0 || !bytes.Equal(text[body:], bytes.TrimRight(fmt.Appendf(nil, sealForm, crc32.ChecksumIEEE(text[:body])), "\n")) {
		if body > 0 && bytes.HasPrefix(text[body:], []byte(`,"sum":"`)) {
			return nil, nil, fmt.Errorf("its checksum is not that of its bytes: damaged, or edited by hand")
		}
		return nil, nil, fmt.Errorf("it is no line of a recording, or not all of one")
	}
	if bytes.HasPrefix(text, []byte(`{"halfturn_recording":`)) {
		h := &Header{}
		if err := json.Unmarshal(text, h); err != nil {
			return nil, nil, err
		}
		if h.Version != version {
			return nil, nil, fmt.Errorf("format %d is not known, only %d is: a newer halfturn reads it", h.Version, version)
		}
		return h, nil, nil
	}
	var l line
	if err := json.Unmarshal(text, &l); err != nil {
		return nil, nil, err
	}
	e := &Entry{
		At:         time.Duration(math.Round(l.At*1e6)) * time.Microsecond,
		Instrument: l.Instrument, Connection: l.Connection, Event: l.Event, Identity: l.Identity, Note: l.Note,
	}
	switch {
	case !known[l.Event]:
		return nil, nil, fmt.Errorf("event %q is not known", l.Event)
	case !(l.At >= 0 && l.At <= longestAt.Seconds()):
		return nil, nil, fmt.Errorf("its time is %g s", l.At)
	case l.Connection < 0 || (l.Connection == 0 || l.Instrument == "") && l.Event != Ended && l.Event != Full:
		return nil, nil, fmt.Errorf("it names no connection")
	case l.Zstd != nil:
		var err error
		if e.Data, err = unpacker().DecodeAll(l.Zstd, nil); err != nil {
			return nil, nil, fmt.Errorf("its bytes cannot be unpacked: %w", err)
		}
	case l.Base64 != nil:
		e.Data = l.Base64
	case l.Text != "":
		e.Data = []byte(l.Text)
	}
	return nil, e, nil
}
