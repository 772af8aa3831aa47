package conformity

import "halfturn/units"

// Decision is the verdict at one frequency, and of each quantity there.
type Decision struct {
	Verdict             Verdict // the worst of the others
	AmplitudeBalance    Verdict
	PhaseBalance        Verdict
	CommonModeRejection Verdict
	InsertionLoss       Verdict
}

// Summary is the decision over the band.
type Summary struct {
	Verdict Verdict

	From, To units.Hertz // the band decided on: that of the limits where it was swept

	// PassFrom and PassTo bound the widest run of passing steps that overlaps
	// the wanted band; both are 0 where no step passes.
	PassFrom, PassTo units.Hertz

	// HoleFrom and HoleTo bound the widest hole in the band, where no step was
	// taken though the sweep is fine elsewhere; both are 0 where there is none.
	HoleFrom, HoleTo units.Hertz

	// LeastProbable is the limited quantity and the frequency in the band that
	// meets its limit with the least probability, of those that are measurable.
	LeastProbable Conformity

	// Index of the step, inside the band, where each quantity is worst; -1
	// where none is measured. Where the limits vary with frequency, worst is
	// the largest part of the limit.
	WorstAmplitudeBalance    int
	WorstPhaseBalance        int
	WorstCommonModeRejection int
	WorstInsertionLoss       int

	Flatness  units.DB // largest minus smallest insertion loss in the band
	UFlatness units.DB // expanded

	Steps         int // in the band
	NotMeasurable int // of these
}

// Conformity is the probability that one quantity meets its limit
// (JCGM 106:2012, clause 7, normal distribution). The zero value, with an empty
// Quantity, is that of none.
type Conformity struct {
	Probability float64
	Quantity    string // "phase balance"
	Frequency   units.Hertz
}
