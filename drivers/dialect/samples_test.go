package dialect

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"halfturn/drivers"
	"halfturn/units"
)

// encode is the other direction of decode, written independently of it.
func encode(name string, big bool, codes []int) []byte {
	var raw []byte
	for i, c := range codes {
		switch {
		case name == "ascii":
			if i > 0 {
				raw = append(raw, ',')
			}
			raw = fmt.Append(raw, c)
		case strings.HasSuffix(name, "8"):
			raw = append(raw, byte(c))
		case big:
			raw = binary.BigEndian.AppendUint16(raw, uint16(c))
		default:
			raw = binary.LittleEndian.AppendUint16(raw, uint16(c))
		}
	}
	return raw
}

// one is the layout of a record by itself.
func one(n int) layout { return layout{0, 1, n, n} }

func TestEncodings(t *testing.T) {
	for _, name := range encodingNames() {
		for _, big := range []bool{false, true} {
			e := encodings[name]
			if e.volts {
				continue // TestVolts
			}
			e.big = big
			rapid.Check(t, func(t *rapid.T) {
				codes := rapid.SliceOfN(rapid.IntRange(e.least, e.most), 1, 200).Draw(t, "codes")
				codes = append(codes, e.least, e.most)
				raw := encode(name, big, codes)
				into := drivers.Trace{Codes: make([]int16, 3)}
				if err := e.decode(&into, raw, one(len(codes))); err != nil {
					t.Fatal(err)
				}
				for i, c := range into.Codes {
					if int(c)+e.shift != codes[i] {
						t.Fatalf("%s, big %v: %d became %d", name, big, codes[i], int(c)+e.shift)
					}
				}
				// One sample more or less than came is an error that counts.
				for _, n := range []int{len(codes) - 1, len(codes) + 1} {
					err := e.decode(&into, raw, one(n))
					want := fmt.Sprintf("%d samples came, %d were expected", len(codes), n)
					if !errors.Is(err, drivers.ErrReply) || !strings.Contains(err.Error(), want) {
						t.Fatalf("%v, want %s", err, want)
					}
				}
			})
		}
	}
}

// Volts that are codes times a step come back as these codes, in bytes and in
// text, and what is beyond a rail comes to lie on it.
func TestVolts(t *testing.T) {
	for _, name := range []string{"float32", "ascii_volts"} {
		for _, big := range []bool{false, true} {
			e := encodings[name]
			e.big = big
			rapid.Check(t, func(t *rapid.T) {
				full := rapid.SampledFrom([]float64{0.016, 0.02, 0.4, 1.6, 8, 10}).Draw(t, "range")
				into := drivers.Trace{VoltsPerCode: units.Volts(full / 256), Low: -128, High: 127}
				codes := rapid.SliceOfN(rapid.IntRange(-200, 200), 1, 100).Draw(t, "codes")
				var volts []float64
				for _, c := range codes {
					volts = append(volts, float64(c)*full/256)
				}
				raw := encodeVolts(name, big, volts)
				if err := e.decode(&into, raw, one(len(codes))); err != nil {
					t.Fatal(err)
				}
				for i, got := range into.Codes {
					if want := max(-128, min(codes[i], 127)); int(got) != want {
						t.Fatalf("%s: %v became %d, want %d", name, volts[i], got, want)
					}
				}
			})
		}
	}
}

// encodeVolts is encode for volts: in text with six digits.
func encodeVolts(name string, big bool, volts []float64) []byte {
	var raw []byte
	for i, v := range volts {
		switch bits := math.Float32bits(float32(v)); {
		case name == "ascii_volts":
			if i > 0 {
				raw = append(raw, ',')
			}
			raw = strconv.AppendFloat(raw, v, 'g', 6, 64)
		case big:
			raw = binary.BigEndian.AppendUint32(raw, bits)
		default:
			raw = binary.LittleEndian.AppendUint32(raw, bits)
		}
	}
	return raw
}

