// Package sweep measures: it walks a generator and a scope through a plan,
// one durable step after the other.
//
//	cmd/halfturn      reads the configuration, opens the bench, shows progress
//	sweep             Plan, Run, Step (this page) and the Executor
//	sweep/level       which drive and ranges for the next step
//	sweep/journal     the durable store; implements Journal
//	sweep/queue       the daemon's jobs: one run after the other
//	sweep/check       tries a bench out before the first run
//	sweep/thin        which captures of old runs go
//
// sweep imports drivers for the instruments and analysis for the arm ratio;
// nothing in drivers or analysis imports sweep.
package sweep

import (
	"context"
	"iter"
	"time"

	"halfturn/analysis/balance"
	"halfturn/analysis/conformity"
	"halfturn/analysis/linearity"
	"halfturn/analysis/uncertainty"
	"halfturn/drivers"
	"halfturn/units"
)

// Kind says what is in the fixture during a run.
type Kind string

const (
	Calibration Kind = "calibration" // the calibration cable
	Balun       Kind = "balun"
	Swapped     Kind = "swapped" // the balun with its arms exchanged
)

// State says how far a run has come.
type State string

const (
	Running State = "running" // or killed while running: resume goes on
	Stopped State = "stopped" // ended tidily before the last step: resume goes on
	Failed  State = "failed"  // ended by an error, in Reason: resume tries again
	Done    State = "done"
)

// Bench is the instruments, the fixture and how they are cabled.
type Bench struct {
	Name           string         `json:"name" mapstructure:"name"`
	Fixture        string         `json:"fixture" mapstructure:"fixture"` // a calibration is tied to it
	Generator      drivers.Config `json:"generator" mapstructure:"generator"`
	Scope          drivers.Config `json:"scope" mapstructure:"scope"`
	Load           balance.Load   `json:"load" mapstructure:"load"`
	MaxDrive       MaxDrive       `json:"max_drive" mapstructure:"max_drive"`
	InputLimit     units.Volts    `json:"input_limit" mapstructure:"input_limit"` // peak, at a scope input; 0 is the dialect's
	ClockTolerance units.PPM      `json:"clock_tolerance" mapstructure:"clock_tolerance"`
	Settle         time.Duration  `json:"settle" mapstructure:"settle"` // added to the dialects' own
	// Uncertainty is what the bench adds to the noise; what it leaves out is as
	// in uncertainty.Defaults.
	Uncertainty uncertainty.BudgetConfig `json:"uncertainty,omitzero" mapstructure:"uncertainty"`
}

// MaxDrive is the largest level that each part of the bench stands.
type MaxDrive struct {
	Generator units.DBm `json:"generator" mapstructure:"generator"`
	Balun     units.DBm `json:"balun" mapstructure:"balun"`
}

// Segment is a stretch of frequencies; From and To are included.
type Segment struct {
	From    units.Hertz `json:"from" mapstructure:"from"`
	To      units.Hertz `json:"to" mapstructure:"to"`
	Points  int         `json:"points" mapstructure:"points"`
	Spacing string      `json:"spacing" mapstructure:"spacing"` // "linear" or "logarithmic"
}

// Plan is what a run is to do.
type Plan struct {
	Segments    []Segment     `json:"segments" mapstructure:"segments"`
	Captures    int           `json:"captures" mapstructure:"captures"`         // fewest in a step
	MaxCaptures int           `json:"max_captures" mapstructure:"max_captures"` // most in a step
	Precision   float64       `json:"precision" mapstructure:"precision"`       // uncertainty aimed at, as a part of the limits
	Fill        Fill          `json:"fill" mapstructure:"fill"`
	Headroom    units.DB      `json:"headroom" mapstructure:"headroom"` // drive that a calibration leaves for the balun
	MaxAge      time.Duration `json:"max_age" mapstructure:"max_age"`   // of a calibration before a warning
	Linearity   Linearity     `json:"linearity" mapstructure:"linearity"`
}

