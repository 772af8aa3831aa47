package simbench

import (
	"context"
	"math"
	"math/cmplx"
	"slices"
	"strings"
	"testing"

	"halfturn/drivers"
	"halfturn/drivers/dialect"
	"halfturn/units"
)

// Against the voltage where a splitter of two equal resistors divides, the
// fixture is fed from one of them, whatever comes before: the arms' voltages
// over the reference are those of a bench without a splitter whose source has
// that resistance, but for a factor that is the same with cable and balun. So
// it is with a matched pad behind. Tolerance: double precision.
func TestReferenceTakesTheSourceOut(t *testing.T) {
	plain := load(t, "good-balun")
	for _, c := range []struct {
		pad      units.DB
		internal units.Ohms
	}{{0, 50}, {0, 43}, {6, 50}, {10, 61}} {
		s := load(t, "good-balun")
		s.Reference.Resistance, s.Reference.Pad = 50, c.pad
		s.Generator.Resistance = c.internal
		for _, f := range []units.Hertz{1e6, 30e6, 144e6, 431e6} {
			truth := s.Truth(f)
			k := s.NominalLoad.transmission(f)
			balun, cable := plain.solve(f, FitBalun).node, plain.solve(f, FitCalibrationCable).node
			for arm, got := range truth.Transmission {
				if want := balun[arm] / cable[arm] / k; cmplx.Abs(got-want) > 1e-9 {
					t.Errorf("pad %v, source %v, %v, arm %d: %v, want %v", c.pad, c.internal, f, arm+1, got, want)
				}
			}
			if d := truth.InsertionLoss - plain.Truth(f).InsertionLoss; math.Abs(float64(d)) > 1e-9 {
				t.Errorf("pad %v, source %v, %v: insertion loss off by %v", c.pad, c.internal, f, d)
			}
			if d := cmplx.Abs(truth.Transmission[1]/truth.Transmission[0] - truth.Ratio); d > 1e-9 {
				t.Errorf("%v: the two transmissions have another ratio, by %g", f, d)
			}
		}
	}
	if plain.Truth(30e6).Transmission != [2]complex128{} {
		t.Error("a transmission without a reference")
	}
}

// A lossless balun in a matched fixture has +1 and -1, turned by the delay that
// its line has more than the cable.
func TestTransmissionOfALosslessBalun(t *testing.T) {
	s := load(t, "good-balun")
	s.Reference.Resistance = 50
	s.Balun.Sleeve = Sleeve{Inductance: 1, Resistance: 1e9}
	s.Balun.Wires = [2]Wire{}
	s.Arms = [2]Arm{{Resistance: 100, Capacitance: 15e-12, Lead: s.Arms[0].Lead}, {Resistance: 100, Capacitance: 15e-12, Lead: s.Arms[1].Lead}}
	f := units.Hertz(87e6)
	more := float64(s.Balun.Line.Delay - s.Cable.Delay)
	for arm, got := range s.Truth(f).Transmission {
		want := cmplx.Rect(float64(1-2*arm), -2*math.Pi*float64(f)*more)
		if cmplx.Abs(got-want) > 1e-5 { // what the choke still lets through
			t.Errorf("arm %d: %v, want %v", arm+1, got, want)
		}
	}
}

