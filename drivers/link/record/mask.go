package record

import (
	"bufio"
	"bytes"
	"cmp"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// Mask makes identities, serial numbers and hosts unrecognisable.
//
// A string becomes another of the same shape: letters become letters and
// digits digits, so that blocks keep their lengths and numbers stay numbers.
// The same string becomes the same one everywhere, in all recordings masked
// with one key, so that a calibration still fits its instruments. Without the
// key nobody can tell whose serial number it was, not even by trying all.
//
// What is masked is what comes from the instruments, and addresses; what was
// sent is the dialect's and stays.
type Mask struct{ key []byte }

// LoadMask reads the key at path. Where there is none, a new one is made and
// kept there.
func LoadMask(path string) (*Mask, error) {
	const size = sha256.Size
	key, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		key = make([]byte, size)
		_, _ = rand.Read(key) // never fails
		if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
			return nil, fmt.Errorf("the key of masks cannot be kept: %w", err)
		}
		if err := os.WriteFile(path, key, 0o600); err != nil {
			return nil, fmt.Errorf("the key of masks cannot be kept: %w", err)
		}
		return &Mask{key}, nil
	}
	if err != nil {
		return nil, fmt.Errorf("key of masks: %w", err)
	}
	if len(key) != size {
		return nil, fmt.Errorf("key of masks: %s holds %d bytes and not %d; remove it and a new one is made", path, len(key), size)
	}
	return &Mask{key}, nil
}

// word is what stands for s.
func (m *Mask) word(s string) string {
	out := []byte(s)
	var noise []byte
	for i, b := range out {
		if i%sha256.Size == 0 {
			h := hmac.New(sha256.New, m.key)
			h.Write(binary.BigEndian.AppendUint32(nil, uint32(i)))
			h.Write([]byte(s))
			noise = h.Sum(noise[:0])
		}
		r := noise[i%sha256.Size]
		switch {
		case b >= '0' && b <= '9':
			out[i] = '0' + r%10
		case b >= 'a' && b <= 'z':
			out[i] = 'a' + r%26
		case b >= 'A' && b <= 'Z':
			out[i] = 'A' + r%26
		}
	}
	return string(out)
}

// secret is a string that is replaced wherever it occurs.
type secret struct{ old, new []byte }

// streamMask masks entries as they come. What came from an instrument is held
// back until something else happens on its connection: a name may come in
// pieces.
type streamMask struct {
	mask    *Mask
	known   map[string]bool
	secrets []secret // longest first
	streams map[string]*stream
	out     []Entry
	joined  []byte
}

// stream is the state of one instrument's connection.
type stream struct {
	identity string  // its query
	asking   bool    // the last message was that query
	held     []Entry // that came, in order
}

func newStreamMask(m *Mask) *streamMask {
	return &streamMask{mask: m, known: map[string]bool{}, streams: map[string]*stream{}}
}

// next returns what can be written now. It masks data where they are.
func (s *streamMask) next(e Entry) []Entry {
	s.out = s.out[:0]
	if e.Event == Ended || e.Event == Full {
		s.rest()
		s.out = append(s.out, e)
		return s.out
	}
	at := s.streams[e.Instrument]
	if at == nil {
		at = &stream{}
		s.streams[e.Instrument] = at
	}
	if e.Event == Got {
		// The recorder uses the storage again.
		e.Data = slices.Clone(e.Data)
		at.held = append(at.held, e)
		return s.out
	}
	s.release(at)
	switch e.Event {
	case Opened, Refused:
		// What comes before the first question may be the rest of an identity.
		at.identity, at.asking = e.Identity, e.Identity != ""
		if e.Event == Opened {
			s.learnAddress(e.Note)
		}
	case Sent:
		at.asking = at.identity != "" && bytes.Contains(bytes.ToUpper(e.Data), []byte(strings.ToUpper(at.identity)))
	}
	note := []byte(e.Note)
	s.replace(note)
	e.Note = addresses.ReplaceAllStringFunc(string(note), s.mask.wordOnce(s))
	s.out = append(s.out, e)
	return s.out
}

// addresses are those that the system names in its errors.
var addresses = regexp.MustCompile(`\b\d{1,3}(\.\d{1,3}){3}\b|\[[0-9A-Fa-f:]+(%\w+)?\]`)

// wordOnce masks what is not masked already.
func (m *Mask) wordOnce(s *streamMask) func(string) string {
	return func(address string) string {
		for _, k := range s.secrets {
			if string(k.new) == address {
				return address
			}
		}
		return m.word(address)
	}
}

// rest releases what is held of all instruments.
func (s *streamMask) rest() {
	names := make([]string, 0, len(s.streams))
	for name := range s.streams {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		s.release(s.streams[name])
	}
}

