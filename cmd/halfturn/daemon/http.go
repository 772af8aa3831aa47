package daemon

import (
	"context"
	"crypto/tls"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
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

//go:embed openapi.json
var openAPI []byte

// Time limits of a connection; the event stream sets its own.
const (
	headerLimit = 5 * time.Second
	readLimit   = 15 * time.Second
	writeLimit  = time.Minute
	idleLimit   = 2 * time.Minute
	headerBytes = 16 << 10
)

func (d *Daemon) server(ctx context.Context) *http.Server {
	return &http.Server{
		Handler: d.Handler(), BaseContext: func(net.Listener) context.Context { return ctx },
		ReadHeaderTimeout: headerLimit, ReadTimeout: readLimit, WriteTimeout: writeLimit, IdleTimeout: idleLimit,
		MaxHeaderBytes: headerBytes, ErrorLog: slog.NewLogLogger(d.log.Handler(), slog.LevelWarn),
	}
}

func (d *Daemon) serve(server *http.Server, l net.Listener) error {
	c := &d.Config.Serve
	if c.Certificate == "" {
		return server.Serve(l)
	}
	server.TLSConfig = &tls.Config{MinVersion: tls.VersionTLS12}
	return server.ServeTLS(l, c.Certificate, c.Key)
}

// route is one operation of the API, as its document has it.
type route struct {
	method, path string
	handle       func(http.ResponseWriter, *http.Request) error
}

const root = "/api/v1"

func (d *Daemon) routes() []route {
	return []route{
		{"GET", root + "/bench", d.getBench},
		{"GET", root + "/runs", d.getRuns},
		{"GET", root + "/runs/{run}", d.getRun},
		{"GET", root + "/runs/{run}/steps", d.getSteps},
		{"GET", root + "/runs/{run}/report", d.getReport},
		{"GET", root + "/comparisons", d.getComparison},
		{"GET", root + "/comparisons/report", d.getComparisonReport},
		{"GET", root + "/jobs", d.getJobs},
		{"POST", root + "/jobs", d.postJob},
		{"GET", root + "/jobs/{job}", d.getJob},
		{"POST", root + "/jobs/{job}/answer", d.postAnswer},
		{"POST", root + "/jobs/{job}/cancel", d.deciding(d.cancel)},
		{"POST", root + "/jobs/{job}/again", d.deciding(d.again)},
		{"GET", root + "/schedules", d.getSchedules},
		{"GET", root + "/log", d.getLog},
		{"GET", root + "/events", d.getEvents},
		{"GET", root + "/openapi.json", getOpenAPI},
		{"GET", "/healthz", d.getHealth},
		{"GET", "/readyz", d.getReady},
		{"GET", "/metrics", d.getMetrics},
	}
}

// Handler is everything that the daemon serves, behind its guard.
func (d *Daemon) Handler() http.Handler {
	mux := http.NewServeMux()
	for _, r := range d.routes() {
		mux.HandleFunc(r.method+" "+r.path, func(w http.ResponseWriter, request *http.Request) {
			if err := r.handle(w, request); err != nil {
				d.fail(w, request, err)
			}
		})
	}
	mux.HandleFunc("GET /login", d.login)
	mux.HandleFunc("POST /login", d.login)
	mux.HandleFunc("POST /logout", d.logout)
	if d.Page != nil {
		mux.Handle("/", d.Page(d))
	}
	missing := func(w http.ResponseWriter, r *http.Request) {
		var allowed []string
		for _, method := range []string{"GET", "HEAD", "POST"} {
			other := r.Clone(r.Context())
			other.Method = method
			if _, pattern := mux.Handler(other); pattern != "" && pattern != "/" && pattern != "/api/" {
				allowed = append(allowed, method)
			}
		}
		if len(allowed) > 0 {
			w.Header().Set("Allow", strings.Join(allowed, ", "))
			problem(w, http.StatusMethodNotAllowed, fmt.Sprintf("%s is not for this; %s is", r.Method, strings.Join(allowed, ", ")))
			return
		}
		problem(w, http.StatusNotFound, "there is nothing here")
	}
	mux.HandleFunc("/api/", missing)
	if d.Page == nil {
		mux.HandleFunc("/", missing)
	}
	return d.logged(d.guard(mux))
}

// logged writes a line for each request that changes or fails; neither query
// nor headers, where secrets are.
func (d *Daemon) logged(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		s := &status{ResponseWriter: w, code: http.StatusOK}
		begun := time.Now()
		defer func() {
			if p := recover(); p != nil {
				if p == http.ErrAbortHandler {
					panic(p)
				}
				d.log.Error("a request failed inside", "method", r.Method, "path", r.URL.Path, "panic", fmt.Sprint(p))
				problem(s, http.StatusInternalServerError, "something went wrong inside; the log says what")
			}
			if s.code >= 400 || r.Method != http.MethodGet {
				d.log.Info("request", "method", r.Method, "path", r.URL.Path, "status", s.code, "from", peer(r), "seconds", time.Since(begun).Seconds())
			}
		}()
		next.ServeHTTP(s, r)
	})
}

