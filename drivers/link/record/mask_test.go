package record

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func entry(part string, event Event, text string) Entry {
	e := Entry{Instrument: part, Connection: 1, Event: event}
	if event == Sent || event == Got {
		e.Data = []byte(text)
	} else {
		e.Note, e.Identity = text, "*IDN?"
	}
	return e
}

func TestMask(t *testing.T) {
	mask := &Mask{key: []byte("a key")}
	block := append([]byte("#3300"), bytes.Repeat([]byte{0, 200, 7}, 100)...)
	copy(block[100:], "\x00SAMPLER/SN00417533\x00")
	list := []Entry{
		entry("scope", Opened, "tcp://lab7.example.org:5025"),
		entry("scope", Got, "\"SN00417533 ready\"\n"), // before all questions
		entry("scope", Sent, "*IDN?\n"),
		entry("scope", Got, "HUT FOUR WORKS,SAM"),
		entry("scope", Got, "PLER,SN00417533,1.2\n"), // in two pieces
		entry("scope", Sent, "CAL:SER?\n"),
		entry("scope", Got, "\"SN00417533\",1.2,17,xSN00417533\n"),
		entry("scope", Sent, "CURV?\n"),
		entry("scope", Got, string(block)+"\n"),
		entry("scope", Got, "late\n"),
		entry("generator", Opened, "serial:///dev/serial/by-id/usb-Adapter_A50285BI-if00?baud=9600"),
		entry("generator", Sent, "*IDN?\n"),
		entry("generator", Got, "HUT FOUR WORKS,SHOUTER,20417,1.2\n"),
		entry("generator", Sent, "LEV?\n"),
		entry("generator", Got, "20417\n"), // a number, as others are
		entry("generator", Failed, "read tcp 192.168.1.5:43210->lab7.example.org:5025: [fe80::17%eth0]: reset"),
	}
	var out bytes.Buffer
	if _, err := mask.Copy(&out, bytes.NewReader(recording(t, list)), "x"); err != nil {
		t.Fatal(err)
	}
	headers, all, err := readAll(out.Bytes())
	if err != nil || len(all) != len(list)+1 || !headers[0].Masked {
		t.Fatalf("%d entries, %v", len(all), err)
	}
	var text strings.Builder
	byPart := map[string][]*Entry{}
	for _, e := range all {
		text.WriteString(e.Note + "|" + string(e.Data) + "\n")
		byPart[e.Instrument] = append(byPart[e.Instrument], e)
	}
	for _, s := range []string{"lab7", "HUT", "WORKS", "WORKS,SAM", "|PLER", `"SN00417533`, "/SN0041", "SN00417533 ready", "A50285BI", "SHOUTER", "192.168.1.5", "fe80"} {
		if strings.Contains(text.String(), s) {
			t.Errorf("%q is still there: %s", s, text.String())
		}
	}
	serial := mask.word("SN00417533")
	for _, s := range []string{
		mask.word("SN00417533 ready"), `"` + serial + `",1.2,17,xSN00417533`, "|20417\n", "\x00SAMPLER/" + serial + "\x00",
		mask.word("HUT FOUR WORKS") + "," + mask.word("SHOUTER") + "," + mask.word("20417"), ":5025", "?baud=9600", "/dev/",
	} {
		if !strings.Contains(text.String(), s) {
			t.Errorf("%q is not there: %q", s, text.String())
		}
	}
	for part, entries := range byPart {
		i := 0
		for _, e := range list {
			if e.Instrument == part {
				if len(e.Data) != len(entries[i].Data) || e.Event != entries[i].Event || e.At != entries[i].At {
					t.Errorf("%s %d: %v became %v", part, i, e, entries[i])
				}
				i++
			}
		}
	}
}

// A word keeps its shape, differs by key, and is the same each time.
func TestWord(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.String().Draw(t, "s")
		a, b := &Mask{key: []byte("a")}, &Mask{key: []byte("b")}
		w := a.word(s)
		if w != a.word(s) || len(w) != len(s) {
			t.Fatalf("%q %q", s, w)
		}
		for i := range len(s) {
			if alphanumeric(s[i]) != alphanumeric(w[i]) || !alphanumeric(s[i]) && s[i] != w[i] {
				t.Fatalf("%q %q", s, w)
			}
		}
		if letters := strings.Map(func(r rune) rune {
			if r < 0x80 && alphanumeric(byte(r)) {
				return r
			}
			return -1
		}, s); len(letters) > 12 && (w == s || w == b.word(s)) {
			t.Fatalf("%q is too alike", w)
		}
	})
}

func TestLoadMask(t *testing.T) {
	path := filepath.Join(t.TempDir(), "below", "mask.key")
	a, err := LoadMask(path)
	if err != nil {
		t.Fatal(err)
	}
	b, err := LoadMask(path)
	if err != nil || a.word("SERIAL") != b.word("SERIAL") {
		t.Errorf("%v", err)
	}
	c, err := LoadMask(filepath.Join(t.TempDir(), "mask.key"))
	if err != nil || a.word("ABCDEFGHIJKLMNOP") == c.word("ABCDEFGHIJKLMNOP") {
		t.Errorf("two users' masks are alike: %v", err)
	}
	if err := os.WriteFile(path, []byte("short"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := LoadMask(path); err == nil {
		t.Error("a short key was taken")
	}
}