// release masks what an instrument said and gives it out.
func (s *streamMask) release(at *stream) {
	if len(at.held) == 0 {
		return
	}
	s.joined = s.joined[:0]
	for _, e := range at.held {
		s.joined = append(s.joined, e.Data...)
	}
	if at.asking {
		s.maskIdentities(s.joined)
	}
	s.replace(s.joined)
	rest := s.joined
	for _, e := range at.held {
		rest = rest[copy(e.Data, rest):]
	}
	s.out = append(s.out, at.held...)
	at.held = at.held[:0]
}

// maskIdentities masks lines that answer an identity query. With commas they
// are the fields of 488.2, 10.14 (from memory); text without is masked whole.
func (s *streamMask) maskIdentities(data []byte) {
	for start := 0; start < len(data); {
		end := start
		for end < len(data) && data[end] != '\n' && data[end] != '\r' && data[end] != 0 {
			end++
		}
		if text := data[start:end]; readable(text) {
			for field := range bytes.SplitSeq(text, []byte(",")) {
				field = bytes.Trim(field, " \t\"")
				s.learn(string(field))
				copy(field, s.mask.word(string(field)))
			}
		}
		start = end + 1
	}
}

// learnAddress keeps the host, or the path of a device.
func (s *streamMask) learnAddress(address string) {
	u, err := url.Parse(address)
	if err != nil {
		return
	}
	s.learn(u.Hostname())
	if u.Host == "" {
		s.learn(strings.TrimPrefix(strings.TrimPrefix(u.Path, "/dev/"), "/"))
	}
}

// learn makes a string one that is replaced wherever it occurs. Short ones are
// not: "1" is not somebody's serial number wherever it stands.
func (s *streamMask) learn(text string) {
	const shortest, shortestNumber = 4, 6
	least := shortest
	if _, err := strconv.ParseFloat(text, 64); err == nil {
		least = shortestNumber
	}
	if len(text) < least || s.known[text] {
		return
	}
	s.known[text] = true
	s.secrets = append(s.secrets, secret{[]byte(text), []byte(s.mask.word(text))})
	slices.SortStableFunc(s.secrets, func(a, b secret) int { return cmp.Compare(len(b.old), len(a.old)) })
}

// replace masks what is known where it stands on its own. In a record of
// samples a short one may be chance.
func (s *streamMask) replace(data []byte) {
	const shortestInBinary = 8
	plain := readable(data)
	for _, k := range s.secrets {
		if !plain && len(k.old) < shortestInBinary {
			continue
		}
		for at := 0; ; {
			i := bytes.Index(data[at:], k.old)
			if i < 0 {
				break
			}
			from, to := at+i, at+i+len(k.old)
			if !(from > 0 && joins(data[from-1], data[from])) && !(to < len(data) && joins(data[to-1], data[to])) {
				copy(data[from:to], k.new)
			}
			at = to
		}
	}
}

// joins says whether two bytes are within one word.
func joins(a, b byte) bool { return alphanumeric(a) && alphanumeric(b) }

func alphanumeric(b byte) bool {
	return b >= '0' && b <= '9' || b >= 'a' && b <= 'z' || b >= 'A' && b <= 'Z'
}

// Copy writes the recording in, which name is the name of, to out with
// everything masked: what is learnt late is masked early as well. It returns
// how many events were written; a *Damage says that in was written up to there.
func (m *Mask) Copy(out io.Writer, in io.ReadSeeker, name string) (events int, err error) {
	first, second := newStreamMask(m), newStreamMask(m)
	buffered := bufio.NewWriterSize(out, 1<<16)
	defer func() {
		if failed := buffered.Flush(); err == nil {
			err = failed
		}
	}()
	var line, packed []byte
	for _, s := range []*streamMask{first, second} {
		if _, err := in.Seek(0, io.SeekStart); err != nil {
			return events, err
		}
		if s == second {
			s.known, s.secrets = first.known, first.secrets
		}
		r := NewReader(in, name)
		write := func(entries []Entry) error {
			if s == first {
				return nil
			}
			for i := range entries {
				line = appendEntry(line[:0], &entries[i], &packed)
				if _, err := buffered.Write(line); err != nil {
					return err
				}
				events++
			}
			return nil
		}
		rest := func() error {
			s.out = s.out[:0]
			s.rest()
			return write(s.out)
		}
		for err = nil; err == nil; {
			var h *Header
			var e *Entry
			if h, e, err = r.Next(); err != nil {
				break
			}
			if e != nil {
				err = write(s.next(*e))
				continue
			}
			if err = rest(); err == nil && s == second {
				h.Masked = true
				if line, err = appendHeader(line[:0], h); err == nil {
					_, err = buffered.Write(line)
				}
			}
			s.streams = map[string]*stream{}
		}
		var damage *Damage
		if err != io.EOF && !errors.As(err, &damage) {
			return events, err
		}
		if failed := rest(); failed != nil {
			return events, failed
		}
	}
	if err == io.EOF {
		err = nil
	}
	return events, err
}
