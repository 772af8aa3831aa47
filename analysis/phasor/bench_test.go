package phasor

import (
	"testing"

	"halfturn/units"
)

// The planner's usual record: 10 000 samples of either channel.
const (
	benchSamples = 10_000
	benchRate    = units.Hertz(500e6)
	benchSignal  = units.Hertz(31.7e6)
)

func benchRecords() [2]Record {
	return capture16(newNoise(1), benchSamples, benchRate, benchSignal, [2]complex128{0.35, -0.34}, 0.005)
}

func perSample(b *testing.B) {
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/(2*benchSamples), "ns/sample/channel")
}

// BenchmarkFit must stay below 4 ns a sample and channel, without an allocation.
func BenchmarkFit(b *testing.B) {
	records := benchRecords()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Fit(&records, benchRate, benchSignal); err != nil {
			b.Fatal(err)
		}
	}
	perSample(b)
}

func BenchmarkFitShared(b *testing.B) {
	records := benchRecords()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := FitShared(&records, benchRate, benchSignal*(1+5e-6), 50); err != nil {
			b.Fatal(err)
		}
	}
	perSample(b)
}

func BenchmarkHarmonics(b *testing.B) {
	records := benchRecords()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Harmonics(&records[0], benchRate, benchSignal); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/benchSamples, "ns/sample")
}

func BenchmarkCondition(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if Condition(benchRate, benchSamples, benchSignal) > MaxCondition {
			b.Fatal("degenerate")
		}
	}
}
