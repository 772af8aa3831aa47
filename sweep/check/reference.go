package check

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/cmplx"

	"halfturn/analysis/balance"
	"halfturn/analysis/phasor"
	"halfturn/drivers"
	"halfturn/units"
)

// channels are those that the bench uses.
func (s *session) channels() []drivers.Arm {
	if s.Bench.Scope.Reference == "" {
		return []drivers.Arm{drivers.Arm1, drivers.Arm2}
	}
	return []drivers.Arm{drivers.Arm1, drivers.Arm2, drivers.Reference}
}

// beside fits the phase reference to a pair while it is what is tried; a
// clipped one leaves none.
func (s *session) beside(pair *phasor.Pair) error {
	if !s.referred {
		return nil
	}
	err := pair.Beside(recordOf(&s.capture.Reference), s.capture.Rate)
	if errors.Is(err, phasor.ErrClipped) {
		return nil
	}
	return err
}

// lostBelow is less of the drive than any splitter and scope leave of it.
const lostBelow units.DB = -60

// tryReference looks at the phase reference on the smallest range that holds
// it, and whether its channel is sampled with the arms'.
func (s *session) tryReference(ctx context.Context) error {
	named := s.Bench.Scope.Reference
	if named == "" || s.kind == nothing {
		return nil
	}
	s.referred = true
	defer func() { s.referred = false }()
	f, w, err := s.base()
	var pairs []phasor.Pair
	if err == nil {
		pairs, err = s.ontoReference(ctx, f, w)
	}
	if err != nil {
		s.failed("bench", "reference", err, "reference")
		return nil
	}
	estimate, err := balance.Combine(f, pairs)
	amplitude := estimate.Reference.Amplitude
	below := units.DBOfRatio(float64(amplitude) / (math.Sqrt2 * float64(s.drive.VoltsRMS())))
	switch {
	case errors.Is(err, balance.ErrNoReference), err == nil && below < lostBelow:
		s.wrong("bench", "reference", fmt.Sprintf("channel %s reads nothing while the arms do: is the splitter cabled to it?", named),
			fmt.Sprintf("RF on at %s and %v", f.Brief(), s.drive), fmt.Sprintf("noise of %s rms", pairs[0].Reference.Sigma.Brief()), "reference")
		return nil
	case err != nil:
		s.skip("bench", "reference", "too little signal in the arms to tell: %v", err)
		return nil
	}
	scatter, explained := scatterOf(pairs)
	const degrees = 180 / math.Pi
	said := fmt.Sprintf("its phase against arm 1 scatters by %.2g°, noise explains %.2g°", scatter*degrees, explained*degrees)
	if explained < drowned && scatter > scatterMost*explained+scatterMore {
		s.wrong("scope", "reference", said+": it is not of one acquisition with the arms",
			fmt.Sprintf("%d captures at %s", len(pairs), f.Brief()), fmt.Sprintf("a scatter of %.3g°", scatter*degrees), "together")
		return nil
	}
	s.ok("bench", "reference", "channel %s reads %s peak at %s, %s dB against the level into 50 Ω; %s", named, amplitude.Brief(), f.Brief(), signed(float64(below), 1), said)
	return nil
}

// ontoReference captures with the reference on the smallest range that holds it.
func (s *session) ontoReference(ctx context.Context, f units.Hertz, w drivers.Window) ([]phasor.Pair, error) {
	ranges := s.scope.Abilities().Ranges
	for i := len(ranges) - 1; ; {
		s.referenceRange = ranges[i]
		pairs, err := s.atRange(ctx, f, w, together)
		if err != nil {
			return nil, err
		}
		amplitude, clipped := units.Volts(0), false
		for k := range pairs {
			clipped = clipped || pairs[k].Reference.N == 0
			amplitude = max(amplitude, units.Volts(cmplx.Abs(pairs[k].Reference.P)))
		}
		switch {
		case clipped && i == len(ranges)-1:
			return nil, fmt.Errorf("the reference clips on its largest range, %s, with the generator at %v", s.referenceRange.Brief(), s.drive)
		case clipped:
			return nil, fmt.Errorf("the reference clips now and then on the range %s, which it fills to %.0f %%", s.referenceRange.Brief(), 100*fullest)
		case i > 0 && 2*amplitude <= fullest*ranges[i-1]:
			i--
		default:
			return pairs, nil
		}
	}
}

// scatterOf is by how much arm 1 against the reference scatters in phase, in
// radians, and what of it the noise explains.
func scatterOf(pairs []phasor.Pair) (scatter, explained float64) {
	against := func(p *phasor.Pair) complex128 { return unit(p.P[0] * cmplx.Conj(p.Reference.P)) }
	var mean complex128
	variance := 0.0
	n := float64(len(pairs))
	for i := range pairs {
		p := &pairs[i]
		mean += against(p)
		variance += (p.Held(0).Relative(p.P[0]).II + p.Reference.Held.Relative(p.Reference.P).II) / n
	}
	sum := 0.0
	for i := range pairs {
		d := cmplx.Phase(against(&pairs[i]) * cmplx.Conj(mean))
		sum += d * d
	}
	return math.Sqrt(sum / (n - 1)), math.Sqrt(variance)
}
