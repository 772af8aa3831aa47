package journal

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"math"
	"slices"
	"sync"

	"github.com/klauspost/compress/zstd"

	"halfturn/drivers"
	"halfturn/units"
)

// Packed captures, all numbers little-endian:
//
//	0   1 byte    format: 1 for captures of both arms, 2 with a phase reference as third trace
//	1   uint32    CRC-32C of everything after it
//	5   uint32    number of captures
//	9   for each capture:
//	      float64   rate in hertz
//	      for each of its traces, two or three:
//	        uint32    number of codes
//	        float64   volts per code
//	        float64   zero, in codes
//	        int16 ×2  the converter's rails, low and high
//	        int16     base, the smallest code
//	        1 byte    width: 0 when all codes are base, else bytes of a code, 1 or 2
//	    then one zstd frame (RFC 8878) of the codes less their base, unsigned,
//	    trace after trace: of width 2 first all high bytes, then all low bytes,
//	    since the high ones compress and the low ones hold the noise
const (
	packFormat    = 1
	packReference = 2
	preamble      = 9
	traceHead     = 4 + 8 + 8 + 2 + 2 + 2 + 1

	// mostPacked bounds the codes of one step, in bytes, when packed and when read.
	mostPacked = 512 << 20
	// mostRatio: a block of zstd yields at most 128 KiB (RFC 8878, 3.1.1.2.4)
	// and takes at least four bytes.
	mostRatio = (128 << 10) / 4
)

// packer packs captures, reusing its buffers.
type packer struct {
	encoder *zstd.Encoder
	planes  []byte
	packed  []byte
}

