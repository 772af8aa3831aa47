package daemon

import (
	"context"

	"halfturn/drivers"
	"halfturn/units"
)

// heardGenerator and heardScope stand between the executor and the drivers, so
// that neither knows of it, and note whether the instrument answered.
type heardGenerator struct {
	drivers.Generator
	bench *bench
}

func (g *heardGenerator) heard(err error) error {
	return g.bench.exchanged(&g.bench.generator, "generator", err)
}

func (g *heardGenerator) Prepare(ctx context.Context) error {
	return g.heard(g.Generator.Prepare(ctx))
}

func (g *heardGenerator) SetFrequency(ctx context.Context, f units.Hertz) error {
	return g.heard(g.Generator.SetFrequency(ctx, f))
}

func (g *heardGenerator) SetDrive(ctx context.Context, level units.DBm) error {
	return g.heard(g.Generator.SetDrive(ctx, level))
}

func (g *heardGenerator) SetRF(ctx context.Context, on bool) error {
	return g.heard(g.Generator.SetRF(ctx, on))
}

func (g *heardGenerator) CheckErrors(ctx context.Context) error {
	return g.heard(g.Generator.CheckErrors(ctx))
}

type heardScope struct {
	drivers.Scope
	bench *bench
}

func (s *heardScope) heard(err error) error {
	return s.bench.exchanged(&s.bench.scope, "scope", err)
}

func (s *heardScope) Prepare(ctx context.Context) error { return s.heard(s.Scope.Prepare(ctx)) }

func (s *heardScope) SetRange(ctx context.Context, arm drivers.Arm, full units.Volts) error {
	return s.heard(s.Scope.SetRange(ctx, arm, full))
}

func (s *heardScope) SetWindow(ctx context.Context, w drivers.Window) error {
	return s.heard(s.Scope.SetWindow(ctx, w))
}

func (s *heardScope) Capture(ctx context.Context, into *drivers.Capture) error {
	return s.heard(s.Scope.Capture(ctx, into))
}

func (s *heardScope) CheckErrors(ctx context.Context) error {
	return s.heard(s.Scope.CheckErrors(ctx))
}

// exchanged notes that an instrument answered, or did not.
func (b *bench) exchanged(i *Instrument, name string, err error) error {
	b.daemon.queue.Alive()
	b.mu.Lock()
	if err == nil {
		i.Heard, i.Error = b.daemon.Now(), ""
	} else {
		i.Error = err.Error()
		i.Failures++
	}
	b.mu.Unlock()
	if err != nil {
		b.daemon.metrics.failures.WithLabelValues(name).Inc()
	}
	return err
}
