package choke

import (
	"fmt"
	"math"

	"halfturn/analysis/conformity"
	"halfturn/units"
)

// maxSleeves is more than any line takes.
const maxSleeves = 1000

// Span is a band that meets the limits; From and To are 0 where there is none.
type Span struct {
	From, To units.Hertz
	// Extrapolated: From is below the lowest measured frequency and rests on
	// the Model. It is not looked for beyond Winding.Span, so that a From equal
	// to its end means that or lower.
	Extrapolated bool
}

// Band is the band of the balun with Sleeves sleeves.
type Band struct {
	Sleeves int
	Assured Span // passes with the expanded uncertainty as a guard band
	Nominal Span // the estimates alone are inside the limits
}

// Band tells which band would meet the limits on amplitude balance, phase
// balance and common-mode rejection with more sleeves (fewer where negative).
// A limit on insertion loss is left out: the winding is not what it depends on.
//
// As in conformity.Summary, it is the widest run of neighbouring steps that
// pass, of those that overlap the limits' band. Its ends are then looked for
// between the last step that passes and the first that does not, by Predict,
// and below the lowest step if that one passes.
func (w *Winding) Band(l conformity.Limits, more int) (Band, error) {
	k, err := w.factor(more)
	if err != nil {
		return Band{}, err
	}
	if err := w.checkLimits(l); err != nil {
		return Band{}, err
	}
	return w.band(l, k, w.Sleeves+more), nil
}

// Bands is Band for each change of the number of sleeves from fewest to most,
// say -2 to 6, leaving out those with which none or more than 1000 would be on
// the line.
func (w *Winding) Bands(l conformity.Limits, fewest, most int) ([]Band, error) {
	if fewest > most {
		return nil, fmt.Errorf("choke: from %+d to %+d sleeves is upside down", fewest, most)
	}
	if err := w.checkLimits(l); err != nil {
		return nil, err
	}
	var bands []Band
	fewest, most = max(fewest, 1-w.Sleeves), min(most, maxSleeves-w.Sleeves)
	for n := w.Sleeves + fewest; n <= w.Sleeves+most; n++ {
		bands = append(bands, w.band(l, float64(n)/float64(w.Sleeves), n))
	}
	return bands, nil
}

func (w *Winding) band(l conformity.Limits, k float64, sleeves int) Band {
	return Band{Sleeves: sleeves, Assured: w.widest(l, k, true), Nominal: w.widest(l, k, false)}
}

// checkLimits refuses limits that the winding has no part in.
func (w *Winding) checkLimits(l conformity.Limits) error {
	for i := range w.steps {
		d := l.Decide(w.predict(w.steps[i].frequency, 1, true).Result)
		if d.AmplitudeBalance != conformity.NotLimited || d.PhaseBalance != conformity.NotLimited || d.CommonModeRejection != conformity.NotLimited {
			return nil
		}
	}
	return fmt.Errorf("choke: the limits are on neither amplitude balance, phase balance nor common-mode rejection at any measured frequency: the number of sleeves decides nothing")
}

// meets tells whether the balun is inside the limits at f: proven where
// assured, otherwise by its estimates. Where nothing is limited it is not.
func (w *Winding) meets(l conformity.Limits, f units.Hertz, k float64, assured bool) bool {
	if assured && !w.meets(l, f, k, false) {
		return false // sooner told than with the uncertainty
	}
	d := l.Decide(w.predict(f, k, assured).Result)
	limited := false
	for _, v := range [...]conformity.Verdict{d.AmplitudeBalance, d.PhaseBalance, d.CommonModeRejection} {
		switch {
		case v == conformity.NotLimited:
		case v == conformity.Pass, v == conformity.ConditionalPass && !assured:
			limited = true
		default:
			return false
		}
	}
	return limited
}

