package sweep

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"halfturn/analysis/balance"
	"halfturn/analysis/uncertainty"
	"halfturn/configs"
	"halfturn/drivers"
	"halfturn/drivers/dialect"
	"halfturn/drivers/simbench"
	"halfturn/sweep/level"
	"halfturn/units"
)

// A generator with habits, simulated on real sockets, with a dialect that knows
// them and with ones that lack one each.

// rig is the shipped scenario, changed, opened with the shipped dialect, some
// of its lines replaced.
type rig struct {
	*simbench.Server
	*Executor
	journal *memory
	clock   atomic.Int32 // of the simulated generator
}

// The generator's clocks.
const (
	runs   = iota // as clocks do
	leaps         // whatever settles is over when it is looked at again
	stands        // what has begun to settle never ends
)

func steppedBench(t *testing.T, change func(*simbench.Scenario), lines ...string) *rig {
	t.Helper()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	scenario, err := simbench.Load("stepped-generator")
	must(err)
	if change != nil {
		change(scenario)
	}
	r := &rig{journal: newMemory()}
	var hours atomic.Int64
	start := time.Now()
	r.Server, err = simbench.Serve(t.Context(), scenario, simbench.Options{Now: func() time.Time {
		switch r.clock.Load() {
		case leaps:
			hours.Add(1)
		case runs:
			return time.Now()
		}
		return start.Add(time.Duration(hours.Load()) * time.Hour)
	}})
	must(err)
	t.Cleanup(func() { r.Server.Close() })
	text, err := configs.FS.ReadFile("dialects/stepped-generator.yaml")
	must(err)
	own := string(text)
	for i := 0; i < len(lines); i += 2 {
		if !strings.Contains(own, lines[i]) {
			t.Fatalf("the dialect has no %q", lines[i])
		}
		own = strings.Replace(own, lines[i], lines[i+1], 1)
	}
	file := filepath.Join(t.TempDir(), "generator.yaml")
	must(os.WriteFile(file, []byte(own), 0o600))
	g, err := dialect.OpenGenerator(t.Context(), drivers.Config{Address: r.GeneratorAddress(), Dialect: file})
	must(err)
	t.Cleanup(func() { g.Close() })
	s, err := dialect.OpenScope(t.Context(), drivers.Config{Address: r.ScopeAddress(), Dialect: "scpi99-digitiser"})
	must(err)
	t.Cleanup(func() { s.Close() })
	r.Executor = &Executor{Generator: g, Scope: s, Journal: r.journal, Now: func() time.Time { return time.Date(2026, 3, 1, 22, 0, 0, 0, time.UTC) }}
	return r
}

func steppedRun(kind Kind) *Run {
	run := testRun(kind, 24)
	run.Plan.Segments[0] = Segment{From: 5e6, To: 480e6, Points: 30, Spacing: Logarithmic}
	// A bench whose level is known but for its attenuator, and that step known.
	none := func(u string) uncertainty.EntryConfig {
		var e uncertainty.EntryConfig
		if err := e.Value.UnmarshalText([]byte(u)); err != nil {
			panic(err)
		}
		e.Distribution = uncertainty.Rectangular
		return e
	}
	run.Bench.Uncertainty.LevelLinearity = none("0.05 dB")
	run.Bench.Uncertainty.SourceResistance = none("0.5 %")
	run.Bench.Uncertainty.AttenuatorStep = none("0.7 dB")
	return run
}

// calibrate makes and loads a calibration.
func (r *rig) calibrate(t *testing.T) (*Calibrated, error) {
	t.Helper()
	r.FitForCalibration()
	run := steppedRun(Calibration)
	if err := r.Start(t.Context(), run, nil); err != nil {
		return nil, err
	}
	return LoadCalibrated(t.Context(), r.journal, run.ID)
}

// measure carries out a balun's run.
func (r *rig) measure(t *testing.T, cal *Calibrated) (*Run, error) {
	t.Helper()
	r.FitForMeasurement()
	run := steppedRun(Balun)
	return run, r.Start(t.Context(), run, cal)
}

// interrupted is measure with a full disk after so many steps, and somebody at the
// front panel before it goes on.
func (r *rig) interrupted(t *testing.T, cal *Calibrated, after int) (*Run, error) {
	t.Helper()
	r.FitForMeasurement()
	j := newMemory()
	j.runs[cal.Run.ID], j.steps[cal.Run.ID] = cal.Run, r.journal.steps[cal.Run.ID]
	full := errors.New("disk full")
	j.refuse = func(step int) error { return cond(step == after, full) }
	r.journal, r.Journal = j, j
	run := steppedRun(Balun)
	if err := r.Start(t.Context(), run, cal); !errors.Is(err, full) || len(j.steps[run.ID]) != after {
		t.Fatalf("%d steps, %v", len(j.steps[run.ID]), err)
	}
	g := r.Generator
	if err := errors.Join(g.SetDrive(t.Context(), -60), g.SetFrequency(t.Context(), 100e6), g.SetDrive(t.Context(), 13)); err != nil {
		t.Fatal(err)
	}
	j.refuse = nil
	return run, r.Resume(t.Context(), run, cal)
}

