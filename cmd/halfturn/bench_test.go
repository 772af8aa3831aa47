package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"halfturn/configs"
	"halfturn/drivers/simbench"
	"halfturn/internal/testbench"
)

// quickBench serves the good balun to a dialect of 8 or 16 bits without settling
// times and returns a bench file.
func quickBench(b testing.TB, points, samples, bits int) (bench string, server *simbench.Server) {
	b.Helper()
	dir := b.TempDir()
	for _, name := range []string{"scpi99-digitiser", "scpi99-generator"} {
		text, err := configs.FS.ReadFile("dialects/" + name + ".yaml")
		if err != nil {
			b.Fatal(err)
		}
		change := []string{
			"settle: 5 ms", "settle: 0 s", "settle: 10 ms", "settle: 0 s", "settle: 2 ms", "settle: 0 s", "settle: 1 ms", "settle: 0 s",
			"samples: 10000", fmt.Sprint("samples: ", samples),
		}
		if bits == 16 {
			change = append(change, "INTeger,8", "INTeger,16", "encoding: int8", "encoding: int16\n  byte_order: big",
				"range / 256", "range / 65536", "rails: [-128, 127]", "rails: [-32768, 32767]")
		}
		text = []byte(strings.NewReplacer(change...).Replace(string(text)))
		if err := os.WriteFile(filepath.Join(dir, name+".yaml"), text, 0o600); err != nil {
			b.Fatal(err)
		}
	}
	server = testbench.Simulated(b, "good-balun", simbench.Options{})
	bench = benchFile(b, server.GeneratorAddress(), server.ScopeAddress(), points)
	text, err := os.ReadFile(bench)
	if err != nil {
		b.Fatal(err)
	}
	for _, name := range []string{"scpi99-digitiser", "scpi99-generator"} {
		text = bytes.ReplaceAll(text, []byte("dialect: "+name), []byte("dialect: "+filepath.Join(dir, name+".yaml")))
	}
	if err := os.WriteFile(bench, text, 0o600); err != nil {
		b.Fatal(err)
	}
	server.FitForCalibration()
	return bench, server
}

// A step of 4 captures of 2 × 10 000 samples of 16 bits, with instruments that
// take no time to settle: set, captured over TCP, fitted, committed to the
// disk. The simulator's own synthesis is inside the figure.
func BenchmarkStep(b *testing.B) {
	const points = 300
	bench, server := quickBench(b, points, 10000, 16)
	loops := 0
	for b.Loop() {
		loops++
		server.FitForCalibration()
		must(b, 0, "calibrate", "-c", bench, "--yes")
		server.FitForMeasurement()
		must(b, 0, "measure", "-c", bench, "--yes")
	}
	b.ReportMetric(float64(b.Elapsed().Microseconds())/1000/float64(2*loops*points), "ms/step")
	total := 0
	for run := range int64(2) {
		for _, s := range steps(b, storeOf(bench), run+1) {
			total += s.Acquisitions
		}
	}
	b.ReportMetric(float64(total)/(2*points), "acquisitions/step")
	b.ReportMetric(0, "ns/op")
}

// What runs of 100 000 steps take of memory, a calibration and a balun, each in
// a process of its own.
func BenchmarkMemoryOf100000Steps(b *testing.B) {
	const points = 100_000
	bench, server := quickBench(b, points, 200, 16)
	for b.Loop() {
		server.FitForCalibration()
		b.ReportMetric(peakMiB(b, "calibrate", "-c", bench, "--yes"), "MiB/calibration")
		server.FitForMeasurement()
		b.ReportMetric(peakMiB(b, "measure", "-c", bench, "--yes"), "MiB/balun")
	}
	for run := range int64(2) {
		// A few frequencies are moved onto one by the scope's sample rates.
		if got := len(steps(b, storeOf(bench), run+1)); got < points*99/100 {
			b.Fatalf("run %d: %d steps", run+1, got)
		}
	}
}

// peakMiB runs the program and returns the most memory that it held.
func peakMiB(b *testing.B, args ...string) float64 {
	b.Helper()
	cmd := child(args...)
	var errs bytes.Buffer
	cmd.Stderr = &errs
	if err := cmd.Start(); err != nil {
		b.Fatal(err)
	}
	peak := 0
	done := make(chan error, 1)
	go func() { done <- cmd.Wait() }()
	for {
		select {
		case err := <-done:
			if err != nil {
				b.Fatalf("%v: %s", err, errs.String())
			}
			return float64(peak) / 1024
		case <-time.After(20 * time.Millisecond):
			peak = max(peak, highWater(cmd.Process.Pid))
		}
	}
}

// highWater is the most memory that a process has held, in KiB; 0 where the
// system does not tell.
func highWater(pid int) int {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return 0
	}
	for line := range strings.Lines(string(text)) {
		if rest, ok := strings.CutPrefix(line, "VmHWM:"); ok {
			kib, _ := strconv.Atoi(strings.Fields(rest)[0])
			return kib
		}
	}
	return 0
}