type status struct {
	http.ResponseWriter
	code int
}

func (s *status) WriteHeader(code int) {
	s.code = code
	s.ResponseWriter.WriteHeader(code)
}

// Unwrap lets http.ResponseController reach the connection.
func (s *status) Unwrap() http.ResponseWriter { return s.ResponseWriter }

// problem writes an error as RFC 9457 has it.
func problem(w http.ResponseWriter, code int, detail string) {
	w.Header().Set("Content-Type", "application/problem+json")
	w.WriteHeader(code)
	_ = json.NewEncoder(w).Encode(Problem{Type: "about:blank", Title: http.StatusText(code), Status: code, Detail: detail})
}

// badRequest is what is wrong with a request itself.
type badRequest struct{ error }

func wrong(format string, a ...any) error { return badRequest{fmt.Errorf(format, a...)} }

// fail answers with an error.
func (d *Daemon) fail(w http.ResponseWriter, r *http.Request, err error) {
	var tooLarge *http.MaxBytesError
	var bad badRequest
	code := http.StatusInternalServerError
	switch {
	case errors.As(err, &tooLarge):
		code, err = http.StatusRequestEntityTooLarge, errors.New("a body may have 64 KiB")
	case errors.As(err, &bad):
		code = http.StatusBadRequest
	case errors.Is(err, journal.ErrNoRun), errors.Is(err, queue.ErrNoJob):
		code = http.StatusNotFound
	case errors.Is(err, queue.ErrRefused):
		code = http.StatusUnprocessableEntity
	case errors.Is(err, queue.ErrConflict):
		code = http.StatusConflict
	case errors.Is(err, journal.ErrFull):
		code = http.StatusInsufficientStorage
	case r.Context().Err() != nil:
		return // nobody waits for the answer
	default:
		d.log.Error("a request failed", "method", r.Method, "path", r.URL.Path, "error", err.Error())
	}
	problem(w, code, err.Error())
}

func reply(w http.ResponseWriter, code int, v any) error {
	text, err := json.Marshal(v)
	if err != nil {
		return err
	}
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(code)
	_, _ = w.Write(append(text, '\n')) // a client that is gone is no error of ours
	return nil
}

// body reads a JSON object with the keys of v and no others.
func body(r *http.Request, v any) error {
	decoder := json.NewDecoder(r.Body)
	decoder.DisallowUnknownFields()
	if err := decoder.Decode(v); err != nil {
		var tooLarge *http.MaxBytesError
		if errors.As(err, &tooLarge) {
			return err
		}
		return wrong("the body is not what is wanted here: %v", strings.TrimPrefix(err.Error(), "json: "))
	}
	if _, err := decoder.Token(); err != io.EOF {
		return wrong("the body goes on after its object")
	}
	return nil
}

func pathNumber(r *http.Request, name string) (int64, error) {
	n, err := strconv.ParseInt(r.PathValue(name), 10, 64)
	if err != nil || n < 1 {
		return 0, wrong("%q is not the number of a %s", r.PathValue(name), name)
	}
	return n, nil
}

// queryNumber is a number of the query, or what holds without it.
func queryNumber(r *http.Request, name string, without, least, most int64) (int64, error) {
	text := r.URL.Query().Get(name)
	if text == "" {
		return without, nil
	}
	n, err := strconv.ParseInt(text, 10, 64)
	if err != nil || n < least || n > most {
		return 0, wrong("%s must be a number from %d to %d", name, least, most)
	}
	return n, nil
}

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
