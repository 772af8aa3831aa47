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

	// Index of the step, inside the band, where each quantity is worst; -1
	// where none is measured.
	WorstAmplitudeBalance    int
	WorstPhaseBalance        int
	WorstCommonModeRejection int
	WorstInsertionLoss       int

	Flatness  units.DB // largest minus smallest insertion loss in the band
	UFlatness units.DB // expanded

	Steps         int // in the band
	NotMeasurable int // of these
}
