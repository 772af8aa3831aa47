package uncertainty

import (
	"errors"
	"fmt"
	"math"
)

// Budget is all that is known of a bench's errors beyond the noise of a
// measurement, one entry a name. package balance says what each does to the
// results.
type Budget []Entry

// Entry is that of the name, or nil.
func (b Budget) Entry(n Name) *Entry {
	for i := range b {
		if b[i].Name == n {
			return &b[i]
		}
	}
	return nil
}

// Validate says what is wrong with the budget, one line for each key.
func (b Budget) Validate() error {
	var errs []error
	for i := range b {
		if err := b[i].Validate(); err != nil {
			errs = append(errs, err)
		}
		for j := range i {
			if b[j].Name == b[i].Name {
				errs = append(errs, fmt.Errorf("budget.%s: is given twice", b[i].Name))
				break
			}
		}
	}
	return errors.Join(errs...)
}

// ofDB is a small level difference as a part of 1: ln10/20 a dB.
func ofDB(db float64) float64 { return db * math.Ln10 / 20 }

// Defaults is a budget for a bench of which nothing is stated: two alike
// channels of one 8-bit scope, coaxial connectors, resistors of 1 %. It is
// meant to be too large rather than too small. Each Source says where a value
// comes from; none of them replaces what was measured on the bench itself.
func Defaults() Budget {
	const practice = "common practice: "
	return Budget{
		{Name: RunRepeatability, Value: ofDB(0.02), Phase: ofDB(0.02), Distribution: Normal,
			Source: practice + "two-channel scope after warm-up, same ranges; a second calibration run tells the bench's own"},
		{Name: ConnectorRepeatability, Value: ofDB(0.02), Phase: ofDB(0.02), Distribution: Normal,
			Source: practice + "clean threaded coaxial connector up to 500 MHz"},
		{Name: RangeGain, Value: ofDB(0.106), Phase: ofDB(0.106), Distribution: Normal,
			Source: practice + "±1.5 % of full scale on each range, rectangular: 1.5 % · √(2/3)"},
		{Name: SkewDrift, Value: 5e-12, Distribution: Rectangular,
			Source: practice + "1 m of coax per arm, bent and warmed by hand"},
		{Name: Crosstalk, Value: math.Pow(10, -50./20), Distribution: Arcsine,
			Source: practice + "channel isolation of 50 dB; phase unknown, hence arcsine in each part"},
		{Name: NonLinearity, Value: 0.002, Distribution: Rectangular,
			Source: practice + "8-bit converter, half a code of 256 of integral non-linearity"},
		{Name: LoadResistance, Value: 0.01, Distribution: Rectangular,
			Source: practice + "resistors of 1 %"},
		{Name: LoadCapacitance, Value: 0.3e-12, Distribution: Rectangular,
			Source: practice + "inputs of one scope differ by a few tenths of a picofarad"},
		{Name: LeadInductance, Value: 1e-9, Distribution: Rectangular,
			Source: practice + "a millimetre of wire is 1 nH at most"},
		{Name: SourceResistance, Value: 0.05, Distribution: Rectangular,
			Source: practice + "a pad of 6 dB or more at the generator's end of the cable"},
		{Name: Harmonics, Value: math.Pow(10, -70./20), Distribution: Arcsine,
			Source: practice + "harmonics 30 dB below the carrier, of which a fit over a thousand samples leaves a hundredth"},
		{Name: ClockError, Value: 50e-6, Distribution: Rectangular,
			Source: practice + "crystal oscillators without an oven"},
		{Name: LevelLinearity, Value: ofDB(0.2), Distribution: Rectangular,
			Source: practice + "generator with a step attenuator, one level against another"},
		{Name: LevelRepeatability, Value: ofDB(0.05), Distribution: Rectangular,
			Source: practice + "levelled generator after warm-up"},
		{Name: LevelFlatness, Value: ofDB(0.5), Distribution: Rectangular,
			Source: practice + "levelled generator, ±0.5 dB over its span"},
		{Name: AttenuatorStep, Value: ofDB(0.3), Distribution: Rectangular,
			Source: practice + "mechanical step attenuator, a step of 10 dB within ±0.3 dB"},
	}
}
