package main

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"halfturn/drivers/simbench"
	"halfturn/drivers/simbench/device"
	"halfturn/internal/testbench"
	"halfturn/sweep"
	"halfturn/sweep/journal"
)

// sameSteps compares runs step by step; when a step was taken is its own affair.
func sameSteps(t *testing.T, want, got []sweep.Step) {
	t.Helper()
	if diff := cmp.Diff(want, got, cmpopts.IgnoreFields(sweep.Step{}, "Taken")); diff != "" {
		t.Errorf("the runs differ: %s", diff)
	}
}

// ask sends one query to a simulated instrument, as another program would.
func ask(t *testing.T, address, query string) string {
	t.Helper()
	conn, err := net.DialTimeout("tcp", strings.TrimPrefix(address, "tcp://"), time.Second)
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(2 * time.Second))
	fmt.Fprintln(conn, query)
	line, err := bufio.NewReader(conn).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	return strings.TrimSpace(line)
}

// uninterrupted takes a calibration and a balun run in peace and returns the
// balun run's steps and the bench file.
func uninterrupted(t *testing.T, server *simbench.Server, points int) []sweep.Step {
	t.Helper()
	bench := benchFile(t, server.GeneratorAddress(), server.ScopeAddress(), points)
	server.FitForCalibration()
	must(t, 0, "calibrate", "-c", bench, "--yes")
	server.FitForMeasurement()
	must(t, 0, "measure", "-c", bench, "--yes")
	return steps(t, storeOf(bench), 2)
}

// Killed with -9 again and again, at moments drawn at random, a run that is
// resumed equals one that was left in peace, and no step is measured twice.
func TestAKilledRunIsResumed(t *testing.T) {
	t.Parallel()
	const points = 60
	server := testbench.Simulated(t, "good-balun", simbench.Options{})
	want := uninterrupted(t, server, points)

	bench := benchFile(t, server.GeneratorAddress(), server.ScopeAddress(), points)
	server.FitForCalibration()
	must(t, 0, "calibrate", "-c", bench, "--yes")
	server.FitForMeasurement()
	random := rand.New(rand.NewPCG(1, 2))
	args := []string{"measure", "-c", bench, "--yes"}
	kills, begun := 0, 0
	for begun < points {
		cmd := child(args...)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		// Not before it has gone on by a step, so that the run comes to an end.
		waitFor(t, func() bool { return stored(t, storeOf(bench)) > begun })
		time.Sleep(time.Duration(random.IntN(60)) * time.Millisecond)
		if err := cmd.Process.Kill(); err != nil { // SIGKILL
			t.Fatal(err)
		}
		_ = cmd.Wait()
		kills++
		args = []string{"resume", "2", "--yes", "--store", storeOf(bench)}
		now := stored(t, storeOf(bench))
		if now < begun {
			t.Fatalf("%d steps after %d", now, begun)
		}
		begun = now
	}
	t.Logf("killed %d times", kills)
	if code, _, errs := halfturn(t, args...); code != 0 && !strings.Contains(errs, "nothing to resume") {
		t.Fatalf("exit %d: %s", code, errs)
	}
	sameSteps(t, want, steps(t, storeOf(bench), 2))
	if out, _ := must(t, 0, "show", "2", "--store", storeOf(bench)); !strings.Contains(out, "PASS") {
		t.Error(out)
	}
	if code, _, errs := halfturn(t, "resume", "2", "--yes", "--store", storeOf(bench)); code != 1 || !strings.Contains(errs, "nothing to resume") {
		t.Errorf("resuming what is done: exit %d, %s", code, errs)
	}
}

