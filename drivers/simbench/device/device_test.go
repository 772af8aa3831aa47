package device

import (
	"bytes"
	"context"
	"errors"
	"math"
	"net"
	"strconv"
	"strings"
	"testing"

	"go.uber.org/goleak"
	"pgregory.net/rapid"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// trial is a device that notes what reached it.
func trial(t testing.TB) (*Device, *[]string) {
	t.Helper()
	var log []string
	note := func(name string) Command {
		return Command{
			Header: name,
			Set: func(p Params) error {
				log = append(log, name+" "+strconv.Itoa(p.Suffix)+" "+strings.Join(p.List, "|"))
				return nil
			},
			Query: func(dst []byte, p Params) ([]byte, error) { return AppendNumber(dst, float64(p.Suffix)), nil },
		}
	}
	d, err := New(Config{
		Identity: "a,b,c,d",
		Reset:    func() { log = append(log, "reset") },
		Commands: []Command{
			note("[:SOURce]:FREQuency[:CW|:FIXed]"),
			note("[:SOURce]:POWer[:LEVel][:AMPLitude]"),
			note("[:SENSe<1|2>]:VOLTage[:DC]:RANGe"),
			note(":INITiate[:IMMediate]"),
			note(":INITiate:CONTinuous"),
		},
	})
	if err != nil {
		t.Fatal(err)
	}
	log = nil
	return d, &log
}

func run(d *Device, line string) string {
	return string(d.do(context.Background(), line, nil).bytes)
}

// Long and short forms, any case, optional nodes, paths after a semicolon:
// SCPI-99 Volume 1, 6.
func TestHeaders(t *testing.T) {
	const (
		freq = "[:SOURce]:FREQuency[:CW|:FIXed]"
		pow  = "[:SOURce]:POWer[:LEVel][:AMPLitude]"
		rng  = "[:SENSe<1|2>]:VOLTage[:DC]:RANGe"
		init = ":INITiate[:IMMediate]"
		cont = ":INITiate:CONTinuous"
	)
	for _, c := range []struct {
		line string
		want []string // commands that arrived
		errs []Code
	}{
		{"FREQ 1", []string{freq + " 1 1"}, nil},
		{":sour:frequency:cw 1", []string{freq + " 1 1"}, nil},
		{"SOURCE:FREQ:FIX 1 MHZ", []string{freq + " 1 1 MHZ"}, nil},
		{"SOUR1:FREQ 1", []string{freq + " 1 1"}, nil},
		{"FREQU 1", nil, []Code{UndefinedHeader}},
		{"FREQ:CW:FIX 1", nil, []Code{UndefinedHeader}},
		{"FREQ2 1", nil, []Code{HeaderSuffixRange}},
		{"FREQ99999999999999999999 1", nil, []Code{HeaderSuffixRange}},
		{"SENS2:VOLT:RANG 8", []string{rng + " 2 8"}, nil},
		{"sense:volt:dc:range 8", []string{rng + " 1 8"}, nil},
		{"SENS3:VOLT:RANG 8", nil, []Code{HeaderSuffixRange}},
		{"SENS0:VOLT:RANG 8", nil, []Code{HeaderSuffixRange}},
		{"INIT", []string{init + " 1 "}, nil},
		{"INIT:IMM;CONT ON", []string{init + " 1 ", cont + " 1 ON"}, nil},
		{"SOUR:FREQ 1;POW 2", []string{freq + " 1 1", pow + " 1 2"}, nil},
		{"FREQ 1;POW 2", []string{freq + " 1 1", pow + " 1 2"}, nil},
		{"SOUR:FREQ 1;*OPC;POW 2", []string{freq + " 1 1", pow + " 1 2"}, nil},
		{"SOUR:FREQ 1;:INIT", []string{freq + " 1 1", init + " 1 "}, nil},
		{"SOUR:FREQ 1;SOUR:POW 2", []string{freq + " 1 1"}, []Code{UndefinedHeader}},
		{"SOUR:POW:AMPL 1;LEV 2", []string{pow + " 1 1", pow + " 1 2"}, nil}, // from SOUR:POW, where LEVel is
		{" \t FREQ\t1 , 2 ;; ", []string{freq + " 1 1|2"}, nil},
		{`FREQ "a;b,c",'d"e'`, []string{freq + ` 1 "a;b,c"|'d"e'`}, nil},
		{"BAD;FREQ 1", nil, []Code{UndefinedHeader}},
		{"*BAD", nil, []Code{UndefinedHeader}},
		{"*RST 1", nil, []Code{ParameterNotAllowed}},
		{"*RST", []string{"reset"}, nil},
		{":", nil, []Code{UndefinedHeader}},
		{"?", nil, []Code{UndefinedHeader}},
		{"\xff\x00\xfe", nil, []Code{UndefinedHeader}},
		{"", nil, nil},
	} {
		d, log := trial(t)
		run(d, c.line)
		if strings.Join(*log, "\n") != strings.Join(c.want, "\n") {
			t.Errorf("%q did %q, want %q", c.line, *log, c.want)
		}
		var errs []Code
		for code := d.tongue.(*scpi99).status.queue.Next(); code != 0; code = d.tongue.(*scpi99).status.queue.Next() {
			errs = append(errs, code)
		}
		if len(errs) != len(c.errs) || len(errs) == 1 && errs[0] != c.errs[0] {
			t.Errorf("%q: errors %v, want %v", c.line, errs, c.errs)
		}
	}
}

func TestRepliesOfOneMessageAreJoined(t *testing.T) {
	d, _ := trial(t)
	for _, c := range []struct{ line, want string }{
		{"FREQ?;POW?;*OPC?", "1.0E+00;1.0E+00;1"},
		{"SENS2:VOLT:RANG?", "2.0E+00"},
		{"*IDN?", "a,b,c,d"},
		{"FREQ 1;*TST?;*WAI", "0"},
		{"*IDN", ""}, // a query only
		{"*RST?", ""},
		{"SYST:ERR:COUN?;NEXT?", `2;-113,"Undefined header"`},
	} {
		if got := run(d, c.line); got != c.want {
			t.Errorf("%s: %q, want %q", c.line, got, c.want)
		}
	}
}

// IEEE 488.2, 11, and SCPI-99 Volume 2, 21.8: what sets which bit.
func TestStatus(t *testing.T) {
	d, _ := trial(t)
	ask := func(line, want string) {
		t.Helper()
		if got := run(d, line); got != want {
			t.Errorf("%s: %q, want %q", line, got, want)
		}
	}
	ask("*ESR?", "128")
	ask("*ESR?", "0")
	ask("*OPC;*ESR?", "1")
	run(d, "BAD")
	ask("*ESR?", "32")
	ask("*STB?", "4")
	ask("*ESE 300;*ESE?", "0")
	ask("*ESE 32;*SRE 32;*ESE?;*SRE?", "32;32")
	run(d, "BAD")
	ask("*STB?", "100") // errors waiting, event summary, master summary
	ask("*CLS;*STB?;*ESE?", "0;32")
	ask("SYST:ERR?", `0,"No error"`)

	for range queueLength + 5 {
		run(d, "BAD")
	}
	for range queueLength - 1 {
		ask("SYST:ERR?", `-113,"Undefined header"`)
	}
	ask("SYST:ERR?", `-350,"Queue overflow"`)
	ask("SYST:ERR?", `0,"No error"`)
	for code, bit := range map[Code]byte{SyntaxError: 32, DataOutOfRange: 16, QueueOverflow: 8, -410: 4} {
		s := status{}
		if s.report(code); s.event != bit {
			t.Errorf("%v sets %d, want %d", code, s.event, bit)
		}
	}
}

func TestNumbers(t *testing.T) {
	for _, c := range []struct {
		text string
		unit Unit
		want float64
		err  error
	}{
		{"1", Frequency, 1, nil},
		{"+1.5E6", Frequency, 1.5e6, nil},
		{".5e+3hz", Frequency, 500, nil},
		{"30 MHz", Frequency, 30e6, nil},
		{"30mahz", Frequency, 30e6, nil},
		{"1GHZ", Frequency, 1e9, nil},
		{"max", Frequency, 1e9, nil},
		{"MINimum", Frequency, -1e9, nil},
		{"5 MV", Voltage, 5e-3, nil},
		{"2 NS", Time, 2e-9, nil},
		{"2E", Frequency, 0, InvalidSuffix},
		{"2 FURLONG", Frequency, 0, InvalidSuffix},
		{"1E400", Frequency, 0, DataOutOfRange},
		{"-2e9", Frequency, 0, DataOutOfRange},
		{"", Frequency, 0, DataTypeError},
		{"HZ", Frequency, 0, DataTypeError},
		{"NAN", Frequency, 0, DataTypeError},
		{"1..2", Frequency, 0, SyntaxError},
		{"--1", Frequency, 0, SyntaxError},
	} {
		got, err := Params{List: []string{c.text}}.Number(c.unit, -1e9, 1e9)
		if !errors.Is(err, c.err) || math.Abs(got-c.want) > 1e-12*math.Abs(c.want) {
			t.Errorf("%q: %g, %v; want %g, %v", c.text, got, err, c.want, c.err)
		}
	}
	for text, want := range map[string]bool{"on": true, "OFF": false, "1": true, "0": false, "0.4": false, "2": true} {
		if got, err := (Params{List: []string{text}}).Bool(); got != want || err != nil {
			t.Errorf("%q: %v, %v", text, got, err)
		}
	}
}

// NR3 that goes out comes back as the same number, with a point and an exponent.
func TestNumbersOutAndIn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(-1e30, 1e30).Draw(t, "v")
		text := string(AppendNumber(nil, v))
		got, err := Params{List: []string{text}}.Number(Plain, -1e30, 1e30)
		if err != nil || got != v || !strings.Contains(text, ".") || !strings.Contains(text, "E") {
			t.Fatalf("%g went out as %q and came back as %g, %v", v, text, got, err)
		}
	})
}

