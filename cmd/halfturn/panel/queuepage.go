package panel

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"halfturn/drivers/simbench"
	"halfturn/sweep/queue"
)

// queueView is the page of jobs and schedules.
type queueView struct {
	Open      []queue.Job
	Ended     []queue.Job // the last ones, the newest first
	More      int         // ended ones that are not shown
	Firings   []queue.Firing
	Kinds     []kindChoice
	Scenarios []string
	Form      url.Values
	Wrong     string
}

type kindChoice struct {
	Kind  queue.Kind
	Words string
}

// kinds are what can be queued, in words.
var kinds = []kindChoice{
	{queue.Balun, "balun: a fresh calibration where there is none, then one run"},
	{queue.Series, "series: balun runs, repeated until a time or so many times"},
	{queue.Swapped, "swapped: the balun again with its arms exchanged"},
	{queue.Calibration, "calibration: one run of the calibration cable"},
	{queue.DryRun, "dry run: both on a simulated bench, nothing is driven here"},
}

const endedShown = 25

func (p *Panel) getQueue(w http.ResponseWriter, _ *http.Request) error {
	return p.queuePage(w, http.StatusOK, url.Values{}, "")
}

func (p *Panel) queuePage(w http.ResponseWriter, code int, form url.Values, wrong string) error {
	v := queueView{Firings: p.source.Firings(), Kinds: kinds, Scenarios: simbench.Names(), Form: form, Wrong: wrong}
	for _, j := range p.source.Jobs() {
		if j.State.Open() {
			v.Open = append(v.Open, j)
		} else {
			v.Ended = append(v.Ended, j)
		}
	}
	slices.Reverse(v.Ended)
	if n := len(v.Ended); n > endedShown {
		v.Ended, v.More = v.Ended[:endedShown], n-endedShown
	}
	return p.show(w, code, "queue", frame{Title: "Queue", Section: "queue", Live: true, Page: &v})
}

// postQueue queues what the form says; with what is wrong in it, it is shown again.
func (p *Panel) postQueue(w http.ResponseWriter, r *http.Request) error {
	if err := r.ParseForm(); err != nil {
		return unreadable(err)
	}
	request, err := readRequest(r.PostForm, p.now().Local())
	if err == nil {
		_, err = p.source.Submit(r.Context(), request)
	}
	if err != nil {
		code := statusOf(err)
		if code >= http.StatusInternalServerError {
			return err
		}
		return p.queuePage(w, code, r.PostForm, reason(err))
	}
	http.Redirect(w, r, "/queue", http.StatusSeeOther)
	return nil
}

func unreadable(err error) error {
	var tooLarge *http.MaxBytesError
	if errors.As(err, &tooLarge) {
		return err
	}
	return failure{http.StatusBadRequest, "the form could not be read"}
}

// readRequest reads the form of a job. Its times are those of the bench, as now
// has them.
func readRequest(form url.Values, now time.Time) (queue.Request, error) {
	get := func(name string) string { return strings.TrimSpace(form.Get(name)) }
	request := queue.Request{
		Kind: queue.Kind(get("kind")), Name: get("name"), Label: get("label"), Scenario: get("scenario"), Ready: get("ready") != "",
	}
	wrong := func(format string, a ...any) (queue.Request, error) {
		return request, failure{http.StatusUnprocessableEntity, fmt.Sprintf(format, a...)}
	}
	if text := get("sleeves"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil {
			return wrong("%q is no number of sleeves", text)
		}
		request.Sleeves = n
	}
	if text := get("straight"); text != "" {
		n, err := strconv.ParseInt(text, 10, 64)
		if err != nil {
			return wrong("%q is not the number of a run", text)
		}
		request.Straight = n
	}
	if text := get("repeats"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil {
			return wrong("%q is no number of repeats", text)
		}
		request.Repeats = n
	}
	if text := get("until"); text != "" {
		t, err := queue.ReadEnd(text, now)
		if err != nil {
			return wrong("%v", err)
		}
		request.Until = t
	}
	for name, into := range map[string]*queue.Duration{"every": &request.Every, "for": &request.For} {
		if text := get(name); text != "" {
			if err := into.UnmarshalText([]byte(text)); err != nil {
				return wrong("%v", err)
			}
		}
	}
	return request, nil
}

// deciding is a handler of a form that is no more than a job's button.
func (p *Panel) deciding(do func(context.Context, int64) (queue.Job, error)) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		job, err := pathNumber(r, "job")
		if err != nil {
			return err
		}
		if err := r.ParseForm(); err != nil {
			return unreadable(err)
		}
		if _, err := do(r.Context(), job); err != nil {
			return err
		}
		back := "/queue"
		switch r.PostForm.Get("back") {
		case "now":
			back = "/"
		case "job":
			back = fmt.Sprintf("/jobs/%d", job)
		}
		http.Redirect(w, r, back, http.StatusSeeOther)
		return nil
	}
}

func pathNumber(r *http.Request, name string) (int64, error) {
	n, err := strconv.ParseInt(r.PathValue(name), 10, 64)
	if err != nil || n < 1 {
		return 0, failure{http.StatusNotFound, fmt.Sprintf("%q is not the number of a %s", r.PathValue(name), name)}
	}
	return n, nil
}
