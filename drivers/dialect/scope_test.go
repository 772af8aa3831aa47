package dialect

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfturn/drivers"
	"halfturn/drivers/scpi"
	"halfturn/units"
)

// ramp is a record that differs between channels and visits both rails.
func ramp(channel, samples, low, high int) []int {
	codes := make([]int, samples)
	for i := range codes {
		codes[i] = low + (i*7+channel*3)%(high-low+1)
	}
	return codes
}

func int8Block(codes []int) []byte {
	raw := make([]byte, len(codes))
	for i, c := range codes {
		raw[i] = byte(int8(c))
	}
	return append(scpi.AppendBlock(nil, raw), '\n')
}

// digitiser answers for the records of the shipped digitiser.
func digitiser(samples int) func(string) ([]byte, bool) {
	return func(m string) ([]byte, bool) {
		if c, found := strings.CutPrefix(m, ":TRACe:DATA? CH"); found {
			n, _ := strconv.Atoi(c)
			return int8Block(ramp(n, samples, -128, 127)), false
		}
		return nil, false
	}
}

func openTestScope(t testing.TB) (*peer, *Scope) {
	t.Helper()
	p := newPeer(t, "\n")
	p.answering(digitiser(10000))
	s, err := OpenScope(t.Context(), p.config("scpi99-digitiser"))
	must(t, err)
	t.Cleanup(func() { s.Close() })
	return p, s
}

func ready(t testing.TB, s *Scope) {
	t.Helper()
	ctx := t.Context()
	must(t, s.Prepare(ctx))
	must(t, s.SetRange(ctx, drivers.Arm1, 0.4))
	must(t, s.SetRange(ctx, drivers.Arm2, 1.6))
	must(t, s.SetWindow(ctx, drivers.Window{Rate: 250e6, Samples: 10000}))
}

func TestScopeMessages(t *testing.T) {
	p, s := openTestScope(t)
	ctx := t.Context()
	p.took()
	must(t, s.Prepare(ctx))
	took(t, p, "*RST", "*CLS", ":INITiate:CONTinuous OFF", ":ABORt", ":FORMat:DATA INTeger,8")
	must(t, s.SetRange(ctx, drivers.Arm1, 0.4))
	must(t, s.SetRange(ctx, drivers.Arm2, 1.6))
	must(t, s.SetWindow(ctx, drivers.Window{Rate: 500e6, Samples: 10000}))
	took(t, p, ":SENSe1:VOLTage:RANGe:PTPeak 0.4", ":SENSe2:VOLTage:RANGe:PTPeak 1.6",
		":SENSe:SWEep:POINts 10000", ":SENSe:SWEep:TINTerval 2.00000000E-09")

	var c drivers.Capture
	must(t, s.Capture(ctx, &c))
	took(t, p, ":INITiate", ":TRACe:DATA? CH1", ":TRACe:DATA? CH2")
	if c.Rate != 500e6 {
		t.Errorf("rate %v", c.Rate)
	}
	for arm, scale := range []units.Volts{0.4 / 256, 1.6 / 256} {
		tr := c.Traces[arm]
		if tr.VoltsPerCode != scale || tr.Zero != 0 || tr.Low != -128 || tr.High != 127 {
			t.Errorf("%v: %v per code, zero %v, rails %d and %d", drivers.Arm(arm), tr.VoltsPerCode, tr.Zero, tr.Low, tr.High)
		}
		sameCodes(t, ramp(arm+1, 10000, -128, 127), tr.Codes, 0)
	}

	// The buffers are used again.
	first := &c.Traces[0].Codes[0]
	must(t, s.Capture(ctx, &c))
	if first != &c.Traces[0].Codes[0] {
		t.Error("a new buffer for the same length")
	}
}

func sameCodes(t testing.TB, want []int, got []int16, shift int) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d codes, want %d", len(got), len(want))
	}
	for i, c := range got {
		if int(c)+shift != want[i] {
			t.Fatalf("code %d is %d, want %d", i, int(c)+shift, want[i])
		}
	}
}

// The channels may be exchanged.
func TestScopeChannels(t *testing.T) {
	p := newPeer(t, "\n")
	p.answering(digitiser(10000))
	config := p.config("scpi99-digitiser")
	config.Channels = [2]string{"2", "1"}
	s, err := OpenScope(t.Context(), config)
	must(t, err)
	defer s.Close()
	ready(t, s)
	if p.set[":SENSe2:VOLTage:RANGe:PTPeak"] != "0.4" || p.set[":SENSe1:VOLTage:RANGe:PTPeak"] != "1.6" {
		t.Errorf("%v", p.set)
	}
	var c drivers.Capture
	must(t, s.Capture(t.Context(), &c))
	sameCodes(t, ramp(2, 10000, -128, 127), c.Traces[drivers.Arm1].Codes, 0)
	sameCodes(t, ramp(1, 10000, -128, 127), c.Traces[drivers.Arm2].Codes, 0)
}

