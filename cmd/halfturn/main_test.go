package main

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"halfturn/drivers/simbench"
	"halfturn/internal/testbench"
	"halfturn/sweep"
	"halfturn/sweep/journal"
)

// A child process with this variable is the program and not its tests, for
// what only a process can show: a signal, a kill.
const runsMain = "TEST_RUNS_THE_PROGRAM"

func TestMain(m *testing.M) {
	backoff = 10 * time.Millisecond
	if os.Getenv(runsMain) != "" {
		main()
	}
	// These tests wait for instruments more than they compute.
	if flag.Parse(); flag.Lookup("test.parallel").DefValue == flag.Lookup("test.parallel").Value.String() {
		_ = flag.Set("test.parallel", "6")
	}
	testbench.Main(m)
}

// child prepares the program as a process of its own.
func child(args ...string) *exec.Cmd {
	cmd := exec.Command(os.Args[0], args...)
	cmd.Env = append(os.Environ(), runsMain+"=1")
	return cmd
}

// halfturn runs the program within this process.
func halfturn(t testing.TB, args ...string) (code int, out, errs string) {
	t.Helper()
	var o, e bytes.Buffer
	code = run(t.Context(), args, strings.NewReader(""), &o, &e)
	return code, o.String(), e.String()
}

// must runs the program and wants an exit code.
func must(t testing.TB, code int, args ...string) (out, errs string) {
	t.Helper()
	got, out, errs := halfturn(t, args...)
	if got != code {
		t.Fatalf("halfturn %s: exit %d, want %d\n%s\n%s", strings.Join(args, " "), got, code, out, errs)
	}
	return out, errs
}

// benchFile writes a bench of the given addresses and returns its path; the
// store lies beside it.
func benchFile(t testing.TB, generator, scope string, points int) string {
	t.Helper()
	return benchOf(t, fmt.Sprintf(`bench:
  generator:
    address: %s
    dialect: scpi99-generator
    time_limit: 2 s
  scope:
    address: %s
    dialect: scpi99-digitiser
    time_limit: 2 s
    channels: [1, 2]
`, generator, scope), points)
}

