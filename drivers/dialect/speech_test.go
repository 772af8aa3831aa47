package dialect

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"halfturn/drivers"
	"halfturn/drivers/scpi"
	"halfturn/units"
)

// Replies with units are read by them, and those with a wrong one refused.
func TestUnitsInReplies(t *testing.T) {
	form := func(q, name string) format {
		for _, u := range unitsOf[q] {
			if u.name == name {
				return format{unit: u, known: unitsOf[q], decimals: -1}
			}
		}
		t.Fatalf("no unit %s of %s", name, q)
		return format{}
	}
	for _, c := range []struct {
		q, unit, reply string
		want           float64
		says           string
	}{
		{qFrequency, "Hz", "3.0E+07 HZ", 30e6, ""},
		{qFrequency, "MHz", "3.0E+07 HZ", 30e6, ""},
		{qFrequency, "Hz", "30 MHZ", 30e6, ""},
		{qFrequency, "Hz", "30mhz", 30e6, ""},
		{qFrequency, "Hz", "30 Mhz", 30e6, ""},
		{qFrequency, "MHz", "30", 30e6, ""},
		{qFrequency, "Hz", "30 mHz", 0, `the unit "mHz" is not known here`},
		{qFrequency, "Hz", "30 V", 0, `the unit "V" is not known here, only Hz, kHz, MHz, GHz are`},
		{qDivision, "V", "50 mV", 0.05, ""},
		{qDivision, "mV", "50", 0.05, ""},
		{qDivision, "mV", "0.05 V", 0.05, ""},
		{qRange, "V", "50 µV", 50e-6, ""},
		{qRange, "V", "50 MV", 0.05, ""}, // IEEE 488.2, 7.7.3 (from memory): M is milli but before HZ
		{qRange, "V", "50 Mv", 0, "not known"},
		{qInterval, "s", "2 NS", 2e-9, ""},
		{qInterval, "s", "2 Hz", 0, "not known"},
		{qDrive, "dBm", "-3.50 DBM", -3.5, ""},
		{qDrive, "dBm", "0.2 V", 0, `the unit "V" is not known`},
		{qDrive, "dBm", "223.607 mVrms", 0, ""},
		{qDrive, "Vrms", "0.223607 V", 0, ""},
		{qDrive, "Vrms", "223.607 MV", 0, ""},
		{qDrive, "Vpp", "0.632456 V", 0, ""},
		{qDrive, "Vpp", "0.632456", 0, ""},
		{qDrive, "Vpp", "0.223607 VRMS", 0, ""},
		{qDrive, "Vpp", "-3.5 dBm", -3.5, ""},
		{qDrive, "Vpp", "0", 0, "0 Vpp is no level"},
		{qDrive, "Vpp", "-0.1 V", 0, "is no level"},
		{qFrequency, "Hz", "lots", 0, "not a number"},
		{qFrequency, "Hz", "3 0 Hz", 0, "not a number"},
		{qFrequency, "Hz", "", 0, "not a number"},
	} {
		got, err := form(c.q, c.unit).read(c.reply)
		if c.says != "" {
			if err == nil || !strings.Contains(err.Error(), c.says) {
				t.Errorf("%q as %s: %v, %v; want %q", c.reply, c.unit, got, err, c.says)
			}
		} else if err != nil || math.Abs(got-c.want) > 2e-5*max(1e-9, math.Abs(c.want))+map[bool]float64{true: 2e-5}[c.q == qDrive] {
			t.Errorf("%q as %s: %v, %v; want %v", c.reply, c.unit, got, err, c.want)
		}
	}
	if _, err := count.read("10000 V"); err == nil || !strings.Contains(err.Error(), "behind a count") {
		t.Error(err)
	}
}

