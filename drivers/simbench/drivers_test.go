package simbench_test

import (
	"context"
	"math"
	"math/cmplx"
	"testing"

	"halfturn/drivers"
	"halfturn/drivers/dialect"
	"halfturn/drivers/simbench"
	"halfturn/units"
)

// The drivers, with the shipped dialects, find the truth at the simulated
// bench over sockets and over serial lines.
func TestDriversFindTheTruth(t *testing.T) {
	ctx := t.Context()
	scenario, err := simbench.Load("good-balun")
	if err != nil {
		t.Fatal(err)
	}
	server, err := simbench.Serve(ctx, scenario, simbench.Options{PTY: simbench.HasPTY})
	if err != nil {
		t.Fatal(err)
	}
	defer server.Close()
	type addresses struct{ generator, scope string }
	links := map[string]addresses{"tcp": {server.GeneratorAddress(), server.ScopeAddress()}}
	if g, s := server.SerialAddresses(); g != "" {
		links["serial"] = addresses{g, s}
	}
	for name, a := range links {
		t.Run(name, func(t *testing.T) {
			g, err := dialect.OpenGenerator(ctx, drivers.Config{Address: a.generator, Dialect: "scpi99-generator"})
			if err != nil {
				t.Fatal(err)
			}
			defer g.Close()
			s, err := dialect.OpenScope(ctx, drivers.Config{Address: a.scope, Dialect: "scpi99-digitiser", Channels: [2]string{"1", "2"}})
			if err != nil {
				t.Fatal(err)
			}
			defer s.Close()
			f := units.Hertz(100.05e6) // whole cycles in 20 µs
			server.FitForCalibration()
			cable := ratio(ctx, t, g, s, f)
			server.FitForMeasurement()
			got, want := ratio(ctx, t, g, s, f)/cable, server.Truth(f).Ratio
			// One capture each of about 0.25 V on 0.8 V with 2.5 mV noise: 3e-4 standard.
			if cmplx.Abs(got-want) > 2e-3 {
				t.Errorf("ratio %v, truth %v", got, want)
			}
		})
	}
}

func ratio(ctx context.Context, t *testing.T, g drivers.Generator, s drivers.Scope, f units.Hertz) complex128 {
	t.Helper()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(g.Prepare(ctx))
	must(s.Prepare(ctx))
	must(g.SetFrequency(ctx, f))
	must(g.SetDrive(ctx, 3))
	must(g.SetRF(ctx, true))
	must(s.SetRange(ctx, drivers.Arm1, 0.8))
	must(s.SetRange(ctx, drivers.Arm2, 0.8))
	must(s.SetWindow(ctx, s.Abilities().Windows[0]))
	var c drivers.Capture
	must(s.Capture(ctx, &c))
	must(g.SetRF(ctx, false))
	must(g.CheckErrors(ctx))
	must(s.CheckErrors(ctx))
	var p [2]complex128
	for arm, trace := range c.Traces {
		for n, code := range trace.Codes {
			volts := (float64(code) - trace.Zero) * float64(trace.VoltsPerCode)
			_, cycles := math.Modf(float64(f) / float64(c.Rate) * float64(n))
			p[arm] += complex(volts, 0) * cmplx.Rect(1, -2*math.Pi*cycles)
		}
	}
	return p[1] / p[0]
}
