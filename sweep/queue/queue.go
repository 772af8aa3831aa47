// Package queue is what the daemon has to do: jobs, one after the other on one
// bench, and the schedules that queue them.
//
//	cmd/halfturn/daemon  HTTP, metrics, signals; opens the bench
//	sweep/queue          Job (this page), Queue, Schedule, HoldBench
//	sweep/journal        keeps jobs beside runs, durably
//	sweep                carries out one run
//
// A job is one or several runs, with questions to a person before those that
// need something else in the fixture. Whatever changes is in the store before
// it is told, and a run and the job that it belongs to are stored together, so
// that after a kill the job goes on where it was: with the run that it had
// begun, at that run's next step.
//
// Jobs are taken in the order in which they came. While one asks, or waits for
// its next try, nothing else starts: whoever is at the fixture then can rely
// on RF being off.
package queue

import (
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"halfturn/analysis/conformity"
	"halfturn/sweep"
)

// Kind says what a job is made of.
type Kind string

const (
	Calibration Kind = "calibration" // one run of the calibration cable
	Balun       Kind = "balun"       // a fresh calibration, where there is none, then one run
	Swapped     Kind = "swapped"     // one run with the arms exchanged, beside a balun run
	Series      Kind = "series"      // as Balun, its run repeated until a time, or so many times
	DryRun      Kind = "dry-run"     // calibration and balun on a simulated bench
)

// Kinds is all of them.
var Kinds = []Kind{Calibration, Balun, Swapped, Series, DryRun}

// State says how far a job has come.
type State string

const (
	Waiting   State = "waiting"   // for its turn, or until NotBefore
	Asking    State = "asking"    // for somebody to do what Question says
	Running   State = "running"   // a run is being carried out
	Done      State = "done"      // all its runs are
	Cancelled State = "cancelled" // by somebody
	Parked    State = "parked"    // given up, Reason says why; RF is off
)

// Open tells whether there is something left to do of its own accord.
func (s State) Open() bool { return s == Waiting || s == Asking || s == Running }

// Request is what somebody wants done.
type Request struct {
	Name     string    `json:"name,omitempty"` // no two open jobs have one name; made up where it is empty
	Kind     Kind      `json:"kind"`
	Bench    string    `json:"bench,omitempty"` // refused by a daemon of another bench; empty for any
	Label    string    `json:"label,omitempty"` // what is in the fixture
	Sleeves  int       `json:"sleeves,omitempty"`
	Straight int64     `json:"straight,omitempty"`    // the balun run beside a swapped one; 0 for the newest
	Every    Duration  `json:"every,omitzero"`        // of a series, from start to start
	Until    time.Time `json:"until,omitzero"`        // end of a series: no run begins after it
	For      Duration  `json:"for,omitzero"`          // the same, counted from when the job is queued
	Clock    string    `json:"until_clock,omitempty"` // the same, as a time of day: the first that comes
	Repeats  int       `json:"repeats,omitempty"`     // end of a series after so many, if its time does not come first
	Scenario string    `json:"scenario,omitempty"`    // of a dry run; empty for good-balun
	// Ready says that what the first run needs is in the fixture, so that
	// nobody is asked.
	Ready bool `json:"ready,omitempty"`
}

// Job is a request and what became of it.
type Job struct {
	ID int64 `json:"id"`
	Request
	State     State     `json:"state"`
	Reason    string    `json:"reason,omitempty"` // why it was parked, or waits for another try
	Question  *Question `json:"question,omitempty"`
	Schedule  string    `json:"schedule,omitempty"` // that queued it
	Submitted time.Time `json:"submitted"`
	Started   time.Time `json:"started,omitzero"`
	Finished  time.Time `json:"finished,omitzero"`
	NotBefore time.Time `json:"not_before,omitzero"` // of the next try or the next repeat
	Failures  int       `json:"failures"`            // since the last step
	Run       int64     `json:"run,omitempty"`       // that is being carried out
	Runs      []Taken   `json:"runs"`                // that are done, in order
	// Calibration is the run that is taken out of the job's runs; 0 until it is
	// known which.
	Calibration int64              `json:"calibration,omitempty"`
	Verdict     conformity.Verdict `json:"verdict,omitempty"` // of the last run
	Stopping    bool               `json:"stopping,omitempty"`
}

// Taken is a finished run of a job.
type Taken struct {
	Run     int64              `json:"run"`
	Kind    sweep.Kind         `json:"kind"`
	Started time.Time          `json:"started"`
	Verdict conformity.Verdict `json:"verdict,omitempty"`
}

// Question is what somebody has to do at the bench before the job goes on.
type Question struct {
	Fit  Fit       `json:"fit"`
	Text string    `json:"text"`
	Why  string    `json:"why,omitempty"`
	At   time.Time `json:"at"`
}

