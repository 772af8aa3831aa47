package scpi

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"runtime"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"halfturn/drivers"
)

func TestParseNumber(t *testing.T) {
	good := []struct {
		reply string
		want  float64
	}{
		{"0", 0}, {"+42", 42}, {"-7", -7}, {"007", 7}, // NR1
		{"1.5", 1.5}, {"-.25", -0.25}, {"3.", 3}, // NR2
		{"1.0E+3", 1000}, {"-2.5e-3", -0.0025}, {"4E2", 400}, {"9.8E37", 9.8e37}, // NR3
		{" 1 ", 1}, {"\t2\r", 2}, {"1E-400", 0},
	}
	for _, c := range good {
		if v, err := ParseNumber(c.reply); err != nil || v != c.want {
			t.Errorf("ParseNumber(%q) = %v, %v; want %v", c.reply, v, err, c.want)
		}
	}
	bad := []struct{ reply, want string }{
		{"", "not a number"}, {" ", "not a number"}, {"+", "not a number"}, {".", "not a number"},
		{"1.0E", "not a number"}, {"E5", "not a number"}, {"1 2", "not a number"}, {"1,2", "not a number"},
		{"1.0 HZ", "not a number"}, {"0x10", "not a number"}, {"1_000", "not a number"}, {"inf", "not a number"},
		{"NaN", "not a number"}, {"Infinity", "not a number"}, {"--1", "not a number"}, {"1E+-2", "not a number"}, {"#H1F", "not a number"},
		{"9.9E37", "infinite"}, {"-9.9E+37", "infinite"}, {"9.90000E+37", "infinite"},
		{"9.91E37", "no value"}, {"+9.910000E+37", "no value"},
		{"1E999", "too large"}, {"-1E999", "too large"},
	}
	for _, c := range bad {
		v, err := ParseNumber(c.reply)
		if !errors.Is(err, drivers.ErrReply) || !strings.Contains(fmt.Sprint(err), c.want) {
			t.Errorf("ParseNumber(%q) = %v, %v; want an error with %q", c.reply, v, err, c.want)
		}
	}
}

func TestParseBool(t *testing.T) {
	for reply, want := range map[string]bool{"0": false, "1": true, "ON": true, "off": false, " 1\r": true, "+1": true, "0.0": false} {
		if v, err := ParseBool(reply); err != nil || v != want {
			t.Errorf("ParseBool(%q) = %v, %v", reply, v, err)
		}
	}
	for _, reply := range []string{"", "2", "-1", "true", "O", "1,0"} {
		if v, err := ParseBool(reply); !errors.Is(err, drivers.ErrReply) {
			t.Errorf("ParseBool(%q) = %v, %v", reply, v, err)
		}
	}
}

func TestParseErrorEntry(t *testing.T) {
	good := []struct {
		reply string
		want  ErrorEntry
	}{
		{`0,"No error"`, ErrorEntry{0, "No error"}},
		{`+0,"No error"`, ErrorEntry{0, "No error"}},
		{`-113,"Undefined header;:FREQ 1"`, ErrorEntry{-113, "Undefined header;:FREQ 1"}},
		{`-222, "Data, out of range"`, ErrorEntry{-222, "Data, out of range"}},
		{`7,"say ""on"""`, ErrorEntry{7, `say "on"`}},
		{`-350,""`, ErrorEntry{-350, ""}},
		{`0,No error`, ErrorEntry{0, "No error"}},
		{`0`, ErrorEntry{}},
	}
	for _, c := range good {
		if e, err := ParseErrorEntry(c.reply); err != nil || e != c.want {
			t.Errorf("ParseErrorEntry(%q) = %+v, %v", c.reply, e, err)
		}
	}
	for _, reply := range []string{"", ",", `"No error"`, "No error", `-113,"open`, `-113,"`, `1,"a"b"`, `1,"a" x`, `99999,"x"`, `1.5,"x"`, `0x1,"x"`} {
		if e, err := ParseErrorEntry(reply); !errors.Is(err, drivers.ErrReply) {
			t.Errorf("ParseErrorEntry(%q) = %+v, %v", reply, e, err)
		}
	}
}

