package panel

import (
	"bytes"
	"embed"
	"errors"
	"html/template"
	"net/http"
	"strings"
	"sync"
	"unicode"

	"halfturn/analysis/report"
	"halfturn/cmd/halfturn/daemon"
	"halfturn/sweep/journal"
	"halfturn/sweep/queue"
)

//go:embed pages/*.html
var sources embed.FS

//go:embed public/*
var publicSources embed.FS

// publicFiles are those below /public/ with their media types.
var publicFiles = map[string]string{
	"panel.css": "text/css; charset=utf-8",
	"panel.js":  "text/javascript; charset=utf-8",
	"mark.svg":  "image/svg+xml",
}

// public is the content of one of them. The style begins with the report's, of
// which whole sections stand in these pages.
func public(name string) []byte {
	content, _ := publicSources.ReadFile("public/" + name) // embedded
	if name == "panel.css" {
		return append([]byte(reportStyle()), content...)
	}
	return content
}

// reportStyle is the style of a run's report.
var reportStyle = sync.OnceValue(func() string {
	var page bytes.Buffer
	if report.HTML(&page, report.Input{}) != nil {
		return ""
	}
	_, style, _ := strings.Cut(page.String(), "<style>")
	style, _, _ = strings.Cut(style, "</style>")
	return style
})

// pages are the templates by the name of their file.
var pages = func() map[string]*template.Template {
	list := map[string]*template.Template{}
	for _, name := range []string{"now", "queue", "job", "runs", "run", "fixture", "compare", "bench", "log", "failure"} {
		list[name] = template.Must(template.New("frame.html").Funcs(functions).
			ParseFS(sources, "pages/frame.html", "pages/parts.html", "pages/"+name+".html"))
	}
	return list
}()

// frame is what surrounds every page.
type frame struct {
	Title   string
	Section string // of the navigation
	Bench   daemon.Bench
	Guarded bool
	Live    bool   // the script keeps what is marked up to date
	Say     string // told by the live region when it changes
	Zone    string // of all times
	Page    any
}

// show writes a page.
func (p *Panel) show(w http.ResponseWriter, code int, name string, f frame) error {
	f.Bench, f.Guarded = p.source.State(), p.source.Guarded()
	f.Say, f.Zone = stateWords(&f.Bench), p.now().Local().Format("UTC-07:00")
	var page bytes.Buffer
	if err := pages[name].Execute(&page, f); err != nil {
		return err
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(code)
	_, _ = w.Write(bytes.Map(printable, page.Bytes())) // a browser that is gone is no error of ours
	return nil
}

// printable keeps text from outside from turning the direction of writing, and
// from holding what cannot be seen.
func printable(r rune) rune {
	if r < 0x80 {
		if r < ' ' && r != '\n' && r != '\t' && r != '\r' {
			return unicode.ReplacementChar
		}
		return r
	}
	if unicode.IsControl(r) || unicode.Is(unicode.Cf, r) {
		return unicode.ReplacementChar
	}
	return r
}

// failure is an error with its status.
type failure struct {
	code int
	text string
}

func (f failure) Error() string { return f.text }

// statusOf is the status of an error, as the API has it.
func statusOf(err error) int {
	var f failure
	var tooLarge *http.MaxBytesError
	switch {
	case errors.As(err, &f):
		return f.code
	case errors.As(err, &tooLarge):
		return http.StatusRequestEntityTooLarge
	case errors.Is(err, journal.ErrNoRun), errors.Is(err, queue.ErrNoJob):
		return http.StatusNotFound
	case errors.Is(err, queue.ErrRefused):
		return http.StatusUnprocessableEntity
	case errors.Is(err, queue.ErrConflict):
		return http.StatusConflict
	case errors.Is(err, journal.ErrFull):
		return http.StatusInsufficientStorage
	}
	return http.StatusInternalServerError
}

// reason is an error without the words that only programs need.
func reason(err error) string {
	text := err.Error()
	for _, kind := range []error{queue.ErrRefused, queue.ErrConflict} {
		text = strings.TrimPrefix(text, kind.Error()+": ")
	}
	return text
}

// fail answers with an error.
func (p *Panel) fail(w http.ResponseWriter, r *http.Request, err error) {
	if r.Context().Err() != nil {
		return // nobody waits for the answer
	}
	code := statusOf(err)
	title := map[int]string{
		http.StatusNotFound: "Nothing here", http.StatusForbidden: "Refused", http.StatusConflict: "Not as things stand",
		http.StatusBadRequest: "That could not be read", http.StatusUnprocessableEntity: "That cannot be done",
	}[code]
	if title == "" {
		title = "That did not work"
	}
	if err := p.show(w, code, "failure", frame{Title: title, Page: reason(err)}); err != nil {
		http.Error(w, "the page cannot be made", http.StatusInternalServerError)
	}
}

func (p *Panel) getNothing(http.ResponseWriter, *http.Request) error {
	return failure{http.StatusNotFound, "there is no such page"}
}