// benchOf is benchFile with the lines of the instruments given.
func benchOf(t testing.TB, lines string, points int) string {
	t.Helper()
	dir := t.TempDir()
	text := fmt.Sprintf(`%s  name: Test bench
  fixture: plate 1
  load: {resistance: 100 Ω, capacitance: 15 pF, source: 50 Ω}
  max_drive: {generator: 13 dBm, balun: 20 dBm}
plan: {from: 10 MHz, to: 300 MHz, points: %d, spacing: logarithmic}
limits: default
store: %s
`, lines, points, filepath.Join(dir, "store.db"))
	path := filepath.Join(dir, "bench.yaml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// storeOf is the store of a bench file.
func storeOf(bench string) string { return filepath.Join(filepath.Dir(bench), "store.db") }

// steps reads the steps of a run.
func steps(t testing.TB, store string, run int64) []sweep.Step {
	t.Helper()
	s, err := journal.OpenReadOnly(t.Context(), store)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var all []sweep.Step
	for step, err := range s.Steps(t.Context(), run) {
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, step)
	}
	return all
}

func TestDemoEndsByVerdict(t *testing.T) {
	t.Parallel()
	for scenario, want := range map[string]struct {
		code int
		says string
	}{
		"good-balun":         {0, "PASS"},
		"too-little-ferrite": {3, "FAIL"},
		"swapped-pair":       {0, "PASS"},
		"broken-arm":         {3, "FAIL"},
		"cable-left-in":      {1, "the calibration cable is still fitted"},
		"rf-cable-off":       {1, "no signal"},
		"common-practice":    {4, "CONDITIONAL PASS"}, // amplitude balance at the top of the band
	} {
		t.Run(scenario, func(t *testing.T) {
			t.Parallel()
			dir := filepath.Join(t.TempDir(), "out")
			code, out, errs := halfturn(t, "demo", "--scenario", scenario, "--out", dir)
			if code != want.code || !strings.Contains(out+errs, want.says) {
				t.Fatalf("exit %d, want %d and %q\n%s\n%s", code, want.code, want.says, out, errs)
			}
			if code == 1 {
				return
			}
			for _, file := range []string{"report.html", "steps.csv", "halfturn.db"} {
				if info, err := os.Stat(filepath.Join(dir, file)); err != nil || info.Size() == 0 {
					t.Errorf("%s: %v", file, err)
				}
			}
		})
	}
}

func TestDemoTruthShowsTheErrors(t *testing.T) {
	t.Parallel()
	out, _ := must(t, 0, "demo", "--truth", "--out", t.TempDir())
	for _, want := range []string{"exact", "error", "largest error"} {
		if !strings.Contains(out, want) {
			t.Errorf("%q is not in the output", want)
		}
	}
}

// The demo picks the shipped bench that suits a generator of many habits.
func TestDemoOnASteppedGenerator(t *testing.T) {
	t.Parallel()
	out, _ := must(t, 0, "demo", "--scenario", "stepped-generator", "--truth", "--out", t.TempDir())
	if n := strings.Count(out, "exact value inside the stated interval at 60 of 60 steps"); n != 4 {
		t.Errorf("%d of 4 results hold all exact values:\n%s", n, out)
	}
	if !strings.Contains(out, "attenuator in another position") {
		t.Errorf("nothing is said of the attenuator:\n%s", out)
	}
}

// The whole job from the command line, over TCP and over both serial libraries
// on a pseudo-terminal: the same bench gives the same steps.
func TestTheJobOverEveryLink(t *testing.T) {
	t.Parallel()
	server := testbench.Simulated(t, "good-balun", simbench.Options{PTY: runtime.GOOS == "linux"})
	generatorLine, scopeLine := server.SerialAddresses()
	addresses := map[string][2]string{"tcp": {server.GeneratorAddress(), server.ScopeAddress()}}
	if generatorLine != "" {
		addresses["serial"] = [2]string{generatorLine, scopeLine}
		addresses["serial tarm"] = [2]string{generatorLine + "&library=tarm", scopeLine + "&library=tarm"}
	}
	var first []sweep.Step
	for _, link := range []string{"tcp", "serial", "serial tarm"} {
		address, ok := addresses[link]
		if !ok {
			continue
		}
		bench := benchFile(t, address[0], address[1], 5)
		server.FitForCalibration()
		must(t, 0, "calibrate", "-c", bench, "--yes")
		server.FitForMeasurement()
		out, _ := must(t, 0, "measure", "-c", bench, "--yes", "--label", "winding 1")
		if !strings.Contains(out, "PASS") || !strings.Contains(out, "winding 1") {
			t.Errorf("%s: %s", link, out)
		}
		got := steps(t, storeOf(bench), 2)
		if len(got) != 5 {
			t.Fatalf("%s: %d steps", link, len(got))
		}
		if first == nil {
			first = got
			continue
		}
		for i := range got {
			if got[i].Estimate != first[i].Estimate || got[i].Drive != first[i].Drive {
				t.Errorf("%s: step %d differs from the one over TCP", link, i)
			}
		}
	}
}

func TestShowReportExport(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	must(t, 0, "demo", "--out", dir)
	store := filepath.Join(dir, "halfturn.db")

	out, _ := must(t, 0, "runs", "--store", store)
	if lines := strings.Split(strings.TrimSpace(out), "\n"); len(lines) != 3 || !strings.Contains(lines[2], "pass") {
		t.Errorf("runs:\n%s", out)
	}

	out, _ = must(t, 0, "show", "latest", "--json", "--store", store)
	var shown struct {
		Run struct {
			ID                                             int64
			Kind, Label, Started, Finished, State, Verdict string
			Calibration                                    int64
		}
		Summary struct {
			BandHz   []float64 `json:"band_hz"`
			PassFrom float64   `json:"pass_from_hz"`
			PassTo   float64   `json:"pass_to_hz"`
			Worst    map[string]any
		}
		Steps []map[string]any
	}
	if err := json.Unmarshal([]byte(out), &shown); err != nil {
		t.Fatal(err)
	}
	if shown.Run.ID != 2 || shown.Run.Kind != "balun" || shown.Run.Calibration != 1 || shown.Run.Verdict != "pass" || len(shown.Summary.BandHz) != 2 {
		t.Errorf("%+v", shown.Run)
	}
	if len(shown.Steps) != 60 || shown.Summary.PassFrom > 30e6 || shown.Summary.PassTo < 300e6 {
		t.Errorf("%d steps, %+v", len(shown.Steps), shown.Summary)
	}
	for _, key := range strings.Fields(`frequency_hz drive_dbm range_vpp captures fill ratio_re ratio_im
		amplitude_balance_db u_amplitude_balance_db phase_balance_deg u_phase_balance_deg
		common_mode_rejection_db insertion_loss_db verdict`) {
		if _, ok := shown.Steps[0][key]; !ok {
			t.Errorf("step without %s", key)
		}
	}

	page := filepath.Join(dir, "own.html")
	must(t, 0, "report", "2", "--store", store, "--out", page)
	if text, err := os.ReadFile(page); err != nil || !bytes.Contains(text, []byte("<svg")) {
		t.Errorf("report: %v", err)
	}
	for format, want := range map[string]string{"csv": "frequency", "json": `"steps"`, "touchstone": "# Hz S RI R 50"} {
		out, _ := must(t, 0, "export", "latest", "--store", store, "--format", format)
		if !strings.Contains(out, want) {
			t.Errorf("%s export has no %q", format, want)
		}
	}
	must(t, 0, "show", "1", "--table", "--store", store)
	must(t, 0, "report", "1", "--store", store, "--out", page)
}

// Wrong usage and configuration: exit 2 and one line that says what to do.
func TestWrongUsageIsOneLineAndExit2(t *testing.T) {
	t.Parallel()
	bench := benchFile(t, "tcp://127.0.0.1:1", "tcp://127.0.0.1:2", 5)
	spoiled := func(from, to string) string {
		text, err := os.ReadFile(bench)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Contains(text, []byte(from)) {
			t.Fatalf("%q is not in the bench file", from)
		}
		path := filepath.Join(t.TempDir(), "spoiled.yaml")
		if err := os.WriteFile(path, bytes.Replace(text, []byte(from), []byte(to), 1), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	for name, c := range map[string]struct {
		args []string
		want string
	}{
		"no command":           {[]string{"frobnicate"}, "no command"},
		"no flag":              {[]string{"demo", "--frobnicate"}, "--frobnicate"},
		"an argument":          {[]string{"demo", "now"}, "takes no argument"},
		"no run":               {[]string{"show"}, "the number of a run"},
		"no bench":             {[]string{"calibrate"}, "-c FILE"},
		"no such bench":        {[]string{"calibrate", "-c", "nowhere.yaml"}, "nowhere.yaml"},
		"no scenario":          {[]string{"demo", "--scenario", "nowhere"}, "nowhere"},
		"no bench to simulate": {[]string{"demo", "--bench", "nowhere"}, "nowhere"},
		"no format":            {[]string{"export", "1", "--format", "stone"}, "stone"},
		"nobody to ask":        {[]string{"calibrate", "-c", bench}, "nothing was measured"},
		"misspelled key":       {[]string{"calibrate", "-c", spoiled("fixture:", "fixtrue:")}, "spoiled.yaml:12"},
		"negative frequency":   {[]string{"calibrate", "-c", spoiled("from: 10 MHz", "from: -10 MHz")}, "spoiled.yaml:15"},
		"no unit":              {[]string{"calibrate", "-c", spoiled("13 dBm", "13")}, "13"},
		"limits upside down":   {[]string{"calibrate", "-c", spoiled("limits: default", "limits: {from: 300 MHz, to: 30 MHz, phase_balance: 3 deg}")}, "spoiled.yaml:16"},
		"flag without unit":    {[]string{"calibrate", "-c", bench, "--from", "10"}, "from"},
	} {
		t.Run(name, func(t *testing.T) {
			code, out, errs := halfturn(t, c.args...)
			want := exitUsage
			if name == "nobody to ask" { // standard input is empty: no answer
				want = exitNotDone
			}
			if code != want || !strings.Contains(errs, c.want) {
				t.Errorf("exit %d: %q; want %d and %q", code, errs, want, c.want)
			}
			last := errs[strings.LastIndex(strings.TrimSpace(errs), "\n")+1:]
			if name != "nobody to ask" && strings.Count(strings.TrimSpace(errs), "\n") != 0 {
				t.Errorf("more than one line: %q", errs)
			}
			if out != "" || !strings.Contains(last, "halfturn: ") {
				t.Errorf("out %q, last line %q", out, last)
			}
		})
	}
}

func TestHelpHasAnExampleForEachCommand(t *testing.T) {
	t.Parallel()
	for _, cmd := range rootCommand().Commands() {
		if cmd.Name() == "help" || cmd.Name() == "completion" {
			continue
		}
		if cmd.Example == "" || cmd.Short == "" {
			t.Errorf("%s has no example or no help", cmd.Name())
		}
		out, _ := must(t, 0, cmd.Name(), "--help")
		if !strings.Contains(out, "halfturn "+cmd.Name()) {
			t.Errorf("%s --help: %s", cmd.Name(), out)
		}
	}
}

func TestVersion(t *testing.T) {
	t.Parallel()
	out, _ := must(t, 0, "version")
	if !strings.HasPrefix(out, "halfturn ") || !strings.Contains(out, runtime.Version()) {
		t.Errorf("%q", out)
	}
}
