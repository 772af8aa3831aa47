package replay

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"halfturn/drivers/link/record"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// record1 records a talk with an instrument that does what answer says: it
// returns what to say and whether to hang up. Each talk is a connection; a
// message is sent and its answer is awaited for 30 ms.
func record1(t testing.TB, answer func(message string) (string, bool), talks ...[]string) []byte {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	path := filepath.Join(t.TempDir(), "x.rec")
	r, err := record.Create(path, record.Options{Command: "test", Instruments: map[string]record.Instrument{"scope": {Dialect: "d"}}})
	if err != nil {
		t.Fatal(err)
	}
	for _, talk := range talks {
		link, err := r.OpenTo(context.Background(), "scope", "*IDN?", "tcp://"+l.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		far, err := l.Accept()
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range talk {
			_ = link.SetDeadline(time.Now().Add(10 * time.Second))
			if _, err := link.Write([]byte(m + "\n")); err != nil {
				t.Fatal(err)
			}
			if _, err := io.ReadFull(far, make([]byte, len(m)+1)); err != nil {
				t.Fatal(err)
			}
			say, hangUp := answer(m)
			if _, err := io.WriteString(far, say); err != nil {
				t.Fatal(err)
			}
			if hangUp {
				far.Close()
			}
			_ = link.SetDeadline(time.Now().Add(30 * time.Millisecond))
			for {
				var p [64]byte
				if _, err := link.Read(p[:]); err != nil {
					break
				}
			}
		}
		link.Close()
		far.Close()
	}
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func echo(m string) (string, bool) {
	switch {
	case m == "half?":
		return "1.2", false
	case m == "off?":
		return "3.", true
	case m == "silent?":
		return "", false
	case strings.HasSuffix(m, "?"):
		return "<" + m + ">\n", false
	}
	return "", false
}

func serve(t *testing.T, text []byte, paced bool) (*Server, string) {
	t.Helper()
	rec, err := Read(bytes.NewReader(text), int64(len(text)), "x.rec")
	if err != nil {
		t.Fatal(err)
	}
	s, err := Serve(context.Background(), rec, Options{Paced: paced})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	_, addresses := s.Addresses()
	return s, strings.TrimPrefix(addresses["scope"], "tcp://")
}

// say sends messages over one connection and returns all that comes, or what
// came in 100 ms where the far end stays.
func say(t *testing.T, address string, messages ...string) (got string, hungUp bool) {
	t.Helper()
	c, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	if _, err := io.WriteString(c, strings.Join(messages, "\r\n")+"\r\n"); err != nil {
		t.Fatal(err)
	}
	_ = c.SetReadDeadline(time.Now().Add(100 * time.Millisecond))
	b, err := io.ReadAll(c)
	return string(b), err == nil || !errors.Is(err, os.ErrDeadlineExceeded)
}

func TestReplay(t *testing.T) {
	text := record1(t, echo, []string{"*IDN?", "set 1", "*OPC?", "*OPC?", "curve?", "half?"}, []string{"*IDN?", "off?"}, []string{"*IDN?", "silent?", "curve?"})
	for name, c := range map[string]struct {
		talks []string // each a connection; messages with spaces between
		got   string   // all that came, with | where a connection ends and ! where the far end left
		fails string
	}{
		"as recorded":           {[]string{"*IDN?,set 1,*OPC?,*OPC?,curve?,half?", "*IDN?,off?", "*IDN?,silent?,curve?"}, "<*IDN?><*OPC?><*OPC?><curve?>1.2|<*IDN?>3.!|<*IDN?><curve?>|", ""},
		"asked once more":       {[]string{"*IDN?,*IDN?,set 1,*OPC?,*OPC?,*OPC?,curve?,curve?,half?", "*IDN?,off?", "*IDN?,silent?,curve?"}, "<*IDN?><*IDN?><*OPC?><*OPC?><*OPC?><curve?><curve?>1.2|<*IDN?>3.!|<*IDN?><curve?>|", ""},
		"asked a time fewer":    {[]string{"*IDN?,set 1,*OPC?,curve?,half?", "*IDN?,off?", "*IDN?,silent?,curve?"}, "<*IDN?><*OPC?><curve?>1.2|<*IDN?>3.!|<*IDN?><curve?>|", ""},
		"connected anew":        {[]string{"*IDN?,set 1,*OPC?", "*IDN?,set 1,*OPC?,curve?,half?", "*IDN?,off?", "*IDN?,silent?,curve?"}, "<*IDN?><*OPC?>|<*IDN?><*OPC?><curve?>1.2|<*IDN?>3.!|<*IDN?><curve?>|", ""},
		"something else":        {[]string{"*IDN?,set 2"}, "<*IDN?>!|", `scope, connection 1, exchange 2 (line`},
		"something else, named": {[]string{"*IDN?,set 1,*OPC?,*OPC?,set 1"}, "<*IDN?><*OPC?><*OPC?>!|", `expected "curve?", got "set 1"`},
		"left out":              {[]string{"*IDN?,*OPC?"}, "<*IDN?>!|", `expected "set 1", got "*OPC?"`},
		"more than there is":    {[]string{"*IDN?,set 1,*OPC?,*OPC?,curve?,half?", "*IDN?,off?", "*IDN?,silent?,curve?,set 1"}, "<*IDN?><*OPC?><*OPC?><curve?>1.2|<*IDN?>3.!|<*IDN?><curve?>!|", `nothing more was recorded; got "set 1"`},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s, address := serve(t, text, false)
			var all strings.Builder
			for _, talk := range c.talks {
				got, hungUp := say(t, address, strings.Split(talk, ",")...)
				all.WriteString(strings.ReplaceAll(got, "\n", ""))
				if hungUp {
					all.WriteString("!")
				}
				all.WriteString("|")
			}
			if all.String() != c.got {
				t.Errorf("got %q, want %q", all.String(), c.got)
			}
			ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
			defer cancel()
			err := s.Wait(ctx)
			var d *Divergence
			switch {
			case c.fails == "" && err != nil:
				t.Error(err)
			case c.fails != "" && (!errors.As(err, &d) || !strings.Contains(err.Error(), c.fails) || strings.Contains(err.Error(), "\n")):
				t.Errorf("%v, want %q", err, c.fails)
			}
		})
	}
}