// off counts the insertion losses that are further from the truth than stated,
// and the steps where the attenuator differs between balun and calibration.
func (r *rig) off(t *testing.T, run *Run, cal *Calibrated) (beyond, differ int, first string) {
	t.Helper()
	outcome, err := Analyse(run, r.journal.Steps(t.Context(), run.ID), cal)
	if err != nil {
		t.Fatal(err)
	}
	for i, result := range outcome.Results {
		if outcome.Remarks[i] != "" {
			t.Fatalf("%s: %s", result.Frequency.Brief(), outcome.Remarks[i])
		}
		if result.AttenuatorsDiffer {
			differ++
		}
		if truth := r.Truth(result.Frequency).InsertionLoss; math.Abs(float64(result.InsertionLoss-truth)) > float64(result.UInsertionLoss) {
			if beyond++; beyond == 1 {
				first = fmt.Sprintf("%s: %.2f dB ± %.2f dB, and it is %.2f dB", result.Frequency.Brief(), result.InsertionLoss, result.UInsertionLoss, truth)
			}
		}
	}
	return beyond, differ, first
}

func TestHabitsAreKeptTo(t *testing.T) {
	r := steppedBench(t, nil)
	cal, err := r.calibrate(t)
	if err != nil {
		t.Fatal(err)
	}
	run, err := r.measure(t, cal)
	if err != nil {
		t.Fatal(err)
	}
	beyond, differ, first := r.off(t, run, cal)
	if beyond > 0 {
		t.Errorf("%d insertion losses are off, first %s", beyond, first)
	}
	steps := r.journal.steps[run.ID]
	if differ > len(steps)/6 {
		t.Errorf("the attenuator is not where the calibration had it at %d of %d steps", differ, len(steps))
	}
	a := r.Generator.Abilities()
	for _, s := range append(r.journal.steps[cal.Run.ID], steps...) {
		f := s.Estimate.Frequency
		if n := float64(s.Drive) / 0.5; s.Drive > a.MaxDriveAt(f) || n != math.Round(n) {
			t.Errorf("%s: drive %v, of steps of 0.5 dB up to %v", f.Brief(), s.Drive, a.MaxDriveAt(f))
		}
	}
	// The attenuator is kept with the run, and a calibration with another one
	// does not serve.
	if got := r.journal.runs[run.ID].Bench.Generator.Habits.Attenuator; !got.Equal(a.Attenuator) {
		t.Errorf("kept is %v", got)
	}
	other := *run
	other.Bench.Generator.Habits.Attenuator = drivers.Attenuator{}
	if err := cal.Fits(&other); err == nil || !strings.Contains(err.Error(), `the generator's attenuator was "switching at -47 dBm, `) {
		t.Errorf("%v", err)
	}
	stopped := *run
	stopped.State, stopped.Bench.Generator.Habits.Attenuator.Hysteresis = Stopped, 2
	if err := r.Resume(t.Context(), &stopped, cal); err == nil || !strings.Contains(err.Error(), "start a new run") {
		t.Errorf("%v", err)
	}
	// What the generator stands at when a run goes on is another thing than when
	// it stopped; what comes out is the same.
	for _, after := range []int{7, 17} {
		again, err := r.interrupted(t, cal, after)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(steps, r.journal.steps[again.ID]); diff != "" {
			t.Errorf("stopped at %d: %s", after, diff)
		}
	}
}

// Lines of the dialect.
const (
	itsBands = "  bands:\n    edges: [16 MHz, 64 MHz, 256 MHz]\n    settle: 60 ms\n"
	itsSteps = "  attenuator:\n    levels: [-47 dBm, -37 dBm, -27 dBm, -17 dBm, -7 dBm, 3 dBm]\n" +
		"    hysteresis: 4 dB           # the step out at 3 dBm goes in again below -1 dBm\n    settle: 40 ms\n"
)

