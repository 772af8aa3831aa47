package check

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"halfturn/drivers"
	"halfturn/drivers/dialect"
	"halfturn/sweep/level"
	"halfturn/units"
)

// openGenerator opens the generator and switches RF off, before anything else
// is set.
func (s *session) openGenerator(ctx context.Context) error {
	const part = "generator"
	began := s.now()
	g, err := dialect.OpenGenerator(ctx, s.Bench.Generator, dialect.Over(s.Links))
	if err != nil {
		return s.notOpened(part, err)
	}
	s.generator, s.onAir = g, true // until it is known to be off
	s.opened(part, s.Bench.Generator.Address, s.now().Sub(began), g.Identity())
	if err := g.SetRF(ctx, false); err != nil {
		s.failed(part, "RF off", err, "rf off")
		s.unusable(ctx)
		return nil
	}
	s.ok(part, "RF off", "%s", readBack(g.Dialect(), "rf"))
	return nil
}

// tryGenerator sets each of the generator's verbs with RF off.
func (s *session) tryGenerator(ctx context.Context) error {
	const part = "generator"
	if s.generator == nil {
		return nil
	}
	if err := s.chooseDrive(); err != nil {
		return err
	}
	g := s.generator
	if err := g.Prepare(ctx); err != nil {
		s.failed(part, "prepare", err, "prepare")
		s.unusable(ctx)
		return nil
	}
	s.ok(part, "prepare", "set-up lines taken, RF off")
	a := g.Abilities()
	frequencies := []units.Hertz{a.MinFrequency}
	for _, f := range s.Plan.Frequencies() {
		if f > a.MinFrequency && f < a.MaxFrequency {
			frequencies = append(frequencies, f)
		}
	}
	frequencies = spread(append(frequencies, a.MaxFrequency), 5)
	good := tryEach(ctx, s, part, "frequency", "", g, frequencies, units.Hertz.Brief, func(f units.Hertz) error { return g.SetFrequency(ctx, f) })
	good = tryEach(ctx, s, part, "drive", "", g, slices.Compact([]units.DBm{a.MinDrive, s.drive}), units.DBm.String,
		func(l units.DBm) error { return g.SetDrive(ctx, l) }) && good
	if !good {
		s.unusable(ctx)
		return nil
	}
	return nil
}

// chooseDrive is Level, or what the bench and the instruments allow below it;
// the least there is while the scope's input limit is not known.
func (s *session) chooseDrive() error {
	a := s.generator.Abilities()
	inputLimit := s.InputLimit
	if s.scope != nil {
		if own := s.scope.Abilities().InputLimit; inputLimit == 0 || own < inputLimit {
			inputLimit = own
		}
	}
	s.report.MaxDrive = level.MaxDrive(a.MaxDrive, s.Bench.MaxDrive.Generator, s.Bench.MaxDrive.Balun, inputLimit)
	if s.report.MaxDrive < a.MinDrive {
		return fmt.Errorf("no drive is allowed: the generator starts at %v and the bench ends at %.1f dBm", a.MinDrive, float64(s.report.MaxDrive))
	}
	if s.drive = a.MinDrive; s.scope != nil {
		s.drive = max(a.MinDrive, min(Level, s.report.MaxDrive, a.Limits.Least()))
	}
	s.report.Drive = s.drive
	return nil
}

// unusable gives the generator up: no RF without all of its verbs.
func (s *session) unusable(ctx context.Context) {
	s.off(ctx)
	_ = s.generator.Close()
	s.generator, s.onAir = nil, false
}