// A level in volts is written so that it is not above what was asked for, and
// comes back to within the step of its digits.
func TestLevelInVoltsIsRoundedDown(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := rapid.SampledFrom(levels[1:]).Draw(t, "unit")
		f := format{unit: u, known: levels, decimals: -1, digits: rapid.IntRange(4, 12).Draw(t, "digits"), least: -200}
		l := rapid.Float64Range(-80, 30).Draw(t, "level")
		s := f.write(l)
		back, err := f.read(s)
		// One unit of d digits is 10^(1-d) at most, and a neper 8.69 dB.
		if err != nil || back > l+1e-9 || back < l-8.69*1.01*math.Pow10(1-f.digits) {
			t.Fatalf("%v was written as %q and read as %v, %v", l, s, back, err)
		}
		// The lowest level there is comes out no lower.
		f.least = l
		if s = f.write(l); reads(s) < u.number(l)*(1-1e-11) || reads(s) > u.number(l)*(1+1.01*math.Pow10(1-f.digits)) {
			t.Fatalf("the lowest level %v was written as %q", l, s)
		}
	})
}

func TestItems(t *testing.T) {
	for _, c := range []struct {
		reply     string
		separator byte
		want      []string
	}{
		{`2,"RI,x",10000`, ',', []string{"2", `"RI,x"`, "10000"}},
		{"500 MHz 1000", ' ', []string{"500 MHz", "1000"}},
		{"500  MHz   1000 ", ' ', []string{"500 MHz", "1000"}},
		{"500MHz 1000 pts on", ' ', []string{"500MHz", "1000 pts", "on"}},
		{"1;2", ';', []string{"1", "2"}},
		{"", ',', []string{""}},
		{"", ' ', nil},
	} {
		if got := items(c.reply, c.separator); fmt.Sprintf("%q", got) != fmt.Sprintf("%q", c.want) {
			t.Errorf("%q: %q, want %q", c.reply, got, c.want)
		}
	}
}

func FuzzItems(f *testing.F) {
	f.Add(`2,"RI",10000,2.0E-09 S`, byte(','), 4)
	f.Add("500 MHz 1000", byte(' '), 1)
	f.Fuzz(func(t *testing.T, reply string, separator byte, place int) {
		if place < 1 {
			return
		}
		q := scaleQuery{separator: separator, fields: []int{place}}
		values, err := q.pick(nil, reply)
		if err == nil && (len(values) != 1 || math.IsNaN(values[0])) || err != nil && strings.Contains(err.Error(), "\n") {
			t.Errorf("%v, %v", values, err)
		}
	})
}

func waiting(t *testing.T, text string) *waitText {
	t.Helper()
	f, err := Parse("w", strings.NewReader(change(t, shippedText(t, "scpi99-digitiser"),
		"start: \":INITiate\"\n  wait: {ask: \"*OPC?\", reply: 1}", "start: \":INITiate\"\n  wait: "+text)))
	must(t, err)
	return &f.scope.wait
}

func TestWaitReplies(t *testing.T) {
	const polled = ", every: 1 ms, limit: 1 s}"
	for _, c := range []struct {
		wait, reply string
		done        bool
		says        string
	}{
		{`{ask: "*OPC?", reply: 1}`, "+1.0", true, ""},
		{`{ask: "*OPC?", reply: 1}`, "0", false, `"1" was expected`},
		{`{ask: S, reply: STOPPED` + polled, "STOPPED", true, ""},
		{`{ask: S, reply: STOPPED` + polled, "whatever", false, ""},
		{`{ask: S, reply: STOPPED, while: [RUNNING, ARMED]` + polled, "ARMED", false, ""},
		{`{ask: S, reply: STOPPED, while: RUNNING` + polled, "FAULT", false, `"STOPPED" or "RUNNING" was expected`},
		{`{ask: S, bits: 3` + polled, "67", true, ""},
		{`{ask: S, bits: 3` + polled, "1", false, ""},
		{`{ask: S, bits: 1, error_bits: 32` + polled, "33", false, "the status byte tells an error"},
		{`{ask: S, bits: 1` + polled, "busy", false, "not a number"},
		{`{ask: S, bits: 1}`, "2", false, "a status with 1 in it was expected"},
	} {
		done, err := waiting(t, c.wait).done(c.reply)
		if done != c.done || (err == nil) != (c.says == "") || err != nil && !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s, %q: %v, %v", c.wait, c.reply, done, err)
		}
	}
}

