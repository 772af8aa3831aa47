package journal

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.uber.org/goleak"

	"halfturn/analysis/balance"
	"halfturn/analysis/conformity"
	"halfturn/analysis/linearity"
	"halfturn/analysis/uncertainty"
	"halfturn/drivers"
	"halfturn/sweep"
	"halfturn/units"
)

// children are what this binary does when a test starts it again as a process
// of its own.
var children = map[string]func(path string) error{
	"commit": commitForEver,
	"writer": writeOneRun,
	"holder": holdRun,
	"thin":   thinAll,
}

// amounts compares runs: those of a budget have fields of their own.
var amounts = cmp.AllowUnexported(uncertainty.Amount{})

const childVariable = "HALFTURN_JOURNAL_CHILD"

func TestMain(m *testing.M) {
	if child := os.Getenv(childVariable); child != "" {
		if err := children[child](os.Args[1]); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	goleak.VerifyTestMain(m)
}

func open(t testing.TB, path string) *Store {
	t.Helper()
	s, err := Open(context.Background(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func newPath(t testing.TB) string { return filepath.Join(t.TempDir(), "store.db") }

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func create(t testing.TB, s *Store, run sweep.Run) sweep.Run {
	t.Helper()
	must(t, s.Create(context.Background(), &run))
	return run
}

func sampleRun(kind sweep.Kind) sweep.Run {
	half, three := units.DB(0.5), units.Degrees(3)
	return sweep.Run{
		Kind: kind, Label: "Hut 4, second winding", Sleeves: 6, State: sweep.Running, Version: "1.2.3",
		Started: time.Date(2026, 3, 4, 5, 6, 7, 89, time.UTC),
		Bench: sweep.Bench{
			Name: "Harbour bench", Fixture: "lid 2",
			Generator:      drivers.Config{Address: "tcp://127.0.0.1:5025", Dialect: "generator", TimeLimit: time.Second},
			Scope:          drivers.Config{Address: "serial:///dev/ttyUSB0?baud=115200", Dialect: "scope", Channels: [2]string{"1", "3"}},
			Load:           balance.Load{Resistance: 100, Capacitance: 15e-12, Source: 50},
			MaxDrive:       sweep.MaxDrive{Generator: 13, Balun: 20.5},
			InputLimit:     5,
			ClockTolerance: 50,
			Settle:         3 * time.Millisecond,
		},
		Plan: sweep.Plan{
			Segments: []sweep.Segment{{From: 1e5, To: 30e6, Points: 20, Spacing: "logarithmic"}, {From: 31e6, To: 60e6, Points: 7, Spacing: "linear"}},
			Captures: 4, MaxCaptures: 64, Precision: 0.1, Fill: sweep.Fill{Aim: 0.7, Min: 0.5, Max: 0.9}, Headroom: 3, MaxAge: 24 * time.Hour,
		},
		Limits:     conformity.Limits{Name: "antenna range", From: 1e6, To: 30e6, AmplitudeBalance: &half, PhaseBalance: &three},
		Identities: sweep.Identities{Generator: "GENERATOR,A,1,2", Scope: "SCOPE,B,\xb5,4\x00"},
	}
}

// sampleStep is a different step for every index and run.
func sampleStep(run int64, i int) sweep.Step {
	x := float64(i) + 1000*float64(run)
	s := sweep.Step{
		Index: i, Taken: time.Date(2026, 3, 4, 5, 6, i%60, i, time.UTC), Drive: units.DBm(-30 + x/100),
		Range: [2]units.Volts{0.1, units.Volts(0.2 + x)}, Window: drivers.Window{Rate: 1e9, Samples: 10000},
		Fill: [2]float64{0.7, 0.6 + x/1e6}, Acquisitions: 1 + i%3,
		Clock: sweep.Clock{Offset: units.PPM(x / 7), Uncertainty: 0.1},
		Estimate: balance.Estimate{
			Frequency: units.Hertz(1e5 * math.Pow(1.0001, x)), Ratio: complex(-1+x/1e5, x/1e6),
			Cov:       uncertainty.Cov{RR: 1e-9 * (1 + x), RI: -1e-10, II: 2e-9},
			Amplitude: [2]units.Volts{0.035, units.Volts(0.03 + x/1e4)}, UAmplitude: [2]units.Volts{1e-6, 2e-6},
			RAmplitude: 0.25, Sigma: [2]units.Volts{1e-3, 1.1e-3}, Captures: 4, Samples: 10000,
		},
	}
	if i%3 == 2 {
		s.ReferenceRange, s.ReferenceFill = 0.4, 0.5+x/1e6
		s.Estimate.Reference = balance.Reference{
			Transmission: [2]complex128{complex(0.3, x/1e6), complex(-0.3+x/1e5, 0.01)},
			Cov:          [2]uncertainty.Cov{{RR: 1e-9 * (1 + x), RI: 1e-10, II: 2e-9}, {RR: 3e-9, RI: -1e-10, II: 1e-9}},
			Amplitude:    units.Volts(0.1 + x/1e4), Sigma: 9e-4,
		}
	}
	if i%4 == 1 {
		s.Second = linearity.Level{Drive: s.Drive - 6, Fill: [2]float64{0.35, 0.3 + x/1e6}, Code: [2]units.Volts{4e-4, 8e-4}, Estimate: s.Estimate}
		s.Second.Estimate.Captures = 16
		s.Harmonics = linearity.Harmonics{{{Ratio: 1e-3, U: 1e-5}, {}}, {{}, {Ratio: 2e-4 + x/1e9, U: 3e-5}}}
	}
	if i%10 == 9 {
		s.Remark = fmt.Sprintf("no signal above the noise at step %d", i)
		s.Fill = [2]float64{}
		s.Estimate = balance.Estimate{Frequency: s.Estimate.Frequency}
		s.Second, s.Harmonics = linearity.Level{}, linearity.Harmonics{}
	}
	return s
}

// referred adds a reference to captures: the first trace, half as large.
func referred(captures []drivers.Capture) []drivers.Capture {
	for i := range captures {
		r := &captures[i].Reference
		*r = captures[i].Traces[0]
		r.VoltsPerCode /= 2
		r.Codes = slices.Clone(r.Codes)
		slices.Reverse(r.Codes)
	}
	return captures
}

// sampleCaptures is noisy sines in codes of so many bits, seeded by run and step.
func sampleCaptures(seed uint64, captures, samples, bits int) []drivers.Capture {
	random := rand.New(rand.NewPCG(seed, 1))
	full := math.Exp2(float64(bits - 1))
	out := make([]drivers.Capture, captures)
	for k := range out {
		out[k].Rate = 1e9
		for arm := range out[k].Traces {
			t := &out[k].Traces[arm]
			t.VoltsPerCode, t.Zero = units.Volts(0.1/full/2), 0.5
			t.Low, t.High = int16(-full), int16(full-1)
			t.Codes = make([]int16, samples)
			start := random.Float64() * 2 * math.Pi
			for i := range t.Codes {
				v := 0.7*math.Sin(start+0.0317*float64(i)) + 0.008*random.NormFloat64()
				t.Codes[i] = int16(math.Round(v * full))
			}
		}
	}
	return out
}

func smallCaptures(run int64, step int) []drivers.Capture {
	captures := sampleCaptures(uint64(run)<<32|uint64(step), 2, 50+step%7, 8)
	if step%3 == 2 {
		return referred(captures)
	}
	return captures
}

func equalCaptures(a, b []drivers.Capture) bool {
	return slices.EqualFunc(a, b, func(a, b drivers.Capture) bool {
		for of := drivers.Arm1; of <= drivers.Reference; of++ {
			s, t := a.Trace(of), b.Trace(of)
			if !slices.Equal(s.Codes, t.Codes) || s.VoltsPerCode != t.VoltsPerCode || s.Zero != t.Zero || s.Low != t.Low || s.High != t.High {
				return false
			}
		}
		return a.Rate == b.Rate
	})
}

// fill stores a run of so many steps.
func fill(t testing.TB, s *Store, kind sweep.Kind, steps int) sweep.Run {
	t.Helper()
	run := create(t, s, sampleRun(kind))
	for i := range steps {
		step := sampleStep(run.ID, i)
		must(t, s.Commit(context.Background(), run.ID, &step, smallCaptures(run.ID, i)))
	}
	return run
}

func collect(ctx context.Context, s *Store, run int64) (steps []sweep.Step, err error) {
	for step, err := range s.Steps(ctx, run) {
		if err != nil {
			return steps, err
		}
		steps = append(steps, step)
	}
	return steps, nil
}
