package sweep

import (
	"context"
	"fmt"
	"hash/fnv"
	"iter"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"sync"
	"time"

	"halfturn/analysis/balance"
	"halfturn/drivers"
	"halfturn/units"
)

// fakeBench is a generator, a scope and a fixture in memory, for what the
// executor promises about order, retries and ends. The physics over real
// sockets is package simbench's.
type fakeBench struct {
	mu     sync.Mutex
	f      units.Hertz
	drive  units.DBm
	rf     bool
	ranges [drivers.Reference + 1]units.Volts
	window drivers.Window
	since  int // captures since the last setting

	ratio    func(units.Hertz) complex128 // arm 2 over arm 1
	response func(units.Hertz) float64    // arm 1's peak volts at 0 dBm
	noise    float64                      // rms volts in each channel
	cubic    [2]float64                   // a channel reads v(1 - cubic·(2v/range)²)
	ferrite  func(units.DBm) complex128   // what the drive makes of the ratio; nil for nothing
	fault    func(verb string) error      // nil for none
	takes    map[string]time.Duration     // by verb
	transfer time.Duration                // of a capture, besides
	reading  time.Duration
	log      []string
	highest  units.DBm
	// third is the reference's peak volts at 0 dBm; nil for two channels.
	third func(units.Hertz) complex128
}

func newFakeBench(ratio func(units.Hertz) complex128) *fakeBench {
	return &fakeBench{
		ratio:    ratio,
		response: func(units.Hertz) float64 { return 0.3 },
		noise:    1e-3,
		rf:       true, // as left by whoever was here before
	}
}

func (b *fakeBench) did(verb string) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.log = append(b.log, verb)
	if d := b.takes[verb]; d > 0 {
		time.Sleep(d)
	}
	if b.fault != nil {
		return b.fault(verb)
	}
	return nil
}

type fakeGenerator struct{ *fakeBench }

func (g fakeGenerator) Identity() string { return "fake generator" }
func (g fakeGenerator) Abilities() drivers.GeneratorAbilities {
	return drivers.GeneratorAbilities{MinFrequency: 1e5, MaxFrequency: 1e9, MinDrive: -60, MaxDrive: 13, DriveStep: 0.1}
}
func (g fakeGenerator) Prepare(context.Context) error {
	g.rf = false
	return g.did("prepare generator")
}
func (g fakeGenerator) SetFrequency(_ context.Context, f units.Hertz) error {
	g.f, g.since = f, 0
	return g.did("frequency")
}
func (g fakeGenerator) SetDrive(_ context.Context, l units.DBm) error {
	g.drive, g.since = l, 0
	g.highest = max(g.highest, l)
	return g.did("drive")
}
func (g fakeGenerator) SetRF(ctx context.Context, on bool) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	err := g.did(fmt.Sprint("rf ", on))
	g.mu.Lock()
	defer g.mu.Unlock()
	g.rf = on
	return err
}
func (g fakeGenerator) CheckErrors(context.Context) error { return g.did("errors generator") }
func (g fakeGenerator) Close() error                      { return nil }

type fakeScope struct{ *fakeBench }

func (s fakeScope) Identity() string { return "fake scope" }
func (s fakeScope) Abilities() drivers.ScopeAbilities {
	return drivers.ScopeAbilities{
		Channels:   s.channels(),
		Ranges:     []units.Volts{0.016, 0.04, 0.08, 0.16, 0.4, 0.8, 1.6, 4, 8},
		Windows:    []drivers.Window{{Rate: 500e6, Samples: 1000}, {Rate: 100e6, Samples: 1000}, {Rate: 10e6, Samples: 1000}},
		InputLimit: 5,
	}
}
func (b *fakeBench) channels() int {
	if b.third != nil {
		return 3
	}
	return 2
}
func (s fakeScope) Prepare(context.Context) error { return s.did("prepare scope") }
func (s fakeScope) SetRange(_ context.Context, arm drivers.Arm, full units.Volts) error {
	s.ranges[arm], s.since = full, 0
	return s.did("range")
}
func (s fakeScope) SetWindow(_ context.Context, w drivers.Window) error {
	s.window, s.since = w, 0
	return s.did("window")
}
func (s fakeScope) Reading() time.Duration            { return s.reading }
func (s fakeScope) CheckErrors(context.Context) error { return s.did("errors scope") }
func (s fakeScope) Close() error                      { return nil }

