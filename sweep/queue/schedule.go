package queue

import (
	"fmt"
	"strings"
	"time"

	"github.com/robfig/cron/v3"
)

// Schedule queues a job again and again.
type Schedule struct {
	Name    string  `json:"name"`
	When    string  `json:"when"` // five fields: minute, hour, day of month, month, day of week; or @daily and the like
	Zone    string  `json:"zone"` // of the IANA data base, as Europe/Berlin
	Request Request `json:"job"`  // named after the schedule

	times cron.Schedule
	zone  *time.Location
}

// NewSchedule refuses one that never fires.
func NewSchedule(name, when, zone string, request Request, now time.Time) (*Schedule, error) {
	fail := func(format string, a ...any) (*Schedule, error) {
		return nil, fmt.Errorf("schedule %q: %s", name, fmt.Sprintf(format, a...))
	}
	switch {
	case strings.TrimSpace(name) == "":
		return nil, fmt.Errorf("a schedule needs a name")
	case strings.Contains(when, "TZ="):
		return fail("the time zone stands in its own key, not in %q", when)
	case strings.HasPrefix(strings.TrimSpace(when), "@every"):
		return fail("%q counts from nowhere: write the minutes, as */20 * * * *, or queue a series", when)
	}
	s := &Schedule{Name: name, When: when, Zone: zone, Request: request}
	var err error
	if s.zone, err = time.LoadLocation(zone); err != nil || zone == "" {
		return fail("there is no time zone %q: write it like Europe/Lisbon, UTC or Local", zone)
	}
	if s.times, err = cron.ParseStandard(when); err != nil {
		return fail("%q is no time of a schedule (%v): write minute, hour, day of month, month and day of week, as 30 2 * * 1-5", when, err)
	}
	if s.Next(now).IsZero() {
		return fail("%q never comes", when)
	}
	if s.Request.Name == "" {
		s.Request.Name = name
	}
	if err := s.Request.Check(now); err != nil {
		return fail("%s", strings.TrimPrefix(err.Error(), ErrRefused.Error()+": "))
	}
	if !s.Request.Until.IsZero() {
		return fail("an end that is a date comes once only: say for how long, until a time of day, or after how many repeats")
	}
	return s, nil
}

// Next is when it fires for the first time after a time; zero for never.
func (s *Schedule) Next(after time.Time) time.Time { return s.times.Next(after.In(s.zone)) }

// Firing is how a schedule stands.
type Firing struct {
	Schedule
	Next   time.Time `json:"next,omitzero"`
	Last   time.Time `json:"last,omitzero"`    // that it fired
	Missed int       `json:"missed"`           // since the store was made: the daemon was off, or the job before was still open
	Remark string    `json:"remark,omitempty"` // what was missed last
}

// watch is what is kept of a schedule.
type watch struct {
	Checked time.Time `json:"checked"` // up to here every firing is dealt with
	Last    time.Time `json:"last,omitzero"`
	Missed  int       `json:"missed"`
	Remark  string    `json:"remark,omitempty"`
}

const (
	// late is how much too late a firing is still made up for: a restart.
	late = 2 * time.Minute
	// wrong is how far back a clock must go to have been wrong before. Within
	// it, no time fires twice.
	wrong = 25 * time.Hour
	// mostMissed bounds counting.
	mostMissed = 10_000
)

// check brings a watch up to now. It tells whether to fire, and what there is
// to say; however far the clock jumped, it fires once at most.
func (s *Schedule) check(w *watch, now time.Time) (fire bool, say string) {
	switch {
	case w.Checked.IsZero():
		w.Checked = now
		return false, ""
	case now.Before(w.Checked):
		if w.Checked.Sub(now) > wrong {
			say = fmt.Sprintf("the clock went back from %s to %s: firings count from now", w.Checked.Format(time.RFC3339), now.Format(time.RFC3339))
			w.Checked = now
		}
		return false, say
	}
	n := 0
	var due time.Time
	for t := s.Next(w.Checked); !t.IsZero() && !t.After(now) && n < mostMissed; t = s.Next(t) {
		due = t
		n++
	}
	w.Checked = now
	if n == 0 {
		return false, ""
	}
	if fire = now.Sub(due) <= late; fire {
		w.Last = due
		n--
	}
	if n > 0 {
		w.Missed += n
		say = fmt.Sprintf("%d missed while the daemon was off or the clock jumped; they are not made up for", n)
		w.Remark = say
	}
	return fire, say
}
