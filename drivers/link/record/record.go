// Package record keeps what goes over the links to a bench's instruments, and
// reads it again.
//
//	drivers/link         carries the bytes
//	drivers/link/record  Recorder: a link.Opener that listens in
//	drivers/link/replay  serves a recording as instruments
//
//	format.go  this file format: lines, events, checksums
//	tap.go     the link that listens in
//	mask.go    identities, serial numbers and hosts, made unrecognisable
//	read.go    Reader
//
// A recording is a text file of JSON lines. A session begins with a header and
// holds one line for each event: what was sent, what came, and when. Bytes
// that are text are kept as they are, others in base64, longer ones packed with
// zstd (RFC 8878) first. Lines and not one stream of zstd, so that a file that
// is cut off or damaged can be read up to there, can be appended to after a
// kill, and can be read with any pager. Each line ends with its checksum.
//
// The measurement comes first. Links hand what they saw to a goroutine that
// writes it. A disk that is full, slow or stuck ends the recording, is told
// once, and holds up nothing. What was seen is in the file's hands within
// moments, never synced: a kill of the program loses the last exchange at most,
// a loss of power may lose more.
package record

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"halfturn/drivers/link"
)

// Options say what is recorded and how.
type Options struct {
	Program     string // for the header
	Command     string
	Instruments map[string]Instrument
	Mask        *Mask // nil: nothing is masked
	// Limit is how large the file may become in bytes; DefaultLimit when zero.
	// What would go beyond it is not recorded.
	Limit int64
	// Complain is told once, in one line, when the recording ends early. It
	// is called from another goroutine; nil for nobody.
	Complain func(problem string)
}

// DefaultLimit is 4 GiB.
const DefaultLimit = 4 << 30

// backlogLimit is how many bytes may wait for the disk.
const backlogLimit = 64 << 20

// closePatience is how long Close waits for the disk.
const closePatience = 5 * time.Second

// Recorder keeps what its links carry. It may be used by several goroutines.
type Recorder struct {
	o        Options
	path     string
	allowed  int           // backlog
	patience time.Duration // of Close
	started  time.Time
	ended    atomic.Bool // nothing more is taken
	written  chan error  // the goroutine's end

	mu          sync.Mutex
	connections map[string]int // by instrument
	waiting     []Entry
	backlog     int
	changed     chan struct{}
	spare       [][]byte // buffers to use again
}

// Create begins a session in the file at path, after those that it holds
// already. A file that is no recording is refused and left as it is.
func Create(path string, o Options) (*Recorder, error) {
	if o.Limit <= 0 {
		o.Limit = DefaultLimit
	}
	f, size, err := openAppending(path)
	if err != nil {
		return nil, fmt.Errorf("recording %s: %w", path, err)
	}
	return begin(f, size, path, o)
}

// begin begins a session behind the size bytes of a file.
func begin(f io.WriteCloser, size int64, path string, o Options) (*Recorder, error) {
	r := &Recorder{o: o, path: path, allowed: backlogLimit, patience: closePatience, started: time.Now(), written: make(chan error, 1),
		connections: map[string]int{}, changed: make(chan struct{}, 1)}
	// Without the monotonic reading, which means nothing in a file.
	head, err := appendHeader(nil, &Header{Version: version, Started: r.started.Round(0).UTC(), Program: o.Program, Command: o.Command,
		Masked: o.Mask != nil, Instruments: o.Instruments})
	if err == nil {
		_, err = f.Write(head)
	}
	if err != nil {
		return nil, fmt.Errorf("recording %s: %w", path, errors.Join(err, f.Close()))
	}
	w := &writer{r: r, file: f, size: size + int64(len(head))}
	if o.Mask != nil {
		w.mask = newStreamMask(o.Mask)
	}
	go w.run()
	return r, nil
}

// openAppending opens a recording at the end of its last whole line.
func openAppending(path string) (*os.File, int64, error) {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, 0, err
	}
	size, err := endOfLines(f)
	if err == nil {
		err = f.Truncate(size)
	}
	if err == nil {
		_, err = f.Seek(size, io.SeekStart)
	}
	if err != nil {
		return nil, 0, errors.Join(err, f.Close())
	}
	return f, size, nil
}

// endOfLines is where the last whole line of a recording ends.
func endOfLines(f *os.File) (int64, error) {
	info, err := f.Stat()
	if err != nil {
		return 0, err
	}
	size := info.Size()
	if size == 0 {
		return 0, nil
	}
	if !info.Mode().IsRegular() {
		return 0, errors.New("it is no file to write to")
	}
	if _, _, err := NewReader(io.NewSectionReader(f, 0, size), f.Name()).Next(); err != nil {
		return 0, errors.New("there is such a file already and it is no recording: name another")
	}
	var chunk [1 << 16]byte
	for end := size; end > 0; {
		start := max(0, end-int64(len(chunk)))
		part := chunk[:end-start]
		if _, err := f.ReadAt(part, start); err != nil {
			return 0, err
		}
		if i := bytes.LastIndexByte(part, '\n'); i >= 0 {
			return start + int64(i) + 1, nil
		}
		end = start
	}
	return 0, nil
}