// Capture draws its noise from the settings, so that a step taken again after
// a resume is the same step.
func (s fakeScope) Capture(_ context.Context, c *drivers.Capture) error {
	if err := s.did("capture"); err != nil {
		return err
	}
	if s.transfer > 0 {
		time.Sleep(s.transfer)
		s.reading += s.transfer
	}
	h := fnv.New64a()
	fmt.Fprint(h, s.f, s.drive, s.ranges[:s.channels()], s.window, s.since)
	s.since++
	random := rand.New(rand.NewPCG(h.Sum64(), 1))
	c.Rate = s.window.Rate
	amplitude := complex(s.response(s.f)*units.DB(s.drive).Ratio(), 0)
	if !s.rf {
		amplitude = 0
	}
	ratio := s.ratio(s.f)
	if s.ferrite != nil {
		ratio *= s.ferrite(s.drive)
	}
	start := cmplx.Rect(1, random.Float64()*2*math.Pi)
	phasors := []complex128{amplitude * start, amplitude * start * ratio}
	if s.third != nil {
		third := s.third(s.f) * complex(units.DB(s.drive).Ratio(), 0)
		if !s.rf {
			third = 0
		}
		phasors = append(phasors, third*start)
	}
	for arm, p := range phasors {
		t := c.Trace(drivers.Arm(arm))
		if cap(t.Codes) < s.window.Samples {
			t.Codes = make([]int16, s.window.Samples)
		}
		t.Codes = t.Codes[:s.window.Samples]
		t.VoltsPerCode = s.ranges[arm] / 256
		t.Low, t.High = -128, 127
		turn := cmplx.Rect(1, 2*math.Pi*math.Mod(float64(s.f/s.window.Rate), 1))
		for i := range t.Codes {
			v := real(p)
			x := 2 * v / float64(s.ranges[arm])
			v += s.noise * random.NormFloat64()
			if arm < len(s.cubic) {
				v -= s.cubic[arm] * x * x * real(p)
			}
			t.Codes[i] = int16(math.Max(-128, math.Min(127, math.Round(v/float64(t.VoltsPerCode)))))
			p *= turn
		}
	}
	return nil
}

// memory is a journal without a disk.
type memory struct {
	runs     map[int64]Run
	steps    map[int64][]Step
	refuse   func(step int) error // of Commit
	onCommit func(step int)
	takes    func(step int) time.Duration // of Commit; nil for none
	captures int
}

func newMemory() *memory { return &memory{runs: map[int64]Run{}, steps: map[int64][]Step{}} }

func (m *memory) Create(_ context.Context, run *Run) error {
	run.ID = int64(len(m.runs) + 1)
	m.runs[run.ID] = *run
	return nil
}

func (m *memory) Commit(ctx context.Context, run int64, step *Step, captures []drivers.Capture) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if m.takes != nil {
		time.Sleep(m.takes(step.Index))
	}
	if m.refuse != nil {
		if err := m.refuse(step.Index); err != nil {
			return err
		}
	}
	if step.Index != len(m.steps[run]) {
		return fmt.Errorf("step %d after %d", step.Index, len(m.steps[run]))
	}
	m.steps[run] = append(m.steps[run], *step)
	m.captures += len(captures)
	if m.onCommit != nil {
		m.onCommit(step.Index)
	}
	return nil
}

func (m *memory) Update(_ context.Context, run *Run) error {
	m.runs[run.ID] = *run
	return nil
}

func (m *memory) Run(_ context.Context, id int64) (Run, error) {
	run, ok := m.runs[id]
	if !ok {
		return run, fmt.Errorf("no run %d", id)
	}
	return run, nil
}

func (m *memory) Steps(_ context.Context, run int64) iter.Seq2[Step, error] {
	return func(yield func(Step, error) bool) {
		for _, s := range m.steps[run] {
			if !yield(s, nil) {
				return
			}
		}
	}
}

// executor drives the bench with a clock that stands still.
func (b *fakeBench) executor(j Journal) *Executor {
	return &Executor{
		Generator: fakeGenerator{b}, Scope: fakeScope{b}, Journal: j,
		Now:     func() time.Time { return time.Date(2026, 3, 1, 22, 0, 0, 0, time.UTC) },
		Retries: 2, Backoff: time.Microsecond,
	}
}

func testRun(kind Kind, points int) *Run {
	return &Run{
		Kind: kind,
		Bench: Bench{
			Name: "test", Fixture: "F1",
			Load:           balance.Load{Resistance: 100, Capacitance: 15e-12, Source: 50},
			MaxDrive:       MaxDrive{Generator: 13, Balun: 20},
			ClockTolerance: 50,
		},
		Plan: Plan{
			Segments: []Segment{{From: 10e6, To: 200e6, Points: points, Spacing: Logarithmic}},
			Captures: 2, MaxCaptures: 8, Precision: 0.2,
			Fill: Fill{Aim: 0.7, Min: 0.5, Max: 0.9}, Headroom: 4,
		},
	}
}
