package simbench

import (
	"math"
	"sync"
	"time"

	"halfturn/drivers/simbench/tongue"
	"halfturn/units"
)

// What the instruments can do.
const (
	minFrequency units.Hertz = 100e3
	maxFrequency units.Hertz = 1e9
	minLevel     units.DBm   = -60
	maxLevel     units.DBm   = 13
	levelsPerDB              = 10 // SCPI-99's steps are 0.1 dB

	minPoints    = 16
	maxPoints    = 10000
	fastestAlone = 1e-9 // seconds between samples with one channel on
	fastestBoth  = 2e-9 // with two
	fastestAll   = 4e-9 // with more
	slowest      = 1e-3

	// channels of a scope with a reference: both arms, the splitter's, and one
	// that nothing is connected to. Without a reference it has two.
	channels  = 4
	reference = 2

	rounding = 1e-6 // of a range that was written in decimals
)

// ranges is full scale peak to peak.
var ranges = []units.Volts{16e-3, 40e-3, 80e-3, 160e-3, 400e-3, 800e-3, 1.6, 4, 8}

// bench is the state that generator, fixture and scope share.
type bench struct {
	scenario *Scenario
	now      func() time.Time

	mu        sync.Mutex
	fixture   Fixture
	generator generatorState
	scope     scopeState
	// captures counts acquisitions since the last change of any setting. With
	// the settings and the seed it decides each capture's random part, so that
	// a run that goes on after an interruption sees what it would have seen.
	captures uint64
	noise    source
	record   [channels][]int16 // the last acquisition, 8-bit codes
	valid    bool              // record was taken with the settings that hold now
	complete time.Time         // when it can be had, where clients ask for that

	abilities tongue.Abilities // of the scope
	fittings  uint64           // things put into the fixture so far
	contact   [2]complex128    // what the arms' connectors of the last one multiply by
}

type generatorState struct {
	frequency units.Hertz
	level     units.DBm
	on        bool
	steps     int       // of the attenuator that are in
	bandUntil time.Time // that the band settles; zero for never
	stepUntil time.Time // that the attenuator does
}

type scopeState struct {
	on         [channels]bool
	ranges     [channels]units.Volts
	points     int
	interval   float64 // seconds
	continuous bool
	bits       int // of a sample in a block: 8 or 16
	swapped    bool
}

// At switch-on and *RST.
var freshGenerator = generatorState{frequency: 100e6, level: minLevel}

func (b *bench) freshScope() scopeState {
	s := scopeState{on: [channels]bool{true, true}, points: 1000, interval: fastestBoth, bits: 8}
	for i := range s.ranges {
		s.ranges[i] = b.abilities.Ranges[len(b.abilities.Ranges)-1]
	}
	return s
}

// newBench is a bench whose scope is as the family has it.
func newBench(s *Scenario, scope Family) *bench {
	b := &bench{scenario: s, now: time.Now, fixture: s.Fixture.Calibration, abilities: scope.abilities()}
	b.switchOn()
	b.scope = b.freshScope()
	b.contact = s.contact(b.fittings)
	return b
}

// change runs f with the lock held and makes it count as a change of a
// setting, even where the value stays the same, unless it fails.
func (b *bench) change(f func() error) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := f(); err != nil {
		return err
	}
	b.captures = 0
	b.valid = false
	return nil
}

// acquire samples the channels that are on once. The lock is held.
func (b *bench) acquire() {
	s, g := &b.scope, &b.generator
	h := mix(b.scenario.Seed, bitsOf(g.frequency), bitsOf(g.level), flag(g.on),
		bitsOf(s.ranges[0]), bitsOf(s.ranges[1]), uint64(s.points), math.Float64bits(s.interval),
		uint64(b.fixture), b.captures)
	if s.on[reference] {
		h = mix(h, bitsOf(s.ranges[reference]))
	}
	b.captures++
	b.noise = *newSource(h)
	start := 2 * math.Pi * unit(b.noise.next())

	var tones [channels][harmonics]complex128
	made, level := b.made()
	if g.on {
		tones = b.scenario.atConverter(made, level, b.fixture, s.ranges)
		for arm, contact := range b.contact {
			for h := range tones[arm] {
				tones[arm][h] *= contact
			}
		}
	}
	var waves [channels]wave
	for i := range waves {
		if i >= reference && !s.on[i] {
			continue
		}
		full := float64(s.ranges[i])
		n := b.scenario.Scope.Noise
		waves[i] = wave{
			tones:  tones[i],
			offset: b.scenario.offset(i, s.ranges[i]) * full,
			sigma:  math.Hypot(n.OfRange*full, float64(n.Floor)),
			step:   full / codes,
			cubic:  b.scenario.channel(i).Cubic,
		}
		if cap(b.record[i]) < s.points {
			b.record[i] = make([]int16, s.points, maxPoints)
		}
		b.record[i] = b.record[i][:s.points]
	}
	// The scope's clock is the measure: the generator runs fast by the offset.
	f := float64(made) * (1 + float64(b.scenario.Generator.ClockOffset)*1e-6)
	synthesise((*[2][]int16)(b.record[:2]), (*[2]wave)(waves[:2]), f*s.interval, start, &b.noise)
	for i := reference; i < channels; i++ {
		if s.on[i] {
			synthesiseOne(b.record[i], &waves[i], f*s.interval, start, &b.noise)
		}
	}
	b.valid = true
}

func flag(on bool) uint64 {
	if on {
		return 1
	}
	return 0
}

// fit puts a thing into the fixture. The connectors are made anew, whatever it is.
func (b *bench) fit(what Fixture) {
	_ = b.change(func() error {
		b.fixture = what
		b.fittings++
		b.contact = b.scenario.contact(b.fittings)
		return nil
	})
}
