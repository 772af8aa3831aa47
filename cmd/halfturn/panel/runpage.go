package panel

import (
	"bytes"
	"fmt"
	"html/template"
	"io"
	"net/http"
	"strings"

	"halfturn/analysis/report"
	"halfturn/cmd/halfturn/reporting"
	"halfturn/sweep"
)

// Headings of the report's sections that stand in these pages.
const (
	partResult = ""
	partWhy    = "Why"
	partXY     = "X-Y figures"
	partSteps  = "Steps"
	partProof  = "Fixture"
)

// runView is one run.
type runView struct {
	Run     daemonRun
	Running bool
	Parts   map[string]template.HTML
	Figures []figure
	XY      []figure
	XYKey   template.HTML
	Band    band
	Steps   int // within the band
	Proof   int64
	Key     string
	Address string  // of this page
	Whole   string  // of this page without a band
	Hidden  []int64 // what the form of the band keeps: nothing here
	Chosen  int64
}

// reported reads and analyses the run that the address names.
func (p *Panel) reported(r *http.Request, figures int) (*sweep.Run, *report.Input, error) {
	id, err := pathNumber(r, "run")
	if err != nil {
		return nil, nil, err
	}
	run, err := p.source.Run(r.Context(), id)
	if err != nil {
		return nil, nil, err
	}
	in, err := p.source.Report(r.Context(), &run, reporting.Options{Figures: figures})
	return &run, in, err
}

func (p *Panel) getRun(w http.ResponseWriter, r *http.Request) error {
	run, in, err := p.reported(r, sweep.Figures)
	if err != nil {
		return err
	}
	v := runView{Run: viewRun(run), Running: run.State == sweep.Running, Band: readBand(r.URL.Query().Get), Proof: run.Calibration,
		Address: fmt.Sprintf("/runs/%d", run.ID), Whole: fmt.Sprintf("/runs/%d", run.ID),
		Key: "Solid line: as measured. Shaded: the interval of ± U. Dash-dotted: limit, over the band it holds for. " +
			"Filled triangle: fails. Open ring: undecided. × at the bottom edge: not measurable."}
	if run.Kind == sweep.Calibration {
		v.Proof = run.ID
		v.Key = "Solid line: as read, fixture and scope included. Shaded: the interval of ± U. × at the bottom edge: not measurable."
	}
	narrow := v.Band.narrowed(in)
	v.Steps = len(narrow.Steps)
	if v.Parts, err = reportParts(in); err != nil {
		return err
	}
	if v.Band.Narrow() {
		within, err := reportParts(narrow)
		if err != nil {
			return err
		}
		for _, heading := range []string{partXY, partSteps} {
			v.Parts[heading] = within[heading]
		}
	}
	if v.Figures, err = runFigures(narrow); err != nil {
		return err
	}
	_, v.XY, v.XYKey = takeFigures(v.Parts[partXY])
	for i := range v.XY {
		v.XY[i].readXY()
	}
	title := fmt.Sprintf("Run %d", run.ID) + labelWords(run.Label)
	return p.show(w, http.StatusOK, "run", frame{Title: title, Section: "runs", Page: &v})
}

func reportParts(in *report.Input) (map[string]template.HTML, error) {
	var page bytes.Buffer
	if err := report.HTML(&page, *in); err != nil {
		return nil, err
	}
	return parts(page.Bytes()), nil
}

// fixtureView is what a calibration proves of the bench.
type fixtureView struct {
	Run     daemonRun
	Result  template.HTML
	Proved  template.HTML
	Figures []figure
	Rest    template.HTML
}

func (p *Panel) getFixture(w http.ResponseWriter, r *http.Request) error {
	run, in, err := p.reported(r, 0)
	if err != nil {
		return err
	}
	if run.Kind != sweep.Calibration {
		return failure{http.StatusNotFound, fmt.Sprintf("run %d is no calibration: it proves nothing of the fixture; its calibration, run %d, does", run.ID, run.Calibration)}
	}
	list, err := reportParts(in)
	if err != nil {
		return err
	}
	v := fixtureView{Run: viewRun(run), Result: list[partResult]}
	v.Proved, v.Figures, v.Rest = takeFigures(list[partProof])
	if in.Proof != nil && len(in.Proof.Steps) > 0 {
		for i := range v.Figures {
			phase := strings.Contains(v.Figures[i].Heading, "phase")
			if err := v.Figures[i].read(proofReadings(in.Proof, phase)); err != nil {
				return err
			}
		}
	}
	return p.show(w, http.StatusOK, "fixture", frame{Title: fmt.Sprintf("Fixture, by calibration %d", run.ID), Section: "runs", Page: &v})
}

// export is a handler of a run's file.
func (p *Panel) export(kind string, write func(io.Writer, report.Input) error) func(http.ResponseWriter, *http.Request) error {
	return func(w http.ResponseWriter, r *http.Request) error {
		run, in, err := p.reported(r, 0)
		if err != nil {
			return err
		}
		var content bytes.Buffer
		if err := write(&content, *in); err != nil {
			return failure{http.StatusConflict, err.Error()}
		}
		name := r.URL.Path[strings.LastIndexByte(r.URL.Path, '/')+1:]
		w.Header().Set("Content-Type", kind)
		w.Header().Set("Content-Disposition", fmt.Sprintf(`attachment; filename="run-%d-%s"`, run.ID, name))
		_, _ = w.Write(content.Bytes())
		return nil
	}
}

// getPlot is one plot as a file of its own.
func (p *Panel) getPlot(w http.ResponseWriter, r *http.Request) error {
	_, in, err := p.reported(r, 0)
	if err != nil {
		return err
	}
	b := readBand(r.URL.Query().Get)
	if b.Wrong != "" {
		return failure{http.StatusBadRequest, b.Wrong}
	}
	for _, plot := range report.Plots(*b.narrowed(in)) {
		if plot.Name+".svg" == r.PathValue("plot") {
			w.Header().Set("Content-Type", "image/svg+xml")
			// The file carries its look with it, and nothing else.
			w.Header().Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'")
			return plot.WriteSVG(w)
		}
	}
	return failure{http.StatusNotFound, "there is no such plot"}
}