// openWaiting is a digitiser that is polled. answer is asked for its status.
func openWaiting(t *testing.T, limit string, answer func() ([]byte, bool)) (*peer, *Scope) {
	t.Helper()
	text := change(t, shippedText(t, "scpi99-digitiser"), "start: \":INITiate\"\n  wait: {ask: \"*OPC?\", reply: 1}",
		"start: \":INITiate\"\n  wait: {ask: \"STATE?\", bits: 1, error_bits: 32, every: 1 ms, limit: "+limit+"}")
	p := newPeer(t, "\n")
	good := digitiser(10000)
	p.answering(func(m string) ([]byte, bool) {
		if m == "STATE?" {
			return answer()
		}
		return good(m)
	})
	s, err := OpenScope(t.Context(), p.config(writeDialect(t, text)))
	must(t, err)
	t.Cleanup(func() { s.Close() })
	ready(t, s)
	return p, s
}

func TestWaitIsLimited(t *testing.T) {
	var c drivers.Capture
	_, s := openWaiting(t, "20 ms", func() ([]byte, bool) { return []byte("0\n"), false })
	fails(t, s.Capture(t.Context(), &c), drivers.ErrLink, "not ready within 20ms", `asked "STATE?"`, `got "0"`, "longer limit")

	_, s = openWaiting(t, "3600 s", func() ([]byte, bool) { return []byte("32\n"), false })
	fails(t, s.Capture(t.Context(), &c), drivers.ErrRefused, "the status byte tells an error")

	ctx, cancel := context.WithCancel(t.Context())
	asked := 0
	_, s = openWaiting(t, "3600 s", func() ([]byte, bool) {
		if asked++; asked == 3 {
			time.AfterFunc(5*time.Millisecond, cancel)
		}
		return []byte("0\n"), false
	})
	fails(t, s.Capture(ctx, &c), drivers.ErrLink)
}

// What was acquired on a connection that went away is not waited for on the
// next one.
func TestWaitEndsWithItsConnection(t *testing.T) {
	asked := 0
	_, s := openWaiting(t, "3600 s", func() ([]byte, bool) {
		asked++
		return []byte("0\n"), asked == 2 // complete, then the link ends
	})
	var c drivers.Capture
	fails(t, s.Capture(t.Context(), &c), drivers.ErrLink, "thrown away")
}

// Each answer of a family's instrument that is not what its manual says is an
// error, never a number.
func TestFamilyReplies(t *testing.T) {
	block := func(n int) []byte { return scpi.AppendBlock(nil, make([]byte, n)) }
	for _, c := range []struct {
		family, query string
		reply         []byte
		kind          error
		says          string
	}{
		{"headed", "PREAMBLE?", line(`PREAMBLE 1,"RI",10000,2E-09,3.1E-06,0,"V"`), drivers.ErrReply, "item 1 is 1, and 2 was expected"},
		{"headed", "PREAMBLE?", line(`PREAMBLE 2,"LE",10000,2E-09,3.1E-06,0,"V"`), drivers.ErrReply, `item 2 is "LE", and RI was expected`},
		{"headed", "PREAMBLE?", line(`PREAMBLE 2,"RI",10000,2E-09,3.1E-06,0,"A"`), drivers.ErrReply, `item 7 is "A", and V was expected`},
		{"headed", "PREAMBLE?", line(`PREAMBLE 2,"RI",10000`), drivers.ErrReply, "item 7 is needed, and 3 came"},
		{"headed", "PREAMBLE?", line(`PREAMBLE 2,"RI",10000,2E-09,0,0,"V"`), drivers.ErrReply, "0 V per code"},
		{"headed", "PREAMBLE?", line(`2,"RI",10000,2E-09,3.1E-06,0,"V"`), drivers.ErrReply, "its header is missing"},
		{"headed", "CURVE?", append([]byte("OTHER "), block(20000)...), drivers.ErrReply, "CURVE should stand before it"},
		{"headed", "CURVE?", append([]byte("CURVE "), block(20002)...), drivers.ErrReply, "10001 samples came, 10000 were expected"},
		{"headed", "ACQUIRE:STATE?", line("ACQUIRE:STATE FAULT"), drivers.ErrReply, `"STOPPED" or "RUNNING" was expected`},
		{"bundled", "DATA?", append(block(40000), '\n'), drivers.ErrReply, "10000 samples came, 20000 were expected"},
		{"bundled", "DATA?", append(append([]byte("#0"), make([]byte, 79999)...), '\n'), drivers.ErrReply, "not a whole number of 4-byte samples"},
		{"bundled", "STATUS?", line("32"), drivers.ErrRefused, "tells an error"},
		{"spoken", "volts a", []byte("volts a\r0.1,0.2\r\n"), drivers.ErrReply, "2 samples came, 1000 were expected"},
		{"spoken", "volts a", []byte("volts b\r0.1,0.2\r\n"), drivers.ErrReply, "not the echo of what was sent"},
		{"spoken", "volts b", []byte("volts b\r0.1," + strings.Repeat("x,", 998) + "0\r\n"), drivers.ErrReply, "sample 2 of 1000"},
		{"spoken", "state", []byte("state\rbroken\r\n"), drivers.ErrReply, `"idle" or "busy" was expected`},
		{"coded", "STEP? 1", line("many"), drivers.ErrReply, "not a number"},
		{"coded", "STEP? 1", line("3.1 A"), drivers.ErrReply, `the unit "A" is not known`},
		{"coded", "BOTH?", block(39998), drivers.ErrReply, "19999 samples came, 20000 were expected"},
		{"coded", "DONE?", line("2"), drivers.ErrReply, `"1" or "0" was expected`},
	} {
		for _, f := range families {
			if f.name != c.family {
				continue
			}
			t.Run(c.family+" "+c.query, func(t *testing.T) {
				p, bend := f.connected(t, f.scope())
				s, err := OpenScope(t.Context(), p.config(f.name+"-scope"))
				must(t, err)
				defer s.Close()
				ctx := t.Context()
				must(t, s.SetRange(ctx, drivers.Arm1, f.ranges[0]))
				must(t, s.SetRange(ctx, drivers.Arm2, f.ranges[1]))
				must(t, s.SetWindow(ctx, drivers.Window{Rate: 250e6, Samples: f.samples}))
				bend(func(m string) []byte {
					if m == c.query {
						return c.reply
					}
					return nil
				})
				var into drivers.Capture
				fails(t, s.Capture(ctx, &into), c.kind, c.says)
				// The next capture is a good one.
				bend(nil)
				must(t, s.Capture(ctx, &into))
				sameCodes(t, sampled(2, f.samples), into.Traces[1].Codes, 0)
			})
		}
	}
}

