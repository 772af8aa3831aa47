package scpi

import (
	"bufio"
	"bytes"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"pgregory.net/rapid"

	"halfturn/drivers"
)

func TestHeaderOf(t *testing.T) {
	for query, want := range map[string]string{
		"FREQ?": "FREQ", ":SENS1:VOLT?": ":SENS1:VOLT", "VDIV? 2": "VDIV", "FREQ 30;LEV?": "LEV", "*IDN?": "", "*RST;*OPC?": "",
		"sweep": "sweep", "volts a": "volts", "span A ?": "span A", "": "", ";": "",
	} {
		if got := headerOf(query); got != want {
			t.Errorf("%q: %q, want %q", query, got, want)
		}
	}
}

func TestHeaders(t *testing.T) {
	for _, c := range []struct{ query, reply, want, says string }{
		{"FREQ?", "FREQ 3E7 HZ", "3E7 HZ", ""},
		{"FREQ?", "FREQUENCY 3E7", "3E7", ""},
		{":FREQUENCY?", "freq\t3E7", "3E7", ""},
		{":SENS1:VOLT?", "SENSE1:VOLTAGE 0.4", "0.4", ""},
		{"span A ?", "SPAN A 400", "400", ""},
		{"FREQ 3E7;FREQ?", "FREQ 3E7", "3E7", ""},
		{"*OPC?", "1", "1", ""},
		{"STATE?", "STATE", "", ""},
		{"TUNE", "TUNE=30", "30", ""},
		{"TUNE", "TUNE = 30 KHZ", "30 KHZ", ""},
		{"V:X", "V:X=50", "50", ""},
		{"TUNE", "TUNED=30", "30", ""},
		{"TUNE", "LVL=30", "", "header is missing"},
		{"TUNE", "=30", "", "header is missing"},
		{":SENS1:VOLT?", "SENSE2:VOLTAGE 0.4", "", "its header is missing, it should begin with :SENS1:VOLT"},
		{":SENS1:VOLT?", "VOLTAGE 0.4", "", "header is missing"},
		{"FREQ?", "LEV 3E7", "", "header is missing"},
		{"FREQ?", "3E7", "", "header is missing"},
		{"FREQ?", "FREQ3E7", "", "header is missing"},
	} {
		got, err := cutHeader(c.query, []byte(c.reply))
		switch {
		case c.says != "":
			if err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("%q, %q: %v", c.query, c.reply, err)
			}
		case err != nil || string(got) != c.want:
			t.Errorf("%q, %q: %q, %v", c.query, c.reply, got, err)
		}
	}
}

// What stands behind the right header comes out, whatever it is.
func TestHeaderProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		header := rapid.StringMatching(`:?[A-Z]{1,6}[0-9]?(:[A-Z]{1,6}[0-9]?){0,2}`).Draw(t, "header")
		value := strings.TrimSpace(rapid.StringMatching(`([!-<>-~][ -~]{0,20})?`).Draw(t, "value"))
		got, err := cutHeader(header+"?", []byte(header+" "+value))
		if err != nil || string(got) != value {
			t.Fatalf("%q, %v", got, err)
		}
	})
}

func FuzzCutHeader(f *testing.F) {
	f.Add("FREQ?", []byte("FREQUENCY 3E7"))
	f.Add("span A ?", []byte("SPAN"))
	f.Add(":?", []byte(":"))
	f.Fuzz(func(t *testing.T, query string, reply []byte) {
		rest, err := cutHeader(query, reply)
		if err == nil && !bytes.HasSuffix(reply, rest) {
			t.Errorf("%q of %q", rest, reply)
		}
	})
}

func withHeaders(o *Options) { patient(o); o.Headers = true }