// Volts finer than the grid are off by half a step at most, and rounding adds
// step²/12 to the variance (JCGM 100:2008, F.2.2.1).
func TestGrid(t *testing.T) {
	into := drivers.Trace{VoltsPerCode: 1e-3, Low: -1000, High: 1000}
	var volts []float64
	for i := range 10007 {
		volts = append(volts, 0.9*math.Sin(float64(i)))
	}
	must(t, encodings["float32"].decode(&into, encodeVolts("float32", false, volts), one(len(volts))))
	squares := 0.0
	for i, c := range into.Codes {
		off := float64(c) - volts[i]*1e3
		if math.Abs(off) > 0.5+1e-4 { // the float's own rounding
			t.Fatalf("%v became code %d", volts[i], c)
		}
		squares += off * off
	}
	if got := squares / float64(len(volts)); math.Abs(got*12-1) > 0.05 {
		t.Errorf("variance %v codes², want 1/12", got)
	}
}

func TestOddVolts(t *testing.T) {
	into := drivers.Trace{VoltsPerCode: 1e-3, Low: -100, High: 100}
	inf := math.Inf(1)
	raw := encodeVolts("float32", false, []float64{inf, -inf, 9.9e37, -9.9e37, 1e-40, -1e-40})
	must(t, encodings["float32"].decode(&into, raw, one(6)))
	sameCodes(t, []int{100, -100, 100, -100, 0, 0}, into.Codes, 0)
	must(t, encodings["ascii_volts"].decode(&into, []byte("9.9E37, -9.9E+37,.0125,-3E-3, +0.05 ,0"), one(6)))
	sameCodes(t, []int{100, -100, 13, -3, 50, 0}, into.Codes, 0)
	for _, bad := range []float64{math.NaN(), 9.91e37} {
		err := encodings["float32"].decode(&into, encodeVolts("float32", false, []float64{0, bad}), one(2))
		if !errors.Is(err, drivers.ErrReply) || !strings.Contains(err.Error(), "sample 2 of 2 is not a number") {
			t.Errorf("%v: %v", bad, err)
		}
	}
	for _, bad := range []string{"0,NaN", "0,inf", "0,9.91E37", "0,0.1V", "0,", "0,1e400"} {
		err := encodings["ascii_volts"].decode(&into, []byte(bad), one(2))
		if !errors.Is(err, drivers.ErrReply) || !strings.Contains(err.Error(), "sample 2 of 2") {
			t.Errorf("%q: %v", bad, err)
		}
	}
}

// Any number of channels in one transfer, one behind the other or by turns,
// come apart as they went in, in every encoding.
func TestLayouts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.SampledFrom(encodingNames()).Draw(t, "encoding")
		big := rapid.Bool().Draw(t, "big")
		e := encodings[name]
		e.big = big
		channels := []string{"a", "b", "c", "d"}[:rapid.IntRange(1, 4).Draw(t, "channels")]
		r := readText{encoding: e, holds: channels, interleaved: rapid.Bool().Draw(t, "interleaved")}
		n := rapid.IntRange(1, 20).Draw(t, "samples")
		all := make([]int, n*len(channels))
		value := func(channel, sample int) int { return (channel*31 + sample) % 100 }
		for c := range channels {
			for i := range n {
				if r.interleaved {
					all[i*len(channels)+c] = value(c, i)
				} else {
					all[c*n+i] = value(c, i)
				}
			}
		}
		raw := encode(name, big, all)
		if e.volts {
			var volts []float64
			for _, v := range all {
				volts = append(volts, float64(v))
			}
			raw = encodeVolts(name, big, volts)
		}
		for c, channel := range channels {
			into := drivers.Trace{VoltsPerCode: 1, Low: -1, High: 1000}
			if err := e.decode(&into, raw, r.layout(channel, n)); err != nil {
				t.Fatal(err)
			}
			for i, got := range into.Codes {
				if int(got)+e.shift != value(c, i) {
					t.Fatalf("%s, %+v: channel %s has %v", name, r, channel, into.Codes)
				}
			}
		}
	})
}

// Bits that say nothing are dropped: codes, scale and rails go together.
func TestSpareBits(t *testing.T) {
	for _, name := range []string{"int16", "uint16"} {
		e := encodings[name]
		e.spare = 8
		c := scaleText{low: e.least, high: e.most &^ 0xff}
		names := []string{qRange}
		c.voltsPerCode, _ = parseExpression("range / 65536", names)
		c.zero, _ = parseExpression(map[string]string{"int16": "-10", "uint16": "32758"}[name], names)
		r, err := c.rule([]float64{0.4}, e)
		must(t, err)
		if r.low != -128 || r.high != 127 {
			t.Errorf("%s: rails %d, %d", name, r.low, r.high)
		}
		middle := map[string]int{"int16": 0, "uint16": 32768}[name]
		var codes []int
		for c := -128; c < 128; c++ {
			codes = append(codes, middle+c*256)
		}
		var into drivers.Trace
		must(t, e.decode(&into, encode(name, false, codes), one(len(codes))))
		for i, got := range into.Codes {
			volts := (float64(got) - r.zero) * r.step
			if want := float64((i-128)*256+10) * 0.4 / 65536; math.Abs(volts-want) > 1e-12 {
				t.Fatalf("%s: code %d is %v V, want %v", name, codes[i], volts, want)
			}
		}
	}
}

