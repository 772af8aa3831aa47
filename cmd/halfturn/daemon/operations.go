package daemon

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"halfturn/analysis/report"
	"halfturn/cmd/halfturn/reporting"
	"halfturn/sweep"
	"halfturn/sweep/journal"
	"halfturn/sweep/queue"
)

func (d *Daemon) getBench(w http.ResponseWriter, _ *http.Request) error {
	return reply(w, http.StatusOK, d.State())
}

const (
	runsInPage = 50
	mostRuns   = 1000
	mostSteps  = 10_000
	mostNumber = 1 << 53 // what every JSON reader holds exactly
)

func (d *Daemon) getRuns(w http.ResponseWriter, r *http.Request) error {
	limit, err := queryNumber(r, "limit", runsInPage, 1, mostRuns)
	if err != nil {
		return err
	}
	before, err := queryNumber(r, "before", 0, 1, mostNumber)
	if err != nil {
		return err
	}
	kind := sweep.Kind(r.URL.Query().Get("kind"))
	switch kind {
	case "", sweep.Calibration, sweep.Balun, sweep.Swapped:
	default:
		return wrong("kind must be calibration, balun or swapped")
	}
	listed, err := d.List(r.Context(), journal.Listing{Kind: kind, Before: before, Most: int(limit)})
	if err != nil {
		return err
	}
	page := Runs{Runs: make([]Run, len(listed.Runs))}
	for i := range listed.Runs {
		page.Runs[i] = viewRun(&listed.Runs[i])
	}
	if listed.Older > 0 && len(page.Runs) > 0 {
		page.Before = page.Runs[len(page.Runs)-1].ID
	}
	return reply(w, http.StatusOK, page)
}

func (d *Daemon) run(r *http.Request) (sweep.Run, error) {
	id, err := pathNumber(r, "run")
	if err != nil {
		return sweep.Run{}, err
	}
	return d.store.Run(r.Context(), id)
}

func (d *Daemon) getRun(w http.ResponseWriter, r *http.Request) error {
	run, err := d.run(r)
	if err != nil {
		return err
	}
	return reply(w, http.StatusOK, viewRun(&run))
}

func (d *Daemon) getSteps(w http.ResponseWriter, r *http.Request) error {
	run, err := d.run(r)
	if err != nil {
		return err
	}
	from, err := queryNumber(r, "from", 0, 0, 1<<31)
	if err != nil {
		return err
	}
	limit, err := queryNumber(r, "limit", 0, 1, mostSteps)
	if err != nil {
		return err
	}
	steps, err := d.Steps(r.Context(), &run, int(from), int(limit))
	if err != nil {
		return err
	}
	return reply(w, http.StatusOK, Steps{Run: run.ID, State: string(run.State), Total: run.Plan.Steps(), Steps: steps})
}

// reportPolicy is for a page that is one file: its style is inside, and it has
// no script.
const reportPolicy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'self'; sandbox allow-same-origin"

func document(w http.ResponseWriter, write func(io.Writer) error) error {
	var page strings.Builder
	if err := write(&page); err != nil {
		return err
	}
	w.Header().Set("Content-Security-Policy", reportPolicy)
	w.Header().Set("X-Frame-Options", "SAMEORIGIN")
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	_, _ = io.WriteString(w, page.String())
	return nil
}

func (d *Daemon) getReport(w http.ResponseWriter, r *http.Request) error {
	run, err := d.run(r)
	if err != nil {
		return err
	}
	in, err := d.Report(r.Context(), &run, reporting.Options{Figures: sweep.Figures})
	if err != nil {
		return err
	}
	return document(w, func(w io.Writer) error { return report.HTML(w, *in) })
}

// mostCompared runs at once.
const mostCompared = 50

func (d *Daemon) compared(r *http.Request) (*report.Compared, error) {
	var ids []int64
	for text := range strings.SplitSeq(r.URL.Query().Get("runs"), ",") {
		id, err := strconv.ParseInt(strings.TrimSpace(text), 10, 64)
		if err != nil || id < 1 {
			return nil, wrong("runs must be the numbers of two runs or more, the one to compare with first, as 3,4")
		}
		ids = append(ids, id)
	}
	if len(ids) < 2 || len(ids) > mostCompared {
		return nil, wrong("runs must be 2 to %d numbers", mostCompared)
	}
	return d.Compare(r.Context(), ids)
}

func (d *Daemon) getComparison(w http.ResponseWriter, r *http.Request) error {
	c, err := d.compared(r)
	if err != nil {
		return err
	}
	var text strings.Builder
	if err := report.CompareJSON(&text, *c); err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/json")
	_, _ = io.WriteString(w, text.String())
	return nil
}

func (d *Daemon) getComparisonReport(w http.ResponseWriter, r *http.Request) error {
	c, err := d.compared(r)
	if err != nil {
		return err
	}
	return document(w, func(w io.Writer) error { return report.CompareHTML(w, *c) })
}

func (d *Daemon) getJobs(w http.ResponseWriter, _ *http.Request) error {
	return reply(w, http.StatusOK, Jobs{d.queue.Jobs()})
}

