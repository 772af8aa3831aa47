package journal

import (
	"bytes"
	"encoding/binary"
	"hash/crc32"
	"math"
	"runtime"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"halfturn/drivers"
	"halfturn/units"
)

func drawCaptures(t *rapid.T) []drivers.Capture {
	finite := rapid.Float64().Filter(func(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) })
	captures := make([]drivers.Capture, rapid.IntRange(1, 4).Draw(t, "captures"))
	for i := range captures {
		c := &captures[i]
		c.Rate = units.Hertz(finite.Draw(t, "rate"))
		for arm := range c.Traces {
			low := rapid.Int16().Draw(t, "from")
			high := rapid.OneOf(rapid.Just(low), rapid.Int16Range(low, max(low, low/2+50)), rapid.Int16Range(low, math.MaxInt16)).Draw(t, "to")
			c.Traces[arm] = drivers.Trace{
				Codes:        rapid.SliceOfN(rapid.Int16Range(low, high), 0, 300).Draw(t, "codes"),
				VoltsPerCode: units.Volts(finite.Draw(t, "volts per code")), Zero: finite.Draw(t, "zero"),
				Low: rapid.Int16().Draw(t, "low"), High: rapid.Int16().Draw(t, "high"),
			}
		}
	}
	if rapid.Bool().Draw(t, "reference") {
		for i := range captures {
			captures[i].Reference = captures[rapid.IntRange(0, i).Draw(t, "as in")].Traces[1]
		}
	}
	return captures
}

func TestPackRoundTrip(t *testing.T) {
	t.Parallel()
	var p packer
	rapid.Check(t, func(rt *rapid.T) {
		want := drawCaptures(rt)
		packed, err := p.pack(want)
		if err != nil {
			rt.Fatal(err)
		}
		got, err := unpackCaptures(packed)
		if err != nil {
			rt.Fatal(err)
		}
		if diff := cmp.Diff(want, got, cmpopts.EquateEmpty()); diff != "" {
			rt.Fatalf("(-packed +unpacked)\n%s", diff)
		}
	})
}

// TestPackExtremes: codes at both ends of what an int16 holds, and widths at
// their border.
func TestPackExtremes(t *testing.T) {
	t.Parallel()
	var p packer
	for _, codes := range [][]int16{
		nil, {0}, {math.MinInt16, math.MaxInt16}, {math.MaxInt16}, {math.MinInt16, math.MinInt16},
		{-128, 127}, {0, 255}, {0, 256}, {-100, 156}, {math.MaxInt16 - 255, math.MaxInt16}, {math.MinInt16, math.MinInt16 + 256, 5},
	} {
		want := []drivers.Capture{{Rate: 1, Traces: [2]drivers.Trace{{Codes: codes}, {Codes: slices.Repeat(codes, 1000)}}}}
		packed, err := p.pack(want)
		must(t, err)
		got, err := unpackCaptures(packed)
		must(t, err)
		if diff := cmp.Diff(want, got, cmpopts.EquateEmpty()); diff != "" {
			t.Errorf("%v: %s", codes, diff)
		}
	}
}

// TestPackedBytesAreGuarded: every flipped bit and every cut is found.
func TestPackedBytesAreGuarded(t *testing.T) {
	t.Parallel()
	var p packer
	packed, err := p.pack(sampleCaptures(1, 2, 40, 8))
	must(t, err)
	packed = bytes.Clone(packed)
	for i := range packed {
		if _, err := unpackCaptures(packed[:i]); err == nil {
			t.Fatalf("cut off at %d: no error", i)
		}
		for bit := range 8 {
			packed[i] ^= 1 << bit
			if _, err := unpackCaptures(packed); err == nil {
				t.Fatalf("bit %d of byte %d: no error", bit, i)
			}
			packed[i] ^= 1 << bit
		}
	}
	if _, err := unpackCaptures(append(packed, 0)); err == nil {
		t.Fatal("a byte too many: no error")
	}
}

// seal gives bytes the checksum that makes the decoder look at them.
func seal(packed []byte) []byte {
	packed = bytes.Clone(packed)
	if len(packed) >= preamble {
		if packed[0] != packReference {
			packed[0] = packFormat
		}
		binary.LittleEndian.PutUint32(packed[1:], crc32.Checksum(packed[5:], castagnoli))
	}
	return packed
}

// TestHostileSizes: what is claimed is not allocated before it is believed.
func TestHostileSizes(t *testing.T) {
	t.Parallel()
	var p packer
	honest, err := p.pack(sampleCaptures(1, 1, 40, 8))
	must(t, err)
	honest = bytes.Clone(honest)
	le := binary.LittleEndian
	const head = 8 + 2*traceHead // of a capture without a reference
	for name, spoil := range map[string]func([]byte){
		"captures":    func(b []byte) { le.PutUint32(b[5:], math.MaxUint32) },
		"two":         func(b []byte) { le.PutUint32(b[5:], 2) },
		"none":        func(b []byte) { le.PutUint32(b[5:], 0) },
		"codes":       func(b []byte) { le.PutUint32(b[preamble+8:], math.MaxUint32) },
		"many codes":  func(b []byte) { le.PutUint32(b[preamble+8:], mostPacked/2-1000) },
		"wide":        func(b []byte) { b[preamble+8+26] = 2 },
		"widest":      func(b []byte) { b[preamble+8+26] = 255 },
		"no width":    func(b []byte) { b[preamble+8+26] = 0 },
		"rate":        func(b []byte) { le.PutUint64(b[preamble:], math.Float64bits(math.NaN())) },
		"frame's own": func(b []byte) { b[preamble+head+4] |= 0xc0; b[preamble+head+6] = 0xff },
	} {
		packed := bytes.Clone(honest)
		spoil(packed)
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, err := unpackCaptures(seal(packed))
		runtime.ReadMemStats(&after)
		if grown := after.TotalAlloc - before.TotalAlloc; err == nil || grown > 8<<20 {
			t.Errorf("%s: error %v, %d bytes allocated", name, err, grown)
		}
	}
}

func FuzzUnpackCaptures(f *testing.F) {
	var p packer
	for _, c := range [][]drivers.Capture{sampleCaptures(1, 1, 20, 8), sampleCaptures(2, 2, 30, 16), referred(sampleCaptures(3, 2, 25, 8)), {{}}} {
		packed, err := p.pack(c)
		must(f, err)
		f.Add(bytes.Clone(packed))
	}
	f.Add([]byte{})
	f.Add([]byte{packFormat, 0, 0, 0, 0, 0, 0, 0, 0})
	f.Fuzz(func(t *testing.T, data []byte) {
		for _, packed := range [][]byte{data, seal(data)} {
			captures, err := unpackCaptures(packed)
			if err != nil {
				continue
			}
			// What is read can be packed again and reads the same.
			var p packer
			again, err := p.pack(captures)
			if err != nil {
				t.Fatal(err)
			}
			back, err := unpackCaptures(again)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(captures, back); diff != "" {
				t.Fatal(diff)
			}
		}
	})
}
