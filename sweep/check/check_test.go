package check

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"halfturn/analysis/balance"
	"halfturn/analysis/conformity"
	"halfturn/configs"
	"halfturn/drivers"
	"halfturn/drivers/simbench"
	"halfturn/drivers/simbench/device"
	"halfturn/sweep"
	"halfturn/units"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// rig is a simulated bench that watches what is done to its generator.
type rig struct {
	*simbench.Server
	mu      sync.Mutex
	highest float64 // drive that was set
}

// newRig serves a scenario, changed by spoil, with what it has in the fixture
// during a balun run.
func newRig(t testing.TB, scenario string, o simbench.Options, spoil func(*simbench.Scenario)) *rig {
	t.Helper()
	s, err := simbench.Load(scenario)
	if err != nil {
		t.Fatal(err)
	}
	if spoil != nil {
		spoil(s)
	}
	server, err := simbench.Serve(context.Background(), s, o)
	if err != nil {
		t.Fatal(err)
	}
	r := &rig{Server: server, highest: -1000}
	r.watch(nil)
	server.FitForMeasurement()
	t.Cleanup(func() {
		r.Interfere(simbench.Generator, nil)
		if rf := ask(t, server.GeneratorAddress(), ":OUTPut?"); rf != "0" {
			t.Errorf("RF is %s after the check", rf)
		}
		if r.highest > float64(Level) {
			t.Errorf("the drive was %g dBm", r.highest)
		}
		if err := server.Close(); err != nil {
			t.Error(err)
		}
	})
	return r
}

// watch lets a hook interfere with the generator and notes the drive.
func (r *rig) watch(hook device.Hook) {
	r.Interfere(simbench.Generator, func(command string, reply []byte) simbench.Action {
		const drive = "SOURce:POWer:LEVel:IMMediate:AMPLitude "
		if v, err := strconv.ParseFloat(strings.TrimPrefix(command, drive), 64); err == nil && strings.HasPrefix(command, drive) {
			r.mu.Lock()
			r.highest = max(r.highest, v)
			r.mu.Unlock()
		}
		if hook == nil {
			return simbench.Action{}
		}
		return hook(command, reply)
	})
}

