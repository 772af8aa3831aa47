package compare

import (
	"cmp"
	"math"
	"slices"
)

// Verdict says what became of a balun.
type Verdict string

const (
	Better    Verdict = "better"    // nearer to the ideal somewhere, and farther from it nowhere
	Worse     Verdict = "worse"     // the other way round
	Unchanged Verdict = "unchanged" // no change that the uncertainty does not explain
	Mixed     Verdict = "mixed"     // better in parts and worse in others, or changed and neither
)

// ExitCode is that of a command that ends with the verdict.
func (v Verdict) ExitCode() int {
	switch v {
	case Worse:
		return 3
	case Mixed:
		return 4
	}
	return 0
}

// Significance is the probability with which Pair finds a change where there
// is none, anywhere over the band and in any quantity.
const Significance = 0.05

// Chance is the share of differences that exceed U where nothing changed:
// that of a normal distribution outside of ±2 standard deviations.
const Chance = 0.0455002638963584

// Band is what the steps say together of one quantity.
type Band struct {
	Verdict Verdict

	Compared  int     // steps at which the quantity is known in both runs
	Exceeding int     // of these, |difference| > U
	ByChance  float64 // so many of them are expected where nothing changed

	Better, Worse, Aside int // steps that changed for certain, by where to

	Mean float64 // mean difference of the steps, without regard to their uncertainty
	// Whole is the improvement of all steps together over its standard
	// uncertainty, and WholeVerdict what is certain from it.
	Whole        float64
	WholeVerdict Verdict

	Largest int // index of the step with the largest difference among those that exceed U most; -1 for none
}

// decide gives each quantity its verdict over the band.
//
// Of many differences some exceed their U by chance: one in 22 on average. A
// verdict must not rest on those. Significance is therefore shared out:
//
//   - Half of it among all steps and quantities by Holm's sequentially
//     rejective procedure (Holm, Scand. J. Statist. 6, 1979), which holds
//     whatever the tests have to do with one another, as the four quantities of
//     a step do, and finds what is large at a few frequencies. A procedure that
//     holds the rate of false discoveries instead would find more, but a
//     balun that is worse at a hundred steps would then be called better at a
//     few false ones of them as well, and the verdict be mixed.
//   - Half of it among the quantities for the improvement of all steps
//     together, which finds what is small at every one but the same way.
//
// The second leaves out steps that were read between others, whose errors are
// not independent of their neighbours'.
func decide(steps []Step) (band [Quantities]Band, verdict Verdict) {
	type candidate struct {
		q Quantity
		t test
	}
	var all []candidate
	quantities := 0
	for q := range Quantities {
		band[q].Largest = -1
		for i := range steps {
			c := &steps[i].Changes[q]
			if !c.Measured {
				continue
			}
			band[q].count(steps, q, i)
			all = append(all, candidate{q, c.test})
		}
		if b := &band[q]; b.Compared > 0 {
			quantities++
			b.Mean /= float64(b.Compared)
			b.ByChance = Chance * float64(b.Compared)
		}
	}
	slices.SortFunc(all, func(a, b candidate) int { return cmp.Compare(math.Abs(b.t.change), math.Abs(a.t.change)) })
	for i, c := range all {
		most := Significance / 2 / float64(len(all)-i)
		if outside(c.t.change) > most {
			break
		}
		switch {
		case outside(c.t.improvement) > most:
			band[c.q].Aside++
		case c.t.improvement > 0:
			band[c.q].Better++
		default:
			band[c.q].Worse++
		}
	}
	for q := range Quantities {
		b := &band[q]
		b.WholeVerdict = Unchanged
		if b.Whole = whole(steps, q); outside(b.Whole) <= Significance/2/float64(max(quantities, 1)) {
			b.WholeVerdict = Worse
			if b.Whole > 0 {
				b.WholeVerdict = Better
			}
		}
		b.Verdict = together(b.Better > 0 || b.WholeVerdict == Better, b.Worse > 0 || b.WholeVerdict == Worse, b.Aside > 0)
	}
	var better, worse, aside bool
	for q := range band {
		v := band[q].Verdict
		better = better || v == Better || v == Mixed && band[q].Better > 0
		worse = worse || v == Worse || v == Mixed && band[q].Worse > 0
		aside = aside || v == Mixed
	}
	return band, together(better, worse, aside)
}

// together is the verdict on parts of which some are better, worse, or changed
// and neither. The last count where there is nothing else.
func together(better, worse, aside bool) Verdict {
	switch {
	case better && worse:
		return Mixed
	case better:
		return Better
	case worse:
		return Worse
	case aside:
		return Mixed
	}
	return Unchanged
}

// count takes step i into the counts of the band.
func (b *Band) count(steps []Step, q Quantity, i int) {
	c := &steps[i].Changes[q]
	b.Compared++
	b.Mean += c.Difference
	if c.Exceeds {
		b.Exceeding++
	}
	if b.Largest < 0 {
		b.Largest = i
		return
	}
	// A difference that exceeds its U goes before one that does not.
	l := &steps[b.Largest].Changes[q]
	if c.Exceeds != l.Exceeds {
		if c.Exceeds {
			b.Largest = i
		}
	} else if math.Abs(c.Difference) > math.Abs(l.Difference) {
		b.Largest = i
	}
}

// whole is the sum of the steps' improvements, each over its standard
// uncertainty, over the standard uncertainty of that sum: the independent
// parts go into it by their squares, those that hold over the band as they are.
func whole(steps []Step, q Quantity) float64 {
	var sum, own, common float64
	for i := range steps {
		c := &steps[i].Changes[q]
		if !c.Measured || steps[i].Between {
			continue
		}
		sum += c.test.improvement
		own += 1 - sq(c.test.common)
		common += c.test.common
	}
	return over(sum, math.Sqrt(max(0, own)+sq(common)))
}

// outside is the probability of a normal distribution beyond ±z.
func outside(z float64) float64 { return math.Erfc(math.Abs(z) / math.Sqrt2) }
