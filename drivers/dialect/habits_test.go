package dialect

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"halfturn/drivers"
	"halfturn/drivers/scpi"
	"halfturn/units"
)

func TestSteppedGeneratorsHabits(t *testing.T) {
	f, err := Load("stepped-generator")
	if err != nil {
		t.Fatal(err)
	}
	want := drivers.GeneratorAbilities{
		MinFrequency: 100e3, MaxFrequency: 1e9, MinDrive: -60, MaxDrive: 13, DriveStep: 0.5, Settle: 2 * time.Millisecond,
		Limits:     drivers.LevelLimits{{UpTo: 200e6, Level: 13}, {UpTo: 400e6, Level: 10}, {UpTo: 1e9, Level: 7}},
		Bands:      drivers.Bands{Edges: []units.Hertz{16e6, 64e6, 256e6}, Settle: 60 * time.Millisecond},
		Attenuator: drivers.Attenuator{Levels: []units.DBm{-47, -37, -27, -17, -7, 3}, Hysteresis: 4, Settle: 40 * time.Millisecond},
	}
	if diff := cmp.Diff(want, f.generator.abilities); diff != "" {
		t.Error(diff)
	}
}

func TestHabitsThatCannotBe(t *testing.T) {
	text := shippedText(t, "stepped-generator")
	line := func(s string) int { return lineOf(t, text, s) }
	for _, c := range []struct{ old, new, at, says string }{
		{"- {up_to: 200 MHz, level: 13 dBm}", "- {up_to: 200 MHz}", "- {up_to: 200 MHz", `"level" is missing in to`},
		{"- {up_to: 200 MHz, level: 13 dBm}", "- 13 dBm", "- {up_to: 200 MHz", "key: value"},
		{"up_to: 400 MHz", "up_to: 100 MHz", "- {up_to: 200 MHz", "drive.to[1].up_to is 100 MHz after 200 MHz"},
		{"up_to: 1 GHz", "up_to: 900 MHz", "from: -60 dBm", "drive.to ends at 900 MHz, and the frequencies go up to 1 GHz"},
		{"level: 7 dBm}", "level: -70 dBm}", "frequency: {from", "drive.to allows -70 dBm up to 1 GHz, below the lowest level"},
		{"[16 MHz, 64 MHz, 256 MHz]", "[]", "edges: ", "the list is empty"},
		{"[16 MHz, 64 MHz, 256 MHz]", "[16 MHz, 4 MHz]", "edges: ", "bands.edges holds 4 MHz after 16 MHz"},
		{"    settle: 60 ms\n", "", "edges: ", `"settle" is missing in bands`},
		{"settle: 60 ms", "settle: 0 s", "edges: ", "bands.settle is 0s"},
		{"-7 dBm, 3 dBm]", "3 dBm, -7 dBm]", "levels: ", "attenuator.levels holds -7 dBm after 3 dBm"},
		{"hysteresis: 4 dB", "hysteresis: 10 dB", "levels: ", "attenuator.hysteresis is 10 dB"},
		{"hysteresis: 4 dB", "hysteresis: -1 dB", "levels: ", "cannot be negative"},
		{"[-47 dBm", "[-59 dBm", "frequency: {from", "attenuator.levels begins with -59 dBm"},
	} {
		_, err := Parse("x", strings.NewReader(change(t, text, c.old, c.new)))
		if err == nil || !strings.HasPrefix(err.Error(), fmt.Sprintf("dialect x, line %d: ", line(c.at))) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v\nwant line %d, %q", c.new, err, line(c.at), c.says)
		}
	}
}

// fallingPeer refuses what the stepped generator's limit forbids, and keeps
// what it had, as the instrument would.
func fallingPeer(t testing.TB) *peer {
	p := newPeer(t, "\n")
	limits := drivers.LevelLimits{{UpTo: 200e6, Level: 13}, {UpTo: 400e6, Level: 10}, {UpTo: 1e9, Level: 7}}
	frequency, level, queue := units.Hertz(900e6), units.DBm(5), []string(nil)
	p.answering(func(m string) ([]byte, bool) {
		header, value, _ := strings.Cut(m, " ")
		number := func() float64 {
			v, err := scpi.ParseNumber(value)
			if err != nil {
				t.Errorf("%q: %v", m, err)
			}
			return v
		}
		refuse := func(what string) { queue = append(queue, what) }
		switch header {
		case ":SYSTem:ERRor?":
			if len(queue) == 0 {
				return []byte("0,\"No error\"\n"), false
			}
			next := queue[0]
			queue = queue[1:]
			return []byte(next + "\n"), false
		case ":SOURce:FREQuency":
			if f := units.Hertz(number()); level > limits.At(f) {
				refuse(`-221,"Settings conflict"`)
			} else {
				frequency = f
			}
		case ":SOURce:POWer":
			if l := units.DBm(number()); l > limits.At(frequency) {
				refuse(`-222,"Data out of range"`)
			} else {
				level = l
			}
		case ":SOURce:FREQuency?":
			return fmt.Appendf(nil, "%.3f\n", float64(frequency)), false
		case ":SOURce:POWer?":
			return fmt.Appendf(nil, "%.1f\n", float64(level)), false
		default:
			return nil, false
		}
		return silence, false
	})
	return p
}