func TestScopeRefuses(t *testing.T) {
	p, s := openTestScope(t)
	ctx := t.Context()
	var c drivers.Capture
	p.took()
	fails(t, s.Capture(ctx, &c), drivers.ErrRefused, "not sent", "range of each channel and a window first")
	fails(t, s.SetRange(ctx, drivers.Arm1, 0.5), drivers.ErrRefused, "500 mV is none of the dialect's ranges")
	fails(t, s.SetRange(ctx, drivers.Arm(2), 0.4), drivers.ErrRefused, "no channel is named for the reference")
	fails(t, s.SetWindow(ctx, drivers.Window{Rate: 500e6, Samples: 9999}), drivers.ErrRefused, "9999 samples at 500 MHz are none of the dialect's windows")
	took(t, p)
}

func TestScopeConfirms(t *testing.T) {
	p, s := openTestScope(t)
	ctx := t.Context()
	window := func() error { return s.SetWindow(ctx, drivers.Window{Rate: 100e6, Samples: 10000}) }
	for _, c := range []struct {
		query, reply string
		set          func() error
		kind         error
		says         string
	}{
		{":SENSe1:VOLTage:RANGe:PTPeak?", "0.8", func() error { return s.SetRange(ctx, drivers.Arm1, 0.4) }, drivers.ErrRefused, "range was set to 400 mV and it says 800 mV"},
		{":SENSe1:VOLTage:RANGe:PTPeak?", "4.0E-1", func() error { return s.SetRange(ctx, drivers.Arm1, 0.4) }, nil, ""},
		{":SENSe:SWEep:POINts?", "8192", window, drivers.ErrRefused, "samples was set to 10000 and it says 8192"},
		{":SENSe:SWEep:TINTerval?", "2E-8", window, drivers.ErrRefused, "interval was set to 10 ns and it says 20 ns"},
		{":SENSe:SWEep:TINTerval?", "9.91E37", window, drivers.ErrReply, "not a number"},
	} {
		p.answering(func(m string) ([]byte, bool) {
			if m == c.query {
				return []byte(c.reply + "\n"), false
			}
			return nil, false
		})
		if err := c.set(); c.kind != nil {
			fails(t, err, c.kind, c.says)
		} else {
			must(t, err)
		}
	}
}

func TestBadRecords(t *testing.T) {
	codes := ramp(1, 10000, -128, 127)
	for _, c := range []struct {
		what   string
		query  string
		reply  []byte
		hangUp bool
		kind   error
		says   []string
	}{
		{"short block", ":TRACe:DATA? CH1", int8Block(codes[:9999]), false, drivers.ErrReply, []string{"9999 samples came, 10000 were expected", `asked ":TRACe:DATA? CH1"`}},
		{"long block", ":TRACe:DATA? CH2", int8Block(append(slices.Clone(codes), 0)), false, drivers.ErrReply, []string{"10001 samples came, 10000 were expected", "CH2"}},
		{"empty block", ":TRACe:DATA? CH1", []byte("#10\n"), false, drivers.ErrReply, []string{"0 samples came, 10000 were expected"}},
		{"text", ":TRACe:DATA? CH1", []byte("no data\n"), false, drivers.ErrReply, []string{"no data"}},
		{"nothing", ":TRACe:DATA? CH1", silence, false, drivers.ErrLink, []string{"CH1"}},
		{"half a block", ":TRACe:DATA? CH2", int8Block(codes)[:5000], true, drivers.ErrLink, []string{"CH2"}},
		{"not ready", "*OPC?", []byte("0\n"), false, drivers.ErrReply, []string{`"1" was expected`, `got "0"`}},
		{"never ready", "*OPC?", silence, false, drivers.ErrLink, []string{"*OPC?"}},
	} {
		t.Run(c.what, func(t *testing.T) {
			p, s := openTestScope(t)
			ready(t, s)
			good := digitiser(10000)
			p.answering(func(m string) ([]byte, bool) {
				if m == c.query {
					return c.reply, c.hangUp
				}
				return good(m)
			})
			var into drivers.Capture
			fails(t, s.Capture(t.Context(), &into), c.kind, c.says...)
			// The next capture is a good one, whatever happened.
			p.answering(good)
			must(t, s.Capture(t.Context(), &into))
			sameCodes(t, ramp(2, 10000, -128, 127), into.Traces[1].Codes, 0)
		})
	}
}