// OpenTo opens a link that is recorded. It implements link.Opener.
func (r *Recorder) OpenTo(ctx context.Context, instrument, identity, address string) (link.Link, error) {
	r.mu.Lock()
	r.connections[instrument]++
	head := Entry{Instrument: instrument, Connection: r.connections[instrument]}
	r.mu.Unlock()
	l, err := link.Open(ctx, address)
	opened := head
	opened.At, opened.Identity = r.now(), identity
	if err != nil {
		// The error names the address.
		opened.Event, opened.Note = Refused, err.Error()
		r.take(opened)
		return nil, err
	}
	opened.Event, opened.Note = Opened, address
	r.take(opened)
	return &tap{Link: l, r: r, head: head}, nil
}

func (r *Recorder) now() time.Duration { return time.Since(r.started) }

// take hands an entry, with its Data, to the writer.
func (r *Recorder) take(e Entry) {
	r.mu.Lock()
	if r.ended.Load() {
		r.mu.Unlock()
		return
	}
	r.waiting = append(r.waiting, e)
	r.backlog += len(e.Data)
	full := r.backlog > r.allowed
	r.mu.Unlock()
	if full {
		r.giveUp(fmt.Sprintf("the disk does not keep up, %d KiB wait for it", r.allowed>>10))
		return
	}
	r.wake()
}

func (r *Recorder) wake() {
	select {
	case r.changed <- struct{}{}:
	default:
	}
}

// giveUp ends the recording, and not what is recorded. It is false where the
// recording had ended already.
func (r *Recorder) giveUp(why string) bool {
	if r.ended.Swap(true) {
		return false
	}
	r.wake()
	if r.o.Complain != nil {
		r.o.Complain(fmt.Sprintf("RECORDING STOPPED, the instruments go on without it: %s: %s", r.path, why))
	}
	return true
}

// buffer is storage for an entry's data.
func (r *Recorder) buffer() []byte {
	r.mu.Lock()
	defer r.mu.Unlock()
	n := len(r.spare)
	if n == 0 {
		return nil
	}
	b := r.spare[n-1]
	r.spare = r.spare[:n-1]
	return b
}

// release takes back what the entries' data were kept in.
func (r *Recorder) release(done []Entry) {
	r.mu.Lock()
	defer r.mu.Unlock()
	for i := range done {
		if b := done[i].Data; cap(b) > 0 && len(r.spare) < 16 {
			r.spare = append(r.spare, b[:0])
		}
		r.backlog -= len(done[i].Data)
		done[i] = Entry{}
	}
}

// Close writes what is waiting and closes the file; its error is one that
// Options.Complain was not told. Close the links first;
// what they carry afterwards is not recorded. A disk that is stuck is left
// alone after some seconds.
func (r *Recorder) Close() error {
	r.mu.Lock()
	if !r.ended.Swap(true) {
		r.waiting = append(r.waiting, Entry{At: r.now(), Event: Ended})
	}
	r.mu.Unlock()
	r.wake()
	select {
	case err := <-r.written:
		r.written <- err // for another Close
		return err
	case <-time.After(r.patience):
		return fmt.Errorf("recording %s: the disk has not taken it within %v", r.path, r.patience)
	}
}

// writer is the goroutine that writes the file.
type writer struct {
	r      *Recorder
	file   io.WriteCloser
	size   int64
	mask   *streamMask
	out    []byte
	packed []byte
}

// run writes until the session has ended.
func (w *writer) run() {
	var batch []Entry
	var err error
	for over := false; !over && err == nil; {
		<-w.r.changed
		w.r.mu.Lock()
		over = w.r.ended.Load()
		batch, w.r.waiting = w.r.waiting, batch[:0]
		w.r.mu.Unlock()
		err = w.write(batch)
		w.r.release(batch)
	}
	if err != nil && w.r.giveUp(err.Error()) {
		err = nil // it was told
	}
	if err = errors.Join(err, w.file.Close()); err != nil {
		err = fmt.Errorf("recording %s: %w", w.r.path, err)
	}
	w.r.written <- err
}

// errFull ends a recording at its limit.
var errFull = errors.New("its limit is reached")

func (w *writer) write(batch []Entry) error {
	w.out = w.out[:0]
	for i := range batch {
		each := batch[i : i+1]
		if w.mask != nil {
			each = w.mask.next(batch[i])
		}
		for j := range each {
			if err := w.add(&each[j]); err != nil {
				return err
			}
		}
	}
	return w.flush()
}

// room is kept for the line that says that the recording is full.
const room = 256

func (w *writer) add(e *Entry) error {
	start := len(w.out)
	w.out = appendEntry(w.out, e, &w.packed)
	if w.size+int64(len(w.out))+room > w.r.o.Limit {
		why := fmt.Errorf("%w of %.3g GiB", errFull, float64(w.r.o.Limit)/(1<<30))
		w.out = appendEntry(w.out[:start], &Entry{At: e.At, Event: Full, Note: why.Error()}, &w.packed)
		return errors.Join(w.flush(), why)
	}
	if len(w.out) > 1<<20 {
		return w.flush()
	}
	return nil
}

func (w *writer) flush() error {
	n, err := w.file.Write(w.out)
	w.size += int64(n)
	w.out = w.out[:0]
	return err
}
