package daemon

import (
	"context"
	"sync"
	"time"

	"halfturn/drivers"
	"halfturn/drivers/dialect"
	"halfturn/sweep"
	"halfturn/units"
)

// meter splits the time of a step. Its parts follow one another and add up to
// the time from step to step:
//
//	instrument  from the first setting to the capture, settling included;
//	            acquiring; the error queues
//	transfer    reading the samples
//	computing   what is left: fits, level, result
//
// The executor waits for the commit of the step before between setting and
// capture, where it overlaps with settling; commits are counted beside.
//
// It stands between the executor and the drivers, so that neither knows of it.
type meter struct {
	bench   *bench
	metrics *metrics

	mu         sync.Mutex
	last       time.Time // the step before was done
	setting    time.Time // the first setting since the last capture; zero between
	instrument time.Duration
	transfer   time.Duration
	captures   int
}

// exchange is an instrument's call.
func (m *meter) exchange(i *Instrument, sets bool, call func() error) error {
	begun := time.Now()
	m.mu.Lock()
	if m.last.IsZero() {
		m.last = begun
	}
	if sets && m.setting.IsZero() {
		m.setting = begun
	}
	m.mu.Unlock()
	err := call()
	m.heard(i, err)
	if !sets {
		m.mu.Lock()
		m.instrument += time.Since(begun)
		m.mu.Unlock()
	}
	return err
}

// heard notes that an instrument answered, or did not.
func (m *meter) heard(i *Instrument, err error) {
	b := m.bench
	b.daemon.queue.Alive()
	b.mu.Lock()
	if err == nil {
		i.Heard, i.Error = b.daemon.Now(), ""
	} else {
		i.Error = err.Error()
		i.Failures++
	}
	name := "generator"
	if i == &b.scope {
		name = "scope"
	}
	b.mu.Unlock()
	if err != nil {
		m.metrics.failures.WithLabelValues(name).Inc()
	}
}

// capture takes one capture; reading is the time that the scope has spent on
// reading records so far.
func (m *meter) capture(reading func() time.Duration, call func() error) error {
	begun, before := time.Now(), reading()
	m.mu.Lock()
	if !m.setting.IsZero() {
		m.instrument += begun.Sub(m.setting)
		m.setting = time.Time{}
	}
	m.mu.Unlock()
	err := call()
	m.heard(&m.bench.scope, err)
	m.mu.Lock()
	transfer := reading() - before
	m.transfer += transfer
	m.instrument += time.Since(begun) - transfer
	m.captures++
	m.mu.Unlock()
	return err
}

// stepDone is called when a step is on the disk.
func (m *meter) stepDone() {
	now := time.Now()
	m.mu.Lock()
	defer m.mu.Unlock()
	instrument := m.instrument
	if !m.setting.IsZero() { // the next step is being set already
		instrument += now.Sub(m.setting)
		m.setting = now
	}
	all := now.Sub(m.last)
	computing := max(0, all-instrument-m.transfer)
	m.metrics.step(all, instrument, m.transfer, computing, m.captures)
	m.last, m.instrument, m.transfer, m.captures = now, 0, 0, 0
}

type timedGenerator struct {
	drivers.Generator
	m *meter
}

func (g *timedGenerator) call(sets bool, f func() error) error {
	return g.m.exchange(&g.m.bench.generator, sets, f)
}

func (g *timedGenerator) Prepare(ctx context.Context) error {
	return g.call(true, func() error { return g.Generator.Prepare(ctx) })
}

func (g *timedGenerator) SetFrequency(ctx context.Context, f units.Hertz) error {
	return g.call(true, func() error { return g.Generator.SetFrequency(ctx, f) })
}

func (g *timedGenerator) SetDrive(ctx context.Context, level units.DBm) error {
	return g.call(true, func() error { return g.Generator.SetDrive(ctx, level) })
}

func (g *timedGenerator) SetRF(ctx context.Context, on bool) error {
	return g.call(true, func() error { return g.Generator.SetRF(ctx, on) })
}

func (g *timedGenerator) CheckErrors(ctx context.Context) error {
	return g.call(false, func() error { return g.Generator.CheckErrors(ctx) })
}

type timedScope struct {
	*dialect.Scope
	m *meter
}

func (s *timedScope) call(sets bool, f func() error) error {
	return s.m.exchange(&s.m.bench.scope, sets, f)
}

func (s *timedScope) Prepare(ctx context.Context) error {
	return s.call(true, func() error { return s.Scope.Prepare(ctx) })
}

func (s *timedScope) SetRange(ctx context.Context, arm drivers.Arm, full units.Volts) error {
	return s.call(true, func() error { return s.Scope.SetRange(ctx, arm, full) })
}

func (s *timedScope) SetWindow(ctx context.Context, w drivers.Window) error {
	return s.call(true, func() error { return s.Scope.SetWindow(ctx, w) })
}

func (s *timedScope) Capture(ctx context.Context, into *drivers.Capture) error {
	return s.m.capture(s.Reading, func() error { return s.Scope.Capture(ctx, into) })
}

func (s *timedScope) CheckErrors(ctx context.Context) error {
	return s.call(false, func() error { return s.Scope.CheckErrors(ctx) })
}

// timedJournal measures commits.
type timedJournal struct {
	sweep.Journal
	m *meter
}

func (j *timedJournal) Commit(ctx context.Context, run int64, step *sweep.Step, captures []drivers.Capture) error {
	begun := time.Now()
	err := j.Journal.Commit(ctx, run, step, captures)
	j.m.metrics.commit.Observe(time.Since(begun).Seconds())
	return err
}
