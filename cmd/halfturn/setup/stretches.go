package setup

import (
	"fmt"
	"math"

	"halfturn/sweep"
	"halfturn/units"
)

// stretch is a segment of the plan and the key that it stands at.
type stretch struct {
	sweep.Segment
	key string // "plan", "plan.segments[0]"; "plan.frequencies[3]" is from and to in one
	one bool   // a single frequency of a list
}

func (s stretch) at(key string) string {
	if s.one {
		return s.key
	}
	return join(s.key, key)
}

func segmentsOf(all []stretch) []sweep.Segment {
	var segments []sweep.Segment
	for _, s := range all {
		segments = append(segments, s.Segment)
	}
	return segments
}

// stretches reads the frequencies of the plan from whichever of the three
// ways they are said in. The file may use one. A list in it gives way to from,
// to and points of the environment and the flags, if these come together.
func (r *reader) stretches(p *planShape) []stretch {
	ends := []string{"plan.from", "plan.to", "plan.points"}
	list := r.list()
	if list == "" {
		return r.single(p, ends)
	}
	for _, key := range ends {
		if place := r.doc.places[key]; place != "" {
			r.add(place, key, "stands beside %s: frequencies are said in one way, keep one", list)
			return nil
		}
	}
	var above []string
	for _, key := range append(ends, "plan.spacing") {
		if r.origin(key) > inFile {
			above = append(above, key)
		}
	}
	if len(above) >= len(ends) && r.origin("plan.from") > inFile && r.origin("plan.to") > inFile && r.origin("plan.points") > inFile {
		return r.single(p, ends)
	}
	if len(above) > 0 {
		r.add(r.place(above[0]), "", "%s gives %s, which only from, to and points together can take the place of", r.name, list)
		return nil
	}
	var all []stretch
	if list == "plan.frequencies" {
		if place := r.doc.places["plan.spacing"]; place != "" {
			r.add(place, "plan.spacing", "has no meaning beside plan.frequencies: remove it")
		}
		for i, f := range p.Frequencies {
			all = append(all, stretch{sweep.Segment{From: f, To: f, Points: 1, Spacing: p.Spacing}, fmt.Sprintf("%s[%d]", list, i), true})
		}
	} else {
		for i, s := range p.Segments {
			if s.Spacing == "" {
				s.Spacing = p.Spacing
			}
			all = append(all, stretch{s, fmt.Sprintf("%s[%d]", list, i), false})
		}
	}
	if len(all) == 0 && !r.said(list) {
		r.wrong(list, "is an empty list: a plan needs a frequency")
	}
	return all
}

// list is the key of the list of frequencies or segments in the file, or "".
func (r *reader) list() string {
	switch frequencies, segments := r.doc.places["plan.frequencies"], r.doc.places["plan.segments"]; {
	case frequencies != "" && segments != "":
		r.add(frequencies, "plan.frequencies", "stands beside plan.segments: frequencies are said in one way, keep one")
		return "plan.segments"
	case frequencies != "":
		return "plan.frequencies"
	case segments != "":
		return "plan.segments"
	}
	return ""
}

func (r *reader) single(p *planShape, ends []string) []stretch {
	missing := 0
	for _, key := range ends {
		if r.origin(key) == byDefault {
			missing++
		}
	}
	if missing == len(ends) {
		if !r.said(ends...) {
			r.wrong("plan", "no frequencies: give from, to and points, or segments, or frequencies")
		}
		return nil
	}
	return []stretch{{sweep.Segment{From: p.From, To: p.To, Points: p.Points, Spacing: p.Spacing}, "plan", false}}
}

// mostSteps bounds a plan: at a second a step this is more than eleven days.
const mostSteps = 1_000_000

// checkStretches looks at each stretch, then at their order.
func (r *reader) checkStretches(all []stretch) {
	steps := 0
	for _, s := range all {
		r.checkStretch(s)
		if s.Points > 0 && s.Points <= mostSteps && steps <= mostSteps {
			if steps += s.Points; steps > mostSteps {
				r.wrong(s.at("points"), "the plan has more than %d steps with this", mostSteps)
			}
		}
	}
	for i := 1; i < len(all); i++ {
		before, s := all[i-1], all[i]
		if r.said(before.at("to"), s.at("from")) {
			continue
		}
		switch {
		case s.From < before.To:
			r.wrong(s.at("from"), "%v is below %v before it: write frequencies in rising order, each once", s.From, before.To)
		case s.From == before.To && s.Points == 1 && before.Points == 1:
			r.wrong(s.at("from"), "%v is there twice", s.From)
		}
	}
}

func (r *reader) checkStretch(s stretch) {
	r.checkFrequency(s.at("from"), s.From, "30 MHz")
	if s.one {
		return
	}
	r.checkFrequency(s.at("to"), s.To, "300 MHz")
	switch points := s.at("points"); {
	case r.said(points):
	case r.origin(points) == byDefault:
		r.wrong(points, "is missing, like %q", "points: 60")
	case s.Points < 1:
		r.wrong(points, "is %d: at least 1 is needed", s.Points)
	case s.Points > mostSteps:
		r.wrong(points, "is %d: at most %d can be taken", s.Points, mostSteps)
	}
	spacing := s.at("spacing")
	if r.origin(spacing) == byDefault {
		spacing = "plan.spacing"
	}
	if s.Spacing != sweep.Linear && s.Spacing != sweep.Logarithmic && !r.said(spacing) {
		if near := nearest(s.Spacing, []string{sweep.Linear, sweep.Logarithmic}); near != "" {
			r.wrong(spacing, "is %q, did you mean %s?", s.Spacing, near)
		} else {
			r.wrong(spacing, "is %q: write %s or %s", s.Spacing, sweep.Linear, sweep.Logarithmic)
		}
	}
	if r.said(s.at("from"), s.at("to"), s.at("points"), spacing) {
		return
	}
	switch {
	case s.Points == 1 && s.From != s.To:
		r.wrong(r.given(s.at("points"), s.at("from"), s.at("to")), "1 point cannot be both %v and %v", s.From, s.To)
	case s.Points > 1 && s.From >= s.To:
		r.wrong(r.given(s.at("from"), s.at("to")), "from %v is not below to %v", s.From, s.To)
	case s.Points > 1 && s.closest() < 1:
		// Frequencies are rounded to whole hertz.
		r.wrong(r.given(s.at("points"), s.at("from"), s.at("to")), "%d points from %v to %v are closer than 1 Hz", s.Points, s.From, s.To)
	}
}

func (r *reader) checkFrequency(key string, f units.Hertz, example string) {
	switch {
	case r.said(key):
	case r.origin(key) == byDefault:
		r.wrong(key, "is missing, write it like %q", example)
	case f <= 0:
		r.wrong(key, "is %v: a frequency must be above 0 Hz", f)
	}
}

// closest is the smallest distance of two neighbours, in hertz.
func (s stretch) closest() float64 {
	n := float64(s.Points - 1)
	if s.Spacing == sweep.Linear {
		return float64(s.To-s.From) / n
	}
	return float64(s.From) * math.Expm1(math.Log(float64(s.To/s.From))/n)
}
