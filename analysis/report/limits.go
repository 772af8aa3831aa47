package report

import (
	"math"
	"slices"

	"halfturn/analysis/conformity"
	"halfturn/units"
)

// stretchOfLimit is a limit from one frequency to another, on a straight line
// against the logarithm of frequency.
type stretchOfLimit struct{ from, to, atFrom, atTo float64 }

// stretchesOf are those of the quantity's limit over the band of the limits;
// an infinite band is one without ends.
func (q quantity) stretchesOf(l conformity.Limits) []stretchOfLimit {
	from, to := float64(l.From), float64(l.To)
	if to <= 0 {
		from, to = 0, math.Inf(1)
	}
	if l.Segments == nil {
		if v, ok := q.limit(l); ok && finite(v) {
			return []stretchOfLimit{{from, to, v, v}}
		}
		return nil
	}
	ends := []float64{from, to}
	for _, s := range *l.Segments {
		for _, f := range [2]float64{float64(s.From), float64(s.To)} {
			if f > from && f < to {
				ends = append(ends, f)
			}
		}
	}
	slices.Sort(ends)
	// Just inside of each stretch, since where two meet the stricter limit holds.
	const inside = 1e-5
	at := func(f float64) (float64, bool) {
		v, ok := q.limit(l.At(units.Hertz(f)))
		return v, ok && finite(v)
	}
	var list []stretchOfLimit
	for i := 1; i < len(ends); i++ {
		a, b := ends[i-1], ends[i]
		if !(b > a*(1+4*inside)) {
			continue
		}
		low, okLow := at(max(a*(1+inside), math.SmallestNonzeroFloat64))
		high, okHigh := at(b * (1 - inside))
		if !okLow || !okHigh {
			continue
		}
		if low == high && len(list) > 0 {
			if last := &list[len(list)-1]; last.to == a && last.atFrom == low && last.atTo == low {
				last.to = b
				continue
			}
		}
		list = append(list, stretchOfLimit{a, b, low, high})
	}
	return list
}

// limitText writes the limit as a condition; empty without one.
func (q quantity) limitText(l conformity.Limits) string {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, s := range q.stretchesOf(l) {
		lo, hi = min(lo, s.atFrom, s.atTo), max(hi, s.atFrom, s.atTo)
	}
	word := [...]string{"at least ", "within ±", "at most "}[q.bound+1]
	switch {
	case lo > hi:
		return ""
	case briefly(lo) == briefly(hi):
		return word + trimmed(lo) + q.unit
	}
	to := " to "
	if q.bound == 0 {
		to += "±"
	}
	return word + briefly(lo) + q.unit + to + briefly(hi) + q.unit + ", by frequency"
}

// limitLines are the limit as a chart draws it.
func (q quantity) limitLines(l conformity.Limits) []limitLine {
	var list []limitLine
	for i, s := range q.stretchesOf(l) {
		label := ""
		if i == 0 {
			label = [...]string{"limit, least", "limit", "limit, largest"}[q.bound+1]
		}
		list = append(list, limitLine{s.atFrom, s.from, s.to, label, s.atTo - s.atFrom})
		if q.bound == 0 {
			list = append(list, limitLine{-s.atFrom, s.from, s.to, "", s.atFrom - s.atTo})
		}
	}
	return list
}
