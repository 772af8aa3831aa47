package dialect

import (
	"context"
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"halfturn/drivers"
	"halfturn/units"
)

func openTestGenerator(t testing.TB) (*peer, *Generator) {
	t.Helper()
	p := newPeer(t, "\n")
	g, err := OpenGenerator(t.Context(), p.config("scpi99-generator"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { g.Close() })
	return p, g
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// fails checks an error of an instrument: its kind, one line, who it was and
// what it says.
func fails(t testing.TB, err, kind error, says ...string) {
	t.Helper()
	var e *drivers.Error
	if !errors.Is(err, kind) || !errors.As(err, &e) {
		t.Fatalf("%v (%T), want %v", err, err, kind)
	}
	if strings.Contains(err.Error(), "\n") || !strings.Contains(e.Instrument, " at tcp://127.0.0.1:") {
		t.Errorf("%v", err)
	}
	for _, s := range says {
		if !strings.Contains(err.Error(), s) {
			t.Errorf("%v\nwant %q in it", err, s)
		}
	}
}

func took(t testing.TB, p *peer, want ...string) {
	t.Helper()
	if diff := cmp.Diff(want, p.took()); diff != "" {
		t.Fatalf("messages (-want +got):\n%s", diff)
	}
}

func TestGeneratorMessages(t *testing.T) {
	p, g := openTestGenerator(t)
	ctx := t.Context()
	if g.Identity() != peerIdentity {
		t.Errorf("identity %q", g.Identity())
	}
	p.took()
	must(t, g.Prepare(ctx))
	took(t, p, ":OUTPut OFF", "*RST", "*CLS")
	must(t, g.SetFrequency(ctx, 30e6))
	must(t, g.SetDrive(ctx, 7))
	must(t, g.SetRF(ctx, true))
	must(t, g.SetRF(ctx, false))
	must(t, g.CheckErrors(ctx))
	took(t, p, ":SOURce:FREQuency 30000000.000", ":SOURce:POWer 7.0", ":OUTPut ON", ":OUTPut OFF")
}

// A drive is rounded down to 0.1 dB.
func TestDriveIsRoundedDown(t *testing.T) {
	p, g := openTestGenerator(t)
	for _, c := range []struct {
		level units.DBm
		sent  string
	}{
		{-60, "-60.0"}, {13, "13.0"}, {-12.3, "-12.3"}, {-12.34, "-12.4"}, {-12.399999, "-12.4"}, {0.3, "0.3"},
		{0.05, "0.0"}, {-0.04, "-0.1"}, {-1e-9, "0.0"}, {12.9999999999, "13.0"}, {5.0 + 0.1 + 0.1 + 0.1, "5.3"},
	} {
		must(t, g.SetDrive(t.Context(), c.level))
		took(t, p, ":SOURce:POWer "+c.sent)
	}
}

func TestRoundDownProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := drivers.GeneratorAbilities{MinDrive: -60, MaxDrive: 13, DriveStep: units.DB(rapid.SampledFrom([]float64{0.01, 0.02, 0.1, 0.25, 0.5, 1}).Draw(t, "step"))}
		l := units.DBm(rapid.Float64Range(-60, 13).Draw(t, "level"))
		r := roundDown(l, a)
		step := float64(a.DriveStep)
		if over := float64(r - l); over > 1e-5*step || over < -step*(1+1e-6) {
			t.Fatalf("%v became %v", l, r)
		}
		if n := float64(r) / step; math.Abs(n-math.Round(n)) > 1e-6 {
			t.Fatalf("%v is no multiple of %v", r, step)
		}
		if again := roundDown(r, a); again != r {
			t.Fatalf("%v became %v", r, again)
		}
	})
}

