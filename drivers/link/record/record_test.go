package record

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"go.uber.org/goleak"
	"pgregory.net/rapid"

	"halfturn/drivers/link"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// entries draws what a Recorder may write.
var entries = rapid.Custom(func(t *rapid.T) Entry {
	e := Entry{
		At:         time.Duration(rapid.Int64Range(0, int64(longestAt/time.Microsecond)).Draw(t, "at")) * time.Microsecond,
		Instrument: rapid.StringN(1, 20, -1).Draw(t, "instrument"),
		Connection: rapid.IntRange(1, 1e6).Draw(t, "connection"),
		Event:      rapid.SampledFrom([]Event{Opened, Refused, Sent, Got, Timeout, Cleared, HungUp, Failed, Closed}).Draw(t, "event"),
		Identity:   rapid.String().Draw(t, "identity"),
		Note:       rapid.String().Draw(t, "note"),
	}
	switch rapid.IntRange(0, 3).Draw(t, "kind") {
	case 1:
		e.Data = rapid.SliceOfN(rapid.Byte(), 1, 300).Draw(t, "bytes")
	case 2:
		e.Data = []byte(rapid.StringMatching(`[ -~\n\r\t]{1,80}`).Draw(t, "text"))
	case 3:
		e.Data = bytes.Repeat(rapid.SliceOfN(rapid.Byte(), 1, 10).Draw(t, "repeated"), rapid.IntRange(1, 5000).Draw(t, "times"))
	}
	return e
})

func readAll(text []byte) (headers []*Header, all []*Entry, err error) {
	r := NewReader(bytes.NewReader(text), "test")
	for {
		h, e, err := r.Next()
		switch {
		case err == io.EOF:
			return headers, all, nil
		case err != nil:
			return headers, all, err
		case h != nil:
			headers = append(headers, h)
		default:
			all = append(all, e)
		}
	}
}

func recording(t testing.TB, list []Entry) []byte {
	t.Helper()
	text, err := appendHeader(nil, &Header{Version: version, Started: time.Unix(1e9, 0).UTC(), Program: "halfturn test", Instruments: map[string]Instrument{"scope": {Dialect: "d", Channels: []string{"1", "2"}}}})
	if err != nil {
		t.Fatal(err)
	}
	var packed []byte
	for i := range list {
		text = appendEntry(text, &list[i], &packed)
	}
	return appendEntry(text, &Entry{Event: Ended}, &packed)
}

// What is written is read again, each entry in a line; cut off anywhere, all
// lines that are whole are read, and one line says that more were there.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		list := rapid.SliceOfN(entries, 0, 8).Draw(rt, "list")
		text := recording(t, list)
		if n := bytes.Count(text, []byte("\n")); n != len(list)+2 {
			rt.Fatalf("%d lines", n)
		}
		headers, got, err := readAll(text)
		if err != nil || len(headers) != 1 || len(got) != len(list)+1 {
			rt.Fatalf("%d headers, %d entries of %d, %v", len(headers), len(got), len(list), err)
		}
		for i := range list {
			if diff := cmp.Diff(&list[i], got[i], cmpopts.EquateEmpty()); diff != "" {
				rt.Fatal(diff)
			}
		}
		cut := rapid.IntRange(0, len(text)-1).Draw(rt, "cut")
		_, some, err := readAll(text[:cut])
		whole := max(0, bytes.Count(text[:cut], []byte("\n"))-1)
		var damage *Damage
		if !errors.As(err, &damage) || len(some) != whole || strings.Contains(err.Error(), "\n") {
			rt.Fatalf("cut at %d of %d: %d entries of %d, %v", cut, len(text), len(some), whole, err)
		}
		if diff := cmp.Diff(got[:whole], some, cmpopts.EquateEmpty()); diff != "" {
			rt.Fatal(diff)
		}
	})
}

// A byte that changed is noticed, wherever it is, and costs what follows only.
func TestDamage(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	var list []Entry
	for i := range 20 {
		list = append(list, Entry{Instrument: "scope", Connection: 1, Event: Got, Data: []byte(fmt.Sprintf("%d.%d\n", i, random.Uint64()))})
	}
	text := recording(t, list)
	_, want, _ := readAll(text)
	for range 300 {
		bad := bytes.Clone(text)
		at := random.IntN(len(bad))
		bad[at] ^= byte(1 << random.IntN(8))
		_, got, err := readAll(bad)
		var damage *Damage
		before := max(0, bytes.Count(text[:at], []byte("\n"))-1)
		if !errors.As(err, &damage) || len(got) > before {
			t.Fatalf("byte %d: %d entries of %d, %v", at, len(got), before, err)
		}
		if diff := cmp.Diff(want[:len(got)], got, cmpopts.EquateEmpty()); diff != "" {
			t.Fatal(diff)
		}
	}
	if _, _, err := readAll(bytes.Replace(text, []byte(`"halfturn_recording":1`), []byte(`"halfturn_recording":2`), 1)); err == nil {
		t.Error("an edited header was taken")
	}
	newer, _ := appendHeader(nil, &Header{Version: version + 1})
	if _, _, err := readAll(newer); err == nil || !strings.Contains(err.Error(), "a newer halfturn") {
		t.Error(err)
	}
}

