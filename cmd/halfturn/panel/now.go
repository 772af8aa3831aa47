package panel

import (
	"context"
	"math"
	"net/http"
	"time"

	"halfturn/analysis/report"
	"halfturn/cmd/halfturn/daemon"
	"halfturn/cmd/halfturn/reporting"
	"halfturn/sweep/journal"
	"halfturn/sweep/queue"
)

// nowView is the page of what is running.
type nowView struct {
	Measuring *daemon.Progress
	Percent   float64
	Left      string
	Drive     string
	Fill      string
	Growing   growing
	Wrong     string // why the curves cannot be shown
	Job       *queue.Job
	Waits     string // until when
	Next      []queue.Job
	Last      []daemonRun
}

// growing is what there is to see of a run that is being measured.
type growing struct {
	Figures []figure
	XY      []figure // of the last step, if it has one
}

// drawnKey says of what growing was made.
type drawnKey struct {
	run   int64
	taken int
}

// latestRuns are shown where nothing is running.
const latestRuns = 5

func (p *Panel) getNow(w http.ResponseWriter, r *http.Request) error {
	b := p.source.State()
	v := nowView{Measuring: b.Measuring, Job: b.Job}
	if m := b.Measuring; m != nil {
		if m.Total > 0 {
			v.Percent = 100 * float64(m.Taken) / float64(m.Total)
		}
		if m.Left > 0 && m.Left < 1e9 && m.Taken < m.Total {
			v.Left = span(time.Duration(math.Ceil(m.Left)) * time.Second)
		}
		if m.Last != nil {
			v.Drive = number(m.Last.Drive, 0) + " dBm"
			v.Fill = number(m.Last.Fill[0], 0) + ", " + number(m.Last.Fill[1], 0)
			grown, err := p.grow(r.Context(), m)
			if err != nil {
				v.Wrong = err.Error()
			}
			v.Growing = grown
		}
	}
	if j := b.Job; j != nil && !j.NotBefore.IsZero() && j.NotBefore.After(p.now()) {
		v.Waits = moment(j.NotBefore)
	}
	for _, j := range p.source.Jobs() {
		if j.State.Open() && (b.Job == nil || j.ID != b.Job.ID) {
			v.Next = append(v.Next, j)
		}
	}
	if b.Measuring == nil {
		listed, err := p.source.List(r.Context(), journal.Listing{Most: latestRuns})
		if err != nil {
			return err
		}
		v.Last = viewRuns(listed.Runs)
	}
	return p.show(w, http.StatusOK, "now", frame{Title: "Now", Section: "now", Live: true, Page: &v})
}

// drawingPart is how many times as long as drawing took it rests, so that a
// long run's curves leave the processor to its steps.
const drawingPart = 4

// grow draws the curves of a run up to its last step, once for all who look;
// where that takes long, up to a step of a moment ago.
func (p *Panel) grow(ctx context.Context, m *daemon.Progress) (growing, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	key := drawnKey{m.Run, m.Taken}
	begun := p.now()
	rested := begun.Sub(p.at)
	if p.drawn == key || p.drawn.run == key.run && rested >= 0 && rested < drawingPart*p.took {
		return p.growing, nil
	}
	run, err := p.source.Run(ctx, m.Run)
	if err != nil {
		return growing{}, err
	}
	const ends = 2 // figures: of the first step and of the last
	in, err := p.source.Report(ctx, &run, reporting.Options{Figures: ends})
	if err != nil {
		return growing{}, err
	}
	var g growing
	if g.Figures, err = runFigures(in); err != nil {
		return growing{}, err
	}
	if n := len(in.Figures); n > 0 {
		in.Figures = in.Figures[n-1:]
		f, err := drawn(report.XYPlots(*in)[0], nil)
		if err != nil {
			return growing{}, err
		}
		f.ID, f.Heading = "figure-last", "X-Y figure of the last step, "+f.Heading
		f.readXY()
		g.XY = []figure{f}
	}
	p.drawn, p.growing, p.at = key, g, p.now()
	p.took = p.at.Sub(begun)
	return g, nil
}