func TestOutsideAbilitiesIsNotSent(t *testing.T) {
	p, g := openTestGenerator(t)
	ctx, nan := t.Context(), math.NaN()
	for _, l := range []float64{13.01, -60.01, nan, math.Inf(1), math.Inf(-1)} {
		fails(t, g.SetDrive(ctx, units.DBm(l)), drivers.ErrRefused, "not sent", "outside of -60 dBm to 13 dBm", "keep the drive")
	}
	for _, f := range []float64{99e3, 1.01e9, -1, 0, nan} {
		fails(t, g.SetFrequency(ctx, units.Hertz(f)), drivers.ErrRefused, "not sent", "outside of 100 kHz to 1 GHz")
	}
	took(t, p)
}

func TestGeneratorConfirms(t *testing.T) {
	p, g := openTestGenerator(t)
	ctx := t.Context()
	for _, c := range []struct {
		query, reply string
		set          func() error
		kind         error
		says         string
	}{
		{":SOURce:FREQuency?", "30000100", func() error { return g.SetFrequency(ctx, 30e6) }, drivers.ErrRefused, "frequency was set to 30 MHz and it says 30.0001 MHz"},
		{":SOURce:FREQuency?", "3.0000001E+07", func() error { return g.SetFrequency(ctx, 30e6) }, nil, ""},
		{":SOURce:FREQuency?", "lots", func() error { return g.SetFrequency(ctx, 30e6) }, drivers.ErrReply, "not a number"},
		{":SOURce:POWer?", "12.5", func() error { return g.SetDrive(ctx, 13) }, drivers.ErrRefused, "drive was set to 13 dBm and it says 12.5 dBm"},
		{":SOURce:POWer?", "+1.3E+01", func() error { return g.SetDrive(ctx, 13) }, nil, ""},
		{":OUTPut?", "0", func() error { return g.SetRF(ctx, true) }, drivers.ErrRefused, "RF was switched on and is off"},
		{":OUTPut?", "ON", func() error { return g.SetRF(ctx, true) }, nil, ""},
		{":OUTPut?", "1", func() error { return g.SetRF(ctx, false) }, drivers.ErrRefused, "RF was switched off and is on"},
		{":OUTPut?", "perhaps", func() error { return g.SetRF(ctx, false) }, drivers.ErrReply, "perhaps"},
		{"*OPC?", "0", func() error { return g.Prepare(ctx) }, drivers.ErrReply, `"1" was expected`},
		{":SYSTem:ERRor?", `-222,"Data out of range"`, func() error { return g.Prepare(ctx) }, drivers.ErrRefused, "Data out of range"},
	} {
		first := true
		p.answering(func(m string) ([]byte, bool) {
			if m == c.query && first {
				first = c.query != ":SYSTem:ERRor?" // one entry in the queue
				return []byte(c.reply + "\n"), false
			}
			return nil, false
		})
		err := c.set()
		if c.kind == nil {
			must(t, err)
			continue
		}
		fails(t, err, c.kind, c.says)
		var e *drivers.Error
		if errors.As(err, &e) && e.Advice == "" {
			t.Errorf("no advice: %v", err)
		}
	}
}

// What was set is sent again on a new connection, RF off before everything
// and on again at the end.
func TestGeneratorReconnects(t *testing.T) {
	p, g := openTestGenerator(t)
	ctx := t.Context()
	must(t, g.Prepare(ctx))
	must(t, g.SetFrequency(ctx, 30e6))
	must(t, g.SetDrive(ctx, 7.04))
	must(t, g.SetRF(ctx, true))
	p.took()

	p.drop()
	eventually(t, func() error { return g.SetFrequency(ctx, 31e6) })
	took(t, p, ":OUTPut OFF", "*RST", "*CLS", ":SOURce:FREQuency 30000000.000", ":SOURce:POWer 7.0", ":OUTPut ON",
		":SOURce:FREQuency 31000000.000")

	// Switching off does not switch on first.
	p.drop()
	eventually(t, func() error { return g.SetRF(ctx, false) })
	took(t, p, ":OUTPut OFF", "*RST", "*CLS", ":SOURce:FREQuency 31000000.000", ":SOURce:POWer 7.0", ":OUTPut OFF")

	// Nor does what Prepare forgot come back.
	must(t, g.SetRF(ctx, true))
	must(t, g.Prepare(ctx))
	p.took()
	p.drop()
	eventually(t, func() error { return g.CheckErrors(ctx) })
	took(t, p, ":OUTPut OFF", "*RST", "*CLS")
}