func FuzzReader(f *testing.F) {
	f.Add([]byte{})
	f.Add([]byte("no recording\n"))
	f.Add(recording(f, nil))
	f.Add(recording(f, []Entry{{Instrument: "scope", Connection: 1, Event: Got, Data: bytes.Repeat([]byte{1, 2}, 3000)}, {Instrument: "scope", Connection: 1, Event: Sent, Data: []byte("*IDN?\n")}}))
	f.Fuzz(func(t *testing.T, text []byte) {
		_, all, err := readAll(text)
		if err != nil && strings.Contains(err.Error(), "\n") {
			t.Errorf("more than a line: %q", err)
		}
		// With the right sum, what is in a line does not matter either.
		sealed := recording(t, nil)
		for line := range bytes.Lines(text) {
			if body := bytes.TrimSuffix(bytes.TrimRight(line, "\n"), []byte("}")); len(body) > 0 {
				sealed = seal(append(sealed, body...), len(sealed))
			}
		}
		_, more, _ := readAll(sealed)
		var packed []byte
		for _, e := range append(all, more...) {
			if e.At < 0 || e.At > longestAt || len(e.Data) > longestLine {
				t.Errorf("%+v", e)
			}
			if e.Event != Ended && e.Event != Full {
				_, again, err := parse(bytes.TrimSuffix(appendEntry(nil, e, &packed), []byte("\n")))
				if err != nil || !bytes.Equal(again.Data, e.Data) {
					t.Errorf("%v", err)
				}
			}
		}
		_, _ = (&Mask{key: []byte("k")}).Copy(io.Discard, bytes.NewReader(text), "fuzz")
	})
}

// far serves one connection after the other with f until the test ends.
func far(t testing.TB, f func(net.Conn)) (address string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var serving sync.WaitGroup
	serving.Go(func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			f(c)
			c.Close()
		}
	})
	t.Cleanup(func() { l.Close(); serving.Wait() })
	return "tcp://" + l.Addr().String()
}

func read(t testing.TB, path string) ([]*Header, []*Entry, error) {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return readAll(text)
}

// talk asks once, hears half an answer late, and is hung up on.
func talk(t *testing.T, r *Recorder, address string) {
	t.Helper()
	l, err := r.OpenTo(context.Background(), "scope", "*IDN?", address)
	if err != nil {
		t.Fatal(err)
	}
	if err := link.Discard(l); err != nil {
		t.Fatal(err)
	}
	if _, err := l.Write([]byte("A?\n")); err != nil {
		t.Fatal(err)
	}
	_ = l.SetDeadline(time.Now().Add(20 * time.Millisecond))
	var p [64]byte
	if _, err := l.Read(p[:]); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Fatal(err)
	}
	_ = l.SetDeadline(time.Now().Add(10 * time.Second))
	if n, err := io.ReadFull(l, p[:3]); n != 3 || err != nil {
		t.Fatal(err)
	}
	for {
		if _, err := l.Read(p[:]); err != nil {
			break
		}
	}
	if err := errors.Join(l.Close(), l.Close()); err != nil {
		t.Fatal(err)
	}
}

func late(c net.Conn) {
	_, _ = c.Read(make([]byte, 10))
	time.Sleep(60 * time.Millisecond)
	_, _ = c.Write([]byte("1.5"))
}

// What a link carries is kept in order, with times; a second session goes
// behind the first, also behind one that was cut off.
func TestRecorder(t *testing.T) {
	address := far(t, late)
	path := filepath.Join(t.TempDir(), "x.rec")
	for session := range 3 {
		r, err := Create(path, Options{Program: "p", Command: "measure"})
		if err != nil {
			t.Fatal(err)
		}
		talk(t, r, address)
		if _, err := r.OpenTo(context.Background(), "scope", "*IDN?", "tcp://127.0.0.1:1"); err == nil {
			t.Fatal("port 1 answers")
		}
		if err := errors.Join(r.Close(), r.Close()); err != nil {
			t.Fatal(err)
		}
		headers, all, err := read(t, path)
		if err != nil || len(headers) != session+1 || headers[session].Command != "measure" {
			t.Fatalf("%d sessions, %v", len(headers), err)
		}
		var got []string
		all = all[len(all)-8:]
		for _, e := range all {
			got = append(got, fmt.Sprintf("%s %d %s %s", e.Instrument, e.Connection, e.Event, e.Data))
		}
		want := []string{"scope 1 opened ", "scope 1 sent A?\n", "scope 1 timeout ", "scope 1 got 1.5", "scope 1 hung up ", "scope 1 closed ", "scope 2 refused ", " 0 ended "}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatal(diff)
		}
		if d := all[3].At - all[1].At; d < 50*time.Millisecond {
			t.Errorf("the answer came after %v", d)
		}
		if !strings.Contains(all[6].Note, "127.0.0.1:1") {
			t.Errorf("refused: %q", all[6].Note)
		}
		// The next session comes behind half a line.
		f, err := os.OpenFile(path, os.O_APPEND|os.O_WRONLY, 0)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := f.WriteString(`{"at":1.0,"instr`); err != nil {
			t.Fatal(err)
		}
		f.Close()
	}
}