func openStepped(t testing.TB, p *peer, h drivers.Habits) *Generator {
	t.Helper()
	c := p.config("stepped-generator")
	c.Habits = h
	g, err := OpenGenerator(t.Context(), c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { g.Close() })
	return g
}

// What the limit forbids is refused and never sent, whichever is set first.
func TestLevelAndFrequencyTogether(t *testing.T) {
	p := fallingPeer(t)
	g := openStepped(t, p, drivers.Habits{})
	ctx := t.Context()
	// While no frequency is known, the least limit holds.
	fails(t, g.SetDrive(ctx, 8), drivers.ErrRefused, "not sent", "8 dBm is above the 7 dBm that are allowed at any frequency")
	must(t, g.Prepare(ctx))
	must(t, g.SetFrequency(ctx, 100e6))
	must(t, g.SetDrive(ctx, 13))
	p.took()
	fails(t, g.SetFrequency(ctx, 300e6), drivers.ErrRefused, "not sent", "the level may be 10 dBm at most, and 13 dBm is set", "lower level before")
	fails(t, g.SetDrive(ctx, 13.1), drivers.ErrRefused, "not sent")
	took(t, p)
	must(t, g.SetDrive(ctx, 10))
	must(t, g.SetFrequency(ctx, 300e6))
	fails(t, g.SetDrive(ctx, 10.5), drivers.ErrRefused, "not sent", "10.5 dBm is above the 10 dBm that are allowed at 300 MHz")
	must(t, g.SetFrequency(ctx, 200e6)) // the edge has the limit below it
	must(t, g.SetDrive(ctx, 13))
	must(t, g.CheckErrors(ctx))
}

// The bench's limit holds besides the dialect's, and so does its step.
func TestBenchTightens(t *testing.T) {
	p := fallingPeer(t)
	g := openStepped(t, p, drivers.Habits{Drive: drivers.DriveHabits{To: drivers.LevelLimits{{UpTo: 150e6, Level: 20}, {UpTo: 1e9, Level: 9}}, Step: 1}})
	ctx := t.Context()
	must(t, g.Prepare(ctx))
	for _, c := range []struct {
		f    units.Hertz
		most units.DBm
	}{{100e6, 13}, {180e6, 9}, {300e6, 9}, {500e6, 7}} {
		must(t, g.SetDrive(ctx, -60))
		must(t, g.SetFrequency(ctx, c.f))
		fails(t, g.SetDrive(ctx, c.most+0.5), drivers.ErrRefused, "not sent")
		must(t, g.SetDrive(ctx, c.most))
	}
	p.took()
	must(t, g.SetDrive(ctx, 6.5)) // steps of 1 dB
	took(t, p, ":SOURce:POWer 6.0")
	c := p.config("stepped-generator")
	c.Habits.Drive.Step = 0.3
	if _, err := OpenGenerator(ctx, c); err == nil || !strings.Contains(err.Error(), "generator.drive.step is 0.3 dB: it must be a whole multiple") {
		t.Errorf("%v", err)
	}
}

// A new connection finds the instrument with whatever level and frequency: the
// lowest level comes first, then the frequency, then the level, from below.
func TestHabitsAfterReconnecting(t *testing.T) {
	p := fallingPeer(t)
	g := openStepped(t, p, drivers.Habits{})
	ctx := t.Context()
	must(t, g.Prepare(ctx))
	must(t, g.SetFrequency(ctx, 100e6))
	must(t, g.SetDrive(ctx, 2))
	p.took()
	p.drop()
	eventually(t, func() error { return g.CheckErrors(ctx) })
	took(t, p, ":OUTPut OFF", "*RST", "*CLS", ":SOURce:POWer -60.0", ":SOURce:FREQuency 100000000.000",
		":SOURce:POWer -1.5", ":SOURce:POWer 2.0")
}

