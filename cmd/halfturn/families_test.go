package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"testing"
	"time"

	"halfturn/drivers/link/hislip"
	"halfturn/drivers/link/vxi11"
	"halfturn/drivers/simbench"
	"halfturn/drivers/simbench/device"
	"halfturn/internal/testbench"
	"halfturn/sweep"
	"halfturn/units"
)

// The instruments of a bench as lines of its file.
func speaking(generator, generatorDialect, scope, scopeDialect string) string {
	return fmt.Sprintf("bench:\n  generator: {address: %q, dialect: %q}\n  scope: {address: %q, dialect: %q}\n",
		generator, generatorDialect, scope, scopeDialect)
}

// theJob is all of it with the commands as they are: check, calibrate, measure,
// report. The results must hold the simulated truth, and RF must be off. It
// returns the steps of both runs.
func theJob(t *testing.T, server *simbench.Server, bench string) (runs [2][]sweep.Step) {
	t.Helper()
	server.FitForCalibration()
	if out, _ := must(t, 0, "check", "-c", bench, "--yes"); !strings.Contains(out, "All works.") {
		t.Fatal(out)
	}
	must(t, 0, "calibrate", "-c", bench, "--yes")
	server.FitForMeasurement()
	if out, _ := must(t, 0, "measure", "-c", bench, "--yes"); !strings.Contains(out, "PASS") {
		t.Error(out)
	}
	store := storeOf(bench)
	page := filepath.Join(filepath.Dir(bench), "report.html")
	must(t, 0, "report", "latest", "--store", store, "--out", page)
	if text, err := os.ReadFile(page); err != nil || !bytes.Contains(text, []byte("<svg")) {
		t.Errorf("report: %v", err)
	}
	holdsTheTruth(t, server, store)
	for i := range runs {
		runs[i] = steps(t, store, int64(i+1))
	}
	return runs
}

// holdsTheTruth wants the exact values inside the intervals that run 2 states.
func holdsTheTruth(t *testing.T, server *simbench.Server, store string) {
	t.Helper()
	out, _ := must(t, 0, "show", "2", "--json", "--store", store)
	var shown struct {
		Steps []struct {
			Frequency  float64 `json:"frequency_hz"`
			Amplitude  float64 `json:"amplitude_balance_db"`
			UAmplitude float64 `json:"u_amplitude_balance_db"`
			Phase      float64 `json:"phase_balance_deg"`
			UPhase     float64 `json:"u_phase_balance_deg"`
		}
	}
	if err := json.Unmarshal([]byte(out), &shown); err != nil {
		t.Fatal(err)
	}
	for _, s := range shown.Steps {
		truth := server.Truth(units.Hertz(s.Frequency))
		if !(math.Abs(s.Amplitude-float64(truth.AmplitudeBalance)) <= s.UAmplitude) || !(math.Abs(s.Phase-float64(truth.PhaseBalance)) <= s.UPhase) {
			t.Errorf("%g Hz: %g dB ± %g dB and %g° ± %g°, truth %v and %v", s.Frequency, s.Amplitude, s.UAmplitude, s.Phase, s.UPhase,
				truth.AmplitudeBalance, truth.PhaseBalance)
		}
	}
}

const (
	eightDigits = 1e-7 // in which a scope tells its scale
	rounding    = 1e-9 // of sums over codes that count from another middle
)

// alike wants steps taken with the same settings from the same codes, scaled by
// numbers that are equal within relative.
func alike(t *testing.T, want, got [2][]sweep.Step, relative float64) {
	t.Helper()
	for run := range want {
		if len(got[run]) != len(want[run]) || len(got[run]) == 0 {
			t.Fatalf("run %d: %d steps, want %d", run+1, len(got[run]), len(want[run]))
		}
		for i, w := range want[run] {
			g := got[run][i]
			a, b := w.Estimate, g.Estimate
			same := g.Drive == w.Drive && g.Range == w.Range && g.Window == w.Window && g.Acquisitions == w.Acquisitions && a.Captures == b.Captures &&
				a.Frequency == b.Frequency && cmplx.Abs(b.Ratio-a.Ratio) < relative*cmplx.Abs(a.Ratio)
			for arm := range a.Sigma {
				same = same && math.Abs(float64(b.Sigma[arm]/a.Sigma[arm]-1)) < relative
			}
			if !same {
				t.Errorf("run %d, step %d: %+v, want %+v", run+1, i, g, w)
			}
		}
	}
}

// family serves a bench on which both speak alike, or each its own.
func family(t testing.TB, generator, scope simbench.Family) *simbench.Server {
	return testbench.Simulated(t, "good-balun", simbench.Options{GeneratorSpeaks: generator, ScopeSpeaks: scope})
}

