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