// Each habit that the dialect does not know is noticed: the generator refuses
// or does something else than it was told, or the results are off. Nobody waits
// in the balun's run, while the calibration was made with patience.
func TestHabitsThatAreIgnoredShow(t *testing.T) {
	for _, c := range []struct {
		name     string
		scenario func(*simbench.Source)
		lines    []string
		flagged  string // by this error; empty: results are off
	}{
		{"steps", nil, []string{"step: 0.5 dB", "step: 0.1 dB"}, "drive was set to"},
		{"limit", func(g *simbench.Source) { g.Level.To = []simbench.LevelLimit{{UpTo: 1e9, Level: 0}} }, nil, "refused by the instrument"},
		{"bands' level", func(g *simbench.Source) { g.Bands.Frequency, g.Attenuator.Settle = 0, 0 }, []string{itsBands, ""}, ""},
		{"bands' frequency", func(g *simbench.Source) { g.Bands.Level, g.Attenuator.Settle = 0, 0 }, []string{itsBands, ""}, "not at the commanded frequency"},
		{"attenuator's time", func(g *simbench.Source) { g.Attenuator.Level, g.Bands.Settle = -3, 0 }, []string{itsSteps, ""}, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := steppedBench(t, func(s *simbench.Scenario) {
				if c.scenario != nil {
					c.scenario(&s.Generator)
				}
			}, c.lines...)
			r.clock.Store(leaps)
			cal, err := r.calibrate(t)
			var run *Run
			if err == nil {
				r.clock.Store(stands)
				run, err = r.measure(t, cal)
			}
			if c.flagged != "" {
				if err == nil || !strings.Contains(err.Error(), c.flagged) {
					t.Errorf("%v, want %q", err, c.flagged)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			beyond, _, first := r.off(t, run, cal)
			if t.Logf("%d off, first %s", beyond, first); beyond == 0 {
				t.Error("nothing is off")
			}
		})
	}
}

// With a hysteresis of nearly a step, the attenuator hangs on the levels before.
// A run that was interrupted has others than its calibration, which shows in
// insertion loss if the dialect does not know of it.
func TestHysteresis(t *testing.T) {
	wide := func(s *simbench.Scenario) { s.Generator.Attenuator.Hysteresis = 9 }
	for name, c := range map[string]struct {
		lines []string
		shows bool
	}{
		"known":   {[]string{"hysteresis: 4 dB", "hysteresis: 9 dB"}, false},
		"unknown": {[]string{itsSteps, ""}, true},
	} {
		t.Run(name, func(t *testing.T) {
			r := steppedBench(t, wide, c.lines...)
			r.clock.Store(leaps)
			cal, err := r.calibrate(t)
			if err != nil {
				t.Fatal(err)
			}
			run, err := r.interrupted(t, cal, 25)
			if err != nil {
				t.Fatal(err)
			}
			beyond, _, first := r.off(t, run, cal)
			if t.Logf("%d off, first %s", beyond, first); beyond > 0 != c.shows {
				t.Errorf("%d insertion losses are off, first %s", beyond, first)
			}
		})
	}
}

// particular is a generator that refuses what its limit forbids at the frequency
// that it stands at, whatever the drivers think.
type particular struct {
	fakeGenerator
	abilities drivers.GeneratorAbilities
}

var errParticular = errors.New("refused")

func (g *particular) Abilities() drivers.GeneratorAbilities { return g.abilities }

func (g *particular) SetFrequency(ctx context.Context, f units.Hertz) error {
	if g.drive > g.abilities.MaxDriveAt(f) {
		return fmt.Errorf("%w: %v at %s with %v set", errParticular, f, f.Brief(), g.drive)
	}
	return g.fakeGenerator.SetFrequency(ctx, f)
}

func (g *particular) SetDrive(ctx context.Context, l units.DBm) error {
	if l > g.abilities.MaxDriveAt(g.f) {
		return fmt.Errorf("%w: %v at %s", errParticular, l, g.f.Brief())
	}
	return g.fakeGenerator.SetDrive(ctx, l)
}

func newParticular() *particular {
	g := &particular{fakeGenerator: fakeGenerator{newFakeBench(skewed)}}
	g.abilities = g.fakeGenerator.Abilities()
	g.abilities.Limits = drivers.LevelLimits{{UpTo: 100e6, Level: 13}, {UpTo: 200e6, Level: 5}, {UpTo: 1e9, Level: -10}}
	return g
}

// However a setting follows another, no level is asked for that the frequency
// of the moment forbids, also after a failure that left it open what was taken.
func TestLevelAndFrequencyGoInTheRightOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := newParticular()
		frequency := func(what string) units.Hertz {
			return rapid.SampledFrom([]units.Hertz{1e6, 100e6, 150e6, 200e6, 500e6}).Draw(t, what)
		}
		drive := func(f units.Hertz) units.DBm {
			return min(units.DBm(rapid.IntRange(-60, 13).Draw(t, "drive")), g.abilities.MaxDriveAt(f))
		}
		g.f = frequency("as it was left")
		g.drive = drive(g.f)
		u := tuner{generator: g, scope: fakeScope{g.fakeBench}, watch: startedWatch()}
		for range rapid.IntRange(1, 12).Draw(t, "settings") {
			f := frequency("f")
			s := level.Setting{Drive: drive(f), Range: 0.4}
			if err := u.set(context.Background(), f, s, 0); err != nil {
				t.Fatal(err)
			}
			if g.f != f || g.drive != s.Drive {
				t.Fatalf("stands at %v and %v, wanted %v and %v", g.f, g.drive, f, s.Drive)
			}
			if rapid.Bool().Draw(t, "failure") {
				u.forget()
			}
		}
	})
}