// badDisk takes so many bytes, then fails or hangs.
type badDisk struct {
	mu   sync.Mutex
	left int
	hang chan struct{} // nil: fails
	bytes.Buffer
}

var errNoSpace = errors.New("no space left on device")

func (d *badDisk) Write(p []byte) (int, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	n := min(len(p), d.left)
	d.left -= n
	d.Buffer.Write(p[:n])
	if n == len(p) {
		return n, nil
	}
	if d.hang != nil {
		<-d.hang
	}
	return n, errNoSpace
}

func (d *badDisk) Close() error { return nil }

// A disk that is full or stuck, and a file at its limit: the links go on, it
// is said once, and what is in the file can be read.
func TestBadDisk(t *testing.T) {
	for name, c := range map[string]struct {
		disk  *badDisk
		limit int64
		says  string
		whole bool
	}{
		"full":  {&badDisk{left: 20_000}, 1 << 30, "no space left", false},
		"stuck": {&badDisk{left: 20_000, hang: make(chan struct{})}, 1 << 30, "does not keep up", false},
		"limit": {&badDisk{left: 1 << 30}, 20_000, "its limit is reached", true},
	} {
		t.Run(name, func(t *testing.T) {
			chunk := make([]byte, 1<<15)
			for i := range chunk {
				chunk[i] = byte(rand.Uint32())
			}
			address := far(t, func(c net.Conn) {
				for i := range 100 {
					if _, err := c.Write(chunk[:1000+i/50*(len(chunk)-1000)]); err != nil {
						return
					}
					_, _ = c.Read(make([]byte, 1))
				}
			})
			var mu sync.Mutex
			var complaints []string
			r, err := begin(c.disk, 0, "x.rec", Options{Limit: c.limit, Complain: func(s string) {
				mu.Lock()
				defer mu.Unlock()
				complaints = append(complaints, s)
			}})
			if err != nil {
				t.Fatal(err)
			}
			if c.disk.hang != nil {
				r.patience, r.allowed = 20*time.Millisecond, 1<<20
			}
			l, err := r.OpenTo(context.Background(), "scope", "", address)
			if err != nil {
				t.Fatal(err)
			}
			for i := range 100 {
				got := make([]byte, 1000+i/50*(len(chunk)-1000))
				if _, err := io.ReadFull(l, got); err != nil || !bytes.Equal(got, chunk[:len(got)]) {
					t.Fatalf("%d: %v", i, err)
				}
				if _, err := l.Write([]byte("x")); err != nil {
					t.Fatal(err)
				}
			}
			if err := l.Close(); err != nil {
				t.Fatal(err)
			}
			err = r.Close()
			if c.disk.hang != nil {
				if err == nil {
					t.Error("Close says nothing of a stuck disk")
				}
				close(c.disk.hang)
				r.patience = 10 * time.Second
				_ = r.Close()
			}
			mu.Lock()
			defer mu.Unlock()
			if len(complaints) == 0 && err != nil { // it came to light at the end
				complaints = append(complaints, err.Error())
			}
			if len(complaints) != 1 || !strings.Contains(complaints[0], c.says) {
				t.Errorf("complaints %q", complaints)
			}
			_, all, err := readAll(c.disk.Bytes())
			if len(all) < 10 || c.whole != (err == nil) {
				t.Errorf("%d entries, %v", len(all), err)
			}
			if n := int64(c.disk.Len()); n > c.limit {
				t.Errorf("%d bytes", n)
			}
		})
	}
}

func TestCreateRefuses(t *testing.T) {
	path := filepath.Join(t.TempDir(), "notes.txt")
	if err := os.WriteFile(path, []byte("my notes\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if r, err := Create(path, Options{}); err == nil || !strings.Contains(err.Error(), "no recording") {
		t.Errorf("%v %v", r, err)
	}
	if text, err := os.ReadFile(path); string(text) != "my notes\n" {
		t.Errorf("%q, %v", text, err)
	}
}

// textOnly is a link that binary data cannot go over.
type textOnly struct{ link.Link }

func (textOnly) Transparent() bool { return false }

// A recorded link can do what the link can.
func TestTapIsTransparent(t *testing.T) {
	if link.Transparent(&tap{Link: textOnly{}}) || !link.Transparent(&tap{}) {
		t.Error("it is not told what the link carries")
	}
}
