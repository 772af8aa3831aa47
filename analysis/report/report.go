// Package report turns one analysed run into what people and programs read:
//
//	Text        the summary, and optionally the table, for a terminal
//	HTML        one self-contained page, figures first, then plots and table
//	CSV, JSON   the steps for a spreadsheet and for a script
//	Touchstone  the three-port of a balun, for a circuit simulator
//	Plot…       each plot of the page as an SVG of its own
//
// It stands at the end of the flow plan → step → … → verdict → report. It is
// pure: all it knows, the time included, comes in through Input, which the
// caller fills from a stored run. Text from people and instruments (labels,
// names, identities, remarks) is cleaned of control characters and escaped
// for each format. A quantity that is not measurable is left empty, null or
// named as such; no output holds a NaN or an infinity.
package report

import (
	"time"

	"halfturn/analysis/balance"
	"halfturn/analysis/conformity"
	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// Kinds of run that a report treats differently, as the sweep names them.
const (
	KindCalibration = "calibration"
	KindBalun       = "balun"
	KindSwapped     = "swapped"
)

// StateDone is the state of a run that reached its last step.
const StateDone = "done"

// Input is all that a report is made from.
type Input struct {
	Run         Run
	Calibration *Run // nil for a calibration run
	Bench       Bench
	Fill        Fill
	Limits      conformity.Limits // zero where there are none
	Rule        string            // the rule of decision, with its source
	Summary     conformity.Summary
	Steps       []Step // in the order of the run
	Figures     []Figure
	Winding     *Winding           // of a balun; nil where it was not looked at
	Budgets     []Budget           // of some steps, the worst ones among them
	Entries     uncertainty.Budget // that the results were worked out with; nil: noise alone
	Proof       *Proof             // of the bench, by the calibration
	Swapped     *Swapped           // of a swapped run, with its straight one
	Linearity   *Linearity         // nil where no step was taken at two drives
	Warnings    []string
	Notes       []string // of no consequence to the result; among the conditions
	Generated   time.Time
	Program     string // name and version of the program that wrote the report

	digits int // of a frequency, see frequencyDigits; 0 before it is worked out
}

// Run says what was measured, when and how far it came.
type Run struct {
	ID       int64
	Kind     string // KindCalibration, KindBalun or KindSwapped
	Label    string
	State    string
	Reason   string // why it is not done
	Version  string // of the program that measured
	Started  time.Time
	Finished time.Time // zero until then
}

// Bench is the instruments, the fixture and how they are cabled.
type Bench struct {
	Name, Fixture                       string
	GeneratorIdentity, GeneratorAddress string
	ScopeIdentity, ScopeAddress         string
	Channels                            [2]string // that arm 1 and arm 2 feed
	Reference                           string    // channel of the phase reference; empty for none
	Attenuator                          string    // in the generator; empty for none
	Load                                balance.Load
	MaxDrive                            MaxDrive
	InputLimit                          units.Volts // peak, at a scope input; 0 where not stated
}

// MaxDrive is the largest level that each part of the bench stands.
type MaxDrive struct {
	Generator, Balun units.DBm
	// Falling is what the generator itself gives up to each frequency, ascending,
	// the last one beyond as well; empty where it is the same at all.
	Falling []Level
}

// Level is the largest level up to a frequency.
type Level struct {
	UpTo units.Hertz
	Most units.DBm
}

// Fill is the signal peak to peak over range that the plan accepted; zero
// where not known.
type Fill struct {
	Min, Max float64
}

// Step is one frequency of a run.
type Step struct {
	Index int
	Taken time.Time
	Point balance.Point
	Fill  [2]float64 // by arm
	// ReferenceFill is that of the phase reference's channel; 0 without one.
	ReferenceFill float64
	Acquisitions  int // 1 when the first level was right
	Result        balance.Result
	Decision      conformity.Decision
	Measured      bool   // there is an arm ratio
	Remark        string // why there is none
	Truth         *Truth // the simulator's exact values; nil on a real bench
}

// Truth is what a simulated bench would read without error: the arm ratio
// (fixture taken out; as read, in a calibration run) and the results from it.
type Truth struct {
	Ratio               complex128
	AmplitudeBalance    units.DB
	PhaseBalance        units.Degrees
	CommonModeRejection units.DB
	InsertionLoss       units.DB
	Transmission        [2]complex128 // of each arm against a reference; zeros without one
}

// Figure is the X-Y figure of one frequency: arm 1 to the right, arm 2 up.
type Figure struct {
	Frequency units.Hertz
	P         [2]complex128    // fitted phasors as read, volts peak
	Samples   [2][]units.Volts // as read, the same count in both; a few hundred at most
	Ratio     complex128       // arm ratio, fixture taken out; 0 where there is none
}

// calibrates says whether the run is of the calibration cable, where the
// report states the ratio as read instead of the results of a balun.
func (in *Input) calibrates() bool { return in.Run.Kind == KindCalibration }

// inBand says whether f lies in the band of the limits, with the tolerance at
// its edges that conformity.Summarise allows. Limits without a band hold at
// every step.
func (in *Input) inBand(f units.Hertz) bool {
	const edge = 1e-6
	return in.Limits.To <= 0 || f >= in.Limits.From*(1-edge) && f <= in.Limits.To*(1+edge)
}

// limited says whether any limit applies.
func (in *Input) limited() bool { return !in.Limits.None() }

// simulated says whether the exact values are known.
func (in *Input) simulated() bool {
	for i := range in.Steps {
		if in.Steps[i].Truth != nil {
			return true
		}
	}
	return false
}