// Linearity says which steps are taken a second time, on the same range and
// with less drive, to tell what depends on the level.
type Linearity struct {
	Drop  units.DB `json:"drop" mapstructure:"drop"`   // of the drive
	Every int      `json:"every" mapstructure:"every"` // how many steps from one to the next; 0 for none
}

// Fill is signal peak to peak over range: what to aim at and what to accept.
type Fill struct {
	Aim float64 `json:"aim" mapstructure:"aim"`
	Min float64 `json:"min" mapstructure:"min"`
	Max float64 `json:"max" mapstructure:"max"`
}

// Identities is what the instruments answered to *IDN?.
type Identities struct {
	Generator string `json:"generator"`
	Scope     string `json:"scope"`
}

// Run is one pass over the frequencies with one thing in the fixture, with
// all that is needed to repeat it.
type Run struct {
	ID          int64
	Kind        Kind
	Label       string
	Started     time.Time
	Finished    time.Time // zero until then
	State       State
	Reason      string // why it stopped or failed
	Bench       Bench
	Plan        Plan
	Limits      conformity.Limits
	Identities  Identities
	Version     string // of the program
	Calibration int64  // ID of the calibration run; 0 for a calibration
	Straight    int64  // ID of the same balun's run before its arms were exchanged; 0 unless swapped
	Sleeves     int    // of ferrite on the balun's line, as a person said; 0 where nobody did
	Verdict     conformity.Verdict
}

// Step is one frequency of a run.
type Step struct {
	Index  int
	Taken  time.Time
	Drive  units.DBm
	Range  [2]units.Volts // full scale peak to peak, by arm
	Window drivers.Window
	Fill   [2]float64 // by arm
	// Of the phase reference's channel; 0 without one.
	ReferenceRange units.Volts
	ReferenceFill  float64
	Acquisitions   int // 1 when the first level was right
	Estimate       balance.Estimate
	Clock          Clock
	Remark         string // why there is no ratio; empty when there is one

	// Second is the step at the plan's lower drive, and Harmonics those at
	// Drive; zero where the plan asks for neither.
	Second    linearity.Level
	Harmonics linearity.Harmonics
}

// Clock is the scope's sample clock against the generator's, as known after a step.
type Clock struct {
	Offset      units.PPM
	Uncertainty units.PPM // standard; 0 before anything is known
}

// Measured says whether the step has an arm ratio.
func (s *Step) Measured() bool { return s.Remark == "" }

// Point is the step as the analysis needs it.
func (s *Step) Point() balance.Point {
	return balance.Point{Estimate: s.Estimate, Drive: s.Drive, Range: s.Range, ReferenceRange: s.ReferenceRange}
}

// Point is a step of the run as the analysis needs it, with the position that
// the generator's attenuator had at its drive.
func (r *Run) Point(s *Step) balance.Point {
	p := s.Point()
	p.Attenuator = r.Bench.Generator.Habits.Attenuator.Position(s.Drive)
	return p
}

// Levels is the step as package linearity needs it.
func (s *Step) Levels() linearity.Point {
	return linearity.Point{
		Frequency: s.Estimate.Frequency, Range: s.Range,
		High:      linearity.Level{Drive: s.Drive, Fill: s.Fill, Estimate: s.Estimate, Remark: s.Remark},
		Low:       s.Second,
		Harmonics: s.Harmonics,
	}
}

// Journal keeps runs, steps and captures. What Create, Commit and Update
// returned nil for survives a kill of the process and a loss of power.
type Journal interface {
	// Create stores a new run and sets its ID.
	Create(ctx context.Context, run *Run) error
	// Commit stores a step and its captures, all or nothing. Those of a second
	// drive come after the Estimate.Captures of the first.
	Commit(ctx context.Context, run int64, step *Step, captures []drivers.Capture) error
	// Update stores Finished, State, Reason and Verdict of a run.
	Update(ctx context.Context, run *Run) error
	// Run is the run with the given ID.
	Run(ctx context.Context, id int64) (Run, error)
	// Steps yields the steps of a run in order, reading as it goes.
	Steps(ctx context.Context, run int64) iter.Seq2[Step, error]
}