func TestPatternsThatCannotBe(t *testing.T) {
	for _, header := range []string{"[:A", ":a", ":A<x>", ":A[:|B]"} {
		if _, err := New(Config{Reset: func() {}, Commands: []Command{{Header: header}}}); err == nil {
			t.Errorf("%s is accepted", header)
		}
	}
	twice := []Command{{Header: ":A"}, {Header: "A"}}
	if _, err := New(Config{Reset: func() {}, Commands: twice}); err == nil {
		t.Error("one header twice is accepted")
	}
}

func TestHookSeesNamesInFull(t *testing.T) {
	d, _ := trial(t)
	var seen []string
	d.Interfere(func(command string, reply []byte) Action {
		seen = append(seen, command+"="+string(reply))
		return Action{}
	})
	run(d, "freq 1 mhz;sens2:volt:rang?;:freq?;*idn?;nonsense 3")
	want := "SOURce:FREQuency:CW 1 mhz=/SENSe2:VOLTage:DC:RANGe?=2.0E+00/SOURce:FREQuency:CW?=1.0E+00/*IDN?=a,b,c,d/nonsense 3="
	if got := strings.Join(seen, "/"); got != want {
		t.Errorf("\n%s, want\n%s", got, want)
	}
}

// Faults applied to any reply stay inside of it.
func TestFaultsTakeAnyReply(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		reply := rapid.SliceOf(rapid.Byte()).Draw(t, "reply")
		if rapid.Bool().Draw(t, "block") {
			reply = append(AppendBlockHeader(nil, len(reply)), reply...)
		}
		before := bytes.Clone(reply)
		for _, fault := range []Fault{ShortBlock, WrongCount, Text, Nothing, HalfThenHangUp, Reboot} {
			fault(reply)
		}
		if !bytes.Equal(before, reply) {
			t.Fatal("a fault changed the reply in place")
		}
	})
}

