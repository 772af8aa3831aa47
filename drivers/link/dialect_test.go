package link_test

import (
	"io"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfturn/drivers"
	"halfturn/drivers/dialect"
	"halfturn/drivers/simbench"
)

// A dialect that has nothing to do with SCPI, over each kind of link and each
// habit of its peers: the simulated scope gives the very capture that it gives
// over a socket, and the generator takes what it is told.
func TestADialectOverEachLink(t *testing.T) {
	t.Parallel()
	scenario, err := simbench.Load("good-balun")
	if err != nil {
		t.Fatal(err)
	}
	server, err := simbench.Serve(t.Context(), scenario, simbench.Options{GeneratorSpeaks: simbench.Headed, ScopeSpeaks: simbench.Headed})
	if err != nil {
		t.Fatal(err)
	}
	defer server.Close()
	want := captured(t, server, server.GeneratorAddress(), server.ScopeAddress())
	for name, start := range starts {
		t.Run(name, func(t *testing.T) {
			var at [2]string
			for i := range at {
				at[i] = start(t, func(c io.ReadWriteCloser) { _ = server.Converse(t.Context(), simbench.Instrument(i), c) })
			}
			if diff := cmp.Diff(want, captured(t, server, at[simbench.Generator], at[simbench.Scope])); diff != "" {
				t.Error(diff)
			}
		})
	}
}

// captured is one capture of a known signal.
func captured(t *testing.T, server *simbench.Server, generator, scope string) *drivers.Capture {
	t.Helper()
	ctx := t.Context()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	g, err := dialect.OpenGenerator(ctx, drivers.Config{Address: generator, Dialect: "headed-generator"})
	must(err)
	defer g.Close()
	s, err := dialect.OpenScope(ctx, drivers.Config{Address: scope, Dialect: "headed-scope"})
	must(err)
	defer s.Close()
	must(g.Prepare(ctx))
	must(s.Prepare(ctx))
	server.FitForMeasurement() // captures count from the last change
	must(g.SetFrequency(ctx, 30e6))
	must(g.SetDrive(ctx, -3.5))
	must(g.SetRF(ctx, true))
	for _, arm := range []drivers.Arm{drivers.Arm1, drivers.Arm2} {
		must(s.SetRange(ctx, arm, 0.8))
	}
	must(s.SetWindow(ctx, s.Abilities().Windows[0]))
	var c drivers.Capture
	must(s.Capture(ctx, &c))
	must(g.CheckErrors(ctx))
	must(s.CheckErrors(ctx))
	must(g.SetRF(ctx, false))
	return &c
}