// Plain numbers are read as strconv reads them, to the last bit.
func TestPlainNumber(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.OneOf(
			rapid.StringMatching(`-?[0-9]{0,9}\.?[0-9]{0,8}([eE][-+]?[0-9]{1,3})?`),
			rapid.Map(rapid.Float64(), func(v float64) string { return strconv.FormatFloat(v, 'E', 7, 64) }),
		).Draw(t, "text")
		got, ok := plainNumber([]byte(s))
		want, err := strconv.ParseFloat(s, 64)
		if ok && (err != nil || got != want) {
			t.Fatalf("%q: %v, want %v, %v", s, got, want, err)
		}
	})
	for _, s := range []string{"0.0125", "-0.0031", "1", "-12", "3.125E-06", ".5", "5.", "1e22"} {
		if _, ok := plainNumber([]byte(s)); !ok {
			t.Errorf("%q takes the slow way", s)
		}
	}
	for _, s := range []string{"", "-", ".", "1e", "1e+", "e5", "1.2.3", "1,2", " 1", "1 ", "0x1", "1_0", "Inf", "1e-", "--1", "+1"} {
		if v, ok := plainNumber([]byte(s)); ok {
			t.Errorf("%q is %v", s, v)
		}
	}
}

func TestBadText(t *testing.T) {
	e := encodings["ascii"]
	for _, c := range []struct{ text, says string }{
		{"", "0 samples came, 3 were expected"},
		{"1,2", "2 samples came"},
		{"1,2,3,4", "4 samples came"},
		{"1,2,", "sample 3 of 3"},
		{"1,,3", "sample 2 of 3"},
		{"1,2,3.5", "3.5 is not a code"},
		{"1,2,40000", "the code 40000 is not between -32768 and 32767"},
		{"1,2,99999999999999999999", "is not between"},
		{"1,2,-", "not a number"},
		{"1,2,3V", "not a number"},
		{"1,2,9.9E37", "infinite"},
		{"no data", "sample 1 of 3"},
	} {
		err := e.decode(&drivers.Trace{}, []byte(c.text), one(3))
		if !errors.Is(err, drivers.ErrReply) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%q: %v, want %q", c.text, err, c.says)
		}
	}
}

func FuzzDecode(f *testing.F) {
	f.Add("ascii", false, []byte("1,-2,3.0E+0"), 3, uint8(1), false)
	f.Add("ascii_volts", false, []byte("0.0125,-0.0031,1E-3,9.9E37"), 2, uint8(2), true)
	f.Add("int8", false, []byte{0, 128, 255}, 3, uint8(1), false)
	f.Add("uint16", true, []byte{0, 128, 255, 3}, 1, uint8(2), true)
	f.Add("float32", true, []byte{0x7f, 0xc0, 0, 0, 0x3f, 0x80, 0, 0}, 1, uint8(2), false)
	f.Fuzz(func(t *testing.T, name string, big bool, raw []byte, n int, channels uint8, interleaved bool) {
		e, known := encodings[name]
		if !known || n < 1 || n > 1<<12 || channels < 1 || channels > 4 {
			return
		}
		e.big = big
		r := readText{encoding: e, holds: []string{"a", "b", "c", "d"}[:channels], interleaved: interleaved}
		for _, channel := range r.holds {
			into := drivers.Trace{VoltsPerCode: 1e-3, Low: -100, High: 100}
			if err := e.decode(&into, raw, r.layout(channel, n)); err != nil {
				if !errors.Is(err, drivers.ErrReply) || strings.Contains(err.Error(), "\n") {
					t.Error(err)
				}
				continue
			}
			if len(into.Codes) != n {
				t.Errorf("%d codes of %d", len(into.Codes), n)
			}
			for _, c := range into.Codes {
				if e.volts && (c < -100 || c > 100) {
					t.Errorf("code %d beyond the rails", c)
				}
			}
		}
	})
}