// A status byte, or words, take the place of an error queue.
func TestFamilyErrors(t *testing.T) {
	for _, f := range families {
		p, bend := f.connected(t, f.generator())
		g, err := OpenGenerator(t.Context(), p.config(f.name+"-generator"))
		must(t, err)
		defer g.Close()
		query := map[string]string{"headed": "ERRORS?", "bundled": "STATUS?", "spoken": "problem", "coded": "ERR?"}[f.name]
		first := true
		bend(func(m string) []byte {
			if m != query || !first {
				return nil
			}
			first = false
			return map[string][]byte{
				"headed": line(`ERRORS 12,"too much"`), "bundled": line("33"), "spoken": []byte("problem\rtoo much\r\n"), "coded": line("12"),
			}[f.name]
		})
		says := map[string]string{"headed": "12 too much", "bundled": "status byte 33", "spoken": "too much", "coded": "12"}[f.name]
		fails(t, g.CheckErrors(t.Context()), drivers.ErrRefused, says)
		must(t, g.CheckErrors(t.Context()))
	}
}

// Bytes that are told by XON and XOFF when to come cannot be samples.
func TestBinaryOverXONXOFF(t *testing.T) {
	for dialect, refused := range map[string]bool{"scpi99-digitiser": true, "bundled-scope": true, "spoken-scope": false} {
		_, err := OpenScope(t.Context(), drivers.Config{Address: "serial:///dev/none-such?flow=xonxoff", Dialect: dialect, TimeLimit: time.Second})
		if err == nil {
			t.Fatal("opened")
		}
		if got := strings.Contains(err.Error(), "with flow=xonxoff the bytes 17 and 19 would be taken out"); got != refused {
			t.Errorf("%s: %v", dialect, err)
		}
	}
}

// files writes dialects into a folder.
func files(t testing.TB, texts map[string]string) (folder string) {
	t.Helper()
	folder = t.TempDir()
	for name, text := range texts {
		path := filepath.Join(folder, name)
		must(t, os.MkdirAll(filepath.Dir(path), 0o700))
		must(t, os.WriteFile(path, []byte(text), 0o600))
	}
	return folder
}