// Settling of band and attenuator is waited for where they switch, and nowhere
// else: they take so long here that waiting is never over.
func TestClicksAreWaitedForWhereTheyAre(t *testing.T) {
	const forever = 1000 * time.Hour
	g := newParticular()
	g.abilities.Bands = drivers.Bands{Edges: []units.Hertz{16e6}, Settle: forever}
	g.abilities.Attenuator = drivers.Attenuator{Levels: []units.DBm{3}, Hysteresis: 2, Settle: forever}
	for _, c := range []struct {
		from, to units.Hertz
		was, is  units.DBm
		waits    bool
	}{
		{10e6, 15e6, -5, -5, false}, {10e6, 15e6, -5, 2.5, false}, {15e6, 10e6, 5, 3, false}, {20e6, 90e6, 5, 4, false},
		{15e6, 17e6, 0, 0, true}, {17e6, 15e6, 0, 0, true}, {10e6, 11e6, 2.5, 3, true}, {10e6, 10e6, 3, 2.5, true},
	} {
		u := tuner{generator: g, scope: fakeScope{g.fakeBench}, watch: startedWatch(), known: true, frequency: c.from, setting: level.Setting{Drive: c.was}}
		ctx, cancel := context.WithCancel(t.Context())
		if c.waits {
			cancel() // which only the waiting notices
		}
		err := u.set(ctx, c.to, level.Setting{Drive: c.is}, 0)
		cancel()
		if waited := errors.Is(err, context.Canceled); waited != c.waits || err != nil && !waited {
			t.Errorf("%+v: %v", c, err)
		}
	}
	// And where nothing is known.
	u := tuner{generator: g, scope: fakeScope{g.fakeBench}, watch: startedWatch()}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	time.AfterFunc(20*time.Millisecond, cancel)
	if err := u.set(ctx, 10e6, level.Setting{}, 0); !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
}

func TestPace(t *testing.T) {
	began := time.Date(2026, 3, 1, 22, 0, 0, 0, time.UTC)
	var p Pace
	// Steps of 1 s; before steps 2 and 5 a click of 10 s, which is known.
	ahead := []time.Duration{20, 20, 10, 10, 10, 0, 0, 0}
	now := began
	for i := range ahead {
		if i > 0 {
			now = now.Add(time.Second + (ahead[i-1]-ahead[i])*time.Second)
		}
		left, ok := p.Left(&Event{Step: &Step{Index: i}, Total: len(ahead), Ahead: ahead[i] * time.Second}, now)
		want := time.Duration(len(ahead)-1-i)*time.Second + ahead[i]*time.Second
		if ok != (i > 0) || ok && left != want {
			t.Errorf("after step %d: %v (%v), want %v", i, left, ok, want)
		}
	}
}

func TestClicksAhead(t *testing.T) {
	g := &drivers.GeneratorAbilities{Bands: drivers.Bands{Edges: []units.Hertz{16e6, 64e6}, Settle: time.Second}}
	p := &pass{places: []place{{frequency: 10e6}, {frequency: 20e6}, {frequency: 30e6}, {frequency: 70e6}}}
	if diff := cmp.Diff([]time.Duration{2e9, 1e9, 1e9, 0}, p.clicksAhead(g)); diff != "" {
		t.Error(diff)
	}
	// With a calibration, as its drives went.
	g.Attenuator = drivers.Attenuator{Levels: []units.DBm{3}, Settle: 100 * time.Millisecond}
	var points []balance.Point
	for i, f := range []units.Hertz{10e6, 20e6, 30e6, 70e6} {
		e := balance.Estimate{Frequency: f, Ratio: 1, Cov: uncertainty.Circular(1e-8), Amplitude: [2]units.Volts{1, 1}, Captures: 1, Samples: 100}
		points = append(points, balance.Point{Estimate: e, Drive: units.DBm(2 * i), Range: [2]units.Volts{4, 4}})
	}
	ratios, err := balance.NewCalibration(points)
	if err != nil {
		t.Fatal(err)
	}
	p.cal = &Calibrated{ratios: ratios}
	if diff := cmp.Diff([]time.Duration{2.1e9, 1.1e9, 1e9, 0}, p.clicksAhead(g)); diff != "" {
		t.Error(diff)
	}
}
