package dialect

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfturn/drivers"
	"halfturn/drivers/scpi"
	"halfturn/units"
)

// The four families of instruments that ship as dialects, each as a peer that
// speaks as its manual says. Their converters have 8 bits, and all must come
// out as the same codes, volts and rails.

// sampled is what the converter of a channel took.
func sampled(channel, samples int) []int { return ramp(channel, samples, -128, 127) }

// family is one of them.
type family struct {
	name       string
	terminator string
	samples    int
	channels   [2]string
	ranges     [2]units.Volts
	// peers make an instrument in its state after power on. set are the
	// messages that reached it.
	generator, scope func() func(m string) []byte
	// what the generator gets for 30 MHz, -3.5 dBm, RF on and RF off
	frequency, drive, on, off string
	// what the scope gets for both ranges, 250 MS/s and a capture, in order
	sets []string
}

func line(format string, a ...any) []byte { return fmt.Appendf(nil, format+"\n", a...) }

// number is the argument of a message behind its first word.
func number(m string) float64 {
	words := strings.FieldsFunc(m, func(r rune) bool { return r == ' ' || r == ',' || r == ';' })
	v, err := strconv.ParseFloat(words[len(words)-1], 64)
	if err != nil {
		panic(err)
	}
	return v
}

func headedGenerator() func(string) []byte {
	f, l, out, ready := 1e6, -60.0, "OFF", 0
	return func(m string) []byte {
		word, _, _ := strings.Cut(m, " ")
		switch word {
		case "*IDN?":
			return line("HALFTURN,headed generator,0,1")
		case "ERRORS?":
			return line(`ERRORS 0,"none"`)
		case "FREQUENCY":
			f = number(m)
		case "FREQUENCY?":
			return line("FREQUENCY %.7E HZ", f)
		case "LEVEL":
			l = number(m)
		case "LEVEL?":
			return line("LEVEL %.2f DBM", l)
		case "OUTPUT":
			out = m[7:]
		case "OUTPUT?":
			return line("OUTPUT %s", out)
		case "READY?":
			ready++
			return line("READY %d", min(ready/2, 1))
		}
		return silence
	}
}

func headedScope() func(string) []byte {
	scale, rate, polls, channel := map[string]float64{}, 0.0, 0, 0
	return func(m string) []byte {
		word, _, _ := strings.Cut(m, " ")
		switch word {
		case "*IDN?":
			return line("HALFTURN,headed scope,0,1")
		case "ERRORS?":
			return line(`ERRORS 0,"none"`)
		case "CH1:SCALE", "CH2:SCALE":
			scale[word] = number(m)
		case "CH1:SCALE?", "CH2:SCALE?":
			return line("%s %.4E V", word[:9], scale[word[:9]])
		case "TIME:RATE":
			rate = number(m)
		case "TIME:RATE?":
			return line("TIME:RATE %.4E HZ", rate)
		case "TIME:POINTS?":
			return line("TIME:POINTS 10000")
		case "ACQUIRE":
			polls = 0
		case "ACQUIRE:STATE?":
			if polls++; polls > 2 {
				return line("ACQUIRE:STATE STOPPED")
			}
			return line("ACQUIRE:STATE RUNNING")
		case "SELECT":
			channel = int(number(m))
		case "PREAMBLE?":
			return line(`PREAMBLE 2,"RI",10000,%.7E,%.7E,-1.0000000E+01,"V"`, 1/rate, 8*scale[fmt.Sprintf("CH%d:SCALE", channel)]/65536)
		case "CURVE?":
			var raw []byte
			for _, c := range sampled(channel, 10000) {
				raw = binary.BigEndian.AppendUint16(raw, uint16(int16(c*256)))
			}
			return append(scpi.AppendBlock([]byte("CURVE "), raw), '\n')
		}
		return silence
	}
}

func bundledGenerator() func(string) []byte {
	f, a, rf := 1.0, 0.01, "0"
	return func(m string) []byte {
		word, _, _ := strings.Cut(m, " ")
		switch word {
		case "*IDN?":
			return line("HALFTURN,bundled generator,0,1")
		case "STATUS?":
			return line("0")
		case "F":
			f = number(m)
		case "F?":
			return line("%.6f", f)
		case "A":
			a = number(m)
		case "A?":
			return line("%.4g", a)
		case "RF":
			rf = m[3:]
		case "RF?":
			return line("%s", rf)
		}
		return silence
	}
}