func TestHeadersInExchanges(t *testing.T) {
	record := strings.Repeat("a\n#1", 100)
	i := &instrument{answer: func(p peer, m string) bool {
		switch m {
		case "FREQ?":
			say(p, "FREQUENCY 3E7 HZ\n")
		case "WRONG?":
			say(p, "LEVEL 3\n")
		case "CURVE?":
			say(p, "CURVE "+string(AppendBlock(nil, []byte(record)))+"\n")
		case "BARE?":
			say(p, string(AppendBlock(nil, []byte(record)))+"\n")
		case "OTHER?":
			say(p, "CURVE "+string(AppendBlock(nil, []byte(record)))+"\n")
		case "NONE?":
			say(p, "NONE no data\n")
		case "LONG?":
			say(p, strings.Repeat("x", 300)+"\n")
		case ":SYSTem:ERRor?":
			say(p, ":SYST:ERR 0,\"none\"\n")
		default:
			return false
		}
		return true
	}}
	c := dial(t, startTCP(t, i), withHeaders)
	ask(t, c, "FREQ?", "3E7 HZ")
	for _, query := range []string{"CURVE?", "BARE?"} {
		if got, err := c.AskBlock(t.Context(), query, nil); err != nil || string(got) != record {
			t.Errorf("%s: %q, %v", query, got, err)
		}
	}
	if err := c.CheckErrors(t.Context()); err != nil {
		t.Error(err)
	}
	_, err := c.Ask(t.Context(), "WRONG?")
	wantError(t, err, drivers.ErrReply, "should begin with WRONG", "LEVEL 3")
	for query, says := range map[string]string{
		"OTHER?": "OTHER should stand before it", "NONE?": "text where a block was expected", "LONG?": "no block begins within 256 bytes",
	} {
		_, err = c.AskBlock(t.Context(), query, nil)
		wantError(t, err, drivers.ErrReply, says)
	}
	ask(t, c, "FREQ?", "3E7 HZ")
}

// terminal is an instrument that echoes each line.
func terminal(answer func(m string) string) *instrument {
	return &instrument{identity: "a terminal", answer: func(p peer, m string) bool {
		reply := answer(m)
		switch {
		case reply == "" && m == "who":
			reply = "who\na terminal\n"
		case reply == "":
			reply = m + "\n"
		}
		say(p, reply)
		return true
	}}
}

func echoing(o *Options) { o.Echo, o.IdentityQuery, o.NoErrorQueue = true, "who", true }

func TestEcho(t *testing.T) {
	i := terminal(func(m string) string {
		switch m {
		case "freq":
			return "freq\n30 MHz\n"
		case "bad":
			return "bd\n"
		case "curve":
			return "curve\n#15ab\nc\n\n"
		case "mute":
			return "\n"
		}
		return ""
	})
	c := dial(t, startTCP(t, i), echoing)
	if c.Identity() != "a terminal" {
		t.Errorf("identity %q", c.Identity())
	}
	c.o.TimeLimit = 10 * time.Second
	if err := c.Send(t.Context(), "set 1", " set 2 ", "freq2"); err != nil {
		t.Fatal(err)
	}
	ask(t, c, "freq", "30 MHz")
	if got, err := c.AskBlock(t.Context(), "curve", nil); err != nil || string(got) != "ab\nc\n" {
		t.Errorf("%q, %v", got, err)
	}
	wantError(t, c.Send(t.Context(), "set 1", "bad", "set 2"), drivers.ErrReply, "not the echo of what was sent", `got "bd"`)
	for _, m := range i.messages() {
		if m == "set 2" && i.messages()[len(i.messages())-1] == m {
			t.Error("more was sent after an echo that was wrong")
		}
	}
	ask(t, c, "freq", "30 MHz")
	c.o.TimeLimit = limit
	wantError(t, c.Send(t.Context(), "mute"), drivers.ErrLink, "did not come back")
	c.o.TimeLimit = 10 * time.Second
	ask(t, c, "freq", "30 MHz")
}

// A line that an earlier program did not end spoils the first identity query;
// and an echo that nobody was told of is no identity.
func TestEchoWhenDialling(t *testing.T) {
	var first atomic.Bool
	first.Store(true)
	i := terminal(func(m string) string {
		if m == "who" && first.CompareAndSwap(true, false) {
			return "fre" + "who\nwhat?\n"
		}
		return ""
	})
	c := dial(t, startTCP(t, i), echoing)
	if c.Identity() != "a terminal" {
		t.Errorf("identity %q", c.Identity())
	}
	_, err := Dial(t.Context(), Options{Instrument: "scope", Address: startTCP(t, terminal(func(string) string { return "" })), IdentityQuery: "who"})
	wantError(t, err, drivers.ErrReply, "the identity query itself came back", "link.echo")
}

func FuzzEcho(f *testing.F) {
	f.Add("freq 30 MHz", []byte("freq 30 MHz\r\r\n30 MHz\r\n"))
	f.Add("a", []byte("a"))
	f.Add("", []byte("\x00\r"))
	f.Fuzz(func(t *testing.T, message string, in []byte) {
		c := &Conn{o: Options{Echo: true, Terminator: "\r", MaxReply: 1 << 10}.withDefaults()}
		c.in = bufio.NewReader(bytes.NewReader(in))
		if err := c.readEcho(message); err == nil && strings.TrimSpace(message) != "" && !bytes.Contains(in, []byte(strings.TrimSpace(message))) {
			t.Errorf("%q was taken for the echo of %q", in, message)
		}
	})
}

