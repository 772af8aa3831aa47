package link_test

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"strconv"
	"strings"
	"testing"
	"time"

	"halfturn/drivers"
	"halfturn/drivers/link"
	"halfturn/drivers/link/hislip"
	"halfturn/drivers/link/usbtmc"
	"halfturn/drivers/link/vxi11"
	"halfturn/drivers/scpi"
)

// starts serve an instrument, once for each session, over each kind of link
// that knows where messages end, in several habits.
var starts = map[string]func(t testing.TB, serve func(io.ReadWriteCloser)) (address string){
	"hislip":                   overHiSLIP(hislip.PeerOptions{}),
	"hislip, no newline":       overHiSLIP(hislip.PeerOptions{NoNewline: true}),
	"hislip, small, overlap":   overHiSLIP(hislip.PeerOptions{MaxMessage: 32, Overlap: true}),
	"vxi11":                    overVXI11(vxi11.PeerOptions{}),
	"vxi11, no newline":        overVXI11(vxi11.PeerOptions{NoNewline: true}),
	"vxi11, small, no newline": overVXI11(vxi11.PeerOptions{NoNewline: true, MaxWrite: 5, MaxRead: 1000}),
	"usbtmc":                   overUSBTMC(usbtmc.PeerOptions{Padded: true}),
	"usbtmc, no newline":       overUSBTMC(usbtmc.PeerOptions{NoNewline: true, NoTrailer: true}),
	"usbtmc, small parts":      overUSBTMC(usbtmc.PeerOptions{NoNewline: true, MaxRead: 4096 - 12}),
}

func listen(t testing.TB) net.Listener {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func overHiSLIP(o hislip.PeerOptions) func(testing.TB, func(io.ReadWriteCloser)) string {
	return func(t testing.TB, serve func(io.ReadWriteCloser)) string {
		listener := listen(t)
		p := hislip.Serve(listener, o, func(c hislip.Client) { serve(c) })
		t.Cleanup(func() {
			p.Close()
			if n := p.Interruptions.Load(); n > 0 && !t.Failed() {
				t.Errorf("%d replies counted as not read", n)
			}
		})
		return "hislip://" + listener.Addr().String() + "/hislip0"
	}
}

func overVXI11(o vxi11.PeerOptions) func(testing.TB, func(io.ReadWriteCloser)) string {
	return func(t testing.TB, serve func(io.ReadWriteCloser)) string {
		portmapper := listen(t)
		p := vxi11.Serve(portmapper, listen(t), o, func(c vxi11.Client) { serve(c) })
		t.Cleanup(func() { p.Close() })
		return "vxi11://" + portmapper.Addr().String() + "/inst0"
	}
}

func overUSBTMC(o usbtmc.PeerOptions) func(testing.TB, func(io.ReadWriteCloser)) string {
	return func(t testing.TB, serve func(io.ReadWriteCloser)) string {
		listener := listen(t)
		p := usbtmc.Serve(listener, o, func(c usbtmc.Client) { serve(c) })
		t.Cleanup(func() { p.Close() })
		return "usbtmc://" + link.LoopbackDevice + listener.Addr().String()
	}
}

func each(t *testing.T, f func(t *testing.T, start func(testing.TB, func(io.ReadWriteCloser)) string)) {
	for name, start := range starts {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			f(t, start)
		})
	}
}

const identity = "HUT FOUR WORKS,SAMPLER,0017,1.2"

// answering serves sessions with answer: what it returns is sent as it is.
func answering(answer func(message string) string) func(io.ReadWriteCloser) {
	return func(c io.ReadWriteCloser) {
		for lines := bufio.NewScanner(c); lines.Scan(); {
			m := strings.TrimRight(lines.Text(), "\r")
			reply := answer(m)
			if reply == "" {
				switch m {
				case "*IDN?":
					reply = identity + "\n"
				case "*OPC?":
					reply = "1\n"
				case ":SYSTem:ERRor?":
					reply = "0,\"No error\"\n"
				}
			}
			if reply == "hang up" {
				return
			}
			if _, err := io.WriteString(c, reply); err != nil {
				return
			}
		}
	}
}

// limit is short, for tests that wait for it; quiet is far shorter.
const (
	limit = 100 * time.Millisecond
	quiet = 10 * time.Millisecond
)

