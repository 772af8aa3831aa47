package usbtmc_test

import (
	"context"
	"errors"
	"io"
	"net"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"halfturn/drivers/link/usbtmc"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// script is a device file whose device is written out: what must come over
// Bulk-OUT and what it says over Bulk-IN, piece by piece, as USBTMC 1.0 has
// the bytes. It shares no code with the client.
type script struct {
	t     *testing.T
	mu    sync.Mutex
	steps []any // out, in, or an error of the next Read or Write
	calls []string
	clear func() error
}

type (
	out string // one message, with its header and its padding
	in  string // one piece: fewer than 4096 bytes end a transfer
)

// message is a header, and data behind it.
func message(id, tag byte, size int, attributes byte, data string) string {
	return string([]byte{id, tag, 255 - tag, 0, byte(size), byte(size >> 8), byte(size >> 16), byte(size >> 24), attributes, 0, 0, 0}) + data
}

// request is a REQUEST_DEV_DEP_MSG_IN.
func request(tag byte) out { return out(message(2, tag, 65536, 0, "")) }

func (s *script) next() any {
	if len(s.steps) == 0 {
		return nil
	}
	step := s.steps[0]
	s.steps = s.steps[1:]
	return step
}

func (s *script) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	switch step := s.next().(type) {
	case error:
		return 0, step
	case out:
		if string(p) != string(step) {
			s.t.Errorf("sent % x,\nwant % x", p, step)
		}
	default:
		s.t.Errorf("sent % x, and nothing was to come", p)
	}
	return len(p), nil
}

func (s *script) Written() (int, error) { return 1 << 20, nil }

func (s *script) Read(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.steps) == 0 {
		return 0, usbtmc.ErrAgain
	}
	switch step := s.next().(type) {
	case error:
		return 0, step
	case in:
		return copy(p, step), nil
	default:
		s.t.Errorf("it reads, and %T was to come", step)
		return 0, io.EOF
	}
}

func (s *script) Wait(what usbtmc.Event, d time.Duration) (bool, error) {
	s.mu.Lock()
	more := len(s.steps) > 0 || what == usbtmc.Output
	s.mu.Unlock()
	if !more {
		time.Sleep(d)
	}
	return more, nil
}

func (s *script) called(name string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.calls = append(s.calls, name)
}

func (s *script) did(name string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Contains(s.calls, name)
}

func (s *script) Cancel() error { s.called("cancel"); return nil }
func (s *script) Close() error  { s.called("close"); return nil }
func (s *script) Clear() error {
	s.called("clear")
	if s.clear != nil {
		return s.clear()
	}
	return nil
}

func (s *script) ClearHalt(of usbtmc.Event) error {
	s.called([]string{"clear halt of input", "clear halt of output"}[of])
	return nil
}

func open(t *testing.T, steps ...any) (*usbtmc.Conn, *script) {
	t.Helper()
	s := &script{t: t, steps: steps}
	c, err := usbtmc.Open(context.Background(), func(string) (usbtmc.File, error) { return s, nil }, "")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	limit(t, c, 5*time.Second)
	return c, s
}

func limit(t *testing.T, c *usbtmc.Conn, d time.Duration) {
	t.Helper()
	if err := c.SetDeadline(time.Now().Add(d)); err != nil {
		t.Fatal(err)
	}
}

func write(t *testing.T, c *usbtmc.Conn, s string) {
	t.Helper()
	if n, err := c.Write([]byte(s)); n != len(s) || err != nil {
		t.Fatalf("Write = %d, %v", n, err)
	}
}

func read(t *testing.T, c *usbtmc.Conn, want string) {
	t.Helper()
	got := make([]byte, len(want))
	if n, err := io.ReadFull(c, got); err != nil || string(got) != want {
		t.Fatalf("%q, %v; want %q", got[:n], err, want)
	}
}

func (s *script) done() {
	s.t.Helper()
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.steps) > 0 {
		s.t.Errorf("%d steps did not happen", len(s.steps))
	}
}

