package main

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strings"
	"testing"
	"time"

	"halfturn/drivers/simbench"
	"halfturn/drivers/simbench/device"
	"halfturn/internal/testbench"
)

// replaying runs `halfturn replay` and returns where it serves. end waits for
// its exit, which stopping brings about where it does not come on its own.
func replaying(t *testing.T, args ...string) (generator, scope string, end func(stopping bool) (int, string)) {
	t.Helper()
	ctx, stop := context.WithCancel(t.Context())
	var out testbench.Log
	code := make(chan int, 1)
	go func() {
		code <- run(ctx, append([]string{"replay"}, args...), strings.NewReader(""), &out, &out)
	}()
	ended := false
	end = func(stopping bool) (int, string) {
		t.Helper()
		ended = true
		defer stop()
		if stopping {
			stop()
		}
		select {
		case c := <-code:
			return c, out.String()
		case <-time.After(30 * time.Second):
			t.Fatalf("the replay does not end\n%s", out.String())
			return 0, ""
		}
	}
	t.Cleanup(func() {
		if !ended {
			end(true)
		}
	})
	address := regexp.MustCompile(`(?s)generator:\n +address: (\S+).*scope:\n +address: (\S+)`)
	var found []string
	waitFor(t, func() bool {
		found = address.FindStringSubmatch(out.String())
		return found != nil || len(code) > 0
	})
	if found == nil {
		t.Fatalf("no addresses\n%s", out.String())
	}
	return found[1], found[2], end
}

// replacing writes a bench file that differs in a word from another.
func replacing(t *testing.T, bench, old, new string) {
	t.Helper()
	text, err := os.ReadFile(bench)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(bench, []byte(strings.ReplaceAll(string(text), old, new)), 0o600); err != nil {
		t.Fatal(err)
	}
}

// errorLines are what the program complained of, without addresses.
func errorLines(errs, generator, scope string) string {
	var lines []string
	for line := range strings.Lines(strings.NewReplacer(generator, "GENERATOR", scope, "SCOPE").Replace(errs)) {
		if strings.HasPrefix(line, "halfturn:") {
			lines = append(lines, line)
		}
	}
	return strings.Join(lines, "")
}

// A calibration and a measurement that were recorded, over every kind of link
// that the simulated bench has, come again step by step: at once, at their
// pace, and masked.
func TestARecordingIsReplayed(t *testing.T) {
	t.Setenv("XDG_CONFIG_HOME", t.TempDir())
	server := testbench.Simulated(t, "good-balun", simbench.Options{PTY: runtime.GOOS == "linux"})
	generatorLine, scopeLine := server.SerialAddresses()
	addresses := map[string][2]string{"tcp": {server.GeneratorAddress(), server.ScopeAddress()}}
	if generatorLine != "" {
		addresses["serial"] = [2]string{generatorLine, scopeLine}
	}
	for link, address := range addresses {
		t.Run(link, func(t *testing.T) {
			bench := benchFile(t, address[0], address[1], 4)
			recorded := filepath.Join(filepath.Dir(bench), "night.rec")
			server.FitForCalibration()
			must(t, 0, "calibrate", "-c", bench, "--yes", "--record", recorded)
			server.FitForMeasurement()
			_, errs := must(t, 0, "measure", "-c", bench, "--yes", "--record", recorded)
			if !strings.Contains(errs, "halfturn replay "+recorded) {
				t.Errorf("how to replay it is not said: %s", errs)
			}
			cable, want := steps(t, storeOf(bench), 1), steps(t, storeOf(bench), 2)

			masked := recorded + ".masked"
			must(t, 0, "mask", recorded, masked)
			text, err := os.ReadFile(masked)
			if err != nil {
				t.Fatal(err)
			}
			for _, secret := range []string{"simulated generator", "127.0.0.1", "/dev/pts/" + strings.Trim(filepath.Base(strings.Split(address[0], "?")[0]), "/") + "?"} {
				if bytes.Contains(text, []byte(secret)) {
					t.Errorf("%q can still be read", secret)
				}
			}
			if code, _, errs := halfturn(t, "mask", recorded, masked); code != 1 || !strings.Contains(errs, "there already") {
				t.Errorf("masking into a file that is there: exit %d, %s", code, errs)
			}

			for _, args := range [][]string{{recorded}, {recorded, "--pace", "recorded"}, {masked}} {
				g, s, end := replaying(t, args...)
				again := benchFile(t, g, s, 4)
				must(t, 0, "calibrate", "-c", again, "--yes")
				must(t, 0, "measure", "-c", again, "--yes")
				if code, out := end(false); code != 0 || !strings.Contains(out, "messages came as recorded") {
					t.Fatalf("%v: exit %d\n%s", args, code, out)
				}
				sameSteps(t, cable, steps(t, storeOf(again), 1))
				sameSteps(t, want, steps(t, storeOf(again), 2))
			}

			// Another plan is another conversation.
			g, s, end := replaying(t, recorded)
			other := benchFile(t, g, s, 5)
			if code, _, _ := halfturn(t, "calibrate", "-c", other, "--yes"); code != 1 {
				t.Errorf("exit %d", code)
			}
			if code, out := end(false); code != 1 || !strings.Contains(out, "generator, connection 1, exchange ") || !strings.Contains(out, `expected ":`) || !strings.Contains(out, `got ":`) {
				t.Errorf("exit %d\n%s", code, out)
			}
			// Nobody came.
			_, _, end = replaying(t, recorded)
			if code, out := end(true); code != 1 || !strings.Contains(out, "stopped: 0 of ") {
				t.Errorf("exit %d\n%s", code, out)
			}
		})
	}
}