func TestExpressions(t *testing.T) {
	names, values := []string{"range", "a", "b_2"}, []float64{0.4, 3, -2}
	for _, c := range []struct {
		text string
		want float64
	}{
		{"1", 1}, {" 2.5e-3 ", 2.5e-3}, {"1e3-1", 999}, {".5", .5}, {"range", 0.4}, {"a-b_2-1", 4}, {"12/a/2", 2},
		{"1+2*a", 7}, {"(1+2)*a", 9}, {"-a*2", -6}, {"2--a", 5}, {"-(a+b_2)", -1}, {"8/(a-1)", 4}, {"range / 256", 0.4 / 256},
	} {
		e, err := parseExpression(c.text, names)
		if err != nil {
			t.Errorf("%q: %v", c.text, err)
		} else if got := e.compute(values); got != c.want {
			t.Errorf("%q is %v, want %v", c.text, got, c.want)
		}
	}
	for _, text := range []string{"", "+", "1+", "(1", "1)", "a b", "1..2", "c", "1e", "2(3)", "a^2", "--", "range/"} {
		if e, err := parseExpression(text, names); err == nil {
			t.Errorf("%q was read as %v", text, e)
		}
	}
}

// quick is a connection that answers at once from memory.
type quick struct{ block []byte }

func (q *quick) Identity() string                            { return "" }
func (q *quick) OnReconnect(func(context.Context) error)     {}
func (q *quick) Send(context.Context, ...string) error       { return nil }
func (q *quick) Ask(context.Context, string) (string, error) { return "1", nil }
func (q *quick) CheckErrors(context.Context) error           { return nil }
func (q *quick) Close() error                                { return nil }
func (q *quick) AskBlockOf(_ context.Context, _ string, _ int, buf []byte) ([]byte, error) {
	return append(buf[:0], q.block...), nil
}

// BenchmarkCapture is all of a Capture but the link: 2 × 10 000 samples.
func BenchmarkCapture(b *testing.B) {
	const samples = 10000
	volts := encodeVolts("ascii_volts", false, func() (all []float64) {
		for i := range 2 * samples {
			all = append(all, 0.1*math.Sin(float64(i)))
		}
		return all
	}())
	for _, c := range []struct {
		name, read, scale string
		raw               []byte
	}{
		{"8bit", "encoding: int8", "", make([]byte, samples)},
		{"16bit", "encoding: int16\n  byte_order: big", "", make([]byte, 2*samples)},
		{"16bitUnsigned", "encoding: uint16\n  byte_order: little\n  spare_bits: 4", "", make([]byte, 2*samples)},
		{"interleaved", "channels: interleaved\n  encoding: uint16\n  byte_order: little", "", make([]byte, 4*samples)},
		{"float32", "channels: in_turn\n  encoding: float32\n  byte_order: little", "-range / 2, range / 2 * 127 / 128", make([]byte, 8*samples)},
		{"textVolts", "channels: in_turn\n  encoding: ascii_volts\n  framing: block", "-range / 2, range / 2 * 127 / 128", volts},
	} {
		b.Run(c.name, func(b *testing.B) {
			text := strings.Replace(shippedText(b, "scpi99-digitiser"), "encoding: int8", c.read, 1)
			rails := "0, 127"
			if c.scale != "" {
				text = strings.Replace(text, "  zero: 0\n", "", 1)
				rails = c.scale
			}
			if strings.Contains(c.read, "channels") {
				text = strings.Replace(text, "CH{{.channel}}", "ALL", 1)
			}
			text = strings.Replace(text, "-128, 127", rails, 1)
			f, err := Parse("benchmark", strings.NewReader(text))
			must(b, err)
			arms, err := f.scope.used("benchmark", drivers.Config{})
			must(b, err)
			s := newScope(&quick{c.raw}, f, "memory", arms)
			var into drivers.Capture
			s.ranges = [drivers.Reference + 1]units.Volts{0.4, 0.4}
			s.window = drivers.Window{Rate: 500e6, Samples: samples}
			b.SetBytes(int64(len(c.raw)))
			b.ReportAllocs()
			for b.Loop() {
				must(b, s.Capture(b.Context(), &into))
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*2*samples), "ns/sample")
		})
	}
}
