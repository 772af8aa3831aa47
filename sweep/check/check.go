// Package check tries a bench out before it is calibrated, and says finding by
// finding what works and what does not:
//
//	cmd/halfturn   reads the bench file, asks a person, prints
//	sweep/check    Run: opens both instruments, tries them, leaves RF off
//	drivers        what is asked of them; sweep/level what they may be asked for
//
//	check.go       this page: what comes out, and the order of what is tried
//	dialect.go     what of the dialect is read back, and what the manual must tell
//	instruments.go link, identity, each verb set and read back
//	rf.go          RF off and on as the scope sees it
//	fixture.go     what is connected, dead or exchanged arms
//	reference.go   the phase reference, where the bench has one
//	codes.go       records that are read in another way than they were written
//	records.go     each range and window against a known signal; both channels together
//	reach.go       what this bench can measure, and how long the sweep takes
//	text.go json.go findings for people and for programs
//
// It goes by one low drive (Level) that no limit of the bench forbids, and
// sends nothing wrong on purpose: filling the error queue with an unknown header
// would show that the queue speaks, at the price of a beep, a message on the
// instrument's screen and an entry in its log. Instead the queue is read after
// each thing that is set, and must be empty.
package check

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"time"

	"halfturn/analysis/conformity"
	"halfturn/drivers"
	"halfturn/drivers/dialect"
	"halfturn/drivers/link"
	"halfturn/sweep"
	"halfturn/sweep/level"
	"halfturn/units"
)

// Level is the drive that is used where the bench allows it: 100 mV peak into
// 50 Ω, enough to see on any scope and nothing to be afraid of.
const Level units.DBm = -10

// Status is what became of one thing that was tried.
type Status string

const (
	OK      Status = "ok"
	Note    Status = "note"    // it works, and a person should know
	Failed  Status = "fail"    // it does not work
	Skipped Status = "skipped" // it could not be tried, Said tells why
)

// Finding is one line of the check.
type Finding struct {
	Part   string `json:"part"` // generator, scope or bench
	What   string `json:"what"`
	Status Status `json:"status"`
	Said   string `json:"said"`

	// Of one that failed.
	Sent   string `json:"sent,omitempty"`    // the message that was sent last
	Came   string `json:"came,omitempty"`    // what came back
	LookUp string `json:"look_up,omitempty"` // in the manual, or at the bench
}

// Report is all of a check.
type Report struct {
	Bench    string
	Fixture  string
	Drive    units.DBm // the largest that was set
	MaxDrive units.DBm // that the bench stands
	Findings []Finding
	Reach    *Reach // nil: no signal to tell it from
	Works    bool   // nothing failed
}

// Bench is what is checked, and against what.
type Bench struct {
	sweep.Bench
	Plan   sweep.Plan
	Limits conformity.Limits
	Links  link.Opener // opens the links; nil for link.Open
}

// Run tries the bench out and tells each finding as it is made; tell may be
// nil. now is the clock that times are taken by; nil is time.Now.
//
// An instrument that does not do what it should is a finding. The error is a
// context that ended, or a bench file that cannot be kept to. Nothing but
// settings and RF is changed, and RF is off however Run ends; where that could
// not be made sure, the last finding says so.
func Run(ctx context.Context, b Bench, tell func(Finding), now func() time.Time) (*Report, error) {
	if now == nil {
		now = time.Now
	}
	s := &session{
		Bench: b, now: now, over: ctx.Err, tell: tell,
		report: &Report{Bench: b.Name, Fixture: b.Fixture},
		noise:  map[units.Volts][2]units.Volts{}, lasts: map[drivers.Window]lasting{},
	}
	defer s.close()
	err := s.run(ctx)
	s.report.Works = err == nil
	for _, f := range s.report.Findings {
		s.report.Works = s.report.Works && f.Status != Failed
	}
	return s.report, err
}

// session is one check under way.
type session struct {
	Bench
	now    func() time.Time
	over   func() error // of the context
	tell   func(Finding)
	report *Report

	generator *dialect.Generator // nil where it cannot be used
	scope     *dialect.Scope
	planner   *level.Planner
	drive     units.DBm // that is used, and never exceeded
	onAir     bool      // RF may be on

	capture        drivers.Capture
	setting        setting
	referenceRange units.Volts                    // range of the reference's channel; 0 without one
	referred       bool                           // captures are fitted with the reference
	noise          map[units.Volts][2]units.Volts // rms of each channel by range, with RF off
	lasts          map[drivers.Window]lasting     // one capture, by window
	tuned          elapsed                        // settings, without settling
	probes         []probe                        // in the band
	low            *probe                         // below it; nil where the scope cannot hold that
	timed          []timed                        // windows with the signal in them
	kind           connected
}

// lasting is how long one capture takes: all of it, and reading both records.
type lasting struct{ all, reading time.Duration }

// elapsed adds times up.
type elapsed struct {
	sum time.Duration
	n   int
}

func (e *elapsed) add(d time.Duration) { e.sum += d; e.n++ }

func (e *elapsed) mean() time.Duration {
	if e.n == 0 {
		return 0
	}
	return e.sum / time.Duration(e.n)
}

