package main

import (
	"fmt"
	"io"
	"os"
	"sync/atomic"
	"time"

	"github.com/vbauerster/mpb/v8"
	"github.com/vbauerster/mpb/v8/decor"
	"golang.org/x/term"

	"halfturn/sweep"
)

// progress shows how far a run is: a bar on a terminal, a line every tenth
// elsewhere.
type progress struct {
	out  io.Writer
	run  *sweep.Run
	pool *mpb.Progress // nil where there is no terminal
	bar  *mpb.Bar
	last atomic.Pointer[string] // what the last step said; the bar draws from its own goroutine
	told int                    // tenths
	pace sweep.Pace
	ends atomic.Pointer[time.Time] // when the run will be done; nil before it can be told
}

func newProgress(out io.Writer, run *sweep.Run) *progress {
	p := &progress{out: out, run: run}
	if f, ok := out.(*os.File); ok && term.IsTerminal(int(f.Fd())) {
		p.pool = mpb.New(mpb.WithOutput(out), mpb.WithWidth(72))
	}
	return p
}

// barStyle is how a bar looks.
func barStyle() mpb.BarStyleComposer {
	return mpb.BarStyle().Lbound("").Filler("━").Tip("━").Padding("─").Rbound("")
}

// observe is called after each committed step, one at a time.
func (p *progress) observe(e sweep.Event) {
	done := e.Step.Index + 1
	line := stepLine(e)
	p.last.Store(&line)
	if left, ok := p.pace.Left(&e, time.Now()); ok {
		ends := time.Now().Add(left)
		p.ends.Store(&ends)
	}
	if p.pool == nil {
		if tenth := 10 * done / e.Total; tenth > p.told || done == e.Total {
			p.told = tenth
			fmt.Fprintf(p.out, "%s  %d of %d  %s\n", e.Run.Kind, done, e.Total, line)
		}
		return
	}
	if p.bar == nil {
		// The first step of a resumed run is not step 1: the bar begins there.
		p.bar = p.pool.New(int64(e.Total), barStyle(),
			mpb.PrependDecorators(decor.Name(string(e.Run.Kind), decor.WCSyncSpaceR), decor.CountersNoUnit("%d of %d ", decor.WCSyncSpace)),
			mpb.AppendDecorators(
				decor.OnComplete(decor.Any(func(decor.Statistics) string { return p.left() }, decor.WC{W: 6}), ""),
				decor.Any(func(decor.Statistics) string { return "  " + *p.last.Load() }),
			),
		)
	}
	p.bar.SetCurrent(int64(done))
}

// left is how long the run still takes; empty before that can be told.
func (p *progress) left() string {
	ends := p.ends.Load()
	if ends == nil {
		return ""
	}
	return max(0, time.Until(*ends)).Round(time.Second).String()
}

// finish leaves the bar as it stands.
func (p *progress) finish() {
	if p.pool == nil {
		return
	}
	if p.bar != nil && !p.bar.Completed() {
		p.bar.Abort(false)
	}
	p.pool.Wait()
}

// stepLine is what a person wants to see of a step as it passes.
func stepLine(e sweep.Event) string {
	f := e.Step.Estimate.Frequency.Brief()
	switch {
	case e.Remark != "":
		return fmt.Sprintf("%s  not measurable", f)
	case e.Run.Kind == sweep.Calibration:
		return fmt.Sprintf("%s  %.1f dBm  fill %.2f", f, float64(e.Step.Drive), max(e.Step.Fill[0], e.Step.Fill[1]))
	default:
		return fmt.Sprintf("%s  %+.2f dB  %+.2f°", f, float64(e.Result.AmplitudeBalance), float64(e.Result.PhaseBalance))
	}
}