// What went wrong goes wrong again: the same line, and the same steps before it.
func TestAFaultIsReplayed(t *testing.T) {
	t.Parallel()
	for name, c := range map[string]struct {
		instrument simbench.Instrument
		command    string
		fault      device.Fault
		once       bool // the run got over it
	}{
		"short block":                       {simbench.Scope, "TRACe", func(r []byte) simbench.Action { return simbench.Action{Reply: r[:len(r)-100]} }, false},
		"short block, once":                 {simbench.Scope, "TRACe", func(r []byte) simbench.Action { return simbench.Action{Reply: r[:len(r)-100]} }, true},
		"half an answer":                    {simbench.Generator, "SOURce:FREQuency:CW?", func(r []byte) simbench.Action { return simbench.Action{Reply: r[:len(r)/2], HangUp: true} }, false},
		"hangs up":                          {simbench.Scope, "TRACe", func(r []byte) simbench.Action { return simbench.Action{Reply: r[:len(r)/2], HangUp: true} }, false},
		"hangs up, once":                    {simbench.Scope, "TRACe", func(r []byte) simbench.Action { return simbench.Action{Reply: r[:len(r)/2], HangUp: true} }, true},
		"silent":                            {simbench.Scope, "*OPC?", func([]byte) simbench.Action { return simbench.Action{Silent: true} }, false},
		"a level is refused":                {simbench.Generator, "SOURce:POWer:LEVel:IMMediate:AMPLitude ", func([]byte) simbench.Action { return simbench.Action{Refuse: device.DataOutOfRange} }, false},
		"text instead of numbers, for good": {simbench.Scope, "TRACe", func([]byte) simbench.Action { return simbench.Action{Reply: []byte("not now")} }, false},
		"reboots, once":                     {simbench.Generator, "SOURce:FREQuency", func([]byte) simbench.Action { return simbench.Action{Reboot: true} }, true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			server := testbench.Simulated(t, "good-balun", simbench.Options{})
			bench := benchFile(t, server.GeneratorAddress(), server.ScopeAddress(), 4)
			replacing(t, bench, "2 s", "1 s")
			recorded := filepath.Join(filepath.Dir(bench), "fault.rec")
			hook := device.FromNth(c.command, 3, c.fault)
			if c.once {
				hook = device.OnNth(c.command, 3, c.fault)
			}
			server.Interfere(c.instrument, hook)
			code, _, errs := halfturn(t, "calibrate", "-c", bench, "--yes", "--record", recorded)
			if c.once != (code == 0) {
				t.Fatalf("exit %d: %s", code, errs)
			}
			want := errorLines(strings.ReplaceAll(errs, storeOf(bench), "STORE"), server.GeneratorAddress(), server.ScopeAddress())

			g, s, end := replaying(t, recorded)
			again := benchFile(t, g, s, 4)
			replacing(t, again, "2 s", "1 s")
			gotCode, _, errs := halfturn(t, "calibrate", "-c", again, "--yes")
			if got := errorLines(strings.ReplaceAll(errs, storeOf(again), "STORE"), g, s); gotCode != code || got != want {
				t.Errorf("exit %d, want %d\n%s\nwant\n%s", gotCode, code, got, want)
			}
			if code, out := end(false); code != 0 {
				t.Errorf("replay: exit %d\n%s", code, out)
			}
			sameSteps(t, steps(t, storeOf(bench), 1), steps(t, storeOf(again), 1))
		})
	}
}

