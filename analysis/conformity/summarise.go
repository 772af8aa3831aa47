package conformity

import (
	"math"
	"sort"

	"halfturn/analysis/balance"
	"halfturn/units"
)

// edge is the relative difference in frequency within which a step is still
// at the edge of a band: a scope's grid may move a frequency that little.
const edge = 1e-6

// Summarise decides over the band of the limits. decisions[i] belongs to
// results[i]; results[i].Frequency is set for a step without a result too, and
// its decision is Unmeasured. Steps may come in any order.
//
// The verdict is the worst of the steps in the band, in the order pass <
// conditional pass < conditional fail < not measurable < fail: a proven fail
// anywhere fails the whole, and short of that, whatever could not be measured
// leaves the whole undecided. A band without a step in it is not measurable,
// and so is, unless it fails, one that the sweep does not reach the ends of:
// its outermost steps may stop short by half of their distance to the next
// step. Without any limit the verdict is NotLimited.
//
// Limits without a band (From and To 0) are decided over the whole sweep.
//
// PassFrom to PassTo: of all runs of neighbouring steps that pass, with no hole
// between them, those that overlap the band; of these the one with the largest ratio of its ends.
func Summarise(l Limits, results []balance.Result, decisions []Decision) Summary {
	s := Summary{
		WorstAmplitudeBalance:    -1,
		WorstPhaseBalance:        -1,
		WorstCommonModeRejection: -1,
		WorstInsertionLoss:       -1,
	}
	order := make([]int, len(results))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool { return results[order[a]].Frequency < results[order[b]].Frequency })
	frequencies := sortedFrequencies(results, order)

	from, to := l.From, l.To
	if from == 0 && to == 0 && len(order) > 0 {
		from, to = frequencies[0], frequencies[len(order)-1]
	}
	low, high := from*(1-edge), to*(1+edge)
	first := sort.Search(len(order), func(k int) bool { return frequencies[k] >= low })
	end := sort.Search(len(order), func(k int) bool { return frequencies[k] > high })
	inside := order[first:max(first, end)]

	s.worst(l, results, decisions, inside)
	s.flatness(results, decisions, inside)
	for _, i := range inside {
		s.Steps++
		if decisions[i].Verdict == NotMeasurable {
			s.NotMeasurable++
		}
		s.Verdict = worst(s.Verdict, decisions[i].Verdict)
	}
	s.Verdict = worst(s.Verdict, s.cover(from, to, frequencies, len(inside)))
	hole := holes(frequencies, from, to)
	s.Verdict = worst(s.Verdict, s.widestHole(hole, frequencies, from, to))
	s.passing(results, decisions, order, hole, low, high)
	if l.None() {
		s.Verdict = NotLimited
	}
	return s
}

// cover sets From and To, and gives NotMeasurable if the sweep leaves out part
// of the band. It may stop short of an end by half a step, linear or
// logarithmic, whichever is shorter.
func (s *Summary) cover(from, to units.Hertz, f []units.Hertz, inside int) Verdict {
	if inside == 0 {
		return NotMeasurable
	}
	n := len(f)
	lowest, highest := f[0]*(1-edge), f[n-1]*(1+edge)
	if n > 1 {
		lowest = min(lowest, f[0]*units.Hertz(math.Sqrt(float64(f[0]/f[1]))))
		highest = max(highest, f[n-1]+(f[n-1]-f[n-2])/2)
	}
	s.From, s.To = from, to
	if from >= lowest && to <= highest {
		return NotLimited
	}
	s.From, s.To = max(from, f[0]), min(to, f[n-1])
	return NotMeasurable
}

func sortedFrequencies(results []balance.Result, order []int) []units.Hertz {
	f := make([]units.Hertz, len(order))
	for k, i := range order {
		f[k] = results[i].Frequency
	}
	return f
}

// worst finds the steps where each quantity is worst, and the least
// probability of conformity, of those where it is measurable.
func (s *Summary) worst(l Limits, results []balance.Result, decisions []Decision, inside []int) {
	var most [len(quantities)]float64
	for _, i := range inside {
		if decisions[i] == Unmeasured() {
			continue
		}
		r := &results[i]
		here := l.At(r.Frequency)
		for k := range quantities {
			q := &quantities[k]
			if *q.verdict(&decisions[i]) == NotMeasurable {
				continue
			}
			value, _, limit := q.compare(&here, r)
			size := q.size(value)
			if l.Segments != nil && !math.IsNaN(limit) {
				size /= limit
			}
			if at := q.worst(s); size > math.Inf(-1) && (*at < 0 || size > most[k]) {
				*at, most[k] = i, size
			}
			p := q.probability(&here, r)
			if least := &s.LeastProbable; !math.IsNaN(p) && (least.Quantity == "" || p < least.Probability) {
				*least = Conformity{p, q.name, r.Frequency}
			}
		}
	}
}

// flatness is the largest minus the smallest insertion loss of the steps
// inside, with the uncertainties of these two.
func (s *Summary) flatness(results []balance.Result, decisions []Decision, inside []int) {
	top, bottom := s.WorstInsertionLoss, s.WorstInsertionLoss
	if top < 0 {
		return
	}
	for _, i := range inside {
		d := &decisions[i]
		if *d == Unmeasured() || d.InsertionLoss == NotMeasurable {
			continue
		}
		if results[i].InsertionLoss > results[top].InsertionLoss {
			top = i
		}
		if results[i].InsertionLoss < results[bottom].InsertionLoss {
			bottom = i
		}
	}
	s.Flatness = results[top].InsertionLoss - results[bottom].InsertionLoss
	if top != bottom {
		s.UFlatness = units.DB(math.Hypot(float64(results[top].UInsertionLoss), float64(results[bottom].UInsertionLoss)))
	}
}

// passing sets PassFrom and PassTo.
func (s *Summary) passing(results []balance.Result, decisions []Decision, order []int, hole []bool, low, high units.Hertz) {
	widest := 0.0 // ratio of the ends
	for k := 0; k < len(order); k++ {
		if decisions[order[k]].Verdict != Pass {
			continue
		}
		start := results[order[k]].Frequency
		for k+1 < len(order) && !hole[k] && decisions[order[k+1]].Verdict == Pass {
			k++
		}
		stop := results[order[k]].Frequency
		if ratio := float64(stop / start); stop >= low && start <= high && ratio > widest {
			widest, s.PassFrom, s.PassTo = ratio, start, stop
		}
	}
}
