package panel

import (
	"net/http"
	"slices"
	"time"

	"halfturn/cmd/halfturn/daemon"
)

// instrument is one with its name on this bench.
type instrument struct {
	Name string
	daemon.Instrument
}

func (p *Panel) getBench(w http.ResponseWriter, _ *http.Request) error {
	b := p.source.State()
	return p.show(w, http.StatusOK, "bench", frame{Title: "Bench", Section: "bench", Live: true,
		Page: []instrument{{"Generator", b.Generator}, {"Scope", b.Scope}}})
}

// line is one of the log.
type line struct {
	Time           time.Time
	Level, Message string
	Fields         string
}

const linesShown = 200

func (p *Panel) getLog(w http.ResponseWriter, _ *http.Request) error {
	lines := p.source.Lines(linesShown)
	list := make([]line, len(lines))
	for i, l := range lines {
		list[i] = line{l.Time, l.Level, l.Message, fieldWords(l.Fields)}
	}
	slices.Reverse(list)
	return p.show(w, http.StatusOK, "log", frame{Title: "Log", Section: "log", Live: true, Page: list})
}