// stored is how many steps run 2 has in a store that a process is writing.
func stored(t *testing.T, path string) int {
	t.Helper()
	store, err := journal.OpenReadOnly(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	n := 0
	for _, err := range store.Steps(t.Context(), 2) {
		if errors.Is(err, journal.ErrNoRun) {
			return 0
		}
		if err != nil {
			t.Fatal(err)
		}
		n++
	}
	return n
}

// An interrupt ends the run after the step, tidily, with RF off.
func TestAnInterruptEndsTidily(t *testing.T) {
	t.Parallel()
	if runtime.GOOS == "windows" {
		t.Skip("no interrupt can be sent to a process there")
	}
	const points = 60
	server := testbench.Simulated(t, "good-balun", simbench.Options{})
	want := uninterrupted(t, server, points)
	bench := benchFile(t, server.GeneratorAddress(), server.ScopeAddress(), points)
	server.FitForCalibration()
	must(t, 0, "calibrate", "-c", bench, "--yes")
	server.FitForMeasurement()
	// Slow enough that the signal comes in the middle.
	server.Interfere(simbench.Scope, device.FromNth("INITiate", 1, func([]byte) simbench.Action {
		return simbench.Action{Delay: 5 * time.Millisecond}
	}))
	interrupted(t, server, bench, ":OUTPut?", func() bool {
		_, err := os.Stat(storeOf(bench))
		return err == nil && ask(t, server.GeneratorAddress(), ":OUTPut?") == "1"
	})
	must(t, 0, "resume", "2", "--yes", "--store", storeOf(bench))
	sameSteps(t, want, steps(t, storeOf(bench), 2))
}

// interrupted measures in a process of its own, which it interrupts as soon as
// when holds, and looks at how that ends. rf is the question whether RF is on.
func interrupted(t *testing.T, server *simbench.Server, bench, rf string, when func() bool) {
	t.Helper()
	cmd := child("measure", "-c", bench, "--yes")
	var errs bytes.Buffer
	cmd.Stderr = &errs
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	waitFor(t, when)
	if err := cmd.Process.Signal(syscall.SIGINT); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait()
	server.Interfere(simbench.Scope, nil)
	if code := cmd.ProcessState.ExitCode(); code != 1 || !strings.Contains(errs.String(), "halfturn resume 2") {
		t.Fatalf("exit %d: %s", code, errs.String())
	}
	if rf := ask(t, server.GeneratorAddress(), rf); rf != "0" {
		t.Errorf("RF is %s after the interrupt", rf)
	}
}

func waitFor(t *testing.T, what func() bool) {
	t.Helper()
	for range 6000 { // 30 s, for a machine that does more than this
		if what() {
			return
		}
		time.Sleep(5 * time.Millisecond)
	}
	t.Fatal("it did not come")
}

// What instruments do wrong, and what becomes of the run: once is got over,
// without a trace in the result; for good is one clear line, RF off, and no
// finished step lost.
func TestBadInstruments(t *testing.T) {
	t.Parallel()
	const points = 6
	calm := testbench.Simulated(t, "good-balun", simbench.Options{})
	want := uninterrupted(t, calm, points)

	half := func(reply []byte) simbench.Action {
		return simbench.Action{Reply: reply[:len(reply)/2], HangUp: true}
	}
	faults := map[string]struct {
		instrument simbench.Instrument
		command    string
		fault      device.Fault
		says       string // for good
		permanent  bool   // refused: not tried again
	}{
		"short block": {simbench.Scope, "TRACe", func(reply []byte) simbench.Action {
			return simbench.Action{Reply: reply[:len(reply)-100]}
		}, "scope", false},
		"wrong count": {simbench.Scope, "TRACe", func(reply []byte) simbench.Action {
			return simbench.Action{Reply: append([]byte("#49990"), reply[7:7+9990]...)}
		}, "9990", false},
		"text instead of numbers": {simbench.Scope, "TRACe", func([]byte) simbench.Action {
			return simbench.Action{Reply: []byte("not now")}
		}, "not now", false},
		"nothing": {simbench.Scope, "TRACe", func([]byte) simbench.Action {
			return simbench.Action{Silent: true}
		}, "scope", false},
		"half a reply, then the link dies": {simbench.Scope, "TRACe", half, "scope", false},
		"never ready": {simbench.Scope, "*OPC?", func([]byte) simbench.Action {
			return simbench.Action{Silent: true}
		}, "*OPC?", false},
		"a level is refused": {simbench.Generator, "SOURce:POWer:LEVel:IMMediate:AMPLitude ", func([]byte) simbench.Action {
			return simbench.Action{Refuse: device.DataOutOfRange}
		}, "refused by the instrument", true},
		"the generator reboots": {simbench.Generator, "SOURce:FREQuency", func([]byte) simbench.Action {
			return simbench.Action{Reboot: true}
		}, "generator", false},
	}
	for name, c := range faults {
		for _, often := range []string{"once", "for good"} {
			t.Run(name+" "+often, func(t *testing.T) {
				t.Parallel()
				server := testbench.Simulated(t, "good-balun", simbench.Options{})
				bench := benchFile(t, server.GeneratorAddress(), server.ScopeAddress(), points)
				text, err := os.ReadFile(bench)
				if err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(bench, bytes.ReplaceAll(text, []byte("2 s"), []byte("300 ms")), 0o600); err != nil {
					t.Fatal(err)
				}
				server.FitForCalibration()
				must(t, 0, "calibrate", "-c", bench, "--yes")
				server.FitForMeasurement()
				hook := device.OnNth(c.command, 4, c.fault)
				if often == "for good" {
					hook = device.FromNth(c.command, 4, c.fault)
				}
				server.Interfere(c.instrument, hook)
				code, out, errs := halfturn(t, "measure", "-c", bench, "--yes")
				server.Interfere(c.instrument, nil)
				if rf := ask(t, server.GeneratorAddress(), ":OUTPut?"); rf != "0" {
					t.Errorf("RF is %s", rf)
				}
				if often == "once" && !c.permanent {
					if code != 0 {
						t.Fatalf("exit %d\n%s\n%s", code, out, errs)
					}
					sameSteps(t, want, steps(t, storeOf(bench), 2))
					return
				}
				if code != 1 || !strings.Contains(errs, c.says) {
					t.Fatalf("exit %d, want 1 and %q\n%s\n%s", code, c.says, out, errs)
				}
				if _, out, _ := halfturn(t, "runs", "--store", storeOf(bench)); !strings.Contains(out, "failed") {
					t.Errorf("runs: %s", out)
				}
				// What was finished is kept, and the run goes on when the fault is gone.
				must(t, 0, "resume", "latest", "--yes", "--store", storeOf(bench))
				sameSteps(t, want, steps(t, storeOf(bench), 2))
			})
		}
	}
}

func TestNoInstrumentIsOneLine(t *testing.T) {
	t.Parallel()
	var gone [2]string
	for i := range gone {
		listener, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer listener.Close() // held until both have an address
		gone[i] = "tcp://" + listener.Addr().String()
	}
	bench := benchFile(t, gone[0], gone[1], 3)
	code, _, errs := halfturn(t, "calibrate", "-c", bench, "--yes")
	if code != 1 || strings.Count(errs, "\n") != 1 || !strings.Contains(errs, gone[0]) {
		t.Errorf("exit %d: %q", code, errs)
	}
}

// A store that is cut off anywhere gives the steps it still holds or one clear
// line, never a panic and never another number.
func TestADamagedStoreIsOneLine(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	must(t, 0, "demo", "--out", dir)
	store := filepath.Join(dir, "halfturn.db")
	whole, err := os.ReadFile(store)
	if err != nil {
		t.Fatal(err)
	}
	sound, _ := must(t, 0, "show", "latest", "--table", "--store", store)
	random := rand.New(rand.NewPCG(3, 4))
	refused := ""
	for i := range 20 {
		path := filepath.Join(dir, fmt.Sprintf("cut-%d.db", i))
		if err := os.WriteFile(path, whole[:random.IntN(len(whole))], 0o600); err != nil {
			t.Fatal(err)
		}
		code, out, errs := halfturn(t, "show", "latest", "--table", "--store", path)
		switch {
		case code == 0 && out == sound:
		case code == 1 && strings.Count(errs, "\n") == 1 && strings.Contains(errs, filepath.Base(path)):
			refused = path
		default:
			t.Errorf("cut %d: exit %d\n%s\n%s", i, code, out, errs)
		}
	}
	if refused == "" {
		t.Fatal("no cut was noticed")
	}
	// A hole in the middle: what stands before it is carried over.
	holed := append([]byte(nil), whole...)
	clear(holed[len(holed)*3/4 : len(holed)*3/4+65536])
	path, mended := filepath.Join(dir, "holed.db"), filepath.Join(dir, "mended.db")
	if err := os.WriteFile(path, holed, 0o600); err != nil {
		t.Fatal(err)
	}
	out, _ := must(t, 0, "recover", path, mended)
	if !strings.Contains(out, "run 1: 60 steps") || !strings.Contains(out, "run 2: ") {
		t.Errorf("recover: %s", out)
	}
	must(t, 0, "show", "1", "--store", mended)
	must(t, 0, "show", "2", "--store", mended)
	if code, _, errs := halfturn(t, "show", "1", "--store", filepath.Join(dir, "none.db")); code != 1 || !strings.Contains(errs, "none.db") {
		t.Errorf("no store: exit %d, %s", code, errs)
	}
	if code, _, errs := halfturn(t, "show", "99", "--store", store); code != 1 || !strings.Contains(errs, "99") {
		t.Errorf("no run: exit %d, %s", code, errs)
	}
}

// Two processes cannot carry out the same run.
func TestARunIsHeldByOneProcess(t *testing.T) {
	t.Parallel()
	server := testbench.Simulated(t, "good-balun", simbench.Options{})
	bench := benchFile(t, server.GeneratorAddress(), server.ScopeAddress(), 60)
	server.FitForCalibration()
	server.Interfere(simbench.Scope, device.FromNth("INITiate", 1, func([]byte) simbench.Action {
		return simbench.Action{Delay: 20 * time.Millisecond}
	}))
	cmd := child("calibrate", "-c", bench, "--yes")
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = cmd.Process.Kill(); _ = cmd.Wait() }()
	waitFor(t, func() bool {
		_, err := os.Stat(storeOf(bench))
		return err == nil && ask(t, server.GeneratorAddress(), ":OUTPut?") == "1"
	})
	code, _, errs := halfturn(t, "resume", "1", "--yes", "--store", storeOf(bench))
	if code != 1 || !strings.Contains(errs, "process") {
		t.Errorf("exit %d: %s", code, errs)
	}
}