func dial(t testing.TB, address string, limit, quiet time.Duration) *scpi.Conn {
	t.Helper()
	var c *scpi.Conn
	var err error
	for range 20 { // a busy machine may pass a short limit
		c, err = scpi.Dial(context.Background(), scpi.Options{Instrument: "scope", Address: address, TimeLimit: limit, Quiet: quiet})
		if err == nil {
			t.Cleanup(func() { c.Close() })
			return c
		}
	}
	t.Fatal(err)
	return nil
}

// everyByte has all bytes, newlines among them, and ends with one.
func everyByte() []byte {
	var b []byte
	for i := range 3000 {
		b = append(b, byte(i))
	}
	return append(b, "\n#15\n\n"...)
}

func TestExchanges(t *testing.T) {
	t.Parallel()
	each(t, func(t *testing.T, start func(testing.TB, func(io.ReadWriteCloser)) string) {
		payload := everyByte()
		large := bytes.Repeat(payload, 700) // more than any buffer
		address := start(t, answering(func(m string) string {
			switch m {
			case "BLOCK?":
				return string(scpi.AppendBlock(nil, payload)) + "\n"
			case "LARGE?":
				return string(scpi.AppendBlock(nil, large)) + "\n"
			case "EMPTY?":
				return "#10\n"
			case "INDEFINITE?":
				return "#0" + string(bytes.ReplaceAll(payload, []byte("\n"), nil)) + "\n"
			case "TEXT?":
				return "#HFF, \"#15\", no #14\n"
			}
			return ""
		}))
		c := dial(t, address, 10*time.Second, quiet)
		if c.Identity() != identity {
			t.Errorf("identity %q", c.Identity())
		}
		ctx := t.Context()
		ask := func(query, want string) {
			t.Helper()
			if got, err := c.Ask(ctx, query); err != nil || got != want {
				t.Fatalf("%s: %q, %v", query, got, err)
			}
		}
		block := func(query string, want []byte) {
			t.Helper()
			if got, err := c.AskBlock(ctx, query, nil); err != nil || !bytes.Equal(got, want) {
				t.Fatalf("%s: %d bytes of %d, %v", query, len(got), len(want), err)
			}
		}
		for range 200 { // past the last message ID of HiSLIP
			ask("*OPC?", "1")
		}
		for range 3 {
			block("BLOCK?", payload)
			ask("TEXT?", "#HFF, \"#15\", no #14")
			block("EMPTY?", nil)
			if err := c.Send(ctx, "one", "two;three", strings.Repeat("long ", 100)); err != nil {
				t.Fatal(err)
			}
			ask("*OPC?", "1")
			block("INDEFINITE?", bytes.ReplaceAll(payload, []byte("\n"), nil))
			block("LARGE?", large)
			if err := c.CheckErrors(ctx); err != nil {
				t.Fatal(err)
			}
		}
	})
}

// Questions whose answers come late: only the answer to the question just
// asked is taken.
func TestLateReplies(t *testing.T) {
	t.Parallel()
	each(t, func(t *testing.T, start func(testing.TB, func(io.ReadWriteCloser)) string) {
		blockOf := func(n string) []byte { return []byte(strings.Repeat(n+"\n#15\x00", 300)) }
		address := start(t, answering(func(m string) string {
			n, isQuery := strings.CutSuffix(m, "?")
			if !isQuery || m == "*IDN?" || m == ":SYSTem:ERRor?" {
				return ""
			}
			// Some are later than the time limit, and some not by much.
			number, err := strconv.Atoi(strings.TrimPrefix(n, "B"))
			if err == nil && number%5 > 2 {
				time.Sleep(limit + time.Duration(rand.Int64N(int64(limit))))
			}
			if strings.HasPrefix(n, "B") {
				return string(scpi.AppendBlock(nil, blockOf(n))) + "\n"
			}
			return n + "\n"
		}))
		c := dial(t, address, limit, quiet)
		good, bad := 0, 0
		for n := range 14 {
			name, got := fmt.Sprint(n), ""
			var err error
			if n%2 == 0 {
				got, err = c.Ask(t.Context(), name+"?")
			} else {
				var b []byte
				b, err = c.AskBlock(t.Context(), "B"+name+"?", nil)
				got, name = string(b), string(blockOf("B"+name))
			}
			switch {
			case err != nil:
				bad++
			case got != name:
				t.Fatalf("exchange %d got another's answer: %.40q", n, got)
			default:
				good++
			}
		}
		if good == 0 || bad == 0 {
			t.Errorf("%d good and %d late: too few of one to show anything", good, bad)
		}
	})
}