func TestInclude(t *testing.T) {
	folder := files(t, map[string]string{
		"own.yaml": "include: sub/mid.yaml\nabout: mine\nrf:\n  on: RF 1\n",
		"sub/mid.yaml": "include: ../base.yaml\nlink:\n  errors: none\ndrive: {confirm: none}\n" +
			"frequency: {confirm: {within: 5 Hz}}\nabilities: {drive: {to: 3 dBm}}\n",
		"base.yaml":  shippedText(t, "scpi99-generator"),
		"scope.yaml": "include: scpi99-digitiser\nabilities:\n  windows: [{rate: 1 MHz, samples: 100}]\nacquire: {wait: {every: 1 ms, limit: 1 s}}\n",
	})
	f, err := Load(filepath.Join(folder, "own.yaml"))
	must(t, err)
	g := f.generator
	if f.About != "mine" || g.rfOn[0].text != "RF 1" || g.rfOff[0].text != ":OUTPut OFF" || g.abilities.MaxDrive != 3 || g.abilities.MinDrive != -60 ||
		f.HasErrorQueue() || f.Confirms("drive") || !f.Confirms("frequency") || !f.Confirms("rf") || g.frequency.confirm[0].within.absolute != 5 {
		t.Errorf("%+v, %+v", f, g)
	}
	s, err := Load(filepath.Join(folder, "scope.yaml"))
	must(t, err)
	if len(s.scope.abilities.Windows) != 1 || s.scope.wait.every != time.Millisecond || s.scope.wait.ready != "1" || len(s.scope.abilities.Ranges) != 9 {
		t.Errorf("%+v", s.scope)
	}
}

func TestBadIncludes(t *testing.T) {
	base := shippedText(t, "scpi99-generator")
	texts := map[string]string{
		"self.yaml": "include: self.yaml\n", "round.yaml": "about: x\ninclude: sub/round.yaml\n", "sub/round.yaml": "include: ../round.yaml\n",
		"none.yaml": "about: x\ninclude: nowhere.yaml\n", "folder.yaml": "include: sub\n", "list.yaml": "include: [a, b]\n", "empty.yaml": "include:\n",
		"over.yaml": "include: bad.yaml\n", "bad.yaml": change(t, base, "time_limit: 5 s", "time_limit: 5"),
		"overtext.yaml": "include: text.yaml\n", "text.yaml": "just a text\n", "overyaml.yaml": "include: broken.yaml\n", "broken.yaml": "a: b\nc: [\n",
		"lacks.yaml": "about: x\ninclude: part.yaml\n", "part.yaml": "format: 1\ninstrument: generator\n", "void.yaml": "\n", "overvoid.yaml": "include: void.yaml\n",
	}
	for i := range 12 {
		texts[fmt.Sprintf("deep%d.yaml", i)] = fmt.Sprintf("include: deep%d.yaml\n", i+1)
	}
	folder := files(t, texts)
	must(t, os.Symlink(filepath.Join(folder, "round.yaml"), filepath.Join(folder, "alias.yaml")))
	at := func(name string) string { return filepath.Join(folder, name) }
	for _, c := range []struct{ file, says string }{
		{"self.yaml", "dialect " + at("self.yaml") + ", line 1: the dialect includes itself: " + at("self.yaml") + " includes " + at("self.yaml")},
		{"round.yaml", "dialect " + at("sub/round.yaml") + " (included by " + at("round.yaml") + "), line 1: the dialect includes itself: " +
			at("round.yaml") + " includes " + at("sub/round.yaml") + " includes " + at("round.yaml")},
		{"alias.yaml", "the dialect includes itself"},
		{"none.yaml", "dialect " + at("none.yaml") + `, line 2: include "nowhere.yaml": neither a shipped one (bundled-generator`},
		{"folder.yaml", `, line 1: include "sub": a file is expected`},
		{"list.yaml", ", line 1: a text is expected here"},
		{"empty.yaml", ", line 1: a text is expected here"},
		{"over.yaml", fmt.Sprintf("dialect %s (included by %s), line %d: ", at("bad.yaml"), at("over.yaml"), lineOf(t, texts["bad.yaml"], "time_limit"))},
		{"overtext.yaml", "dialect " + at("text.yaml") + " (included by "},
		{"overyaml.yaml", "dialect " + at("broken.yaml") + " (included by "},
		{"overvoid.yaml", "the file is empty"},
		{"lacks.yaml", "dialect " + at("lacks.yaml") + `, line 1: "link" is missing in a generator's dialect`},
		{"deep0.yaml", "more than 10 dialects include one another"},
	} {
		f, err := Load(at(c.file))
		if err == nil || f != nil || !strings.Contains(err.Error(), c.says) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v\nwant %s", c.file, err, c.says)
		}
	}
}