func TestMessages(t *testing.T) {
	block := "#800004075" + strings.Repeat("\n", 4075) // 4085 bytes: one more than a piece holds
	whole := strings.Repeat("x", 4083) + "\n"          // with its header a whole piece
	c, s := open(t,
		out(message(1, 1, 6, 1, "*IDN?\n\x00\x00")), request(2), in(message(2, 2, 5, 1, "1.25\n\x00\x00\x00")),
		// Without a newline, in two parts, of which the first has no EOM.
		out(message(1, 3, 3, 1, "A?\n\x00")), request(4), in(message(2, 4, 2, 0, "ab")), request(5), in(message(2, 5, 1, 1, "c")),
		// Half a message has no EOM.
		out(message(1, 6, 2, 0, "B?\x00\x00")), out(message(1, 7, 1, 1, "\n\x00\x00\x00")),
		// More than one piece; newlines of a block end nothing.
		request(8), in(message(2, 8, 4085, 1, block[:4084])), in(block[4084:]),
		// A transfer of whole packets is ended by a packet without data.
		out(message(1, 9, 3, 1, "C?\n\x00")), request(10), in(message(2, 10, 4084, 1, whole)), in(""),
		// And that packet may come late, before the next reply.
		out(message(1, 11, 3, 1, "D?\n\x00")), request(12), in(""), in(message(2, 12, 4, 1, "#0\n\n")),
		// EOM may come with no data.
		out(message(1, 13, 3, 1, "E?\n\x00")), request(14), in(message(2, 14, 1, 0, "e")), request(15), in(message(2, 15, 0, 1, "")),
	)
	write(t, c, "*IDN?\n")
	read(t, c, "1.25\n")
	write(t, c, "A?\n")
	read(t, c, "abc\n")
	write(t, c, "B?")
	write(t, c, "\n")
	read(t, c, block+"\n")
	write(t, c, "C?\n")
	read(t, c, whole)
	write(t, c, "D?\n")
	read(t, c, "#0\n\n")
	write(t, c, "E?\n")
	read(t, c, "e\n")
	s.done()
}

// A message that the driver does not take at once goes out in transfers of
// which the last has EOM.
func TestLongMessage(t *testing.T) {
	long := strings.Repeat("y", 70_000) + "\n"
	const first = 16*4096 - 12
	c, s := open(t,
		out(message(1, 1, first, 0, long[:first])),
		out(message(1, 2, len(long)-first, 1, long[first:]+"\x00\x00\x00")[:12+(len(long)-first+3)/4*4]),
	)
	write(t, c, long)
	s.done()
}

func TestTagWraps(t *testing.T) {
	var steps []any
	for n := range 300 {
		steps = append(steps, out(message(1, byte(n%255+1), 1, 1, "\n\x00\x00\x00")))
	}
	c, s := open(t, steps...)
	for range 300 {
		write(t, c, "\n")
	}
	s.done()
}

func TestBadReplies(t *testing.T) {
	cases := []struct {
		name, want string
		steps      []any
	}{
		{"no header", "without a whole header: 11 bytes of 12", []any{in("HTTP/1.1 40")}},
		{"another bTag", "bTag 1, and the last had 2", []any{in(message(2, 1, 2, 1, "1\n"))}},
		{"wrong complement", "bTag 2 and 2 for its complement", []any{in("\x02\x02\x02\x00\x02\x00\x00\x00\x01\x00\x00\x001\n")}},
		{"bTag 0", "bTag 0", []any{in(message(2, 0, 2, 1, "1\n"))}},
		{"another kind", "kind 127", []any{in(message(127, 2, 2, 1, "1\n"))}},
		{"more than requested", "announces 65537 bytes, and 65536 were requested", []any{in(message(2, 2, 65537, 1, strings.Repeat("1", 4084)))}},
		{"huge", "announces 4294967295 bytes", []any{in(message(2, 2, -1, 1, "1"))}},
		{"short packet", "ends its reply 3 bytes before", []any{in(message(2, 2, 5, 1, "1\n"))}},
		{"short packet later", "ends its reply 916 bytes before", []any{in(message(2, 2, 5000, 1, strings.Repeat("1", 4084))), in("")}},
		{"more than announced", "more than the reply", []any{in(message(2, 2, 4084, 0, strings.Repeat("1", 4084))), in(strings.Repeat("1", 4096))}},
		{"packets without bytes", "without bytes", []any{in(""), in(""), in("")}},
		{"stall", "stall", []any{usbtmc.ErrStall}},
		{"gone", "unplugged", []any{usbtmc.ErrGone}},
		{"anything else", "unexpected EOF", []any{io.ErrUnexpectedEOF}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			l, s := open(t, append([]any{out(message(1, 1, 3, 1, "A?\n\x00")), request(2)}, c.steps...)...)
			write(t, l, "A?\n")
			for range 2 { // and again: it does not go on behind the error
				_, err := io.ReadAll(l)
				if err == nil || !strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "\n") {
					t.Errorf("%v, want one line with %q", err, c.want)
				}
			}
			if _, err := l.Write([]byte("B?\n")); err == nil {
				t.Error("it still writes")
			}
			if halts := s.did("clear halt of input"); halts != (c.name == "stall") {
				t.Errorf("calls %q", s.calls)
			}
		})
	}
}