// run tries one thing after the other.
func (s *session) run(ctx context.Context) error {
	defer s.off(ctx)
	for _, part := range []func(context.Context) error{
		s.openGenerator, s.tryScope, s.tryGenerator, s.plan, s.tryRF, s.tryTogether, s.tryFixture, s.tryReference, s.tryRanges, s.tryWindows, s.trySkew, s.tryErrors,
	} {
		if err := part(ctx); err != nil {
			return err
		}
		if ctx.Err() != nil {
			return fmt.Errorf("the check was given up: %w", context.Cause(ctx))
		}
	}
	return s.tellReach()
}

// ready says whether both instruments can be used.
func (s *session) ready() bool { return s.generator != nil && s.scope != nil }

// plan sets the rules by which frequencies and windows are chosen, and looks
// whether the configured sweep keeps to them.
func (s *session) plan(context.Context) error {
	if !s.ready() {
		return nil
	}
	var err error
	if s.planner, err = level.New(s.rules(s.scope.Abilities().Windows)); err != nil {
		return err
	}
	g := s.generator.Abilities()
	for _, f := range s.Plan.Frequencies() {
		moved, _, err := s.planner.Place(f)
		switch {
		case f < g.MinFrequency || moved > g.MaxFrequency:
			s.wrong("bench", "sweep", fmt.Sprintf("%s is outside the generator's %s to %s", f.Brief(), g.MinFrequency.Brief(), g.MaxFrequency.Brief()),
				"nothing", "nothing", "plan")
			return nil
		case err != nil:
			s.failed("bench", "sweep", err, "plan")
			return nil
		}
	}
	s.ok("bench", "sweep", "each of its %d frequencies suits generator and scope", len(s.Plan.Frequencies()))
	return nil
}

func (s *session) rules(windows []drivers.Window) level.Rules {
	g, o := s.generator.Abilities(), s.scope.Abilities()
	return level.Rules{
		Aim: s.Plan.Fill.Aim, Min: s.Plan.Fill.Min, Max: s.Plan.Fill.Max, Headroom: s.Plan.Headroom,
		MinDrive: g.MinDrive, MaxDrive: s.report.MaxDrive, DriveStep: g.DriveStep, Limits: g.Limits, Attenuator: g.Attenuator,
		Ranges: o.Ranges, Windows: windows, ClockTolerance: s.ClockTolerance,
	}
}

// shutdownLimit bounds switching RF off, whatever became of the context.
const shutdownLimit = 5 * time.Second

// lastOff is the finding that is told whatever happens.
const lastOff = "RF off at the end"

// off switches RF off at the end, also on a panic or after an interrupt.
func (s *session) off(ctx context.Context) {
	if !s.onAir {
		return
	}
	last, cancel := context.WithTimeout(context.WithoutCancel(ctx), shutdownLimit)
	defer cancel()
	err := s.generator.SetRF(last, false)
	if err == nil {
		// Also where the dialect does not read RF back, a refusal shows, and
		// an answer tells that the message has been read.
		err = s.generator.CheckErrors(last)
	}
	if err != nil {
		s.failed("generator", lastOff, err, "rf off")
		return
	}
	s.onAir = false
	s.ok("generator", lastOff, "RF is off")
}

func (s *session) close() {
	if s.generator != nil {
		_ = s.generator.Close() // the check is over
	}
	if s.scope != nil {
		_ = s.scope.Close()
	}
}

func (s *session) add(f Finding) {
	s.report.Findings = append(s.report.Findings, f)
	if s.tell != nil {
		s.tell(f)
	}
}

func (s *session) ok(part, what, format string, a ...any) {
	s.add(Finding{Part: part, What: what, Status: OK, Said: fmt.Sprintf(format, a...)})
}

func (s *session) note(part, what, format string, a ...any) {
	s.add(Finding{Part: part, What: what, Status: Note, Said: fmt.Sprintf(format, a...)})
}

func (s *session) skip(part, what, format string, a ...any) {
	s.add(Finding{Part: part, What: what, Status: Skipped, Said: fmt.Sprintf(format, a...)})
}

// failed tells an error. topic says what to look up, see lookUp.
func (s *session) failed(part, what string, err error, topic string) {
	if s.over() != nil && what != lastOff {
		return // it was given up, and says nothing of the instruments
	}
	var t *topical
	if errors.As(err, &t) {
		topic, err = t.topic, t.error
	}
	f := Finding{Part: part, What: what, Status: Failed, Said: err.Error(), Sent: "nothing", Came: "nothing", LookUp: lookUp[topic]}
	var e *drivers.Error
	if errors.As(err, &e) {
		f.Said, f.Sent, f.Came = e.Err.Error(), cmp.Or(e.Asked, f.Sent), cmp.Or(e.Got, f.Came)
		if e.Advice != "" {
			f.LookUp += "; " + e.Advice
		}
	}
	if what == lastOff {
		f.Said = "RF may still be on: " + f.Said
	}
	s.add(f)
}

// wrong tells a failure that the instruments did not notice: what was sent and
// what came back are figures.
func (s *session) wrong(part, what, said, sent, came, topic string) {
	s.add(Finding{Part: part, What: what, Status: Failed, Said: said, Sent: sent, Came: came, LookUp: lookUp[topic]})
}
