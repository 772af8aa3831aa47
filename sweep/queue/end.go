package queue

import (
	"fmt"
	"time"
)

// ReadEnd reads the end of a series as somebody at a clock writes it: a date
// and a time, with or without a zone, or a time of day, which is the next that
// comes. Without a zone it is that of now.
func ReadEnd(text string, now time.Time) (time.Time, error) {
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t, nil
	}
	for _, layout := range []string{"2006-01-02 15:04", "2006-01-02 15:04:05", "2006-01-02T15:04"} {
		if t, err := time.ParseInLocation(layout, text, now.Location()); err == nil {
			return t, nil
		}
	}
	if t, err := nextAt(text, now); err == nil {
		return t, nil
	}
	return time.Time{}, fmt.Errorf("%q is not a time: write it like \"2031-05-04 07:00\", or 07:00 for the next time that the clock shows so", text)
}

// nextAt is the first time after now, by its zone, that a clock shows so; the
// hour that a change of the clocks leaves out counts as the one after it.
func nextAt(clock string, now time.Time) (time.Time, error) {
	c, err := time.Parse("15:04", clock)
	if err != nil {
		return time.Time{}, fmt.Errorf("%q is no time of day: write it like 06:30", clock)
	}
	for day := 0; ; day++ {
		t := time.Date(now.Year(), now.Month(), now.Day()+day, c.Hour(), c.Minute(), 0, 0, now.Location())
		if t.After(now) {
			return t, nil
		}
	}
}

// checkEnd says what is wrong with when a series ends.
func (r *Request) checkEnd(now time.Time) error {
	given := 0
	for _, is := range []bool{!r.Until.IsZero(), r.For != 0, r.Clock != ""} {
		if is {
			given++
		}
	}
	switch {
	case given == 0 && r.Repeats == 0:
		return refused("a series needs its end: until a time, for how long, or after how many repeats")
	case given > 1:
		return refused("a series ends at one time: until a date, until a time of day, or for how long")
	case r.For < 0:
		return refused("a series cannot last %v", time.Duration(r.For))
	case r.Repeats < 0 || r.Repeats > mostRepeats:
		return refused("a series cannot have %d repeats: at most %d", r.Repeats, mostRepeats)
	case !r.Until.IsZero() && !r.Until.After(now):
		return refused("the end of the series, %s, is past", r.Until.Format(time.RFC3339))
	}
	if r.Clock != "" {
		if _, err := nextAt(r.Clock, now); err != nil {
			return refused("%v", err)
		}
	}
	// By division, since the product of repeats and interval may be no duration.
	endless := given == 0 && r.Repeats > 1 && time.Duration(r.Every) > farthestAway/time.Duration(r.Repeats-1)
	if endless || r.Until.Sub(now) > farthestAway || time.Duration(r.For) > farthestAway {
		return refused("a series ends within a year")
	}
	return nil
}

// begin turns an end that counts from when the job is queued into a time.
func (r *Request) begin(now time.Time) error {
	switch {
	case r.For > 0:
		r.Until, r.For = now.Add(time.Duration(r.For)), 0
	case r.Clock != "":
		until, err := nextAt(r.Clock, now)
		if err != nil {
			return err
		}
		r.Until, r.Clock = until, ""
	}
	return nil
}
