package record_test

import (
	"bufio"
	"context"
	"net"
	"path/filepath"
	"testing"
	"time"

	"halfturn/drivers/link"
	"halfturn/drivers/link/record"
	"halfturn/drivers/scpi"
)

// BenchmarkExchange asks one question after another over loopback, with and
// without a recorder: a number, and a block of 20 000 bytes that look like noise.
func BenchmarkExchange(b *testing.B) {
	block := make([]byte, 20_000)
	for i := range block {
		block[i] = byte(i*i>>3) ^ byte(i*7919>>5)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				for in := bufio.NewScanner(c); in.Scan(); {
					reply := []byte("1\n")
					switch in.Text() {
					case "*IDN?":
						reply = []byte("HUT FOUR WORKS,SAMPLER,0017,1.2\n")
					case "CURVE?":
						reply = append(scpi.AppendBlock(nil, block), '\n')
					}
					if _, err := c.Write(reply); err != nil {
						return
					}
				}
			}()
		}
	}()
	for _, recorded := range []string{"plain", "recorded"} {
		for _, query := range []string{"*OPC?", "CURVE?"} {
			b.Run(query+" "+recorded, func(b *testing.B) {
				var links link.Opener
				if recorded == "recorded" {
					r, err := record.Create(filepath.Join(b.TempDir(), "x.rec"), record.Options{})
					if err != nil {
						b.Fatal(err)
					}
					defer r.Close()
					links = r
				}
				c, err := scpi.Dial(context.Background(), scpi.Options{Address: "tcp://" + l.Addr().String(), TimeLimit: 10 * time.Second, Links: links})
				if err != nil {
					b.Fatal(err)
				}
				defer c.Close()
				b.ReportAllocs()
				var buf []byte
				for b.Loop() {
					if query == "CURVE?" {
						buf, err = c.AskBlock(context.Background(), query, buf)
					} else {
						_, err = c.Ask(context.Background(), query)
					}
					if err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}
