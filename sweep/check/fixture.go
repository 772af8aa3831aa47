package check

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"strings"

	"halfturn/analysis/balance"
	"halfturn/drivers"
	"halfturn/units"
)

// connected is what the arm ratio speaks for.
type connected string

const (
	nothing connected = "" // no signal was seen
	cable   connected = "calibration cable"
	balun   connected = "balun"
	oneArm  connected = "one arm"
	unclear connected = "unclear"
)

// probe is the bench at one frequency.
type probe struct {
	window   drivers.Window
	full     units.Volts
	estimate balance.Estimate
	lost     bool // no signal, or none in arm 1: the estimate has a frequency only
	noArm1   bool
}

const (
	inBand    = 5 // probes over the plan's frequencies
	perProbe  = 4 // captures
	deadBelow = units.DB(-20)
	tellsArms = units.DB(1) // less of one arm at the low end than in the band
)

// tryFixture reads the arm ratio at a few frequencies of the plan and at the
// lowest there is, and tells what is connected.
func (s *session) tryFixture(ctx context.Context) error {
	if s.kind == nothing {
		return nil
	}
	g := s.generator.Abilities()
	wanted := spread(s.Plan.Frequencies(), inBand)
	for i, f := range append(wanted, g.MinFrequency) {
		low := i == len(wanted)
		if f < g.MinFrequency || f > g.MaxFrequency {
			continue // told before
		}
		p, err := s.probe(ctx, f)
		if err != nil {
			if !low { // where the scope's windows are too short for it, no harm is done
				s.failed("bench", "arm ratio at "+f.Brief(), err, "capture")
			}
			continue
		}
		if low {
			s.low = &p
		} else {
			s.probes = append(s.probes, p)
		}
	}
	s.tellConnected()
	return nil
}

func (s *session) probe(ctx context.Context, f units.Hertz) (probe, error) {
	moved, w, err := s.planner.Place(f)
	if err != nil {
		return probe{}, about("window", err)
	}
	pairs, err := s.atRange(ctx, moved, w, perProbe)
	if err != nil {
		return probe{}, err
	}
	p := probe{window: w, full: s.setting.full}
	p.estimate, err = balance.Combine(moved, pairs)
	switch {
	case errors.Is(err, balance.ErrNoSignal):
		p.lost = true
	case errors.Is(err, balance.ErrNoArm1):
		p.lost, p.noArm1 = true, true
	case err != nil:
		return probe{}, err
	}
	p.estimate.Frequency = moved
	return p, nil
}

// gain is arm 2 over arm 1.
func (p *probe) gain() units.DB {
	if p.noArm1 {
		return units.DB(math.Inf(1))
	}
	return units.DBOfRatio(max(cmplx.Abs(p.estimate.Ratio), 1e-9))
}

// tellConnected goes by the probes in the band.
func (s *session) tellConnected() {
	var seen []balance.Estimate
	var ratios []string
	var dead [2]int
	for i := range s.probes {
		p := &s.probes[i]
		f := p.estimate.Frequency.Brief()
		if p.lost && !p.noArm1 {
			ratios = append(ratios, f+" no signal")
			continue
		}
		if p.noArm1 || p.gain() > -deadBelow {
			dead[0]++
		} else if p.gain() < deadBelow {
			dead[1]++
		}
		if p.noArm1 {
			ratios = append(ratios, f+" nothing in arm 1")
			continue
		}
		seen = append(seen, p.estimate)
		ratios = append(ratios, fmt.Sprintf("%s %s dB %s°", f, signed(float64(p.gain()), 1), signed(cmplx.Phase(p.estimate.Ratio)*180/math.Pi, 0)))
	}
	list := strings.Join(ratios, ", ")
	fitted := balance.CheckKind(seen)
	for arm, count := range dead {
		// A balun with little ferrite loses its shield's arm at the low end only,
		// and still speaks for a balun; a wire that is off leaks at the high end.
		if count > 0 && (2*count >= len(seen) || fitted == balance.Unclear) {
			s.kind = oneArm
			s.wrong("bench", "arms", fmt.Sprintf("arm %d is dead or its wire is off: more than %g dB below the other one at %d of %d frequencies", arm+1, -float64(deadBelow), count, len(ratios)),
				fmt.Sprintf("RF on at %v", s.drive), "arm 2 against arm 1: "+list, "arm")
			return
		}
	}
	switch fitted {
	case balance.CalibrationCable:
		s.kind = cable
		s.ok("bench", "connected", "the calibration cable: arm 2 against arm 1 %s", list)
		s.ok("bench", "arms", "both carry signal; whether they are exchanged cannot be told with the cable, which feeds both alike")
	case balance.Balun:
		s.kind = balun
		s.ok("bench", "connected", "a balun: arm 2 against arm 1 %s", list)
		s.tellExchanged(seen)
	default:
		s.kind = unclear
		s.note("bench", "connected", "neither the calibration cable (0°) nor a balun (180°), or too little signal to tell: arm 2 against arm 1 %s", list)
	}
}

// tellExchanged goes by a choke balun's low end, where ferrite has little
// impedance and grounds the shield's arm: it falls behind the centre
// conductor's, which usually is arm 1 (common practice).
func (s *session) tellExchanged(seen []balance.Estimate) {
	low := s.low
	if low == nil || low.lost {
		s.note("bench", "arms", "both carry signal; whether they are exchanged cannot be told without a signal below the band")
		return
	}
	mean := 0.0
	for i := range seen {
		mean += 20 * math.Log10(cmplx.Abs(seen[i].Ratio)) / float64(len(seen))
	}
	f, less := low.estimate.Frequency.Brief(), low.gain()-units.DB(mean)
	switch {
	case less < -tellsArms:
		s.ok("bench", "arms", "as usual: at %s arm 2 falls %.1f dB behind, so the shield's side feeds arm 2", f, -float64(less))
	case less > tellsArms:
		s.note("bench", "arms", "exchanged against what is usual: at %s arm 1 falls %.1f dB behind, so the shield's side feeds arm 1; phase balance keeps its size and changes its sign", f, float64(less))
	default:
		s.note("bench", "arms", "both carry signal; at %s neither falls behind, so whether they are exchanged cannot be told", f)
	}
}