func TestFaults(t *testing.T) {
	t.Parallel()
	each(t, func(t *testing.T, start func(testing.TB, func(io.ReadWriteCloser)) string) {
		address := start(t, answering(func(m string) string {
			switch m {
			case "HALF?":
				return "1.2"
			case "GARBAGE?":
				return "\x91\x02\xfe\n"
			case "SHORT?":
				return "#41000abc"
			case "OFF?":
				return "hang up"
			}
			return ""
		}))
		c := dial(t, address, limit, quiet)
		fault := func(query string, kind error, part string) {
			t.Helper()
			_, err := c.Ask(t.Context(), query)
			if strings.HasPrefix(query, "SHORT") {
				_, err = c.AskBlock(t.Context(), query, nil)
			}
			if !errors.Is(err, kind) || !strings.Contains(err.Error(), part) || strings.Contains(err.Error(), "\n") {
				t.Errorf("%s: %v; want one line with %q", query, err, part)
			}
			for range 20 {
				var got string
				if got, err = c.Ask(t.Context(), "*OPC?"); err == nil {
					if got != "1" {
						t.Fatalf("after %s: %q", query, got)
					}
					return
				}
			}
			t.Fatalf("after %s: %v", query, err)
		}
		fault("HALF?", drivers.ErrLink, "only part of a reply")
		fault("GARBAGE?", drivers.ErrReply, "control characters")
		fault("SHORT?", drivers.ErrLink, "only 3 of 1000 bytes")
		gone := "closed the connection"
		if strings.HasPrefix(address, "usbtmc:") {
			gone = "unplugged or switched off"
		}
		fault("OFF?", drivers.ErrLink, gone)
	})
}

func TestCancelled(t *testing.T) {
	t.Parallel()
	each(t, func(t *testing.T, start func(testing.TB, func(io.ReadWriteCloser)) string) {
		address := start(t, answering(func(m string) string {
			if m == "NEVER?" {
				return " "
			}
			return ""
		}))
		c := dial(t, address, 10*time.Second, quiet)
		ctx, cancel := context.WithCancel(t.Context())
		time.AfterFunc(limit, cancel)
		began := time.Now()
		if _, err := c.Ask(ctx, "NEVER?"); !errors.Is(err, context.Canceled) {
			t.Errorf("%v", err)
		}
		if d := time.Since(began); d > 5*time.Second {
			t.Errorf("given up after %v", d)
		}
		if got, err := c.Ask(t.Context(), "*OPC?"); err != nil || got != "1" {
			t.Fatalf("%q, %v", got, err)
		}
	})
}

// BenchmarkBlock asks for a block of a million bytes, one exchange after
// another on loopback.
func BenchmarkBlock(b *testing.B) {
	reply := append(scpi.AppendBlock(nil, make([]byte, 1_000_000)), '\n')
	for _, name := range []string{"hislip", "vxi11", "usbtmc"} {
		b.Run(name, func(b *testing.B) {
			c := dial(b, starts[name](b, answering(func(m string) string {
				if m == "BLOCK?" {
					return string(reply)
				}
				return ""
			})), 10*time.Second, quiet)
			b.SetBytes(int64(len(reply)))
			var buf []byte
			for b.Loop() {
				var err error
				if buf, err = c.AskBlock(context.Background(), "BLOCK?", buf); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkAsk asks for a short reply.
func BenchmarkAsk(b *testing.B) {
	for _, name := range []string{"hislip", "vxi11", "usbtmc"} {
		b.Run(name, func(b *testing.B) {
			c := dial(b, starts[name](b, answering(func(string) string { return "" })), 10*time.Second, quiet)
			b.ReportAllocs()
			for b.Loop() {
				if _, err := c.Ask(context.Background(), "*OPC?"); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