func TestScopeReconnects(t *testing.T) {
	p, s := openTestScope(t)
	ctx := t.Context()
	ready(t, s)
	p.took()
	p.drop()
	var c drivers.Capture
	eventually(t, func() error { return s.Capture(ctx, &c) })
	took(t, p, "*RST", "*CLS", ":INITiate:CONTinuous OFF", ":ABORt", ":FORMat:DATA INTeger,8",
		":SENSe1:VOLTage:RANGe:PTPeak 0.4", ":SENSe2:VOLTage:RANGe:PTPeak 1.6",
		":SENSe:SWEep:POINts 10000", ":SENSe:SWEep:TINTerval 4.00000000E-09",
		":INITiate", ":TRACe:DATA? CH1", ":TRACe:DATA? CH2")

	// What Prepare forgot does not come back.
	must(t, s.Prepare(ctx))
	p.took()
	p.drop()
	eventually(t, func() error { return s.CheckErrors(ctx) })
	took(t, p, "*RST", "*CLS", ":INITiate:CONTinuous OFF", ":ABORt", ":FORMat:DATA INTeger,8")
	fails(t, s.Capture(ctx, &c), drivers.ErrRefused, "a window first")
}

// A capture of which the channels come over two connections is thrown away:
// the instrument may have acquired again between them.
func TestCaptureOverTwoConnectionsIsThrownAway(t *testing.T) {
	p, s := openTestScope(t)
	ready(t, s)
	good := digitiser(10000)
	var c drivers.Capture
	var err error
	for range 20 {
		cut := true
		p.answering(func(m string) ([]byte, bool) {
			reply, _ := good(m)
			if m == ":TRACe:DATA? CH1" && cut {
				cut = false
				return reply, true // complete, then the link ends
			}
			return reply, false
		})
		// Where the next question is sent before the end of the link is seen, it
		// fails by itself.
		if err = s.Capture(t.Context(), &c); err == nil || strings.Contains(err.Error(), "in the middle of a capture") {
			break
		}
	}
	fails(t, err, drivers.ErrLink, "in the middle of a capture")
	must(t, s.Capture(t.Context(), &c))
}

func TestCaptureEndsWithItsContext(t *testing.T) {
	p, s := openTestScope(t)
	ready(t, s)
	ctx, cancel := context.WithCancel(t.Context())
	p.answering(func(m string) ([]byte, bool) {
		if m == "*OPC?" {
			cancel()
			return silence, false
		}
		return nil, false
	})
	var c drivers.Capture
	fails(t, s.Capture(ctx, &c), drivers.ErrLink)
	if !errors.Is(s.SetRange(ctx, drivers.Arm1, 0.4), context.Canceled) {
		t.Error("a call after the context ended")
	}
}

// writeDialect writes a dialect of a test's own.
func writeDialect(t testing.TB, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "own.yaml")
	must(t, os.WriteFile(path, []byte(text), 0o600))
	return path
}