// shippedLines are those of a bench with the families' own dialects.
func shippedLines(server *simbench.Server, generator, scope simbench.Family) string {
	return speaking(server.GeneratorAddress(), generator.Dialect(simbench.Generator), server.ScopeAddress(), scope.Dialect(simbench.Scope))
}

const familyPoints = 3

// The whole job over each family on real sockets. Where ranges and records are
// those of SCPI-99 the results are, too.
func TestTheJobInEachFamily(t *testing.T) {
	t.Parallel()
	scpi99 := family(t, simbench.SCPI99, simbench.SCPI99)
	want := theJob(t, scpi99, benchOf(t, shippedLines(scpi99, simbench.SCPI99, simbench.SCPI99), familyPoints))
	for _, c := range []struct {
		generator, scope simbench.Family
		same             bool
	}{
		{simbench.Headed, simbench.Headed, true},
		{simbench.Bundled, simbench.Bundled, true},
		{simbench.Spoken, simbench.Spoken, false}, // shorter records
		{simbench.Coded, simbench.Coded, false},   // other ranges
		{simbench.Headed, simbench.Coded, false},
		{simbench.Spoken, simbench.Bundled, true},
	} {
		t.Run(string(c.generator+" "+c.scope), func(t *testing.T) {
			t.Parallel()
			server := family(t, c.generator, c.scope)
			got := theJob(t, server, benchOf(t, shippedLines(server, c.generator, c.scope), familyPoints))
			if c.same {
				alike(t, want, got, eightDigits)
			}
		})
	}
}