func TestReferenceChannelReads(t *testing.T) {
	s := load(t, "good-balun")
	s.Reference = Split{Resistance: 50, Pad: 10, Channel: Channel{Poles: [2]units.Hertz{150e6, 160e6}, Delay: 1e-9, Gain: 0.2}}
	f := units.Hertz(50.05e6)
	for _, what := range []Fixture{FitNothing, FitCalibrationCable, FitBalun} {
		b := plainBench(s, f, 0, 0.8, what)
		b.scope.ranges[reference], b.scope.ranges[3] = 0.8, 0.8
		b.scope.on = [channels]bool{true, true, true, true}
		b.scope.interval = fastestAll
		b.acquire()
		want := s.atConverter(f, 0, what, b.scope.ranges)
		for i, record := range b.record {
			got := cmplx.Abs(dft(record, f, b.scope.interval, 0.8/codes))
			// Noise of 2.4 mV and a step of 3.1 mV over 10 000 samples.
			if math.Abs(got-cmplx.Abs(want[i][0])) > 2e-4 {
				t.Errorf("%v, channel %d: %g V, want %g V", what, i+1, got, cmplx.Abs(want[i][0]))
			}
		}
		if cmplx.Abs(want[reference][0]) < 0.1 || want[3] != [harmonics]complex128{} {
			t.Errorf("%v: the reference reads %v, and a channel with nothing on it %v", what, want[reference][0], want[3][0])
		}
	}
	s.Reference.Uncabled = true
	if v := s.atConverter(f, 0, FitBalun, [channels]units.Volts{1, 1, 1, 1}); v[reference] != [harmonics]complex128{} || v[0][0] == 0 {
		t.Errorf("with the splitter's cable off: %v", v)
	}
}

// Both arms sample what they sample without a third channel, but for the range
// that their noise is drawn with.
func TestTwoChannelsAreAsBefore(t *testing.T) {
	s := load(t, "good-balun")
	plain := plainBench(s, 50.05e6, 0, 0.8, FitBalun)
	plain.acquire()
	if plain.record[reference] != nil {
		t.Error("a record of a channel that is off")
	}
	again := plainBench(s, 50.05e6, 0, 0.8, FitBalun)
	again.scope.ranges[reference] = 1.6
	again.acquire()
	for i := range 2 {
		if !slices.Equal(plain.record[i], again.record[i]) {
			t.Errorf("channel %d differs", i+1)
		}
	}
}

// The served scope with its shipped dialect: the complex transmission of both
// arms, calibration taken out.
func TestReferenceThroughTheDialect(t *testing.T) {
	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	scenario := load(t, "with-reference")
	server, err := Serve(ctx, scenario, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer server.Close()
	g, err := dialect.OpenGenerator(ctx, drivers.Config{Address: server.GeneratorAddress(), Dialect: "scpi99-generator"})
	if err != nil {
		t.Fatal(err)
	}
	defer g.Close()
	s, err := dialect.OpenScope(ctx, drivers.Config{Address: server.ScopeAddress(), Dialect: "scpi99-digitiser-4", Channels: [2]string{"1", "2"}, Reference: "3"})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	f := units.Hertz(100.05e6)
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	read := func() (t [2]complex128) {
		must(g.Prepare(ctx))
		must(s.Prepare(ctx))
		must(g.SetFrequency(ctx, f))
		must(g.SetDrive(ctx, 10))
		must(g.SetRF(ctx, true))
		for _, of := range []drivers.Arm{drivers.Arm1, drivers.Arm2, drivers.Reference} {
			must(s.SetRange(ctx, of, 0.8))
		}
		must(s.SetWindow(ctx, s.Abilities().Windows[0]))
		var c drivers.Capture
		must(s.Capture(ctx, &c))
		must(g.SetRF(ctx, false))
		must(s.CheckErrors(ctx))
		interval := 1 / float64(c.Rate)
		for arm := range t {
			t[arm] = dft(c.Traces[arm].Codes, f, interval, 1) / dft(c.Reference.Codes, f, interval, 1)
		}
		return t
	}
	server.FitForCalibration()
	cable := read()
	server.FitForMeasurement()
	balun := read()
	truth := server.Truth(f)
	k := scenario.NominalLoad.transmission(f)
	for arm, want := range truth.Transmission {
		// One capture each of about 0.1 V with 2.5 mV of noise: 1e-3 standard.
		if got := balun[arm] / cable[arm] / k; cmplx.Abs(got-want) > 5e-3 {
			t.Errorf("arm %d: %v, truth %v", arm+1, got, want)
		}
	}
	if _, err := dialect.OpenScope(ctx, drivers.Config{Address: server.ScopeAddress(), Dialect: "scpi99-digitiser-4", Reference: "5"}); err == nil || !strings.Contains(err.Error(), "channel") {
		t.Errorf("got %v", err)
	}
}