func (w *Winding) widest(l conformity.Limits, k float64, assured bool) Span {
	meets := func(f units.Hertz) bool { return w.meets(l, f, k, assured) }
	var best Span
	for i := 0; i < len(w.steps); i++ {
		if !meets(w.steps[i].frequency) {
			continue
		}
		first := i
		for i+1 < len(w.steps) && meets(w.steps[i+1].frequency) {
			i++
		}
		s := Span{From: w.steps[first].frequency, To: w.steps[i].frequency}
		if first == 0 {
			s.From, s.Extrapolated = w.below(meets)
		} else {
			s.From = edge(meets, w.steps[first-1].frequency, s.From)
		}
		if i+1 < len(w.steps) {
			s.To = edge(meets, w.steps[i+1].frequency, s.To)
		}
		overlaps := (l.To == 0 || s.From <= l.To) && s.To >= l.From
		if overlaps && (best.From == 0 || s.To/s.From > best.To/best.From) {
			best = s
		}
	}
	return best
}

// edge halves the distance between a frequency that fails and one that passes
// until it is a millionth, and gives the passing one.
func edge(meets func(units.Hertz) bool, fails, passes units.Hertz) units.Hertz {
	for math.Abs(float64(passes-fails)) > 1e-6*float64(passes) {
		middle := units.Hertz(math.Sqrt(float64(passes) * float64(fails)))
		if meets(middle) {
			passes = middle
		} else {
			fails = middle
		}
	}
	return passes
}

// finer is the ratio of neighbouring frequencies where the model is gone
// through: 48 to a decade.
var finer = units.Hertz(math.Pow(10, 1./48))

// below goes down from the lowest step, which passes.
func (w *Winding) below(meets func(units.Hertz) bool) (from units.Hertz, extrapolated bool) {
	floor, _ := w.Span()
	passes := w.lowest()
	for passes > floor {
		next := max(floor, passes/finer)
		if !meets(next) {
			from = edge(meets, next, passes)
			// The model alone may not bear out the step itself.
			return from, from < w.lowest() && !same(from, w.lowest())
		}
		passes = next
	}
	return floor, true
}

// Need is the smallest number of sleeves, in all, with which the limits are
// met from From to To.
type Need struct {
	From, To         units.Hertz
	Assured, Nominal int
	Extrapolated     bool // From is below the lowest measured frequency
}

// SleevesFor tells how many sleeves a lower band edge needs: with how many the
// limits that Band goes by are met at from, at every step above it, and, where
// it is below the lowest step, by the Model in between. The upper end is that
// of the limits, or the highest step where they have none or a higher one.
// Errors: from outside of that band or of Span, and a need of more than 1000
// sleeves.
func (w *Winding) SleevesFor(l conformity.Limits, from units.Hertz) (Need, error) {
	if err := w.checkLimits(l); err != nil {
		return Need{}, err
	}
	lowest, to := w.Span()
	if l.To > 0 {
		to = min(to, l.To)
	}
	if !(from >= lowest && from <= to) {
		return Need{}, fmt.Errorf("choke: a lower band edge of %v cannot be answered for: it must be between %s and %s; measure further down or up", from, lowest.Brief(), to.Brief())
	}
	frequencies := []units.Hertz{from, to}
	for f := from * finer; f < w.lowest(); f *= finer {
		frequencies = append(frequencies, f)
	}
	for i := range w.steps {
		if f := w.steps[i].frequency; f > from && f < to {
			frequencies = append(frequencies, f)
		}
	}
	need := Need{From: from, To: to, Extrapolated: from < w.lowest() && !same(from, w.lowest())}
	var err error
	if need.Nominal, err = w.fewest(l, frequencies, 1, false); err != nil {
		return Need{}, err
	}
	need.Assured, err = w.fewest(l, frequencies, need.Nominal, true)
	return need, err
}

// fewest is the smallest number of sleeves, from least on, that meets the
// limits at all the frequencies.
func (w *Winding) fewest(l conformity.Limits, frequencies []units.Hertz, least int, assured bool) (int, error) {
	var worst units.Hertz
search:
	for n := least; n <= maxSleeves; n++ {
		for i, f := range frequencies {
			if !w.meets(l, f, float64(n)/float64(w.Sleeves), assured) {
				worst = f
				// What fails now is the first to try with the next number.
				frequencies[0], frequencies[i] = frequencies[i], frequencies[0]
				continue search
			}
		}
		return n, nil
	}
	return 0, fmt.Errorf("choke: not even %d sleeves meet the limits at %s", maxSleeves, worst.Brief())
}