func bundledScope() func(string) []byte {
	full, window, polls := [3]float64{}, "", 0
	return func(m string) []byte {
		word, rest, _ := strings.Cut(m, " ")
		switch word {
		case "*IDN?":
			return line("HALFTURN,bundled scope,0,1")
		case "RANGE":
			full[rest[0]-'0'] = number(m)
		case "RANGE?":
			return line("%g", full[rest[0]-'0'])
		case "WINDOW":
			window = rest
		case "WINDOW?":
			return line("%s", window)
		case "START":
			polls = 0
		case "STATUS?":
			polls++
			return line("%d", min(polls/3, 1)+64)
		case "DATA?":
			raw := []byte("#0")
			for channel := 1; channel <= 2; channel++ {
				for _, c := range sampled(channel, 10000) {
					raw = binary.LittleEndian.AppendUint32(raw, math.Float32bits(float32(float64(c)*full[channel]/256)))
				}
			}
			return append(raw, '\n')
		}
		return silence
	}
}

// echoing answers with what was sent, then the reply.
func echoing(answer func(string) string) func(string) []byte {
	return func(m string) []byte {
		reply := m + "\r"
		if a := answer(m); a != "" {
			reply += a + "\r\n"
		}
		return []byte(reply)
	}
}

func spokenGenerator() func(string) []byte {
	f, l, out := 1.0, 0.001, "off"
	return echoing(func(m string) string {
		word, rest, set := strings.Cut(m, " ")
		switch word {
		case "ident":
			return "spoken generator 0.1"
		case "problem":
			return "none"
		case "freq":
			if set {
				f = number(strings.TrimSuffix(m, " MHz"))
				return ""
			}
			return fmt.Sprintf("%.6f MHz", f)
		case "level":
			if set {
				l = number(strings.TrimSuffix(m, " V"))
				return ""
			}
			return fmt.Sprintf("%.4f V", l)
		case "output":
			if set {
				out = rest
				return ""
			}
			return out
		}
		return ""
	})
}

func spokenScope() func(string) []byte {
	scale, sweep, polls := map[string]float64{}, "", 0
	return echoing(func(m string) string {
		words := strings.Fields(m)
		switch words[0] {
		case "ident":
			return "spoken scope 0.1"
		case "problem":
			return "none"
		case "scale":
			if len(words) > 2 {
				scale[words[1]] = number(strings.TrimSuffix(m, " mV"))
				return ""
			}
			return fmt.Sprintf("%g mV", scale[words[1]])
		case "sweep":
			if len(words) > 1 {
				sweep = m[6:]
				return ""
			}
			return sweep
		case "single":
			polls = 0
		case "state":
			if polls++; polls > 2 {
				return "idle"
			}
			return "busy"
		case "volts":
			var text []string
			for _, c := range sampled(int(words[1][0]-'a')+1, 1000) {
				text = append(text, strconv.FormatFloat(float64(c)*8e-3*scale[words[1]]/256, 'f', 6, 64))
			}
			return strings.Join(text, ",")
		}
		return ""
	})
}

func codedGenerator() func(string) []byte {
	values := map[string]string{"FREQ": "1000000", "LEV": "-60.0", "OUT": "0"}
	return func(m string) []byte {
		if m == "ID?" {
			return line("coded generator")
		}
		if m == "ERR?" {
			return line("0")
		}
		set, ask, _ := strings.Cut(m, ";")
		word, value, _ := strings.Cut(set, " ")
		values[word] = value
		return line("%s", values[strings.TrimSuffix(ask, "?")])
	}
}

func codedScope() func(string) []byte {
	vdiv, polls := [3]float64{}, 0
	return func(m string) []byte {
		switch words := strings.FieldsFunc(m, func(r rune) bool { return r == ' ' || r == ';' }); words[0] {
		case "ID?":
			return line("coded scope")
		case "ERR?":
			return line("0")
		case "VDIV":
			vdiv[words[1][0]-'0'], _ = strconv.ParseFloat(words[2], 64)
			return line("%g", vdiv[m[len(m)-1]-'0'])
		case "RATE", "DEPTH":
			v, _ := strconv.ParseFloat(words[1], 64)
			return line("%.0f", v)
		case "GO":
			polls = 0
		case "DONE?":
			polls++
			return line("%d", min(polls/3, 1))
		case "STEP?":
			return line("%.9E", vdiv[m[len(m)-1]-'0']*10/65536)
		case "MIDDLE?":
			return line("32768")
		case "BOTH?":
			var raw []byte
			one, two := sampled(1, 10000), sampled(2, 10000)
			for i := range one {
				raw = binary.LittleEndian.AppendUint16(raw, uint16(one[i]*256+32768))
				raw = binary.LittleEndian.AppendUint16(raw, uint16(two[i]*256+32768))
			}
			return scpi.AppendBlock(nil, raw) // and nothing behind it
		}
		return silence
	}
}