func (d *Daemon) postJob(w http.ResponseWriter, r *http.Request) error {
	var request queue.Request
	if err := body(r, &request); err != nil {
		return err
	}
	job, err := d.Submit(r.Context(), request)
	if err != nil {
		return err
	}
	w.Header().Set("Location", fmt.Sprintf("%s/jobs/%d", root, job.ID))
	return reply(w, http.StatusCreated, job)
}

func (d *Daemon) getJob(w http.ResponseWriter, r *http.Request) error {
	id, err := pathNumber(r, "job")
	if err != nil {
		return err
	}
	job, err := d.queue.Job(id)
	if err != nil {
		return err
	}
	return reply(w, http.StatusOK, job)
}

func (d *Daemon) postAnswer(w http.ResponseWriter, r *http.Request) error {
	id, err := pathNumber(r, "job")
	if err != nil {
		return err
	}
	var answer Answer
	if err := body(r, &answer); err != nil {
		return err
	}
	if !answer.Ready {
		return wrong(`the one answer is {"ready": true}; cancel the job if it is not to go on`)
	}
	job, err := d.queue.Answer(r.Context(), id)
	if err != nil {
		return err
	}
	return reply(w, http.StatusOK, job)
}

func (d *Daemon) cancel(ctx context.Context, id int64) (queue.Job, error) {
	return d.queue.Cancel(ctx, id)
}

func (d *Daemon) again(ctx context.Context, id int64) (queue.Job, error) {
	return d.queue.Again(ctx, id)
}

// deciding is a handler of what needs no more than a job.
func (d *Daemon) deciding(do func(context.Context, int64) (queue.Job, error)) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		id, err := pathNumber(r, "job")
		if err != nil {
			return err
		}
		job, err := do(r.Context(), id)
		if err != nil {
			return err
		}
		return reply(w, http.StatusOK, job)
	}
}

func (d *Daemon) getSchedules(w http.ResponseWriter, _ *http.Request) error {
	return reply(w, http.StatusOK, Schedules{d.queue.Firings()})
}

func (d *Daemon) getLog(w http.ResponseWriter, r *http.Request) error {
	n, err := queryNumber(r, "lines", 200, 1, mostLines)
	if err != nil {
		return err
	}
	return reply(w, http.StatusOK, Log{d.Lines(int(n))})
}

func getOpenAPI(w http.ResponseWriter, _ *http.Request) error {
	w.Header().Set("Content-Type", "application/json")
	_, _ = w.Write(openAPI)
	return nil
}

// getHealth tells that the process and its queue are alive, and nothing of the bench.
func (d *Daemon) getHealth(w http.ResponseWriter, _ *http.Request) error {
	if !d.alive() {
		problem(w, http.StatusServiceUnavailable, "the queue is stuck")
		return nil
	}
	return reply(w, http.StatusOK, map[string]string{"status": "ok"})
}

// getReady tells whether a job that is queued now can go on.
func (d *Daemon) getReady(w http.ResponseWriter, _ *http.Request) error {
	if bench := d.State(); bench.State == Unsafe {
		problem(w, http.StatusServiceUnavailable, bench.Warning)
		return nil
	}
	return reply(w, http.StatusOK, map[string]string{"status": "ready"})
}

func (d *Daemon) getMetrics(w http.ResponseWriter, r *http.Request) error {
	d.metrics.handler().ServeHTTP(w, r)
	return nil
}

// pulse is how often a quiet stream shows that it is alive.
const pulse = 15 * time.Second

// getEvents is the stream of server-sent events (HTML Living Standard, 9.2).
func (d *Daemon) getEvents(w http.ResponseWriter, r *http.Request) error {
	control := http.NewResponseController(w)
	_ = control.SetReadDeadline(time.Time{}) // the request is read; it must not end by readLimit
	last, known := d.events.after(r.Header.Get("Last-Event-ID"))
	wake, leave := d.events.join()
	defer leave()
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("X-Accel-Buffering", "no")
	w.WriteHeader(http.StatusOK)
	send := func(kind, id string, data []byte) error {
		_ = control.SetWriteDeadline(time.Now().Add(writeLimit))
		_, err := fmt.Fprintf(w, "event: %s\nid: %s\ndata: %s\n\n", kind, id, data)
		return err
	}
	if !known { // a new reader begins with how things stand
		state, err := json.Marshal(d.State())
		if err != nil {
			return err
		}
		if err := send(EventState, d.events.id(last), state); err != nil {
			return nil // gone
		}
	}
	beat := time.NewTicker(pulse)
	defer beat.Stop()
	for {
		events, complete := d.events.since(last)
		if !complete {
			if err := send(EventReset, d.events.id(last), []byte("{}")); err != nil {
				return nil
			}
		}
		for _, e := range events {
			if err := send(e.kind, d.events.id(e.number), e.data); err != nil {
				return nil
			}
			last = e.number
		}
		if err := control.Flush(); err != nil {
			return nil
		}
		select {
		case <-r.Context().Done():
			return nil
		case <-wake:
		case <-beat.C:
			_ = control.SetWriteDeadline(time.Now().Add(writeLimit))
			if _, err := io.WriteString(w, ": alive\n\n"); err != nil {
				return nil
			}
		}
	}
}