// The example of the README takes a capture from a scope of its style.
func TestWorkedExample(t *testing.T) {
	p := newPeer(t, "\r\n")
	good := func(m string) ([]byte, bool) {
		words := strings.Fields(m)
		switch {
		case m == "done ?":
			return []byte("yes\r\n"), false
		case words[0] == "dump":
			var raw []byte
			for _, c := range ramp(int(words[1][0]), 4096, 0, 16383) {
				raw = binary.BigEndian.AppendUint16(raw, uint16(c))
			}
			return append(scpi.AppendBlock(nil, raw), '\r', '\n'), false
		case words[0] == "about":
			return []byte(words[1] + ",14,raw,400,8190.5\r\n"), false
		}
		return nil, false
	}
	p.answering(good)
	config := p.config(writeDialect(t, workedExample(t)))
	config.Channels = [2]string{"A", "C"}
	s, err := OpenScope(t.Context(), config)
	must(t, err)
	defer s.Close()
	ctx := t.Context()
	must(t, s.Prepare(ctx))
	must(t, s.SetRange(ctx, drivers.Arm1, 0.4))
	must(t, s.SetRange(ctx, drivers.Arm2, 0.4))
	must(t, s.SetWindow(ctx, drivers.Window{Rate: 40e6, Samples: 4096}))
	sent := slices.DeleteFunc(p.took(), func(m string) bool { return strings.HasSuffix(m, "?") })
	if diff := cmp.Diff([]string{"stop", "mode single", "codes raw", "span A 400", "span C 400", "clock 40000", "depth 4096"}, sent); diff != "" {
		t.Error(diff)
	}
	var c drivers.Capture
	must(t, s.Capture(ctx, &c))
	for arm, name := range []rune{'A', 'C'} {
		tr := c.Traces[arm]
		sameCodes(t, ramp(int(name), 4096, 0, 16383), tr.Codes, 32768)
		if math.Abs(float64(tr.VoltsPerCode)*16384/0.4-1) > 1e-12 || tr.Zero != 8190.5-32768 || tr.Low != -32768 || tr.High != 16383-32768 {
			t.Errorf("%v per code, zero %v, rails %d and %d", tr.VoltsPerCode, tr.Zero, tr.Low, tr.High)
		}
	}
	for _, bad := range []struct{ query, reply, says string }{
		{"about A", "A,14,raw,400\r\n", "item 5 is needed, and 4 came"},
		{"about A", "A,14,raw,wide,8192\r\n", "item 4"},
		{"about C", "C,14,raw,0,8192\r\n", "the scale makes no sense: 0 V per code"},
		{"about C", "C,14,raw,-400,8192\r\n", "the scale makes no sense"},
		{"dump A", "#3101" + strings.Repeat("x", 101) + "\r\n", "101 bytes came, which is not a whole number of 2-byte samples; 4096 samples in 8192 bytes were expected"},
		{"dump C", "#3102" + strings.Repeat("x", 102) + "\r\n", "51 samples came, 4096 were expected"},
	} {
		p.answering(func(m string) ([]byte, bool) {
			if m == bad.query {
				return []byte(bad.reply), false
			}
			return good(m)
		})
		fails(t, s.Capture(ctx, &c), drivers.ErrReply, bad.says)
	}
}

// Samples as text, in a line and in a block, and the scale by single queries.
func TestTextRecords(t *testing.T) {
	for _, framing := range []string{"line", "block"} {
		text := change(t, shippedText(t, "scpi99-digitiser"), "encoding: int8", "encoding: ascii\n  framing: "+framing)
		text = change(t, text, "[-128, 127]", "[-2048, 2047]")
		text = change(t, text, "  volts_per_code: range / 256\n  zero: 0\n", `  ask:
    - {query: ":STEP{{.channel}}?", fields: {step: 1}}
    - {query: ":OFFSet{{.channel}}?", fields: {offset: 1}}
  volts_per_code: step
  zero: -offset / step
`)
		text = strings.ReplaceAll(text, "samples: 10000", "samples: 5")
		p := newPeer(t, "\n")
		record := "-2048, 2047,0,+12,1.2E+1"
		p.answering(func(m string) ([]byte, bool) {
			switch {
			case strings.HasPrefix(m, ":TRACe") && framing == "block":
				return append(scpi.AppendBlock(nil, []byte(record)), '\n'), false
			case strings.HasPrefix(m, ":TRACe"):
				return []byte(record + "\n"), false
			case strings.HasPrefix(m, ":STEP"):
				return []byte("2E-3\n"), false
			case strings.HasPrefix(m, ":OFFS"):
				return []byte("-0.5\n"), false
			}
			return nil, false
		})
		s, err := OpenScope(t.Context(), p.config(writeDialect(t, text)))
		must(t, err)
		defer s.Close()
		must(t, s.SetRange(t.Context(), drivers.Arm1, 0.4))
		must(t, s.SetRange(t.Context(), drivers.Arm2, 0.4))
		must(t, s.SetWindow(t.Context(), drivers.Window{Rate: 100e6, Samples: 5}))
		var c drivers.Capture
		must(t, s.Capture(t.Context(), &c))
		for _, tr := range c.Traces {
			sameCodes(t, []int{-2048, 2047, 0, 12, 12}, tr.Codes, 0)
			if tr.VoltsPerCode != 2e-3 || tr.Zero != 250 || tr.Low != -2048 || tr.High != 2047 {
				t.Errorf("%+v", tr)
			}
		}
		record = "1,2,x,4,5"
		fails(t, s.Capture(t.Context(), &c), drivers.ErrReply, "sample 3 of 5", `"x" is not a number`, fmt.Sprintf("%q", record))
	}
}
