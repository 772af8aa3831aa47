package panel

import (
	"bytes"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"halfturn/analysis/report"
	"halfturn/sweep/journal"
)

// mostCompared runs at once.
const mostCompared = 50

// compareView is a comparison.
type compareView struct {
	Runs     []report.ComparedRun
	Baseline int64
	List     string // of the runs, for the API
	Parts    map[string]template.HTML
	Figures  []figure
	Band     band
	Key      string
	Pair     bool
	Address  string
	Whole    string  // of this page without a band
	Hidden   []int64 // the same runs, kept by the form of the band
	Chosen   int64   // baseline, where somebody chose one
}

// getCompare compares the runs that were ticked, the oldest of them or the
// chosen one as the baseline.
func (p *Panel) getCompare(w http.ResponseWriter, r *http.Request) error {
	query := r.URL.Query()
	ids, err := ticked(query)
	if err != nil {
		return err
	}
	c, err := p.source.Compared(r.Context(), ids)
	if err != nil {
		if errors.Is(err, journal.ErrNoRun) || errors.Is(err, journal.ErrDamaged) {
			return err
		}
		return failure{http.StatusUnprocessableEntity, reason(err)}
	}
	var page bytes.Buffer
	if err := report.CompareHTML(&page, *c); err != nil {
		return err
	}
	v := compareView{
		Runs: c.Runs, Baseline: ids[0], Parts: parts(page.Bytes()), Band: readBand(query.Get), Pair: c.Pair != nil,
		Address: "/compare", Hidden: ids,
		Key: "Solid line: mean, shaded by ± s; grey: the least and the largest run. The drift is shaded by ± U.",
	}
	if v.Pair {
		v.Key = fmt.Sprintf("Solid line: run %d, the baseline. Dashed: run %d. Shaded: the interval of ± U. Arrow up: at least so much. A filled triangle is worse by more than U, an open ring changed by more than U but not worse.", ids[0], ids[1])
	}
	var list []string
	whole := url.Values{}
	for _, id := range ids {
		list = append(list, strconv.FormatInt(id, 10))
		whole.Add("run", list[len(list)-1])
	}
	if query.Get("baseline") != "" {
		v.Chosen = ids[0]
		whole.Set("baseline", list[0])
	}
	v.List, v.Whole = strings.Join(list, ","), "/compare?"+whole.Encode()
	if v.Figures, err = comparedFigures(v.Band.narrowedPlots(c)); err != nil {
		return err
	}
	return p.show(w, http.StatusOK, "compare", frame{Title: subject(page.Bytes()), Section: "runs", Page: &v})
}

// ticked are the runs of the address, the baseline first.
func ticked(query url.Values) ([]int64, error) {
	var ids []int64
	for _, text := range query["run"] {
		id, err := strconv.ParseInt(text, 10, 64)
		if err != nil || id < 1 {
			return nil, failure{http.StatusBadRequest, fmt.Sprintf("%q is not the number of a run", text)}
		}
		ids = append(ids, id)
	}
	slices.Sort(ids)
	ids = slices.Compact(ids)
	if len(ids) < 2 {
		return nil, failure{http.StatusBadRequest, "tick two runs or more in the list of runs to compare them"}
	}
	if len(ids) > mostCompared {
		return nil, failure{http.StatusBadRequest, fmt.Sprintf("%d runs can be compared at once", mostCompared)}
	}
	if base, err := strconv.ParseInt(query.Get("baseline"), 10, 64); err == nil {
		if i := slices.Index(ids, base); i > 0 {
			ids = slices.Insert(slices.Delete(ids, i, i+1), 0, base)
		}
	}
	return ids, nil
}