// eventually repeats a call whose link failed: the first one may only notice
// that the connection is gone.
func eventually(t testing.TB, f func() error) {
	t.Helper()
	err := f()
	for range 3 {
		if !errors.Is(err, drivers.ErrLink) {
			break
		}
		err = f()
	}
	must(t, err)
}

// pausing asks only after a moment, in which the far end can go away.
type pausing struct{ conn }

func (p pausing) Ask(ctx context.Context, query string) (string, error) {
	time.Sleep(30 * time.Millisecond)
	return p.conn.Ask(ctx, query)
}

// An instrument that reboots between a setting and its confirmation says
// something else for a good reason: that is no refusal, and can be tried again.
func TestRebootBeforeTheConfirmation(t *testing.T) {
	p, g := openTestGenerator(t)
	ctx := t.Context()
	must(t, g.Prepare(ctx))
	must(t, g.SetFrequency(ctx, 30e6))
	g.conn = pausing{g.conn}
	once := func(message string) {
		p.answering(func(m string) ([]byte, bool) {
			if m != message {
				return nil, false
			}
			p.answer = nil // the answer is called with the peer's lock held
			return silence, true
		})
	}
	once(":SOURce:FREQuency 31000000.000")
	fails(t, g.SetFrequency(ctx, 31e6), drivers.ErrLink, "while frequency was set")
	must(t, g.SetFrequency(ctx, 31e6))
	once(":OUTPut ON")
	fails(t, g.SetRF(ctx, true), drivers.ErrLink, "while RF was switched on")
	must(t, g.SetRF(ctx, true))
	once(":OUTPut OFF")
	must(t, g.SetRF(ctx, false)) // which the new connection begins with
}

func TestGeneratorLink(t *testing.T) {
	p, g := openTestGenerator(t)
	ctx := t.Context()
	p.answering(func(m string) ([]byte, bool) {
		if m == ":SOURce:POWer?" {
			return silence, false
		}
		return nil, false
	})
	must(t, g.SetFrequency(ctx, 1e6))
	fails(t, g.SetDrive(ctx, 1), drivers.ErrLink, ":SOURce:POWer?")
	// A level that was never confirmed is not set again.
	p.answering(nil)
	p.took()
	must(t, g.CheckErrors(ctx))
	if m := p.took(); slices.ContainsFunc(m, func(s string) bool { return strings.Contains(s, "POWer") }) || len(m) == 0 {
		t.Errorf("%q", m)
	}
}

func TestOpenErrors(t *testing.T) {
	p := newPeer(t, "\n")
	ctx := t.Context()
	for _, c := range []struct {
		open func() error
		says string
	}{
		{func() error { _, err := OpenGenerator(ctx, p.config("scpi99-digitiser")); return err }, "generator: dialect scpi99-digitiser is for a scope"},
		{func() error { _, err := OpenScope(ctx, p.config("scpi99-generator")); return err }, "scope: dialect scpi99-generator is for a generator"},
		{func() error { _, err := OpenScope(ctx, p.config("none-such")); return err }, `scope: dialect "none-such": neither`},
		{func() error {
			c := p.config("scpi99-digitiser")
			c.Channels = [2]string{"1", "3"}
			_, err := OpenScope(ctx, c)
			return err
		}, `scope: arm 2 is said to feed channel "3", and dialect scpi99-digitiser has the channels 1, 2`},
		{func() error {
			c := p.config("scpi99-digitiser")
			c.Channels = [2]string{"2", "2"}
			_, err := OpenScope(ctx, c)
			return err
		}, "both arms are said to feed channel 2"},
	} {
		if err := c.open(); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%v, want %q", err, c.says)
		}
	}
	gone := p.config("scpi99-generator")
	p.listener.Close()
	g, err := OpenGenerator(ctx, gone)
	fails(t, err, drivers.ErrLink)
	if g != nil {
		t.Error("a generator comes with the error")
	}
}