var families = []family{
	{
		name: "headed", terminator: "\n", samples: 10000, channels: [2]string{"1", "2"}, ranges: [2]units.Volts{0.4, 1.6},
		generator: headedGenerator, scope: headedScope,
		frequency: "FREQUENCY 30000000.000", drive: "LEVEL -3.5", on: "OUTPUT ON", off: "OUTPUT OFF",
		sets: []string{"CH1:SCALE 0.05", "CH2:SCALE 0.2", "TIME:RATE 2.50000000E+08", "TIME:POINTS 10000",
			"ACQUIRE SINGLE", "SELECT 1", "SELECT 2"},
	},
	{
		name: "bundled", terminator: "\n", samples: 10000, channels: [2]string{"1", "2"}, ranges: [2]units.Volts{0.4, 1.6},
		generator: bundledGenerator, scope: bundledScope,
		// 10 log10 of 0.42269² / (8 · 50 Ω · 1 mW) is -3.50000 dBm.
		frequency: "F 30.000000", drive: "A 4.22697E-01", on: "RF 1", off: "RF 0",
		sets: []string{"RANGE 1,0.4", "RANGE? 1", "RANGE 2,1.6", "RANGE? 2", "WINDOW 250000000,10000", "START"},
	},
	{
		name: "spoken", terminator: "\r", samples: 1000, channels: [2]string{"a", "b"}, ranges: [2]units.Volts{0.4, 1.6},
		generator: spokenGenerator, scope: spokenScope,
		frequency: "freq 30.000000 MHz", drive: "level 1.4944E-01 V", on: "output on", off: "output off",
		sets: []string{"scale a 50 mV", "scale a", "scale b 200 mV", "scale b", "sweep 250 MHz 1000", "sweep", "single",
			"state", "state", "state", "volts a", "volts b"},
	},
	{
		name: "coded", terminator: "\n", samples: 10000, channels: [2]string{"1", "2"}, ranges: [2]units.Volts{0.5, 2},
		generator: codedGenerator, scope: codedScope,
		frequency: "FREQ 30000000;FREQ?", drive: "LEV -3.5;LEV?", on: "OUT 1;OUT?", off: "OUT 0;OUT?",
		sets: []string{"FORMAT 2,U,LOW", "VDIV 1 0.05;VDIV? 1", "VDIV 2 0.2;VDIV? 2", "RATE 2.50000000E+08;RATE?", "DEPTH 10000;DEPTH?",
			"GO", "STEP? 1", "MIDDLE? 1", "STEP? 2", "MIDDLE? 2"},
	},
}

// connected starts a peer of an instrument. bend may answer in its place; nil
// leaves the message to it.
func (f *family) connected(t testing.TB, speaks func(string) []byte) (p *peer, bend func(func(string) []byte)) {
	p = newPeer(t, f.terminator)
	p.identity = ""
	var bent func(string) []byte
	p.answering(func(m string) ([]byte, bool) {
		if bent != nil {
			if reply := bent(m); reply != nil {
				return reply, false
			}
		}
		return speaks(m), false
	})
	return p, func(by func(string) []byte) {
		p.mu.Lock()
		defer p.mu.Unlock()
		bent = by
	}
}

// sent are the messages that matter for settings.
func (f *family) sent(p *peer) []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	all := slices.DeleteFunc(p.messages, func(m string) bool {
		alone := strings.HasSuffix(m, "?") && !strings.Contains(m, ";")
		return alone || m == "ident" || m == "problem"
	})
	p.messages = nil
	return all
}

