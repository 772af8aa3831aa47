package dialect

import (
	"slices"
	"strings"
	"testing"

	"halfturn/drivers"
	"halfturn/units"
)

// openThree is a scope with a reference on channel 4 and the arms on 3 and 1.
func openThree(t *testing.T) (*peer, *Scope) {
	t.Helper()
	p := newPeer(t, "\n")
	p.answering(digitiser(10000))
	config := p.config("scpi99-digitiser-4")
	config.Channels, config.Reference = [2]string{"3", "1"}, "4"
	s, err := OpenScope(t.Context(), config)
	must(t, err)
	t.Cleanup(func() { s.Close() })
	return p, s
}

func TestReferenceChannel(t *testing.T) {
	p, s := openThree(t)
	ctx := t.Context()
	a := s.Abilities()
	if a.Channels != 3 || slices.Contains(a.Windows, drivers.Window{Rate: 500e6, Samples: 10000}) || a.Windows[0].Rate != 250e6 {
		t.Errorf("with three channels on: %+v", a)
	}
	fails(t, s.SetWindow(ctx, drivers.Window{Rate: 500e6, Samples: 10000}), drivers.ErrRefused, "not sent", "3 channels on")
	must(t, s.Prepare(ctx))
	for _, m := range []string{":INPut3 ON", ":INPut1 ON", ":INPut4 ON"} {
		if !slices.Contains(p.took(), m) && p.set[strings.Fields(m)[0]] != "ON" {
			t.Errorf("%q was not sent", m)
		}
	}
	if p.set[":INPut2"] != "OFF" {
		t.Error("the channel that is not used stays on")
	}
	must(t, s.SetRange(ctx, drivers.Arm1, 0.4))
	must(t, s.SetRange(ctx, drivers.Arm2, 1.6))
	must(t, s.SetWindow(ctx, drivers.Window{Rate: 250e6, Samples: 10000}))
	var c drivers.Capture
	fails(t, s.Capture(ctx, &c), drivers.ErrRefused, "range of each channel")
	must(t, s.SetRange(ctx, drivers.Reference, 0.8))
	p.took()
	must(t, s.Capture(ctx, &c))
	took(t, p, ":INITiate", ":TRACe:DATA? CH3", ":TRACe:DATA? CH1", ":TRACe:DATA? CH4")
	for of, want := range map[drivers.Arm]struct {
		channel int
		scale   units.Volts
	}{drivers.Arm1: {3, 0.4 / 256}, drivers.Arm2: {1, 1.6 / 256}, drivers.Reference: {4, 0.8 / 256}} {
		if got := c.Trace(of).VoltsPerCode; got != want.scale {
			t.Errorf("%v: %v per code", of, got)
		}
		sameCodes(t, ramp(want.channel, 10000, -128, 127), c.Trace(of).Codes, 0)
	}

	// All of it is set again on a new connection.
	p.drop()
	clear(p.set)
	_ = s.Capture(ctx, &c) // may fail on the broken link
	must(t, s.Capture(ctx, &c))
	if p.set[":INPut4"] != "ON" || p.set[":SENSe4:VOLTage:RANGe:PTPeak"] != "0.8" {
		t.Errorf("after a new connection: %v", p.set)
	}
}

// A capture into what held a reference does not keep the old one.
func TestNoReferenceIsNoTrace(t *testing.T) {
	_, s := openTestScope(t)
	if s.Abilities().Channels != 2 {
		t.Errorf("%d channels", s.Abilities().Channels)
	}
	ready(t, s)
	c := drivers.Capture{Reference: drivers.Trace{Codes: []int16{1}, VoltsPerCode: 1}}
	must(t, s.Capture(t.Context(), &c))
	if c.Reference.Codes != nil {
		t.Error("the trace of another capture is left in")
	}
	fails(t, s.SetRange(t.Context(), drivers.Reference, 0.4), drivers.ErrRefused, "no channel is named for the reference")
}

func TestReferenceRefused(t *testing.T) {
	for name, c := range map[string]struct {
		config drivers.Config
		why    string
	}{
		"an arm's":  {drivers.Config{Dialect: "scpi99-digitiser-4", Reference: "2"}, "channel 2 is said to be an arm's and the reference's"},
		"not there": {drivers.Config{Dialect: "scpi99-digitiser", Reference: "3"}, `the reference is said to feed channel "3", and dialect scpi99-digitiser has the channels 1, 2`},
	} {
		if _, err := OpenScope(t.Context(), c.config); err == nil || !strings.Contains(err.Error(), c.why) {
			t.Errorf("%s: got %v", name, err)
		}
	}
	text := strings.ReplaceAll(shippedText(t, "scpi99-digitiser-4"), "samples: 10000}", "samples: 10000, channels: 2}")
	f, err := Parse("two at most", strings.NewReader(text))
	must(t, err)
	if _, err := f.scope.used(f.Name, drivers.Config{Reference: "3"}); err == nil || !strings.Contains(err.Error(), "no window with 3 channels on") {
		t.Errorf("got %v", err)
	}
}