// dialectFile writes a dialect and returns its path.
func dialectFile(t testing.TB, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "dialect.yaml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// Whatever way the codes of one converter are written, the steps are the same.
func TestEveryIntegerFormat(t *testing.T) {
	t.Parallel()
	server := family(t, simbench.Coded, simbench.Coded)
	var want [2][]sweep.Step
	for _, width := range []int{1, 2} {
		for _, sign := range []string{"U", "S"} {
			for _, order := range []string{"LOW", "HIGH"} {
				for _, ask := range []string{"BOTH?", "ROWS?"} {
					if width == 1 && order == "HIGH" {
						continue // one byte has no order
					}
					encoding := map[string]string{"U": "uint", "S": "int"}[sign] + fmt.Sprint(8*width)
					rails := map[string]string{"uint8": "[0, 255]", "int8": "[-128, 127]", "uint16": "[0, 65280]", "int16": "[-32768, 32512]"}[encoding]
					channels := map[string]string{"BOTH?": "interleaved", "ROWS?": "in_turn"}[ask]
					wide := "byte_order: none, spare_bits: none"
					if width == 2 {
						wide = "spare_bits: 8, byte_order: " + map[string]string{"LOW": "little", "HIGH": "big"}[order]
					}
					scope := dialectFile(t, fmt.Sprintf(`format: 1
include: coded-scope
abilities: {windows: [{rate: 500 MHz, samples: 2000}]}
prepare: {send: "FORMAT %d,%s,%s"}
read: {ask: %q, channels: %s, encoding: %s, %s}
scale: {rails: %s}
`, width, sign, order, ask, channels, encoding, wide, rails))
					bench := benchOf(t, speaking(server.GeneratorAddress(), "coded-generator", server.ScopeAddress(), scope), 2)
					got := calibratedAndMeasured(t, server, bench)
					if want[0] == nil {
						want = got
						holdsTheTruth(t, server, storeOf(bench))
					}
					alike(t, want, got, rounding)
				}
			}
		}
	}
}

// calibratedAndMeasured is the job without looking at the bench first.
func calibratedAndMeasured(t *testing.T, server *simbench.Server, bench string) (runs [2][]sweep.Step) {
	t.Helper()
	server.FitForCalibration()
	must(t, 0, "calibrate", "-c", bench, "--yes")
	server.FitForMeasurement()
	must(t, 0, "measure", "-c", bench, "--yes")
	for i := range runs {
		runs[i] = steps(t, storeOf(bench), int64(i+1))
	}
	return runs
}

// A person starts simulate, puts what it prints into a bench file as it is, and
// types what is in the fixture. Spoken is met on serial lines with their small
// input buffers.
func TestSimulateWorksAsPrinted(t *testing.T) {
	t.Parallel()
	for _, speaks := range []string{"headed", "spoken", "generator=coded,scope=bundled"} {
		t.Run(speaks, func(t *testing.T) {
			t.Parallel()
			keyboard, keys := io.Pipe()
			screen, prints := io.Pipe()
			ended := make(chan int)
			go func() {
				var errs bytes.Buffer
				ended <- run(t.Context(), []string{"simulate", "-c", "good-balun", "--speaks", speaks}, keyboard, prints, &errs)
				prints.Close()
			}()
			said := bufio.NewReader(screen)
			until := func(end string) (text string) {
				for !strings.Contains(text, end) {
					line, err := said.ReadString('\n')
					if err != nil {
						t.Fatalf("%v after\n%s", err, text)
					}
					text += line
				}
				return text
			}
			printed := until("Type cable")
			lines := regexp.MustCompile(`(?m)^bench:\n(  .*\n)+`).FindString(printed)
			if serial := strings.Contains(lines, "serial://"); serial != (speaks == "spoken" && simbench.HasPTY) {
				t.Errorf("%s", lines)
			}
			bench := benchOf(t, lines, 2)
			if speaks == "spoken" {
				// A check of all its ranges and windows at a millisecond a
				// character takes a quarter of a minute.
			} else if out, _ := must(t, 0, "check", "-c", bench, "--yes"); !strings.Contains(out, "All works.") {
				t.Error(out)
			}
			must(t, 0, "calibrate", "-c", bench, "--yes")
			fmt.Fprintln(keys, "balun")
			until("balun is in the fixture")
			must(t, 0, "measure", "-c", bench, "--yes")
			fmt.Fprintln(keys, "quit")
			if code := <-ended; code != 0 {
				t.Errorf("exit %d", code)
			}
			keys.Close()
		})
	}
}

// On a real line, a character after the other and held by XON/XOFF, the scope
// gives the records that it gives over a socket.
func TestSpokenOnASerialLine(t *testing.T) {
	t.Parallel()
	if !simbench.HasPTY {
		t.Skip("no pseudo-terminals here")
	}
	server := testbench.Simulated(t, "good-balun", simbench.Options{GeneratorSpeaks: simbench.Spoken, ScopeSpeaks: simbench.Spoken, PTY: true})
	// Few settings and short records: a character takes a millisecond.
	scope := dialectFile(t, `format: 1
include: spoken-scope
abilities:
  ranges: [400 mV, 800 mV]
  windows: [{rate: 500 MHz, samples: 500}, {rate: 50 MHz, samples: 500}]
`)
	over := calibratedAndMeasured(t, server, benchOf(t, speaking(server.GeneratorAddress(), "spoken-generator", server.ScopeAddress(), scope), 2))
	generator, line := server.SerialAddresses()
	if !strings.HasSuffix(generator, "&pace=1ms&flow=xonxoff") {
		t.Error(generator)
	}
	got := theJob(t, server, benchOf(t, speaking(generator, "spoken-generator", line, scope), 2))
	for run := range over {
		sameSteps(t, over[run], got[run])
	}
}

// Links that know where a message ends carry the same job.
func TestHeadedOverMessageLinks(t *testing.T) {
	t.Parallel()
	server := family(t, simbench.Headed, simbench.Headed)
	want := calibratedAndMeasured(t, server, benchOf(t, shippedLines(server, simbench.Headed, simbench.Headed), 2))
	listen := func() net.Listener {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		return l
	}
	subnet, portmapper := listen(), listen()
	generator := hislip.Serve(subnet, hislip.PeerOptions{}, func(c hislip.Client) {
		_ = server.Converse(t.Context(), simbench.Generator, c)
	})
	defer generator.Close()
	scope := vxi11.Serve(portmapper, listen(), vxi11.PeerOptions{}, func(c vxi11.Client) {
		_ = server.Converse(t.Context(), simbench.Scope, c)
	})
	defer scope.Close()
	bench := benchOf(t, speaking("hislip://"+subnet.Addr().String()+"/hislip0", "headed-generator", "vxi11://"+portmapper.Addr().String()+"/inst0", "headed-scope"), 2)
	got := theJob(t, server, bench)
	for run := range want {
		sameSteps(t, want[run], got[run])
	}
}

// An interrupt over a bench that speaks no SCPI at all: tidy, and what is
// resumed equals what was left in peace.
func TestAnInterruptInAnotherFamily(t *testing.T) {
	t.Parallel()
	if runtime.GOOS == "windows" {
		t.Skip("no interrupt can be sent to a process there")
	}
	const points = 12
	server := family(t, simbench.Coded, simbench.Bundled)
	want := calibratedAndMeasured(t, server, benchOf(t, shippedLines(server, simbench.Coded, simbench.Bundled), points))
	bench := benchOf(t, shippedLines(server, simbench.Coded, simbench.Bundled), points)
	server.FitForCalibration()
	must(t, 0, "calibrate", "-c", bench, "--yes")
	server.FitForMeasurement()
	server.Interfere(simbench.Scope, device.FromNth("START", 1, func([]byte) simbench.Action {
		return simbench.Action{Delay: 20 * time.Millisecond} // so that the signal comes in the middle
	}))
	interrupted(t, server, bench, "OUT?", func() bool { return stored(t, storeOf(bench)) > 2 })
	must(t, 0, "resume", "2", "--yes", "--store", storeOf(bench))
	sameSteps(t, want[1], steps(t, storeOf(bench), 2))
}