// Fit is what is in the fixture.
type Fit struct {
	What  string `json:"what"`            // one of the constants; empty when nobody knows
	Label string `json:"label,omitempty"` // of a balun
}

// What can be in the fixture.
const (
	Cable     = "calibration cable"
	TheBalun  = "balun"
	Exchanged = "balun with its arms exchanged"
)

var (
	// ErrRefused: the request cannot be done by anybody as it stands.
	ErrRefused = errors.New("refused")
	// ErrConflict: the request does not go with what is there now.
	ErrConflict = errors.New("conflict")
	// ErrNoJob: there is no such job.
	ErrNoJob = errors.New("no such job")
)

func refused(format string, a ...any) error {
	return fmt.Errorf("%w: %s", ErrRefused, fmt.Sprintf(format, a...))
}

// Duration is a time.Duration that is written "15m0s" and read as "15 min" too.
type Duration time.Duration

func (d Duration) MarshalText() ([]byte, error) { return []byte(time.Duration(d).String()), nil }

func (d *Duration) UnmarshalText(text []byte) error {
	s := strings.ReplaceAll(string(text), " ", "")
	s = strings.Replace(s, "min", "m", 1)
	v, err := time.ParseDuration(s)
	if err != nil || !strings.ContainsAny(s, "smh") {
		return fmt.Errorf("%q is not a time: write it like \"15 min\" or \"8 h\"", text)
	}
	*d = Duration(v)
	return nil
}

const (
	longest      = 200 // characters of a name, label or scenario
	leastEvery   = time.Second
	mostRepeats  = 100_000
	farthestAway = 366 * 24 * time.Hour
)

// Check says in one line what is wrong with a request by itself.
func (r *Request) Check(now time.Time) error {
	for _, text := range []struct{ what, value string }{{"name", r.Name}, {"label", r.Label}, {"scenario", r.Scenario}} {
		switch {
		case utf8.RuneCountInString(text.value) > longest:
			return refused("the %s has more than %d characters", text.what, longest)
		case !utf8.ValidString(text.value) || strings.ContainsFunc(text.value, unicode.IsControl):
			return refused("the %s holds what cannot be printed", text.what)
		}
	}
	switch r.Kind {
	case Calibration, Balun, Swapped, Series, DryRun:
	case "":
		return refused("the kind of job is missing: calibration, balun, swapped, series or dry-run")
	default:
		return refused("%q is no kind of job: calibration, balun, swapped, series or dry-run", r.Kind)
	}
	series := r.Kind == Series
	switch {
	case r.Sleeves < 0:
		return refused("%d sleeves: the number cannot be negative", r.Sleeves)
	case r.Straight < 0:
		return refused("the straight run cannot be %d", r.Straight)
	case series && time.Duration(r.Every) < leastEvery:
		return refused("a series needs an interval of at least %v, from start to start", leastEvery)
	case series:
		if err := r.checkEnd(now); err != nil {
			return err
		}
	}
	for _, only := range []struct {
		kind  Kind
		what  string
		given bool
	}{
		{Swapped, "a straight run", r.Straight != 0},
		{Series, "an interval", r.Every != 0},
		{Series, "an end", !r.Until.IsZero() || r.For != 0 || r.Clock != "" || r.Repeats != 0},
		{DryRun, "a scenario", r.Scenario != ""},
	} {
		if only.given && r.Kind != only.kind {
			return refused("%s goes with a %s job only", only.what, only.kind)
		}
	}
	return nil
}

// needs is what the job's runs are made of: the word for its own run, and what
// has to be in the fixture for it.
func (j *Job) needs(kind sweep.Kind) Fit {
	switch kind {
	case sweep.Calibration:
		return Fit{What: Cable}
	case sweep.Swapped:
		return Fit{What: Exchanged, Label: j.Label}
	default:
		return Fit{What: TheBalun, Label: j.Label}
	}
}

func (f Fit) ask() string {
	of := ""
	if f.Label != "" {
		of = fmt.Sprintf(" %q", f.Label)
	}
	switch f.What {
	case Cable:
		return "Put the calibration cable into the fixture"
	case Exchanged:
		return "Exchange the arms of the balun" + of + ", each end to where the other one was, and leave all else as it is"
	default:
		return "Put the balun" + of + " into the fixture"
	}
}

// clone is a job that can be handed out.
func (j *Job) clone() Job {
	c := *j
	c.Runs = append([]Taken{}, j.Runs...)
	if j.Question != nil {
		q := *j.Question
		c.Question = &q
	}
	return c
}

func (j *Job) content() (string, error) {
	text, err := json.Marshal(j)
	return string(text), err
}