func TestErrorReplies(t *testing.T) {
	for _, c := range []struct {
		r                 ErrorReply
		reply, want, says string
	}{
		{ErrorReply{}, `0,"none"`, "", ""},
		{ErrorReply{}, `12,"text"`, "12 text", ""},
		{ErrorReply{}, "0", "", ""},
		{ErrorReply{}, "7", "7 ", ""},
		{ErrorReply{Empty: "none"}, "None", "", ""},
		{ErrorReply{Empty: "none"}, "level too high", "level too high", ""},
		{ErrorReply{Empty: "none"}, " ", "", "nothing, where none"},
		{ErrorReply{Bits: 32}, "1", "", ""},
		{ErrorReply{Bits: 32}, "33", "status byte 33", ""},
		{ErrorReply{Bits: 6}, "4", "status byte 4", ""},
		{ErrorReply{Bits: 32}, "0.5", "", "not a status"},
		{ErrorReply{Bits: 32}, "-1", "", "not a status"},
		{ErrorReply{Bits: 32}, "1E9", "", "not a status"},
		{ErrorReply{Bits: 32}, "busy", "", "not a number"},
	} {
		got, err := c.r.entry(c.reply)
		if got != c.want || (err == nil) != (c.says == "") || err != nil && !strings.Contains(err.Error(), c.says) {
			t.Errorf("%+v, %q: %q, %v", c.r, c.reply, got, err)
		}
	}
}

// A status that tells errors is cleared by reading it.
func TestStatusAsErrorQueue(t *testing.T) {
	var asked atomic.Int32
	i := &instrument{answer: func(p peer, m string) bool {
		if m == "STATUS?" {
			say(p, []string{"96\n", "1\n"}[asked.Add(1)-1])
		}
		return m == "STATUS?"
	}}
	c := dial(t, startTCP(t, i), func(o *Options) {
		patient(o)
		o.ErrorQuery, o.Errors = "STATUS?", ErrorReply{Bits: 32}
	})
	wantError(t, c.CheckErrors(t.Context()), drivers.ErrRefused, "status byte 96")
	if n := asked.Load(); n != 2 {
		t.Errorf("it was read %d times", n)
	}
}

func TestCutUnit(t *testing.T) {
	for s, want := range map[string][2]string{
		"3.0E+07 HZ": {"3.0E+07", "HZ"}, "50mV": {"50", "mV"}, "50 mV ": {"50", "mV"}, "-3.5": {"-3.5", ""}, "1e3": {"1e3", ""},
		"5E": {"5", "E"}, "5 eV": {"5", "eV"}, "20 µs": {"20", "µs"}, "": {"", ""}, "ON": {"", "ON"}, "1E3V": {"1E3", "V"}, "2 e": {"2", "e"},
	} {
		if number, unit := CutUnit(s); number != want[0] || unit != want[1] {
			t.Errorf("%q: %q and %q", s, number, unit)
		}
	}
}

// The size that is known ends an indefinite block without silence, and a block
// of another size is given back as it is.
func TestIndefiniteOfKnownSize(t *testing.T) {
	payload := strings.Repeat("x\n", 5000)
	i := &instrument{answer: func(p peer, m string) bool {
		if m == "D?" {
			say(p, "#0"+payload+"\n")
		}
		return m == "D?"
	}}
	c := dial(t, startTCP(t, i), patient)
	c.o.Quiet = time.Hour
	if got, err := c.AskBlockOf(t.Context(), "D?", len(payload), nil); err != nil || string(got) != payload {
		t.Fatalf("%d bytes, %v", len(got), err)
	}
	c.o.Quiet = 10 * time.Millisecond
	for _, size := range []int{len(payload) - 2, len(payload) + 2, 0, unknownSize} {
		got, err := c.AskBlockOf(t.Context(), "D?", size, nil)
		if size < len(payload) && size > 0 {
			if err == nil && string(got) == payload {
				continue
			}
			// Where a chunk ends at that place, what follows is refused.
			wantError(t, err, drivers.ErrReply, "more than one reply")
			continue
		}
		if err != nil || string(got) != payload {
			t.Errorf("size %d: %d bytes, %v", size, len(got), err)
		}
	}
}