// A device that never ends its reply, and gives nothing, is given up at the
// deadline.
func TestNeverEnds(t *testing.T) {
	steps := []any{out(message(1, 1, 3, 1, "A?\n\x00"))}
	for n := range 254 {
		steps = append(steps, request(byte(n+2)), in(message(2, byte(n+2), 0, 0, "")))
	}
	c, _ := open(t, steps...)
	write(t, c, "A?\n")
	limit(t, c, 30*time.Millisecond)
	if n, err := c.Read(make([]byte, 9)); n > 0 || !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("%d, %v", n, err)
	}
}

func TestBadWrites(t *testing.T) {
	for name, fails := range map[string]error{"stall": usbtmc.ErrStall, "unplugged": usbtmc.ErrGone} {
		c, s := open(t, fails)
		if n, err := c.Write([]byte("A?\n")); n > 0 || err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %d, %v", name, n, err)
		}
		if halts := s.did("clear halt of output"); halts != (name == "stall") {
			t.Errorf("%s: calls %q", name, s.calls)
		}
	}
	// What the driver has no room for is offered again.
	c, s := open(t, usbtmc.ErrAgain, out(message(1, 1, 3, 1, "A?\n\x00")))
	write(t, c, "A?\n")
	s.done()
}

// A clear forgets a request, half a reply and half a message.
func TestClear(t *testing.T) {
	c, s := open(t,
		out(message(1, 1, 3, 1, "A?\n\x00")), request(2), in(message(2, 2, 3, 0, "#15")),
		out(message(1, 3, 3, 1, "B?\n\x00")), request(4), in(message(2, 4, 2, 1, "2\n")),
	)
	write(t, c, "A?\n")
	read(t, c, "#")
	if err := c.Clear(); err != nil {
		t.Fatal(err)
	}
	write(t, c, "B?\n")
	read(t, c, "2\n")
	if !slices.Equal(s.calls, []string{"cancel", "clear"}) {
		t.Errorf("calls %q", s.calls)
	}
	s.done()
}

func TestBadClear(t *testing.T) {
	c, s := open(t)
	s.clear = func() error { return os.ErrPermission }
	if err := c.Clear(); !errors.Is(err, os.ErrPermission) || !strings.HasPrefix(err.Error(), "USBTMC clear: ") {
		t.Errorf("refused: %v", err)
	}
	// One that does not come about ends with the deadline; the next call
	// waits for it, and Close does not for ever.
	c, s = open(t)
	release := make(chan struct{})
	s.clear = func() error { <-release; return nil }
	limit(t, c, 20*time.Millisecond)
	if err := c.Clear(); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("late: %v", err)
	}
	limit(t, c, 20*time.Millisecond)
	if _, err := c.Write([]byte("A?\n")); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("Write: %v", err)
	}
	if _, err := c.Read(make([]byte, 1)); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("Read: %v", err)
	}
	if err := c.Close(); err == nil || s.did("close") {
		t.Errorf("closed under the driver: %v", err)
	}
	close(release)
	for end := time.Now().Add(5 * time.Second); ; time.Sleep(time.Millisecond) {
		if s.did("close") {
			break
		}
		if time.Now().After(end) {
			t.Fatal("never closed")
		}
	}
	if _, err := c.Read(make([]byte, 1)); !errors.Is(err, net.ErrClosed) {
		t.Errorf("Read: %v", err)
	}
}

// The reply to a question whose time limit passed comes to the next Read.
func TestLateReply(t *testing.T) {
	c, s := open(t, out(message(1, 1, 3, 1, "A?\n\x00")), request(2))
	write(t, c, "A?\n")
	limit(t, c, 20*time.Millisecond)
	if _, err := c.Read(make([]byte, 9)); !errors.Is(err, os.ErrDeadlineExceeded) {
		t.Fatal(err)
	}
	limit(t, c, 5*time.Second)
	s.mu.Lock()
	s.steps = append(s.steps, in(message(2, 2, 2, 1, "1\n")))
	s.mu.Unlock()
	read(t, c, "1\n")
}

func TestOpenEndsWithContext(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	release, s := make(chan struct{}), &script{t: t}
	time.AfterFunc(10*time.Millisecond, cancel)
	_, err := usbtmc.Open(ctx, func(string) (usbtmc.File, error) { <-release; return s, nil }, "")
	if !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
	close(release) // the file is closed by whoever waits for it
}