// tryScope opens the scope and sets each of its verbs.
func (s *session) tryScope(ctx context.Context) error {
	const part = "scope"
	began := s.now()
	o, err := dialect.OpenScope(ctx, s.Bench.Scope, dialect.Over(s.Links))
	if err != nil {
		return s.notOpened(part, err)
	}
	s.scope = o
	s.opened(part, s.Bench.Scope.Address, s.now().Sub(began), o.Identity())
	a := o.Abilities()
	give := func() { _ = o.Close(); s.scope = nil }
	if err := o.Prepare(ctx); err != nil {
		s.failed(part, "prepare", err, "prepare")
		give()
		return nil
	}
	s.ok(part, "prepare", "set-up lines taken")
	good := true
	for _, arm := range s.channels() {
		good = tryEach(ctx, s, part, "range", ", "+strings.TrimPrefix(arm.String(), "the "), o, a.Ranges, units.Volts.Brief,
			func(v units.Volts) error { return o.SetRange(ctx, arm, v) }) && good
	}
	if s.Bench.Scope.Reference != "" {
		s.referenceRange = a.Ranges[len(a.Ranges)-1]
	}
	good = tryEach(ctx, s, part, "window", "", o, a.Windows, showWindow, func(w drivers.Window) error { return o.SetWindow(ctx, w) }) && good
	if !good {
		give()
	}
	return nil
}

func showWindow(w drivers.Window) string {
	return fmt.Sprintf("%d samples at %s", w.Samples, w.Rate.Brief())
}

// notOpened tells why an instrument could not be opened. A bench file or a
// dialect that is wrong is the caller's error.
func (s *session) notOpened(part string, err error) error {
	var e *drivers.Error
	if !errors.As(err, &e) {
		return err
	}
	s.failed(part, "link", err, "link")
	return nil
}

func (s *session) opened(part, address string, took time.Duration, identity string) {
	s.ok(part, "link", "%s, opened in %s", address, brief(took))
	if identity == "" {
		s.note(part, "identity", "the dialect has no query for it: a calibration is not tied to this instrument")
		return
	}
	s.ok(part, "identity", "%s", identity)
}

// spoken is an instrument with what its dialect can ask of it.
type spoken interface {
	CheckErrors(context.Context) error
	Dialect() *dialect.File
}

// tryEach sets each value of a verb, of says of what, and reads the error queue after it. A
// finding for each value that fails, one for all if none does; a link that
// fails ends it.
func tryEach[V any](ctx context.Context, s *session, part, verb, of string, i spoken, values []V, show func(V) string, set func(V) error) bool {
	shown, bad := make([]string, 0, len(values)), 0
	for _, v := range values {
		topic, err := verb, set(v)
		if err == nil {
			if err = i.CheckErrors(ctx); err != nil {
				topic = "errors"
			}
		}
		if err == nil {
			shown = append(shown, show(v))
			continue
		}
		if ctx.Err() != nil {
			return false
		}
		s.failed(part, verb+" "+show(v)+of, err, topic)
		if bad++; errors.Is(err, drivers.ErrLink) {
			break
		}
	}
	if bad > 0 {
		return false
	}
	status := OK
	if !i.Dialect().Confirms(verb) {
		status = Note
	}
	s.add(Finding{Part: part, What: verb + of, Status: status, Said: fmt.Sprintf("%s: %s", strings.Join(shown, ", "), readBack(i.Dialect(), verb))})
	return true
}

// spread is at most n of the values, the first and the last among them.
func spread[V comparable](values []V, n int) []V {
	if len(values) <= n {
		return slices.Compact(values)
	}
	some := make([]V, n)
	for i := range some {
		some[i] = values[i*(len(values)-1)/(n-1)]
	}
	return slices.Compact(some)
}

// tryErrors says what the error queues held: after every setting they were
// read, and they are once more now that captures were taken.
func (s *session) tryErrors(ctx context.Context) error {
	read := func(part string, i spoken) {
		if !i.Dialect().HasErrorQueue() {
			s.note(part, "error queue", "the dialect names none: a command that is refused shows only where it is read back")
			return
		}
		began := s.now()
		if err := i.CheckErrors(ctx); err != nil {
			s.failed(part, "error queue", err, "errors")
			return
		}
		s.ok(part, "error queue", "empty after each setting and at the end; read in %s; nothing wrong was sent on purpose", brief(s.now().Sub(began)))
	}
	if s.generator != nil {
		read("generator", s.generator)
	}
	if s.scope != nil {
		read("scope", s.scope)
	}
	return nil
}