func TestFamilyGenerators(t *testing.T) {
	for _, f := range families {
		t.Run(f.name, func(t *testing.T) {
			p, bend := f.connected(t, f.generator())
			ctx := t.Context()
			g, err := OpenGenerator(ctx, p.config(f.name+"-generator"))
			must(t, err)
			defer g.Close()
			if !strings.Contains(g.Identity(), f.name+" generator") {
				t.Errorf("identity %q", g.Identity())
			}
			if d := g.Dialect(); !d.HasErrorQueue() || !d.Confirms("frequency") || !d.Confirms("drive") || !d.Confirms("rf") || d.Confirms("range") {
				t.Error("what it is asked for is not known")
			}
			must(t, g.Prepare(ctx))
			f.sent(p)
			must(t, g.SetFrequency(ctx, 30e6))
			must(t, g.SetDrive(ctx, -3.5))
			must(t, g.SetRF(ctx, true))
			must(t, g.SetRF(ctx, false))
			must(t, g.CheckErrors(ctx))
			got := slices.DeleteFunc(f.sent(p), func(m string) bool { return m == "freq" || m == "level" || m == "output" })
			if diff := cmp.Diff([]string{f.frequency, f.drive, f.on, f.off}, got); diff != "" {
				t.Error(diff)
			}
			// Each level of the dialect can be set and is confirmed.
			for l := units.DBm(-60); l <= 13; l += 7.3 {
				must(t, g.SetDrive(ctx, l))
			}
			// A value that is not taken is a refusal.
			for _, set := range []func() error{
				func() error { return g.SetFrequency(ctx, 31e6) },
				func() error { return g.SetDrive(ctx, 3) },
				func() error { return g.SetRF(ctx, true) },
			} {
				bend(func(m string) []byte { return refusing(f.name, m) })
				err := set()
				bend(nil)
				fails(t, err, drivers.ErrRefused, "was s")
			}
			must(t, g.SetRF(ctx, false))
		})
	}
}

// refusing answers as an instrument that keeps 30 MHz, -3.5 dBm and RF off.
func refusing(family, m string) []byte {
	reply, known := map[string]string{
		"FREQUENCY?": "FREQUENCY 3.0000000E+07 HZ", "LEVEL?": "LEVEL -3.50 DBM", "OUTPUT?": "OUTPUT OFF",
		"F?": "30.000000", "A?": "0.4227", "RF?": "0",
		"freq": "30.000000 MHz", "level": "0.1494 V", "output": "off",
	}[m]
	if family == "coded" {
		_, ask, _ := strings.Cut(m, ";")
		reply, known = map[string]string{"FREQ?": "30000000", "LEV?": "-3.5", "OUT?": "0"}[ask]
	}
	switch {
	case !known:
		return nil
	case family == "spoken":
		return []byte(m + "\r" + reply + "\r\n")
	}
	return line("%s", reply)
}

func TestFamilyScopes(t *testing.T) {
	for _, f := range families {
		t.Run(f.name, func(t *testing.T) {
			p, _ := f.connected(t, f.scope())
			ctx := t.Context()
			s, err := OpenScope(ctx, p.config(f.name+"-scope"))
			must(t, err)
			defer s.Close()
			if d := s.Dialect(); !d.HasErrorQueue() || !d.Confirms("range") || !d.Confirms("window") || d.Confirms("rf") {
				t.Error("what it is asked for is not known")
			}
			f.sent(p)
			must(t, s.Prepare(ctx))
			must(t, s.SetRange(ctx, drivers.Arm1, f.ranges[0]))
			must(t, s.SetRange(ctx, drivers.Arm2, f.ranges[1]))
			must(t, s.SetWindow(ctx, drivers.Window{Rate: 250e6, Samples: f.samples}))
			var c drivers.Capture
			for range 2 {
				must(t, s.Capture(ctx, &c))
				if len(f.sets) > 0 {
					if diff := cmp.Diff(f.sets, f.sent(p)); diff != "" {
						t.Error(diff)
					}
					f.sets = nil
				}
				for arm, full := range f.ranges {
					tr := c.Traces[arm]
					sameCodes(t, sampled(arm+1, f.samples), tr.Codes, 0)
					if tr.Low != -128 || tr.High != 127 || math.Abs(float64(tr.VoltsPerCode*256/full)-1) > 1e-6 {
						t.Errorf("%v: %v per code, rails %d and %d", drivers.Arm(arm), tr.VoltsPerCode, tr.Low, tr.High)
					}
					if want := map[string]float64{"headed": -10.0 / 256}[f.name]; math.Abs(tr.Zero-want) > 1e-12 {
						t.Errorf("%v: zero %v, want %v", drivers.Arm(arm), tr.Zero, want)
					}
				}
			}
			// Arms may feed the channels the other way round.
			config := p.config(f.name + "-scope")
			config.Channels = [2]string{f.channels[1], f.channels[0]}
			other, err := OpenScope(ctx, config)
			must(t, err)
			defer other.Close()
			must(t, other.SetRange(ctx, drivers.Arm1, f.ranges[1]))
			must(t, other.SetRange(ctx, drivers.Arm2, f.ranges[0]))
			must(t, other.SetWindow(ctx, drivers.Window{Rate: 250e6, Samples: f.samples}))
			must(t, other.Capture(ctx, &c))
			sameCodes(t, sampled(2, f.samples), c.Traces[0].Codes, 0)
			sameCodes(t, sampled(1, f.samples), c.Traces[1].Codes, 0)
		})
	}
}
