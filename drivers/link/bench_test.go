package link_test

import (
	"context"
	"io"
	"math"
	"math/cmplx"
	"net"
	"strings"
	"testing"

	"halfturn/drivers"
	"halfturn/drivers/dialect"
	"halfturn/drivers/simbench"
	"halfturn/drivers/simbench/device"
	"halfturn/units"
)

// bridge carries a session to an instrument of the simulated bench.
func bridge(address string) func(io.ReadWriteCloser) {
	return func(c io.ReadWriteCloser) {
		inner, err := net.Dial("tcp", strings.TrimPrefix(address, "tcp://"))
		if err != nil {
			return
		}
		done := make(chan struct{})
		go func() {
			defer close(done)
			_, _ = io.Copy(c, inner) // ends when either side goes
			_ = c.Close()
		}()
		_, _ = io.Copy(inner, c)
		_ = inner.Close()
		<-done
	}
}

// The drivers, with the shipped dialects, find the truth at the simulated
// bench over each link, and again after it broke.
func TestDriversFindTheTruth(t *testing.T) {
	t.Parallel()
	each(t, func(t *testing.T, start func(testing.TB, func(io.ReadWriteCloser)) string) {
		ctx := t.Context()
		scenario, err := simbench.Load("good-balun")
		if err != nil {
			t.Fatal(err)
		}
		server, err := simbench.Serve(context.Background(), scenario, simbench.Options{})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { server.Close() })
		g, err := dialect.OpenGenerator(ctx, drivers.Config{Address: start(t, bridge(server.GeneratorAddress())), Dialect: "scpi99-generator"})
		if err != nil {
			t.Fatal(err)
		}
		defer g.Close()
		s, err := dialect.OpenScope(ctx, drivers.Config{Address: start(t, bridge(server.ScopeAddress())), Dialect: "scpi99-digitiser", Channels: [2]string{"1", "2"}})
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		f := units.Hertz(100.05e6) // whole cycles in 20 µs
		server.FitForCalibration()
		cable, err := ratio(ctx, g, s, f)
		if err != nil {
			t.Fatal(err)
		}
		server.FitForMeasurement()
		truth := server.Truth(f).Ratio
		check := func() {
			t.Helper()
			got, err := ratio(ctx, g, s, f)
			if err != nil {
				t.Fatal(err)
			}
			// One capture each of about 0.25 V on 0.8 V with 2.5 mV noise: 3e-4 standard.
			if got /= cable; cmplx.Abs(got-truth) > 2e-3 {
				t.Errorf("ratio %v, truth %v", got, truth)
			}
		}
		check()
		for name, fault := range map[string]device.Fault{"half, then gone": device.HalfThenHangUp, "reboot": device.Reboot} {
			server.Interfere(simbench.Scope, device.OnNth("TRACe", 1, fault))
			if _, err := ratio(ctx, g, s, f); err == nil {
				t.Errorf("%s: no error", name)
			}
			server.Interfere(simbench.Scope, nil)
			check()
		}
	})
}

func ratio(ctx context.Context, g drivers.Generator, s drivers.Scope, f units.Hertz) (complex128, error) {
	var c drivers.Capture
	for _, do := range []func() error{
		func() error { return g.Prepare(ctx) },
		func() error { return s.Prepare(ctx) },
		func() error { return g.SetFrequency(ctx, f) },
		func() error { return g.SetDrive(ctx, 3) },
		func() error { return g.SetRF(ctx, true) },
		func() error { return s.SetRange(ctx, drivers.Arm1, 0.8) },
		func() error { return s.SetRange(ctx, drivers.Arm2, 0.8) },
		func() error { return s.SetWindow(ctx, s.Abilities().Windows[0]) },
		func() error { return s.Capture(ctx, &c) },
		func() error { return g.SetRF(ctx, false) },
		func() error { return g.CheckErrors(ctx) },
		func() error { return s.CheckErrors(ctx) },
	} {
		if err := do(); err != nil {
			return 0, err
		}
	}
	var p [2]complex128
	for arm, trace := range c.Traces {
		for n, code := range trace.Codes {
			volts := (float64(code) - trace.Zero) * float64(trace.VoltsPerCode)
			_, cycles := math.Modf(float64(f) / float64(c.Rate) * float64(n))
			p[arm] += complex(volts, 0) * cmplx.Rect(1, -2*math.Pi*cycles)
		}
	}
	return p[1] / p[0], nil
}