// A message of any bytes gets at most one line of answer, and the device is
// still there afterwards.
func FuzzConverse(f *testing.F) {
	for _, seed := range []string{
		"*IDN?\n", "FREQ 1MHZ;POW -3;FREQ?\n", ":SENS2:VOLT:RANG 8;*OPC?\r\n", "\"\n;;;\n", "?\n:\n::::?\n",
		"FREQ \"a;b\n", strings.Repeat("A", lineLimit+5) + "\n", "SOUR99999999999999999999999:FREQ\n",
		"\x00\xff;*ESE 1e99;*ESE -1", "SYST:ERR?;ERR?;ERR:COUN?\n",
	} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		d, _ := trial(t)
		ours, theirs := net.Pipe()
		ended := make(chan error)
		go func() { ended <- d.Converse(context.Background(), theirs, nil) }()
		replies := make(chan []byte)
		go func() {
			var all bytes.Buffer
			_, _ = all.ReadFrom(ours) // ends when the pipe is closed
			replies <- all.Bytes()
		}()
		for _, part := range [][]byte{data, []byte("\n*CLS;:SYST:ERR?;*IDN?\n")} {
			if _, err := ours.Write(part); err != nil {
				t.Fatal(err)
			}
		}
		// One more message: once it is taken, the reply before it has been written.
		if _, err := ours.Write([]byte("\n")); err != nil {
			t.Fatal(err)
		}
		theirs.Close()
		got := <-replies
		ours.Close()
		<-ended
		if !bytes.HasSuffix(got, []byte("0,\"No error\";a,b,c,d\n")) {
			t.Fatalf("after %q: %q", data, got)
		}
		if lines, asked := bytes.Count(got, []byte("\n")), bytes.Count(data, []byte("\n"))+2; lines > asked {
			t.Fatalf("%d lines for %d messages", lines, asked)
		}
	})
}
