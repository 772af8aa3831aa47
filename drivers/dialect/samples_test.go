package dialect

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
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

func TestEncodings(t *testing.T) {
	for _, name := range encodingNames() {
		for _, big := range []bool{false, true} {
			e := encodings[name]
			e.big = big
			rapid.Check(t, func(t *rapid.T) {
				codes := rapid.SliceOfN(rapid.IntRange(e.least, e.most), 1, 200).Draw(t, "codes")
				codes = append(codes, e.least, e.most)
				raw := encode(name, big, codes)
				got, err := e.decode(make([]int16, 3), raw, len(codes))
				if err != nil {
					t.Fatal(err)
				}
				for i, c := range got {
					if int(c)+e.shift != codes[i] {
						t.Fatalf("%s, big %v: %d became %d", name, big, codes[i], int(c)+e.shift)
					}
				}
				// One sample more or less than came is an error that counts.
				for _, n := range []int{len(codes) - 1, len(codes) + 1} {
					_, err := e.decode(got, raw, n)
					want := fmt.Sprintf("%d samples came, %d were expected", len(codes), n)
					if !errors.Is(err, drivers.ErrReply) || !strings.Contains(err.Error(), want) {
						t.Fatalf("%v, want %s", err, want)
					}
				}
			})
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
		{"no data", "sample 1 of 3"},
	} {
		_, err := e.decode(nil, []byte(c.text), 3)
		if !errors.Is(err, drivers.ErrReply) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%q: %v, want %q", c.text, err, c.says)
		}
	}
}

func FuzzDecode(f *testing.F) {
	f.Add("ascii", false, []byte("1,-2,3.0E+0"), 3)
	f.Add("int8", false, []byte{0, 128, 255}, 3)
	f.Add("uint16", true, []byte{0, 128, 255}, 1)
	f.Fuzz(func(t *testing.T, name string, big bool, raw []byte, n int) {
		e, known := encodings[name]
		if !known || n < 1 || n > 1<<16 {
			return
		}
		e.big = big
		codes, err := e.decode(nil, raw, n)
		if err != nil {
			if !errors.Is(err, drivers.ErrReply) || strings.Contains(err.Error(), "\n") {
				t.Error(err)
			}
			return
		}
		if len(codes) != n {
			t.Errorf("%d codes of %d", len(codes), n)
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
func (q *quick) AskBlock(_ context.Context, _ string, buf []byte) ([]byte, error) {
	return append(buf[:0], q.block...), nil
}

// BenchmarkCapture is all of a Capture but the link: 2 × 10 000 samples.
func BenchmarkCapture(b *testing.B) {
	const samples = 10000
	for _, c := range []struct {
		name, encoding string
		bytes          int
	}{
		{"8bit", "int8", 1},
		{"16bit", "int16\n  byte_order: big", 2},
		{"16bitUnsigned", "uint16\n  byte_order: little", 2},
	} {
		b.Run(c.name, func(b *testing.B) {
			text := strings.Replace(shippedText(b, "scpi99-digitiser"), "encoding: int8", "encoding: "+c.encoding, 1)
			text = strings.Replace(text, "[-128, 127]", "[0, 127]", 1)
			f, err := Parse("benchmark", strings.NewReader(text))
			must(b, err)
			arms, err := f.scope.arms("benchmark", [2]string{})
			must(b, err)
			s := newScope(&quick{make([]byte, samples*c.bytes)}, f, "memory", arms)
			var into drivers.Capture
			s.ranges = [2]units.Volts{0.4, 0.4}
			s.window = drivers.Window{Rate: 500e6, Samples: samples}
			b.SetBytes(int64(2 * samples * c.bytes))
			b.ReportAllocs()
			for b.Loop() {
				must(b, s.Capture(b.Context(), &into))
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*2*samples), "ns/sample")
		})
	}
}