// `check` and the daemon are recorded as well, and what cannot be recorded is
// said before anything is switched on.
func TestWhatIsRecorded(t *testing.T) {
	t.Parallel()
	server := testbench.Simulated(t, "good-balun", simbench.Options{})
	server.FitForCalibration()
	bench := benchFile(t, server.GeneratorAddress(), server.ScopeAddress(), 3)
	recorded := filepath.Join(filepath.Dir(bench), "check.rec")
	first, _ := must(t, 0, "check", "-c", bench, "--yes", "--record", recorded)
	g, s, end := replaying(t, recorded)
	again := benchFile(t, g, s, 3)
	if second, _ := must(t, 0, "check", "-c", again, "--yes"); strings.Count(first, "\n") != strings.Count(second, "\n") {
		t.Errorf("another check:\n%s\n%s", first, second)
	}
	if code, out := end(false); code != 0 {
		t.Errorf("exit %d\n%s", code, out)
	}

	for _, c := range []struct {
		code int
		says string
		args []string
	}{
		{2, "--mask goes with --record", []string{"--mask"}},
		{2, "--record-limit goes with --record", []string{"--record-limit", "5"}},
		{2, "above 0", []string{"--record", recorded, "--record-limit", "0"}},
		{1, "no recording", []string{"--record", bench}},
		{1, "no such file", []string{"--record", filepath.Join(filepath.Dir(bench), "none", "x.rec")}},
	} {
		code, _, errs := halfturn(t, append([]string{"calibrate", "-c", bench, "--yes"}, c.args...)...)
		if code != c.code || !strings.Contains(errs, c.says) || strings.Count(errs, "\n") != 1 {
			t.Errorf("%v: exit %d\n%s", c.args, code, errs)
		}
	}
	for _, args := range [][]string{{"replay", bench}, {"replay", "none.rec"}, {"mask", bench, bench + ".x"}} {
		if code, _, errs := halfturn(t, args...); code != 1 || strings.Count(errs, "\n") != 1 {
			t.Errorf("%v: exit %d\n%s", args, code, errs)
		}
	}
	if code, _, _ := halfturn(t, "replay", recorded, "--pace", "slow"); code != 2 {
		t.Errorf("--pace slow: exit %d", code)
	}
}

// The daemon records all its runs in one file, also when it is killed; what
// comes after is added.
func TestTheDaemonRecords(t *testing.T) {
	t.Parallel()
	server := testbench.Simulated(t, "good-balun", simbench.Options{})
	server.FitForCalibration()
	file, address := daemonFile(t, server, 3, "")
	recorded := filepath.Join(filepath.Dir(file), "daemon.rec")
	for i := range 2 {
		cmd := child("serve", "-c", file, "--record", recorded)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		waitFor(t, func() bool {
			text, _ := os.ReadFile(recorded)
			return bytes.Count(text, []byte(`OUTPut?`)) > i
		})
		_ = cmd.Process.Kill()
		_ = cmd.Wait()
	}
	text, err := os.ReadFile(recorded)
	if err != nil {
		t.Fatal(err)
	}
	if n := bytes.Count(text, []byte(`"command":"serve"`)); n != 2 {
		t.Errorf("%d sessions at %s\n%s", n, address, text)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	var out testbench.Log
	if code := run(ctx, []string{"replay", recorded}, strings.NewReader(""), &out, &out); code != 1 || !strings.Contains(out.String(), "cut off") {
		t.Errorf("exit %d\n%s", code, out.String())
	}
}

// BenchmarkRecording takes a calibration with and without a recording.
func BenchmarkRecording(b *testing.B) {
	b.Run("plain", func(b *testing.B) { benchmarkRecording(b, false) })
	b.Run("recorded", func(b *testing.B) { benchmarkRecording(b, true) })
}

func benchmarkRecording(b *testing.B, recorded bool) {
	const points = 60
	server := testbench.Simulated(b, "good-balun", simbench.Options{})
	server.FitForCalibration()
	var size int64
	for b.Loop() {
		bench := benchFile(b, server.GeneratorAddress(), server.ScopeAddress(), points)
		args := []string{"calibrate", "-c", bench, "--yes"}
		file := filepath.Join(filepath.Dir(bench), "x.rec")
		if recorded {
			args = append(args, "--record", file)
		}
		must(b, 0, args...)
		if info, err := os.Stat(file); err == nil {
			size = info.Size()
		}
	}
	b.ReportMetric(float64(b.Elapsed().Milliseconds())/float64(b.N*points), "ms/step")
	b.ReportMetric(float64(size)/points/1000, "kB/step")
}

// What a replay prints for a bench file has the phase reference too.
func TestAReplayKnowsTheReference(t *testing.T) {
	t.Parallel()
	server := testbench.Simulated(t, "with-reference", simbench.Options{})
	server.FitForCalibration()
	bench := func(generator, scope string) string {
		return benchOf(t, fmt.Sprintf(`bench:
  generator: {address: %s, dialect: scpi99-generator}
  scope: {address: %s, dialect: scpi99-digitiser-4, channels: {arm1: 1, arm2: 2, reference: 3}}
`, generator, scope), 3)
	}
	recorded := filepath.Join(t.TempDir(), "cable.rec")
	must(t, 0, "calibrate", "-c", bench(server.GeneratorAddress(), server.ScopeAddress()), "--yes", "--record", recorded)
	generator, scope, end := replaying(t, recorded)
	must(t, 0, "calibrate", "-c", bench(generator, scope), "--yes")
	if code, out := end(false); code != 0 || !strings.Contains(out, "channels: {arm1: 1, arm2: 2, reference: 3}") {
		t.Errorf("exit %d\n%s", code, out)
	}
}
