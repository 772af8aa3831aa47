package report

import (
	"bufio"
	"strconv"

	"halfturn/units"
)

// Capture is the channels sampled together, once.
type Capture struct {
	Rate      units.Hertz
	Traces    [2]Trace // of arm 1 and arm 2
	Reference Trace    // of the phase reference; without Codes where there is none
}

// Trace is what one channel sampled: codes of the converter and how to read
// them, volts = (code - Zero) · VoltsPerCode. Low and High are its rails.
type Trace struct {
	Codes        []int16
	VoltsPerCode units.Volts
	Zero         float64
	Low, High    int16
}

// Captures gives the captures of the step with an index, in the order taken;
// nil where they are no longer kept.
type Captures func(index int) ([]Capture, error)

// writeCaptures writes the captures of a step as the value of a key, with
// line to build each piece in.
func writeCaptures(b *bufio.Writer, captures []Capture, line []byte) []byte {
	if captures == nil {
		b.WriteString("null")
		return line
	}
	b.WriteByte('[')
	for i := range captures {
		c := &captures[i]
		line = append(line[:0], "\n {\"rate_hz\":"...)
		if i > 0 {
			b.WriteByte(',')
		}
		line = appendFigure(line, float64(c.Rate))
		line = append(line, ",\"traces\":["...)
		traces := []*Trace{&c.Traces[0], &c.Traces[1]}
		if len(c.Reference.Codes) > 0 {
			traces = append(traces, &c.Reference)
		}
		for i, t := range traces {
			if i > 0 {
				line = append(line, ',')
			}
			if i < len(c.Traces) {
				line = append(line, "\n  {\"arm\":"...)
				line = strconv.AppendInt(line, int64(i+1), 10)
			} else {
				line = append(line, "\n  {\"reference\":true"...)
			}
			line = append(line, ",\"volts_per_code\":"...)
			line = appendFigure(line, float64(t.VoltsPerCode))
			line = append(line, ",\"zero\":"...)
			line = appendFigure(line, t.Zero)
			line = append(line, ",\"low\":"...)
			line = strconv.AppendInt(line, int64(t.Low), 10)
			line = append(line, ",\"high\":"...)
			line = strconv.AppendInt(line, int64(t.High), 10)
			line = append(line, ",\"codes\":["...)
			for k, code := range t.Codes {
				if k > 0 {
					line = append(line, ',')
				}
				line = strconv.AppendInt(line, int64(code), 10)
			}
			line = append(line, "]}"...)
			b.Write(line)
			line = line[:0]
		}
		b.WriteString("]}")
	}
	b.WriteByte(']')
	return line
}

// appendFigure writes a number, or null where it is none.
func appendFigure(to []byte, v float64) []byte {
	if !finite(v) {
		return append(to, "null"...)
	}
	return appendNumber(to, v)
}