// Decoding allocates nothing once there is a buffer.
func TestDecodeAllocatesNothing(t *testing.T) {
	for _, name := range encodingNames() {
		e := encodings[name]
		const n = 1000
		volts := make([]float64, n)
		codes := make([]int, n)
		for i := range volts {
			volts[i], codes[i] = math.Sin(float64(i)), i%100
		}
		raw := encode(name, false, codes)
		if e.volts {
			raw = encodeVolts(name, false, volts)
		}
		into := drivers.Trace{Codes: make([]int16, n), VoltsPerCode: units.Volts(1.0 / 100), Low: -128, High: 127}
		if a := testing.AllocsPerRun(10, func() { must(t, e.decode(&into, raw, one(n))) }); a != 0 {
			t.Errorf("%s: %v allocations for %d samples", name, a, n)
		}
	}
}

// A scope that is set by time per division is told it, and the value confirmed.
func TestTimePerDivision(t *testing.T) {
	text := shippedText(t, "scpi99-digitiser")
	for old, new := range map[string]string{
		"  input_limit":                                "  time_divisions: 10\n  input_limit",
		"  interval: {unit: s, digits: 9}":             "  time_division: {unit: us}",
		`":SENSe:SWEep:TINTerval {{.interval}}"`:       `"TB {{.time_division}}"`,
		`ask: ":SENSe:SWEep:TINTerval?", is: interval`: `ask: "TB?", is: time_division`,
	} {
		text = change(t, text, old, new)
	}
	p := newPeer(t, "\n")
	s, err := OpenScope(t.Context(), p.config(writeDialect(t, text)))
	must(t, err)
	defer s.Close()
	must(t, s.SetWindow(t.Context(), drivers.Window{Rate: 250e6, Samples: 10000})) // 40 µs
	if sent := p.took(); !slices.Contains(sent, "TB 4") {
		t.Errorf("%q", sent)
	}
	p.answering(func(m string) ([]byte, bool) {
		if m == "TB?" {
			return []byte("5 us\n"), false
		}
		return nil, false
	})
	fails(t, s.SetWindow(t.Context(), drivers.Window{Rate: 250e6, Samples: 10000}), drivers.ErrRefused, "time_division was set to 4 µs and it says 5 µs")
}

// A terminal that prompts is told by one line more.
func TestFamilyThatPrompts(t *testing.T) {
	for _, f := range families {
		if f.name != "spoken" {
			continue
		}
		speaks := f.scope()
		p, bend := f.connected(t, func(m string) []byte { return append(speaks(m), "> "...) })
		s, err := OpenScope(t.Context(), p.config(writeDialect(t, "format: 1\ninclude: spoken-scope\nlink: {prompt: \">\"}\n")))
		must(t, err)
		defer s.Close()
		ctx := t.Context()
		must(t, s.Prepare(ctx))
		must(t, s.SetRange(ctx, drivers.Arm1, f.ranges[0]))
		must(t, s.SetRange(ctx, drivers.Arm2, f.ranges[1]))
		must(t, s.SetWindow(ctx, drivers.Window{Rate: 250e6, Samples: f.samples}))
		var c drivers.Capture
		for range 2 {
			must(t, s.Capture(ctx, &c))
			sameCodes(t, sampled(2, f.samples), c.Traces[1].Codes, 0)
		}
		must(t, s.CheckErrors(ctx))
		bend(func(m string) []byte {
			if m == "scale a 50 mV" {
				return []byte(m + "\rnot now\r\n> ")
			}
			return nil
		})
		fails(t, s.SetRange(ctx, drivers.Arm1, f.ranges[0]), drivers.ErrReply, `"not now" came where the prompt ">" was expected`)
		bend(nil)
		must(t, s.Capture(ctx, &c))
	}
}