func ask(t testing.TB, address, query string) string {
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

// bench is a bench file's contents.
func (r *rig) bench(t testing.TB) Bench {
	t.Helper()
	limit := func(v float64) *units.DB { d := units.DB(v); return &d }
	phase := units.Degrees(4)
	return Bench{
		Bench: sweep.Bench{
			Name: "Test bench", Fixture: "plate 1",
			Generator: drivers.Config{Address: r.GeneratorAddress(), Dialect: altered(t, "scpi99-generator"), TimeLimit: 5 * time.Second},
			Scope:     drivers.Config{Address: r.ScopeAddress(), Dialect: altered(t, "scpi99-digitiser"), TimeLimit: 5 * time.Second},
			Load:      balance.Load{Resistance: 100, Capacitance: 15e-12, Source: 50},
			MaxDrive:  sweep.MaxDrive{Generator: 13, Balun: 20}, ClockTolerance: 100,
		},
		Plan: sweep.Plan{
			Segments: []sweep.Segment{{From: 3e6, To: 300e6, Points: 60, Spacing: sweep.Logarithmic}},
			Captures: 4, MaxCaptures: 64, Precision: 0.1, Fill: sweep.Fill{Aim: 0.7, Min: 0.5, Max: 0.9}, Headroom: 4,
		},
		Limits: conformity.Limits{Name: "test", From: 30e6, To: 300e6, AmplitudeBalance: limit(0.5), PhaseBalance: &phase, CommonModeRejection: limit(25)},
	}
}

// altered writes a shipped dialect with some lines exchanged, without its
// settling, which simulated instruments do not need, and with shorter records,
// and returns the path.
func altered(t testing.TB, name string, exchange ...string) string {
	t.Helper()
	text, err := configs.FS.ReadFile("dialects/" + name + ".yaml")
	if err != nil {
		t.Fatal(err)
	}
	text = bytes.ReplaceAll(text, []byte("samples: 10000"), []byte("samples: 4000"))
	exchange = append(exchange, "settle: 5 ms", "settle: 0 s")
	for i := 0; i+1 < len(exchange); i += 2 {
		if !bytes.Contains(text, []byte(exchange[i])) {
			t.Fatalf("%q is not in %s", exchange[i], name)
		}
		text = bytes.Replace(text, []byte(exchange[i]), []byte(exchange[i+1]), 1)
	}
	path := filepath.Join(t.TempDir(), name+".yaml")
	if err := os.WriteFile(path, text, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

// run runs a check and returns it with its text.
func run(t testing.TB, b Bench) (*Report, string) {
	t.Helper()
	var out bytes.Buffer
	report, err := Run(t.Context(), b, func(f Finding) { _ = f.Write(&out) }, ticking())
	if err != nil {
		t.Fatalf("%v\n%s", err, out.String())
	}
	if err := report.Write(&out); err != nil {
		t.Fatal(err)
	}
	return report, out.String()
}

// ticking is a clock on which each look takes 2 ms.
func ticking() func() time.Time {
	now := time.Unix(0, 0)
	return func() time.Time { now = now.Add(2 * time.Millisecond); return now }
}

func find(r *Report, part, what string) *Finding {
	for i := range r.Findings {
		if f := &r.Findings[i]; f.Part == part && f.What == what {
			return f
		}
	}
	return &Finding{Said: "there is none"}
}

// fails wants one finding to fail with these words, and gives all that failed.
func fails(t *testing.T, r *Report, want Finding) {
	t.Helper()
	got := find(r, want.Part, want.What)
	if got.Status != Failed || !strings.Contains(got.Said, want.Said) || got.Sent != want.Sent || got.Came != want.Came || !strings.Contains(got.LookUp, want.LookUp) || want.LookUp == "" {
		var failed []string
		for _, f := range r.Findings {
			if f.Status == Failed {
				failed = append(failed, fmt.Sprintf("%+v", f))
			}
		}
		t.Errorf("want %+v\ngot  %+v\nall that failed:\n%s", want, *got, strings.Join(failed, "\n"))
	}
	if r.Works {
		t.Error("it is said to work")
	}
}

var (
	addresses = regexp.MustCompile(`(tcp://127\.0\.0\.1:|serial:///dev/pts/)\d+`)
	// Reading and connecting take what they take.
	times  = regexp.MustCompile(`(acquired in|transferred in|opened in|read in) [\d.]+ (ns|µs|ms|s)\b`)
	golden = filepath.Join("testdata", "good-bench.txt")
)

// The whole output on a good bench with the calibration cable in it; times are
// masked or those of a clock that ticks. Run with UPDATE=1 to write it anew.
func TestTheWholeOutput(t *testing.T) {
	r := newRig(t, "good-balun", simbench.Options{}, nil)
	r.FitForCalibration()
	b := r.bench(t)
	b.Generator.Dialect, b.Bench.Scope.Dialect = "scpi99-generator", "scpi99-digitiser"
	report, text := run(t, b)
	if !report.Works || report.Drive != Level || report.MaxDrive != 13 {
		t.Errorf("%+v", report)
	}
	text = times.ReplaceAllString(addresses.ReplaceAllString(text, "${1}PORT"), "$1 TIME")
	if os.Getenv("UPDATE") != "" {
		if err := os.WriteFile(golden, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if text != string(want) {
		t.Errorf("got\n%s\nwant\n%s", text, want)
	}
}

// A serial line carries the same check: all but the addresses is equal.
func TestOverASerialLine(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("pseudo-terminals of the simulated bench are Linux's")
	}
	r := newRig(t, "good-balun", simbench.Options{PTY: true}, nil)
	r.FitForCalibration()
	_, over := run(t, r.bench(t))
	b := r.bench(t)
	b.Generator.Address, b.Bench.Scope.Address = r.SerialAddresses()
	report, text := run(t, b)
	if !report.Works {
		t.Fatal(text)
	}
	links := regexp.MustCompile(`(?m)^.* link .*$`)
	alike := func(text string) string {
		return times.ReplaceAllString(links.ReplaceAllString(text, ""), "$1 TIME")
	}
	if a, b := alike(over), alike(text); a != b {
		t.Errorf("over TCP\n%s\nover a serial line\n%s", a, b)
	}
}

// What is in the fixture is told, in each scenario.
func TestWhatIsConnected(t *testing.T) {
	for _, c := range []struct {
		scenario         string
		works            bool
		what, said, arms string
		reach            bool
	}{
		{"good-balun", true, "connected", "a balun", "the shield's side feeds arm 2", true},
		{"too-little-ferrite", true, "connected", "a balun", "the shield's side feeds arm 2", true},
		{"common-practice", true, "connected", "a balun", "the shield's side feeds arm 2", true},
		{"swapped-pair", true, "connected", "a balun", "exchanged against what is usual", true},
		{"cable-left-in", true, "connected", "the calibration cable", "cannot be told with the cable", true},
		{"broken-arm", false, "arms", "arm 2 is dead or its wire is off", "arm 2 is dead", false},
		{"rf-cable-off", false, "RF on", "no signal in either channel", "", false},
	} {
		t.Run(c.scenario, func(t *testing.T) {
			t.Parallel()
			report, text := run(t, newRig(t, c.scenario, simbench.Options{}, nil).bench(t))
			if report.Works != c.works || (report.Reach != nil) != c.reach {
				t.Errorf("works: %v, reach: %v\n%s", report.Works, report.Reach, text)
			}
			if f := find(report, "bench", c.what); !strings.Contains(f.Said, c.said) {
				t.Errorf("%+v", f)
			}
			if f := find(report, "bench", "arms"); c.arms != "" && !strings.Contains(f.Said, c.arms) {
				t.Errorf("%+v", f)
			}
		})
	}
}
