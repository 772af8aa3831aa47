package scpi

import (
	"bytes"
	"testing"
)

// A trace of 10 000 samples of 16 bits over loopback; the instrument's side
// allocates nothing in its answer.
func BenchmarkAskBlock(b *testing.B) {
	reply := append(AppendBlock(nil, bytes.Repeat([]byte{0x12, '\n'}, 10_000)), '\n')
	i := &instrument{forget: true, answer: func(p peer, m string) bool {
		if m == "D?" {
			_, _ = p.Write(reply)
		}
		return m == "D?"
	}}
	c := dial(b, startTCP(b, i), nil)
	var buf []byte
	b.SetBytes(int64(len(reply)))
	b.ReportAllocs()
	for b.Loop() {
		var err error
		if buf, err = c.AskBlock(b.Context(), "D?", buf); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkAsk(b *testing.B) {
	i := &instrument{forget: true}
	c := dial(b, startTCP(b, i), nil)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := c.Ask(b.Context(), "*OPC?"); err != nil {
			b.Fatal(err)
		}
	}
}