// readBlock reads a block of at most limit bytes into buf's storage, which
// grows where it must. After a definite block r stands at whatever follows. An
// indefinite one (488.2, 8.7.10) ends where r does, less one newline. A block
// that is not one wraps drivers.ErrReply, one that breaks off
// io.ErrUnexpectedEOF.
func readBlock(r *bufio.Reader, buf []byte, limit int) ([]byte, error) {
	size, definite, err := readHeader(r, limit)
	if err != nil {
		return nil, err
	}
	if definite {
		return readPayload(r, buf, size)
	}
	buf = buf[:0]
	for {
		buf, err = readSome(r, buf, limit)
		if errors.Is(err, io.EOF) {
			return endIndefinite(buf)
		}
		if err != nil {
			return nil, err
		}
	}
}

func TestReadBlock(t *testing.T) {
	cases := []struct {
		name, in, want, rest string
		err                  error
	}{
		{name: "definite", in: "#15hello\n", want: "hello", rest: "\n"},
		{name: "empty", in: "#10\n", rest: "\n"},
		{name: "leading zeros", in: "#3005hellox", want: "hello", rest: "x"},
		{name: "nine digits", in: "#9000000002ab", want: "ab"},
		{name: "indefinite", in: "#0a\nb\n", want: "a\nb"},
		{name: "indefinite and empty", in: "#0\n"},
		{name: "indefinite without newline", in: "#0ab", err: io.ErrUnexpectedEOF},
		{name: "nothing", err: io.ErrUnexpectedEOF},
		{name: "only the sign", in: "#", err: io.ErrUnexpectedEOF},
		{name: "half a length", in: "#41", err: io.ErrUnexpectedEOF},
		{name: "short", in: "#15hell", err: io.ErrUnexpectedEOF},
		{name: "text", in: "1.5\n", err: drivers.ErrReply},
		{name: "hexadecimal", in: "#H1F\n", err: drivers.ErrReply},
		{name: "no number", in: "#2 5hello", err: drivers.ErrReply},
		{name: "sign in the length", in: "#2+5hello", err: drivers.ErrReply},
		{name: "too long", in: "#3101", err: drivers.ErrReply},
		{name: "longer than any memory", in: "#9999999999", err: drivers.ErrReply},
		{name: "indefinite and too long", in: "#0" + strings.Repeat("x", 102) + "\n", err: drivers.ErrReply},
		{name: "indefinite and just long enough", in: "#0" + strings.Repeat("x", 100) + "\n", want: strings.Repeat("x", 100)},
	}
	for _, c := range cases {
		r := bufio.NewReader(strings.NewReader(c.in))
		got, err := readBlock(r, nil, 100)
		if !errors.Is(err, c.err) || (err == nil) != (c.err == nil) {
			t.Errorf("%s: %v, want %v", c.name, err, c.err)
			continue
		}
		rest, _ := io.ReadAll(r)
		if err == nil && (string(got) != c.want || string(rest) != c.rest) {
			t.Errorf("%s: got %q and left %q", c.name, got, rest)
		}
	}
}

// An announced length alone does not get memory.
func TestAnnouncedLengthIsNotTrusted(t *testing.T) {
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	if _, err := readBlock(bufio.NewReader(strings.NewReader("#9200000000abc")), nil, 1<<30); !errors.Is(err, io.ErrUnexpectedEOF) {
		t.Fatal(err)
	}
	runtime.ReadMemStats(&after)
	if n := after.TotalAlloc - before.TotalAlloc; n > 4*trust {
		t.Errorf("%d bytes for a block that announced 200 MB and sent 3", n)
	}
}

func TestBlockRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		payload := rapid.SliceOfN(rapid.Byte(), 0, 3000).Draw(t, "payload")
		after := rapid.SliceOfN(rapid.Byte(), 0, 10).Draw(t, "after")
		buf := make([]byte, rapid.IntRange(0, 4000).Draw(t, "buffer"))
		r := bufio.NewReaderSize(bytes.NewReader(append(AppendBlock(nil, payload), after...)), 16)
		got, err := readBlock(r, buf, len(payload))
		if err != nil || !bytes.Equal(got, payload) {
			t.Fatalf("definite: %q, %v", got, err)
		}
		if len(payload) > 0 && len(buf) >= len(payload) && &got[0] != &buf[0] {
			t.Fatal("the buffer was large enough and not used")
		}
		if rest, _ := io.ReadAll(r); !bytes.Equal(rest, after) {
			t.Fatalf("left %q of %q", rest, after)
		}
		r = bufio.NewReaderSize(bytes.NewReader(append(append([]byte("#0"), payload...), '\n')), 16)
		if got, err := readBlock(r, buf, len(payload)); err != nil || !bytes.Equal(got, payload) {
			t.Fatalf("indefinite: %q, %v", got, err)
		}
	})
}

// Numbers come back exactly from each form that an instrument may send.
func TestNumberRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := rapid.Float64Range(-9.8e37, 9.8e37).Draw(t, "number")
		format := rapid.SampledFrom([]byte("eEfgG")).Draw(t, "format")
		if got, err := ParseNumber(strconv.FormatFloat(want, format, -1, 64)); err != nil || got != want {
			t.Fatalf("%v, %v", got, err)
		}
	})
}

func TestErrorEntryRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := ErrorEntry{Code: rapid.IntRange(-32768, 32767).Draw(t, "code"), Text: rapid.String().Draw(t, "text")}
		reply := fmt.Sprintf(`%d,"%s"`, want.Code, strings.ReplaceAll(want.Text, `"`, `""`))
		if got, err := ParseErrorEntry(reply); err != nil || got != want {
			t.Fatalf("%q: %+v, %v", reply, got, err)
		}
	})
}

func FuzzParseNumber(f *testing.F) {
	for _, s := range []string{"0", "-1.5E+3", "9.91E37", "1E999", "0x1p-2", "inf", " 1_0 ", "+.e"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, reply string) {
		v, err := ParseNumber(reply)
		if err != nil {
			if !errors.Is(err, drivers.ErrReply) || strings.ContainsAny(err.Error(), "\r\n") {
				t.Fatalf("%q: %v", reply, err)
			}
			return
		}
		want, err := strconv.ParseFloat(strings.TrimSpace(reply), 64)
		if err != nil || v != want || math.IsInf(v, 0) || math.IsNaN(v) {
			t.Fatalf("%q gave %v; %v, %v", reply, v, want, err)
		}
	})
}

func FuzzParseErrorEntry(f *testing.F) {
	for _, s := range []string{`0,"No error"`, `-113,"Undefined header"`, `1,"a""b"`, `1,"`, `99999,""`, "0"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, reply string) {
		e, err := ParseErrorEntry(reply)
		if err != nil {
			if !errors.Is(err, drivers.ErrReply) || e != (ErrorEntry{}) {
				t.Fatalf("%q: %+v, %v", reply, e, err)
			}
			return
		}
		if e.Code < -32768 || e.Code > 32767 {
			t.Fatalf("%q: code %d", reply, e.Code)
		}
	})
}

func FuzzReadBlock(f *testing.F) {
	for _, s := range []string{"#15hello\n", "#0a\nb\n", "#10", "#9999999999x", "#H1F", "1.5\n", "#", ""} {
		f.Add([]byte(s))
	}
	const limit = 1 << 12
	buf := make([]byte, 0, 64)
	f.Fuzz(func(t *testing.T, in []byte) {
		got, err := readBlock(bufio.NewReaderSize(bytes.NewReader(in), 16), buf, limit)
		if err != nil {
			if !errors.Is(err, drivers.ErrReply) && !errors.Is(err, io.ErrUnexpectedEOF) {
				t.Fatal(err)
			}
			return
		}
		if len(got) > limit || !bytes.Contains(in, got) {
			t.Fatalf("%d bytes that were not in the input", len(got))
		}
	})
}
