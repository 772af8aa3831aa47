package panel

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"

	"halfturn/cmd/halfturn/daemon"
	"halfturn/sweep"
	"halfturn/sweep/queue"
)

// jobView is the page of one job.
type jobView struct {
	queue.Job
	Measuring *daemon.Progress // its run; nil while it measures nothing
	Latest    []queue.Taken    // its runs that are done, the newest first
	Earlier   int              // those that are not shown
	Compare   string           // address; empty where there is nothing to compare
}

// jobButtons is what can be done about a job; Back is where that leads.
type jobButtons struct {
	queue.Job
	Back string
}

const (
	takenShown   = 100 // runs of a job on its page
	takenInQueue = 6   // in a list of jobs
)

func (p *Panel) getJob(w http.ResponseWriter, r *http.Request) error {
	id, err := pathNumber(r, "job")
	if err != nil {
		return err
	}
	job, err := p.source.Job(id)
	if err != nil {
		return err
	}
	v := jobView{Job: job, Latest: slices.Clone(job.Runs)}
	slices.Reverse(v.Latest)
	if n := len(v.Latest); n > takenShown {
		v.Latest, v.Earlier = v.Latest[:takenShown], n-takenShown
	}
	if m := p.source.State().Measuring; m != nil && m.Job == id {
		v.Measuring = m
	}
	compared := url.Values{}
	for _, t := range job.Runs {
		if t.Kind != sweep.Calibration {
			compared.Add("run", strconv.FormatInt(t.Run, 10))
		}
	}
	if n := len(compared["run"]); n >= 2 && n <= mostCompared {
		v.Compare = "/compare?" + compared.Encode()
	}
	return p.show(w, http.StatusOK, "job", frame{Title: fmt.Sprintf("Job %d", id), Section: "queue", Live: true, Page: &v})
}

// lastRuns are the last few of a job's runs; its page has the others.
func lastRuns(runs []queue.Taken) []queue.Taken { return runs[max(0, len(runs)-takenInQueue):] }
