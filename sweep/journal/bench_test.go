package journal

import (
	"context"
	"fmt"
	"runtime"
	"testing"

	"halfturn/drivers"
	"halfturn/sweep"
)

// BenchmarkPack is what Commit does before it comes to the disk.
func BenchmarkPack(b *testing.B) {
	for _, bits := range []int{8, 12, 16} {
		b.Run(fmt.Sprintf("%d bit", bits), func(b *testing.B) {
			captures := sampleCaptures(1, 4, 10000, bits)
			var p packer
			b.SetBytes(4 * 2 * 10000 * 2)
			b.ReportAllocs()
			size := 0
			for b.Loop() {
				packed, err := p.pack(captures)
				must(b, err)
				size = len(packed)
			}
			b.ReportMetric(float64(size)*8/(4*2*10000), "bits/sample")
		})
	}
}

// BenchmarkCommit: 4 captures of 2 × 10 000 samples, durable or, with "unsynced",
// without waiting for the disk.
func BenchmarkCommit(b *testing.B) {
	for _, bits := range []int{8, 16} {
		for _, sync := range []string{"FULL", "OFF"} {
			b.Run(fmt.Sprintf("%d bit/synchronous %s", bits, sync), func(b *testing.B) {
				ctx := context.Background()
				s := open(b, newPath(b))
				_, err := s.writer.ExecContext(ctx, "PRAGMA synchronous = "+sync)
				must(b, err)
				run := create(b, s, sampleRun(sweep.Balun))
				captures := make([][]drivers.Capture, 8)
				for i := range captures {
					captures[i] = sampleCaptures(uint64(i), 4, 10000, bits)
				}
				b.ReportAllocs()
				b.ResetTimer()
				for i := range b.N {
					step := sampleStep(run.ID, i)
					must(b, s.Commit(ctx, run.ID, &step, captures[i%len(captures)]))
				}
			})
		}
	}
}

func BenchmarkCaptures(b *testing.B) {
	for _, bits := range []int{8, 16} {
		b.Run(fmt.Sprintf("%d bit", bits), func(b *testing.B) {
			ctx := context.Background()
			s := open(b, newPath(b))
			run := create(b, s, sampleRun(sweep.Balun))
			for i := range 20 {
				step := sampleStep(run.ID, i)
				must(b, s.Commit(ctx, run.ID, &step, sampleCaptures(uint64(i), 4, 10000, bits)))
			}
			b.SetBytes(4 * 2 * 10000 * 2)
			b.ReportAllocs()
			b.ResetTimer()
			for i := range b.N {
				_, err := s.Captures(ctx, run.ID, i%20)
				must(b, err)
			}
		})
	}
}

// BenchmarkSteps reads 100 000 steps; heap is what is live half way.
func BenchmarkSteps(b *testing.B) {
	const steps = 100_000
	ctx := context.Background()
	s := open(b, newPath(b))
	_, err := s.writer.ExecContext(ctx, "PRAGMA synchronous = OFF")
	must(b, err)
	run := create(b, s, sampleRun(sweep.Balun))
	for i := range steps {
		step := sampleStep(run.ID, i)
		must(b, s.Commit(ctx, run.ID, &step, nil))
	}
	b.ReportAllocs()
	b.ResetTimer()
	for range b.N {
		n := 0
		for _, err := range s.Steps(ctx, run.ID) {
			must(b, err)
			if n++; n == steps/2 {
				b.StopTimer()
				runtime.GC()
				var m runtime.MemStats
				runtime.ReadMemStats(&m)
				b.ReportMetric(float64(m.HeapAlloc)/(1<<20), "MiB-heap")
				b.StartTimer()
			}
		}
		if n != steps {
			b.Fatal(n)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/steps, "ns/step")
}