func TestAttenuatorIsComeToFromBelow(t *testing.T) {
	p := fallingPeer(t)
	g := openStepped(t, p, drivers.Habits{})
	ctx := t.Context()
	must(t, g.Prepare(ctx))
	must(t, g.SetFrequency(ctx, 100e6))
	p.took()
	for _, c := range []struct {
		level units.DBm
		sent  []string
	}{
		{2, []string{"2.0"}},           // from -60 dBm
		{0, []string{"0.0"}},           // the step is in and stays so
		{4, []string{"4.0"}},           // out
		{2.5, []string{"-1.5", "2.5"}}, // could be in or out
		{2.5, []string{"2.5"}},         // is in
		{-1, []string{"-1.0"}},         // the lowest that has both
		{5, []string{"5.0"}},           //
		{-1.5, []string{"-1.5"}},       // in for certain
		{-7.5, []string{"-11.5", "-7.5"}},
		{-30, []string{"-31.5", "-30.0"}},
	} {
		must(t, g.SetDrive(ctx, c.level))
		for i := range c.sent {
			c.sent[i] = ":SOURce:POWer " + c.sent[i]
		}
		took(t, p, c.sent...)
	}
	// After a set that failed, nobody knows.
	must(t, g.SetDrive(ctx, 2))
	p.took()
	refusing := p.answer
	p.answering(func(m string) ([]byte, bool) {
		if m == ":SOURce:POWer?" {
			return []byte("garbage\n"), false
		}
		return refusing(m)
	})
	fails(t, g.SetDrive(ctx, 1), drivers.ErrReply)
	p.answering(refusing)
	p.took()
	must(t, g.SetDrive(ctx, 1))
	took(t, p, ":SOURce:POWer -1.5", ":SOURce:POWer 1.0")
}

// A connection that is renewed on the way sets the old level once more, which
// may take the step out: that is no success.
func TestTheLinkIsRenewedOnTheWay(t *testing.T) {
	p := fallingPeer(t)
	g := openStepped(t, p, drivers.Habits{})
	ctx := t.Context()
	must(t, g.Prepare(ctx))
	must(t, g.SetFrequency(ctx, 100e6))
	must(t, g.SetDrive(ctx, 8))
	inner, dropped := p.answer, false
	p.answering(func(m string) ([]byte, bool) {
		reply, _ := inner(m)
		if m == ":SOURce:POWer?" && string(reply) == "-1.5\n" && !dropped {
			dropped = true
			return reply, true
		}
		return reply, false
	})
	err := g.SetDrive(ctx, 2)
	fails(t, err, drivers.ErrLink)
	p.took()
	must(t, g.SetDrive(ctx, 2))
	sent := p.took()
	if n := len(sent); n < 2 || !slices.Equal(sent[n-2:], []string{":SOURce:POWer -1.5", ":SOURce:POWer 2.0"}) {
		t.Errorf("%q", sent)
	}
}

// Whatever levels came before, an attenuator with hysteresis ends where the
// level alone says.
func TestOneLevelIsOnePosition(t *testing.T) {
	p := fallingPeer(t)
	a := drivers.Attenuator{Levels: []units.DBm{-47, -37, -27, -17, -7, 3}, Hysteresis: 4}
	position := 0
	p.mu.Lock()
	inner := p.answer
	p.answer = func(m string) ([]byte, bool) {
		if value, ok := strings.CutPrefix(m, ":SOURce:POWer "); ok {
			l, _ := scpi.ParseNumber(value)
			level := units.DBm(l)
			possibly := len(a.Levels) - sortedBelow(a.Levels, level)
			surely := len(a.Levels) - sortedBelow(a.Levels, level+units.DBm(a.Hysteresis))
			position = max(surely, min(position, possibly))
		}
		return inner(m)
	}
	p.mu.Unlock()
	g := openStepped(t, p, drivers.Habits{})
	must(t, g.Prepare(t.Context()))
	must(t, g.SetFrequency(t.Context(), 100e6))
	rapid.Check(t, func(rt *rapid.T) {
		level := units.DBm(rapid.IntRange(-120, 26).Draw(rt, "half dBm")) / 2
		if err := g.SetDrive(t.Context(), level); err != nil {
			rt.Fatal(err)
		}
		p.mu.Lock()
		defer p.mu.Unlock()
		if want := a.Position(level); position != want {
			rt.Fatalf("%v has %d steps in, want %d", level, position, want)
		}
	})
}

// sortedBelow is how many are at or below level.
func sortedBelow(levels []units.DBm, level units.DBm) int {
	n := slices.IndexFunc(levels, func(l units.DBm) bool { return l > level })
	if n < 0 {
		return len(levels)
	}
	return n
}
