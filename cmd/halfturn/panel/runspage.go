package panel

import (
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"halfturn/analysis/conformity"
	"halfturn/sweep"
	"halfturn/sweep/journal"
)

// daemonRun is a run in a list.
type daemonRun struct {
	ID                    int64
	Kind                  string
	Label, Bench, Fixture string
	Started               time.Time
	State                 sweep.State
	Reason                string
	Verdict               conformity.Verdict
	Span                  string
	Calibration           int64
	Comparable            bool
}

func viewRun(r *sweep.Run) daemonRun {
	v := daemonRun{
		ID: r.ID, Kind: kindWords(r.Kind), Label: r.Label, Bench: r.Bench.Name, Fixture: r.Bench.Fixture,
		Started: r.Started, State: r.State, Reason: r.Reason, Verdict: r.Verdict, Calibration: r.Calibration,
		Comparable: r.Kind != sweep.Calibration,
	}
	for i, s := range r.Plan.Segments {
		if i == len(r.Plan.Segments)-1 {
			v.Span = hertz(float64(r.Plan.Segments[0].From)) + " to " + hertz(float64(s.To))
		}
	}
	return v
}

func viewRuns(runs []sweep.Run) []daemonRun {
	list := make([]daemonRun, len(runs))
	for i := range runs {
		list[i] = viewRun(&runs[i])
	}
	return list
}

// runsView is the list of stored runs, a page of it.
type runsView struct {
	Runs         []daemonRun
	Kind         sweep.Kind
	Kinds        []sweep.Kind
	Total        int
	First, Last  int // of Total, counted from the newest
	Older, Newer string
}

const (
	runsShown  = 50
	mostNumber = 1 << 53
)

// getRuns shows the runs before or after one, the newest without either: the
// addresses of older pages hold the same runs whatever is measured meanwhile.
func (p *Panel) getRuns(w http.ResponseWriter, r *http.Request) error {
	query := r.URL.Query()
	v := runsView{Kind: sweep.Kind(query.Get("kind")), Kinds: []sweep.Kind{sweep.Balun, sweep.Swapped, sweep.Calibration}}
	wanted := journal.Listing{Kind: v.Kind, Most: runsShown}
	for name, into := range map[string]*int64{"before": &wanted.Before, "after": &wanted.After} {
		text := query.Get(name)
		if text == "" {
			continue
		}
		n, err := strconv.ParseInt(text, 10, 64)
		if err != nil || n < 1 || n > mostNumber {
			return failure{http.StatusBadRequest, fmt.Sprintf("%q is not the number of a run", text)}
		}
		*into = n
	}
	switch v.Kind {
	case "", sweep.Balun, sweep.Swapped, sweep.Calibration:
	default:
		return failure{http.StatusBadRequest, fmt.Sprintf("%q is no kind of run", v.Kind)}
	}
	listed, err := p.source.List(r.Context(), wanted)
	if err != nil {
		return err
	}
	v.Runs = viewRuns(listed.Runs)
	n := len(v.Runs)
	v.Total = listed.Newer + n + listed.Older
	v.First, v.Last = listed.Newer+1, listed.Newer+n
	link := func(name string, run int64) string {
		q := url.Values{name: {strconv.FormatInt(run, 10)}}
		if v.Kind != "" {
			q.Set("kind", string(v.Kind))
		}
		return "/runs?" + q.Encode()
	}
	if n > 0 && listed.Newer > 0 {
		v.Newer = link("after", v.Runs[0].ID)
	}
	if n > 0 && listed.Older > 0 {
		v.Older = link("before", v.Runs[n-1].ID)
	}
	return p.show(w, http.StatusOK, "runs", frame{Title: "Runs", Section: "runs", Page: &v})
}
