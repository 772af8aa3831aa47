package sweep

import "time"

// Pace tells from the steps that it has seen how long the rest of a run takes.
// Settling that comes at some steps only, and is known beforehand, is taken out
// of the mean of the past and put in where it is to come. The zero Pace is one
// that has seen nothing.
type Pace struct {
	began time.Time // at the first step seen
	first int       // its index
	ahead time.Duration
}

// Left is how long the steps after e take, as of now; ok is false at the first
// step, from which nothing can be told.
func (p *Pace) Left(e *Event, now time.Time) (left time.Duration, ok bool) {
	if p.began.IsZero() {
		p.began, p.first, p.ahead = now, e.Step.Index, e.Ahead
	}
	n := e.Step.Index - p.first
	if n <= 0 {
		return 0, false
	}
	steady := max(0, now.Sub(p.began)-(p.ahead-e.Ahead))
	return steady/time.Duration(n)*time.Duration(e.Total-e.Step.Index-1) + e.Ahead, true
}
