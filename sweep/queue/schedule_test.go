package queue

import (
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

var start = time.Date(2031, 3, 29, 12, 0, 0, 0, time.UTC)

func schedule(t testing.TB, when, zone string) *Schedule {
	t.Helper()
	s, err := NewSchedule("nightly", when, zone, Request{Kind: Balun}, start)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func TestSchedulesThatAreRefused(t *testing.T) {
	for _, c := range []struct{ name, when, zone, says string }{
		{"a", "0 0 30 2 *", "UTC", "never comes"},
		{"a", "0 0 31 4,6,9,11 *", "UTC", "never comes"},
		{"a", "61 0 * * *", "UTC", "no time of a schedule"},
		{"a", "* * * *", "UTC", "no time of a schedule"},
		{"a", "", "UTC", "no time of a schedule"},
		{"a", "@every 1h", "UTC", "counts from nowhere"},
		{"a", "TZ=UTC 0 0 * * *", "UTC", "in its own key"},
		{"a", "CRON_TZ=UTC 0 0 * * *", "UTC", "in its own key"},
		{"a", "0 0 * * *", "Hut/Four", "no time zone"},
		{"a", "0 0 * * *", "", "no time zone"},
		{" ", "0 0 * * *", "UTC", "needs a name"},
	} {
		if _, err := NewSchedule(c.name, c.when, c.zone, Request{Kind: Balun}, start); err == nil || !strings.Contains(err.Error(), c.says) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%q: %v, want %q", c.when, err, c.says)
		}
	}
	if _, err := NewSchedule("a", "0 0 29 2 *", "UTC", Request{Kind: Balun}, start); err != nil {
		t.Errorf("once in four years: %v", err)
	}
}

// The time zone's own clock counts: on 30 March 2031 Lisbon goes from 1:00 to
// 2:00 (Directive 2000/84/EC: last Sunday in March, 1:00 UTC).
func TestScheduleKeepsItsZone(t *testing.T) {
	s := schedule(t, "30 6 * * *", "Europe/Lisbon")
	at := s.Next(start.Add(-12 * time.Hour))
	for _, want := range []string{"2031-03-29T06:30:00Z", "2031-03-30T05:30:00Z", "2031-03-31T05:30:00Z"} {
		if got := at.UTC().Format(time.RFC3339); got != want {
			t.Errorf("fires at %s, want %s", got, want)
		}
		at = s.Next(at)
	}
}

func TestFirings(t *testing.T) {
	type look struct {
		after  time.Duration // start, of this look
		fires  bool
		missed int // in all
	}
	for name, c := range map[string]struct {
		when  string
		looks []look
	}{
		"in time":                  {"0 13 * * *", []look{{0, false, 0}, {time.Hour - time.Second, false, 0}, {time.Hour, true, 0}, {time.Hour + time.Second, false, 0}, {25 * time.Hour, true, 0}}},
		"a little late":            {"0 13 * * *", []look{{0, false, 0}, {time.Hour + 90*time.Second, true, 0}}},
		"too late":                 {"0 13 * * *", []look{{0, false, 0}, {2 * time.Hour, false, 1}}},
		"off for a week":           {"0 13 * * *", []look{{0, false, 0}, {7 * 24 * time.Hour, false, 7}}},
		"off for a year, in time":  {"0 12 * * *", []look{{0, false, 0}, {365 * 24 * time.Hour, true, 364}}},
		"every minute, a year off": {"* * * * *", []look{{0, false, 0}, {365 * 24 * time.Hour, false, mostMissed}}},
		"an hour back":             {"0 13 * * *", []look{{0, false, 0}, {time.Hour, true, 0}, {0, false, 0}, {time.Hour, false, 0}, {25 * time.Hour, true, 0}}},
		"a year back":              {"0 13 * * *", []look{{365 * 24 * time.Hour, false, 0}, {0, false, 0}, {time.Hour, true, 0}}},
	} {
		t.Run(name, func(t *testing.T) {
			s, w := schedule(t, c.when, "UTC"), &watch{}
			for i, l := range c.looks {
				fire, _ := s.check(w, start.Add(l.after))
				if fire != l.fires || w.Missed != l.missed {
					t.Errorf("look %d: fires %v, missed %d, want %v, %d", i, fire, w.Missed, l.fires, l.missed)
				}
			}
		})
	}
}

// However the clock jumps, no time fires twice within a day, nothing fires
// that is not due, and the count never falls.
func TestFiringsUnderJumps(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, err := NewSchedule("a", rapid.SampledFrom([]string{"*/7 * * * *", "0 13 * * *", "30 2 * * 1-5"}).Draw(t, "when"), "UTC", Request{Kind: Balun}, start)
		if err != nil {
			t.Fatal(err)
		}
		w := &watch{}
		now := start
		fired := map[time.Time]bool{}
		for range rapid.IntRange(1, 40).Draw(t, "looks") {
			now = now.Add(time.Duration(rapid.Int64Range(int64(-20*time.Hour), int64(40*time.Hour)).Draw(t, "jump")))
			missed := w.Missed
			fire, _ := s.check(w, now)
			if w.Missed < missed {
				t.Fatalf("missed falls from %d to %d", missed, w.Missed)
			}
			if !fire {
				continue
			}
			if late := now.Sub(w.Last); late < 0 || late > 2*time.Minute {
				t.Fatalf("fired %v late", late)
			}
			if !s.Next(w.Last.Add(-time.Second)).Equal(w.Last) {
				t.Fatalf("%v is no time of the schedule", w.Last)
			}
			if fired[w.Last] && w.Checked.Sub(now) <= wrong {
				t.Fatalf("%v fired twice", w.Last)
			}
			fired[w.Last] = true
		}
	})
}