// A recording that is cut off is served up to there, and says so to who asks
// for more.
func TestCutOff(t *testing.T) {
	text := record1(t, echo, []string{"*IDN?", "curve?", "last?"})
	text = text[:bytes.Index(text, []byte("last?"))]
	s, address := serve(t, text, false)
	if s.rec.Damage == nil {
		t.Error("it looks whole")
	}
	if got, _ := say(t, address, "*IDN?", "curve?", "last?"); got != "<*IDN?>\n<curve?>\n" {
		t.Errorf("%q", got)
	}
	if err := s.Wait(t.Context()); err == nil || !strings.Contains(err.Error(), `cut off there; got "last?"`) {
		t.Error(err)
	}
	_, err := Read(bytes.NewReader(text[:40]), 40, "x.rec")
	var damage *record.Damage
	if !errors.As(err, &damage) {
		t.Error(err)
	}
}

// At their own pace, answers take as long as they did.
func TestPace(t *testing.T) {
	const late = 200 * time.Millisecond
	text := record1(t, func(m string) (string, bool) {
		if m == "slow?" {
			time.Sleep(late)
		}
		return echo(m)
	}, []string{"slow?"})
	_, address := serve(t, text, true)
	c, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	began := time.Now()
	if _, err := io.WriteString(c, "slow?\n"); err != nil {
		t.Fatal(err)
	}
	if _, err := io.ReadFull(c, make([]byte, 8)); err != nil {
		t.Fatal(err)
	}
	if d := time.Since(began); d < late {
		t.Errorf("the answer came after %v", d)
	}
}

func FuzzRead(f *testing.F) {
	f.Add([]byte{})
	f.Add(record1(f, echo, []string{"*IDN?", "set 1", "off?"}, []string{"*IDN?"}))
	f.Fuzz(func(t *testing.T, text []byte) {
		rec, err := Read(bytes.NewReader(text), int64(len(text)), "fuzz")
		if err != nil {
			if strings.Contains(err.Error(), "\n") {
				t.Errorf("more than a line: %q", err)
			}
			return
		}
		for _, s := range rec.scripts {
			m := newMatcher(s)
			for !m.whole() {
				if next := s.steps[m.pos]; next.begins() {
					m.connect()
				} else if m.message(next.message) == nil {
					t.Fatalf("%q has no place", next.message)
				}
			}
		}
	})
}
