package sweep

import (
	"fmt"
	"math"
	"sort"

	"halfturn/analysis/conformity"
	"halfturn/units"
)

// Frequencies is every frequency of the plan in rising order, each once.
func (p Plan) Frequencies() []units.Hertz {
	all := make([]units.Hertz, 0, p.Steps())
	for _, s := range p.Segments {
		all = append(all, s.frequencies()...)
	}
	return ascending(all)
}

// Steps is how many steps the plan has at most; frequencies that stand in two
// segments are taken once.
func (p Plan) Steps() int {
	n := 0
	for _, s := range p.Segments {
		n += s.Points
	}
	return n
}

func (s Segment) frequencies() []units.Hertz {
	if s.Points == 1 {
		return []units.Hertz{s.From}
	}
	f := make([]units.Hertz, s.Points)
	for i := range f {
		part := float64(i) / float64(s.Points-1)
		if s.Spacing == Logarithmic {
			f[i] = s.From * units.Hertz(math.Pow(float64(s.To/s.From), part))
		} else {
			f[i] = s.From + (s.To-s.From)*units.Hertz(part)
		}
		// Whole hertz: what instruments take and people can read back.
		f[i] = units.Hertz(math.Round(float64(f[i])))
	}
	f[0], f[len(f)-1] = s.From, s.To
	return f
}

// ascending sorts and drops what is there twice.
func ascending(f []units.Hertz) []units.Hertz {
	sort.Slice(f, func(i, j int) bool { return f[i] < f[j] })
	kept := f[:0]
	for i, v := range f {
		if i == 0 || v != kept[len(kept)-1] {
			kept = append(kept, v)
		}
	}
	return kept
}

// The spacings of a segment.
const (
	Linear      = "linear"
	Logarithmic = "logarithmic"
)

// Validate says in one line what of the plan cannot be done.
func (p Plan) Validate() error {
	if len(p.Segments) == 0 {
		return fmt.Errorf("plan: no frequencies")
	}
	for i, s := range p.Segments {
		at := fmt.Sprintf("plan: segment %d", i+1)
		switch {
		case !(s.From > 0) || math.IsInf(float64(s.To), 0):
			return fmt.Errorf("%s: from %v and to %v must be frequencies above zero", at, s.From, s.To)
		case s.Points < 1:
			return fmt.Errorf("%s: %d points, at least 1 is needed", at, s.Points)
		case s.Points == 1 && s.From != s.To:
			return fmt.Errorf("%s: 1 point cannot be both %v and %v", at, s.From, s.To)
		case s.Points > 1 && !(s.From < s.To):
			return fmt.Errorf("%s: from %v is not below to %v", at, s.From, s.To)
		case s.Points > 1 && s.Spacing != Linear && s.Spacing != Logarithmic:
			return fmt.Errorf("%s: spacing %q is neither %s nor %s", at, s.Spacing, Linear, Logarithmic)
		}
	}
	switch {
	case p.Captures < 1:
		return fmt.Errorf("plan: captures is %d, at least 1 is needed", p.Captures)
	case p.MaxCaptures < p.Captures:
		return fmt.Errorf("plan: max_captures %d is below captures %d", p.MaxCaptures, p.Captures)
	case !(p.Precision > 0 && p.Precision <= 1):
		return fmt.Errorf("plan: precision %g must be above 0 and at most 1", p.Precision)
	}
	return p.Linearity.validate()
}

func (l Linearity) validate() error {
	switch {
	case l.Every < 0:
		return fmt.Errorf("plan: linearity is taken every %d steps: at least 1, or 0 for none", l.Every)
	case l.Every > 0 && !(l.Drop > 0 && l.Drop <= LargestDrop):
		return fmt.Errorf("plan: linearity: the drop of %v must be above 0 dB and at most %v", l.Drop, LargestDrop)
	}
	return nil
}

// LargestDrop leaves a tenth of the signal at the second drive.
const LargestDrop units.DB = 20

// at says whether step i is taken at a second drive.
func (l Linearity) at(i int) bool { return l.Every > 0 && i%l.Every == 0 }

// withoutLimits is the relative standard uncertainty aimed at where no limit
// says what is good enough: 0.1°.
const withoutLimits = 0.1 * math.Pi / 180

// target is the relative standard uncertainty of one run's arm ratio that
// keeps the expanded uncertainty of each limited result inside the plan's part
// of its limit. The balun and the calibration share it evenly.
func (p Plan) target(l conformity.Limits) float64 {
	tightest := math.Inf(1)
	if l.AmplitudeBalance != nil {
		tightest = min(tightest, float64(*l.AmplitudeBalance)*math.Ln10/20)
	}
	if l.PhaseBalance != nil {
		tightest = min(tightest, float64(*l.PhaseBalance)*math.Pi/180)
	}
	if l.CommonModeRejection != nil {
		// |(1+r)/(1-r)| near r = -1 moves by half of what r moves by.
		tightest = min(tightest, 2/l.CommonModeRejection.Ratio())
	}
	if math.IsInf(tightest, 1) {
		return withoutLimits
	}
	return p.Precision * tightest / 2 / math.Sqrt2
}
