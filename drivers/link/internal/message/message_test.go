package message

import (
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// split gives the messages of s, "|" after each.
func split(s string) string {
	var b strings.Builder
	var scan Scanner
	for p := []byte(s); len(p) > 0; {
		n, ended := scan.Next(p)
		b.Write(p[:n])
		if ended {
			b.WriteByte('|')
		}
		p = p[n:]
	}
	return b.String()
}

func TestNext(t *testing.T) {
	cases := []struct{ in, want string }{
		{"a\nb\nc", "a\n|b\n|c"},
		{"\n\n", "\n|\n|"},
		{"#13\n\n\n\nx", "#13\n\n\n\n|x"},
		{"#212\n\n\n\n\n\n\n\n\n\n\n\n\n", "#212\n\n\n\n\n\n\n\n\n\n\n\n\n|"},
		{":CURVE #12\n\n,#11\n;#10\n", ":CURVE #12\n\n,#11\n;#10\n|"},
		{" \t#11\n\n", " \t#11\n\n|"},
		{"#0a\nb\n", "#0a\nb\n|"},
		{"#HFF\n#B0\n", "#HFF\n|#B0\n|"},
		{"#1\n", "#1\n|"},
		{"#2x\n", "#2x\n|"},
		{"NO.#15\nb", "NO.#15\n|b"},
		{"\"#15\"\nb", "\"#15\"\n|b"},
		{"1#15\nb", "1#15\n|b"},
	}
	for _, c := range cases {
		if got := split(c.in); got != c.want {
			t.Errorf("%q: %q, want %q", c.in, got, c.want)
		}
	}
}

func TestEnd(t *testing.T) {
	cases := []struct {
		in    string
		lacks bool
	}{
		{"", true}, {"a", true}, {"a\n", false}, {"a\nb", true}, {"a\n\n", false},
		{"#12\n\n", true}, {"#12\n\n\n", false}, {"#12\n", false}, {"#10", true}, {"#10\n", false},
		{"#0ab", true}, {"#0ab\n", false}, {"#", true}, {"#2", true}, {"#21", true},
	}
	for _, c := range cases {
		var s Scanner
		for p := []byte(c.in); len(p) > 0; {
			n, _ := s.Next(p)
			p = p[n:]
		}
		if lacks := s.End(); lacks != c.lacks {
			t.Errorf("%q: lacks %v", c.in, lacks)
		}
	}
}

// An end in the middle of a definite block is none, however the bytes come.
func TestEndWithinBlock(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		payload := rapid.SliceOfN(rapid.Byte(), 1, 300).Draw(t, "payload")
		lead := rapid.SampledFrom([]string{"", "CURVE ", "#11\n,"}).Draw(t, "lead")
		head := []byte(fmt.Sprintf("%s#3%03d", lead, len(payload)))
		whole := append(head, payload...)
		at := rapid.IntRange(len(head), len(whole)-1).Draw(t, "end within")
		var s Scanner
		feed := func(p []byte) {
			for len(p) > 0 {
				n, ended := s.Next(p[:rapid.IntRange(1, len(p)).Draw(t, "piece")])
				if ended {
					t.Fatal("a newline of a block ends the message")
				}
				p = p[n:]
			}
		}
		feed(whole[:at])
		if s.End() {
			t.Fatalf("a newline is due after %d of %d bytes", at, len(whole))
		}
		feed(whole[at:])
		if !s.End() {
			t.Fatal("no newline is due after the block")
		}
		if s.Begun() {
			t.Fatal("not at the beginning of a message")
		}
	})
}

// Cutting the input anywhere finds the same ends, but for indefinite blocks,
// and no byte is lost or made.
func FuzzNext(f *testing.F) {
	f.Add("a\n#13\n\n\n\nb", uint8(3))
	f.Add("#9999999999\n", uint8(1))
	f.Add("#0\n\n", uint8(1))
	f.Fuzz(func(t *testing.T, in string, cut uint8) {
		whole := split(in)
		if strings.ReplaceAll(whole, "|", "") != strings.ReplaceAll(in, "|", "") {
			t.Fatalf("%q gives %q", in, whole)
		}
		if strings.Contains(in, "#0") || cut == 0 {
			return
		}
		var b strings.Builder
		var s Scanner
		for p := []byte(in); len(p) > 0; {
			n, ended := s.Next(p[:min(len(p), int(cut))])
			b.Write(p[:n])
			if ended {
				b.WriteByte('|')
			}
			p = p[n:]
		}
		if b.String() != whole {
			t.Fatalf("%q, in pieces %q", whole, b.String())
		}
	})
}
