package panel

import (
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"halfturn/analysis/conformity"
	"halfturn/sweep"
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

// viewRuns are the newest n runs, the newest first.
func viewRuns(runs []sweep.Run, n int) []daemonRun {
	var list []daemonRun
	for i := len(runs) - 1; i >= 0 && len(list) < n; i-- {
		list = append(list, viewRun(&runs[i]))
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

const runsShown = 50

func (p *Panel) getRuns(w http.ResponseWriter, r *http.Request) error {
	query := r.URL.Query()
	v := runsView{Kind: sweep.Kind(query.Get("kind")), Kinds: []sweep.Kind{sweep.Balun, sweep.Swapped, sweep.Calibration}}
	page := 1
	if text := query.Get("page"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 || n > 1<<20 {
			return failure{http.StatusBadRequest, fmt.Sprintf("%q is not the number of a page", text)}
		}
		page = n
	}
	switch v.Kind {
	case "", sweep.Balun, sweep.Swapped, sweep.Calibration:
	default:
		return failure{http.StatusBadRequest, fmt.Sprintf("%q is no kind of run", v.Kind)}
	}
	runs, err := p.source.Runs(r.Context())
	if err != nil {
		return err
	}
	from := (page - 1) * runsShown
	for i := len(runs) - 1; i >= 0; i-- {
		if v.Kind != "" && runs[i].Kind != v.Kind {
			continue
		}
		if v.Total >= from && v.Total < from+runsShown {
			v.Runs = append(v.Runs, viewRun(&runs[i]))
		}
		v.Total++
	}
	v.First, v.Last = from+1, from+len(v.Runs)
	link := func(page int) string {
		q := url.Values{"page": {strconv.Itoa(page)}}
		if v.Kind != "" {
			q.Set("kind", string(v.Kind))
		}
		return "/runs?" + q.Encode()
	}
	if page > 1 {
		v.Newer = link(page - 1)
	}
	if v.Last < v.Total && len(v.Runs) > 0 {
		v.Older = link(page + 1)
	}
	return p.show(w, http.StatusOK, "runs", frame{Title: "Runs", Section: "runs", Page: &v})
}