// pack gives the packed captures, valid until the next call.
func (p *packer) pack(captures []drivers.Capture) ([]byte, error) {
	if p.encoder == nil {
		encoder, err := zstd.NewWriter(nil, zstd.WithEncoderLevel(zstd.SpeedFastest), zstd.WithEncoderConcurrency(1), zstd.WithEncoderCRC(false), zstd.WithAllLitEntropyCompression(true))
		if err != nil {
			return nil, err
		}
		p.encoder = encoder
	}
	le := binary.LittleEndian
	traces, format := drivers.Reference, byte(packFormat)
	for i := range captures {
		if r := &captures[i].Reference; len(r.Codes) > 0 || r.VoltsPerCode != 0 || r.Zero != 0 || r.Low != 0 || r.High != 0 {
			traces, format = drivers.Reference+1, packReference
		}
	}
	out := append(p.packed[:0], format, 0, 0, 0, 0)
	out = le.AppendUint32(out, uint32(len(captures)))
	planes := p.planes[:0]
	for i := range captures {
		c := &captures[i]
		if !finite(float64(c.Rate)) {
			return nil, fmt.Errorf("capture %d has a sample rate of %v", i, c.Rate)
		}
		out = le.AppendUint64(out, math.Float64bits(float64(c.Rate)))
		for of := range traces {
			t := c.Trace(of)
			if !finite(float64(t.VoltsPerCode)) || !finite(t.Zero) {
				return nil, fmt.Errorf("capture %d, %v: %v per code with its zero at %v", i, of, t.VoltsPerCode, t.Zero)
			}
			if len(planes)+2*len(t.Codes) > mostPacked {
				return nil, fmt.Errorf("more than %d MiB of codes in one step; take fewer captures", mostPacked>>20)
			}
			base, width := spread(t.Codes)
			out = le.AppendUint32(out, uint32(len(t.Codes)))
			out = le.AppendUint64(out, math.Float64bits(float64(t.VoltsPerCode)))
			out = le.AppendUint64(out, math.Float64bits(t.Zero))
			out = le.AppendUint16(out, uint16(t.Low))
			out = le.AppendUint16(out, uint16(t.High))
			out = le.AppendUint16(out, uint16(base))
			out = append(out, byte(width))
			planes = appendPlanes(planes, t.Codes, base, width)
		}
	}
	out = p.encoder.EncodeAll(planes, out)
	le.PutUint32(out[1:], crc32.Checksum(out[5:], castagnoli))
	p.planes, p.packed = planes, out
	return out, nil
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// spread is the smallest code and how many bytes the codes above it take.
func spread(codes []int16) (base int16, width int) {
	if len(codes) == 0 {
		return 0, 0
	}
	low, high := codes[0], codes[0]
	for _, c := range codes {
		low, high = min(low, c), max(high, c)
	}
	switch reach := int(high) - int(low); {
	case reach == 0:
		return low, 0
	case reach < 256:
		return low, 1
	default:
		return low, 2
	}
}

func appendPlanes(planes []byte, codes []int16, base int16, width int) []byte {
	n := len(codes)
	at := len(planes)
	planes = slices.Grow(planes, n*width)[:at+n*width]
	switch width {
	case 1:
		low := planes[at:][:n]
		for i, c := range codes {
			low[i] = byte(c - base)
		}
	case 2:
		high, low := planes[at:][:n], planes[at+n:][:n]
		for i, c := range codes {
			u := uint16(c) - uint16(base)
			high[i], low[i] = byte(u>>8), byte(u)
		}
	}
	return planes
}

// decoder is shared: DecodeAll may be called concurrently.
var decoder = sync.OnceValues(func() (*zstd.Decoder, error) {
	return zstd.NewReader(nil, zstd.WithDecoderConcurrency(readers), zstd.WithDecodeAllCapLimit(true), zstd.WithDecoderMaxMemory(mostPacked))
})

var (
	errCut      = errors.New("they are cut off")
	errChecksum = errors.New("their checksum does not hold")
	errFormat   = errors.New("their format is not known to this version")
	errPacked   = errors.New("they are not packed as they should be")
)

// unpackCaptures reads what pack wrote and nothing else.
func unpackCaptures(packed []byte) ([]drivers.Capture, error) {
	if len(packed) < preamble {
		return nil, errCut
	}
	traces := drivers.Reference
	switch packed[0] {
	case packFormat:
	case packReference:
		traces++
	default:
		return nil, errFormat
	}
	captureHead := 8 + int(traces)*traceHead
	le := binary.LittleEndian
	if le.Uint32(packed[1:]) != crc32.Checksum(packed[5:], castagnoli) {
		return nil, errChecksum
	}
	count := uint64(le.Uint32(packed[5:]))
	if count*uint64(captureHead) > uint64(len(packed)-preamble) {
		return nil, errCut
	}
	heads := packed[preamble : preamble+int(count)*captureHead]
	frame := packed[preamble+len(heads):]

	captures := make([]drivers.Capture, count)
	layouts := make([][drivers.Reference + 1]layout, count)
	var codes, size uint64 // at most 3 · 2^32 · 2^32/captureHead: no overflow
	for i := range captures {
		c := &captures[i]
		head := heads[i*captureHead:]
		c.Rate = units.Hertz(math.Float64frombits(le.Uint64(head)))
		head = head[8:]
		for of := range traces {
			t, l := c.Trace(of), &layouts[i][of]
			l.codes = le.Uint32(head)
			t.VoltsPerCode = units.Volts(math.Float64frombits(le.Uint64(head[4:])))
			t.Zero = math.Float64frombits(le.Uint64(head[12:]))
			t.Low, t.High = int16(le.Uint16(head[20:])), int16(le.Uint16(head[22:]))
			l.base, l.width = int16(le.Uint16(head[24:])), head[26]
			if l.width > 2 || !finite(float64(c.Rate)) || !finite(float64(t.VoltsPerCode)) || !finite(t.Zero) {
				return nil, errPacked
			}
			codes += uint64(l.codes)
			size += uint64(l.codes) * uint64(l.width)
			head = head[traceHead:]
		}
	}
	// Before anything of the size that is claimed is allocated.
	if 2*codes > mostPacked || size > mostRatio*uint64(len(frame)) {
		return nil, errPacked
	}
	d, err := decoder()
	if err != nil {
		return nil, err
	}
	planes, err := d.DecodeAll(frame, make([]byte, 0, size))
	if err != nil || uint64(len(planes)) != size {
		return nil, errPacked
	}
	all := make([]int16, codes)
	for i := range captures {
		for of := range traces {
			l := &layouts[i][of]
			n := int(l.codes)
			if n > 0 || of != drivers.Reference {
				captures[i].Trace(of).Codes = all[:n:n]
			}
			l.read(all[:n], planes)
			all, planes = all[n:], planes[n*int(l.width):]
		}
	}
	return captures, nil
}

// layout is how one trace's codes are packed.
type layout struct {
	codes uint32
	base  int16
	width byte
}

func (l *layout) read(codes []int16, planes []byte) {
	n := len(codes)
	switch l.width {
	case 0:
		for i := range codes {
			codes[i] = l.base
		}
	case 1:
		for i, u := range planes[:n] {
			codes[i] = l.base + int16(u)
		}
	case 2:
		high, low := planes[:n], planes[n:][:n]
		for i := range codes {
			codes[i] = int16(uint16(l.base) + uint16(high[i])<<8 + uint16(low[i]))
		}
	}
}
