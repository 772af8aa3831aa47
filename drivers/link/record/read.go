package record

import (
	"bufio"
	"errors"
	"fmt"
	"io"
)

// Reader reads a recording, line by line.
type Reader struct {
	in     *bufio.Reader
	name   string
	text   []byte
	line   int
	offset int64 // of the line after the last one read
	start  int64 // of the last one read
	open   bool  // a session began, and its end has not come
	err    error // for good
}

// NewReader reads the recording in r; name is what messages call it.
func NewReader(r io.Reader, name string) *Reader {
	return &Reader{in: bufio.NewReaderSize(r, 1<<16), name: name}
}

// Damage is why a recording cannot be read any further. What came before it
// is good.
type Damage struct {
	Name string
	Line int
	Why  string
}

func (d *Damage) Error() string {
	if d.Line <= 1 {
		return fmt.Sprintf("%s is no recording, which --record makes, or damaged in its first line: %s", d.Name, d.Why)
	}
	return fmt.Sprintf("recording %s, line %d: %s; what is before it is used", d.Name, d.Line, d.Why)
}

// Next returns the next header or entry, and the other nil. io.EOF ends a
// recording that is whole; one that is cut off or damaged ends with a *Damage.
func (r *Reader) Next() (*Header, *Entry, error) {
	if r.err != nil {
		return nil, nil, r.err
	}
	h, e, err := r.next()
	r.err = err
	return h, e, err
}

func (r *Reader) next() (*Header, *Entry, error) {
	damage := func(format string, a ...any) (*Header, *Entry, error) {
		return nil, nil, &Damage{Name: r.name, Line: r.line, Why: fmt.Sprintf(format, a...)}
	}
	r.line++
	r.start = r.offset
	r.text = r.text[:0]
	for {
		part, err := r.in.ReadSlice('\n')
		r.text = append(r.text, part...)
		r.offset += int64(len(part))
		switch {
		case len(r.text) > longestLine:
			return damage("it is longer than %d bytes", longestLine)
		case errors.Is(err, bufio.ErrBufferFull):
			continue
		case err == io.EOF && len(r.text) > 0:
			return damage("it was cut off in this line")
		case err == io.EOF && r.line == 1:
			return damage("it is empty")
		case err == io.EOF && r.open:
			return damage("it was cut off: the end of the session is missing")
		case err != nil:
			return nil, nil, err
		}
		break
	}
	h, e, err := parse(r.text[:len(r.text)-1])
	switch {
	case err != nil:
		return damage("%v", err)
	case h == nil && r.line == 1:
		return damage("the line that begins a recording is missing")
	case h != nil:
		r.open = true
	case e.Event == Ended, e.Event == Full:
		r.open = false
	}
	return h, e, nil
}

// Where tells the line that was read last, from 1, and where in the file it
// stands.
func (r *Reader) Where() (line int, offset int64) { return r.line, r.start }

// DataAt reads the data of the entry whose line begins at offset.
func DataAt(file io.ReaderAt, offset int64) ([]byte, error) {
	text, err := bufio.NewReaderSize(io.NewSectionReader(file, offset, longestLine+1), 1<<16).ReadBytes('\n')
	if err != nil {
		return nil, err
	}
	_, e, err := parse(text[:len(text)-1])
	if err != nil {
		return nil, err
	}
	if e == nil {
		return nil, errors.New("a session begins there")
	}
	return e.Data, nil
}
