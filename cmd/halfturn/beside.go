package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"

	"halfturn/analysis/linearity"
	"halfturn/sweep"
	"halfturn/units"
)

// beside is what `show` says of a run beside its report: what it tells
// together with another run, and what its steps at two drives tell.
type beside struct {
	swapped   *sweep.Exchanged // nil unless the run is a swapped one
	alone     error            // why a swapped run does not combine with its straight one
	linearity linearity.Report
}

func loadBeside(ctx context.Context, j sweep.Journal, run *sweep.Run) (b beside, err error) {
	if run.Kind == sweep.Swapped {
		cal, err := sweep.LoadCalibrated(ctx, j, run.Calibration)
		if err != nil {
			return b, err
		}
		// The run itself is shown also where the other one is lost.
		b.swapped, b.alone = sweep.Combined(ctx, j, run, cal)
	}
	b.linearity, err = sweep.AssessLinearity(ctx, j, run)
	return b, err
}

// text writes a short section for each: the figure, its uncertainty, why.
func (b beside) text(w io.Writer) error {
	var out bytes.Buffer
	switch {
	case b.swapped != nil:
		swappedText(&out, b.swapped)
	case b.alone != nil:
		fmt.Fprintf(&out, "\nStraight and swapped do not combine: %v\n", b.alone)
	}
	if b.linearity.Verdict != linearity.NotTaken {
		linearityText(&out, &b.linearity)
	}
	_, err := w.Write(out.Bytes())
	return err
}

func swappedText(out *bytes.Buffer, x *sweep.Exchanged) {
	p := func(format string, a ...any) { fmt.Fprintf(out, format, a...) }
	p("\nStraight and swapped together, runs %d and %d, without any calibration\n", x.Straight, x.Swapped)
	if len(x.Ratios) > 0 {
		at := func(i int) string { return x.Ratios[i].Frequency.Brief() }
		a, f := x.Balances[x.LargestAmplitude], x.Balances[x.LargestPhase]
		g, t := x.Asymmetry[x.LargestGain], x.Asymmetry[x.LargestTurn]
		p("  balun: largest amplitude balance  %s at %s\n", withU(float64(a.Amplitude), float64(a.UAmplitude), " dB"), at(x.LargestAmplitude))
		p("  balun: largest phase balance      %s at %s\n", withU(float64(f.Phase), float64(f.UPhase), "°"), at(x.LargestPhase))
		p("  fixture's own asymmetry           %s at %s\n", withU(float64(g.Gain), float64(g.UGain), " dB"), at(x.LargestGain))
		p("                                    %s at %s\n", withU(float64(t.Phase), float64(t.UPhase), "°"), at(x.LargestTurn))
		if x.Significant {
			p("  significant: at %d of %d steps calibration %d is off by more than its uncertainty,\n", x.Beyond, len(x.Ratios), x.Calibration)
			p("  as arms that load a balun unequally make it, or a cable (or its fitting) that is not alike to both arms\n")
		} else {
			p("  not significant: calibration %d says the same of the fixture within the uncertainty\n", x.Calibration)
		}
	}
	for _, l := range x.LeftOut {
		p("  %s left out from %s on: %s\n", countedSteps(l.Steps), l.First.Brief(), l.Why)
	}
	for _, s := range x.Warnings {
		p("  ! %s\n", s)
	}
}

func linearityText(out *bytes.Buffer, r *linearity.Report) {
	p := func(format string, a ...any) { fmt.Fprintf(out, format, a...) }
	p("\nLinearity: %s\n", r.Verdict)
	if i := r.Largest; i >= 0 {
		s := &r.Steps[i]
		p("  raising the drive by %s moves the arm ratio by %s and %s at %s, the most against its uncertainty\n", inDB(units.DB(s.Drive[0]-s.Drive[1])),
			withU(float64(s.Change.Gain), float64(s.Change.UGain), " dB"), withU(float64(s.Change.Phase), float64(s.Change.UPhase), "°"), s.Frequency.Brief())
		if s.Scope.Known() {
			p("  of that the calibration shows %s and %s at the same fill\n",
				withU(float64(s.Scope.Gain), float64(s.Scope.UGain), " dB"), withU(float64(s.Scope.Phase), float64(s.Scope.UPhase), "°"))
		}
		if s.Why != "" {
			p("  why: %s\n", s.Why)
		}
	}
	if n := len(r.Steps); r.Told < n {
		i := slices.IndexFunc(r.Steps, func(s linearity.Step) bool { return s.Verdict == linearity.Untold })
		s := &r.Steps[i]
		p("  %d of %s cannot be told; at %s: %s\n", n-r.Told, countedSteps(n), s.Frequency.Brief(), s.Why)
	}
	for k := range r.Worst {
		d := &r.Worst[k]
		if d.At < 0 {
			p("  harmonic %d: not determinable at any step\n", k+2)
			continue
		}
		at := r.Steps[d.At].Frequency.Brief()
		if !d.Harmonic.Seen() {
			p("  harmonic %d: nothing above the noise; at least %s below the fundamental, at %s\n", d.Order, inDB(d.Harmonic.AtLeast()), at)
			continue
		}
		below, u := d.Harmonic.Below()
		p("  harmonic %d: %s below the fundamental at %s in arm %d; source: %s\n", d.Order, withU(float64(below), float64(u), " dB"), at, d.Arm, d.Source)
	}
}

func countedSteps(n int) string {
	if n == 1 {
		return "1 step"
	}
	return fmt.Sprintf("%d steps", n)
}

func inDB(v units.DB) string { return strconv.FormatFloat(float64(v), 'f', 1, 64) + " dB" }

// withU writes a value and its expanded uncertainty, the latter to two digits
// and the value to its last one (JCGM 100:2008, 7.2.6).
func withU(v, u float64, unit string) string {
	places := 6
	if u > 0 {
		places = min(max(1-int(math.Floor(math.Log10(u))), 0), places)
	}
	return strconv.FormatFloat(v, 'f', places, 64) + unit + " ± " + strconv.FormatFloat(u, 'f', places, 64) + unit
}

// json writes the report's object with keys of its own at its end.
func (b beside) json(w io.Writer, report func(io.Writer) error) error {
	var own []byte
	add := func(key string, v any) error {
		text, err := json.Marshal(v)
		own = fmt.Appendf(own, ",\n%q: %s", key, text)
		return err
	}
	if b.swapped != nil || b.alone != nil {
		if err := add("swapped", swappedJSON(b.swapped, b.alone)); err != nil {
			return err
		}
	}
	if b.linearity.Verdict != linearity.NotTaken {
		if err := add("linearity", linearityJSON(&b.linearity)); err != nil {
			return err
		}
	}
	if own == nil {
		return report(w)
	}
	open := &openObject{w: w}
	if err := report(open); err != nil {
		return err
	}
	return open.close(own)
}

// objectEnd is how an object that is written to the end ends.
const objectEnd = "}\n"

// openObject passes an object on but for its end.
type openObject struct {
	w    io.Writer
	held []byte
}

func (o *openObject) Write(p []byte) (int, error) {
	all := append(o.held, p...)
	pass := max(0, len(all)-len(objectEnd))
	if _, err := o.w.Write(all[:pass]); err != nil {
		return 0, err
	}
	o.held = append([]byte(nil), all[pass:]...)
	return len(p), nil
}

func (o *openObject) close(own []byte) error {
	if string(o.held) != objectEnd {
		return errors.New("the report did not end as an object")
	}
	_, err := o.w.Write(append(own, objectEnd...))
	return err
}

type exchangedJSON struct {
	Straight    int64               `json:"straight"`
	Calibration int64               `json:"calibration"`
	Significant bool                `json:"significant"`
	Beyond      int                 `json:"steps_beyond_uncertainty"`
	Steps       []exchangedStepJSON `json:"steps"`
	LeftOut     []leftOutJSON       `json:"left_out"`
	Warnings    []string            `json:"warnings"`
}

type exchangedStepJSON struct {
	Frequency        float64 `json:"frequency_hz"`
	RatioRe          float64 `json:"ratio_re"`
	RatioIm          float64 `json:"ratio_im"`
	Amplitude        float64 `json:"amplitude_balance_db"`
	UAmplitude       float64 `json:"u_amplitude_balance_db"`
	Phase            float64 `json:"phase_balance_deg"`
	UPhase           float64 `json:"u_phase_balance_deg"`
	FixtureRe        float64 `json:"fixture_re"` // h
	FixtureIm        float64 `json:"fixture_im"`
	AsymmetryGain    float64 `json:"asymmetry_gain_db"` // of h against the calibration
	UAsymmetryGain   float64 `json:"u_asymmetry_gain_db"`
	AsymmetryPhase   float64 `json:"asymmetry_phase_deg"`
	UAsymmetryPhase  float64 `json:"u_asymmetry_phase_deg"`
	BeyondAtThisStep bool    `json:"beyond_uncertainty"`
}

type leftOutJSON struct {
	Why   string  `json:"why"`
	Steps int     `json:"steps"`
	First float64 `json:"first_hz"`
}

func swappedJSON(x *sweep.Exchanged, alone error) any {
	if x == nil {
		return map[string]string{"why": alone.Error()}
	}
	out := exchangedJSON{
		Straight: x.Straight, Calibration: x.Calibration, Significant: x.Significant, Beyond: x.Beyond,
		Steps: []exchangedStepJSON{}, LeftOut: []leftOutJSON{}, Warnings: append([]string{}, x.Warnings...),
	}
	for i := range x.Ratios {
		r, b, a := &x.Ratios[i], &x.Balances[i], &x.Asymmetry[i]
		out.Steps = append(out.Steps, exchangedStepJSON{
			Frequency: float64(r.Frequency), RatioRe: real(r.Ratio), RatioIm: imag(r.Ratio),
			Amplitude: float64(b.Amplitude), UAmplitude: float64(b.UAmplitude), Phase: float64(b.Phase), UPhase: float64(b.UPhase),
			FixtureRe: real(r.Fixture), FixtureIm: imag(r.Fixture),
			AsymmetryGain: float64(a.Gain), UAsymmetryGain: float64(a.UGain),
			AsymmetryPhase: float64(a.Phase), UAsymmetryPhase: float64(a.UPhase), BeyondAtThisStep: a.Significant,
		})
	}
	for _, l := range x.LeftOut {
		out.LeftOut = append(out.LeftOut, leftOutJSON{l.Why, l.Steps, float64(l.First)})
	}
	return out
}

type levelsJSON struct {
	Verdict linearity.Verdict `json:"verdict"`
	Told    int               `json:"steps_told"`
	Steps   []levelsStepJSON  `json:"steps"`
}

type levelsStepJSON struct {
	Frequency   float64           `json:"frequency_hz"`
	Drive       [2]float64        `json:"drive_dbm"`             // higher, lower
	Change      *changeJSON       `json:"change"`                // of the arm ratio, null where it cannot be told
	Calibration *changeJSON       `json:"calibration,omitempty"` // the calibration's own at this fill
	Rest        *changeJSON       `json:"rest,omitempty"`        // what that leaves
	Verdict     linearity.Verdict `json:"verdict"`
	Why         string            `json:"why,omitempty"`
	Harmonics   []harmonicJSON    `json:"harmonics"` // those that can be determined, in the arm that shows more
}

type changeJSON struct {
	Gain        float64 `json:"gain_db"`
	UGain       float64 `json:"u_gain_db"`
	Phase       float64 `json:"phase_deg"`
	UPhase      float64 `json:"u_phase_deg"`
	Significant bool    `json:"significant"`
}

type harmonicJSON struct {
	Order   int              `json:"order"`
	Arm     int              `json:"arm"`
	Below   *float64         `json:"below_db"` // the fundamental; null where not above the noise
	UBelow  *float64         `json:"u_below_db"`
	AtLeast float64          `json:"at_least_db"`
	Source  linearity.Source `json:"source"`
}

func linearityJSON(r *linearity.Report) levelsJSON {
	out := levelsJSON{Verdict: r.Verdict, Told: r.Told, Steps: []levelsStepJSON{}}
	change := func(c *linearity.Change) *changeJSON {
		if !c.Known() {
			return nil
		}
		return &changeJSON{float64(c.Gain), float64(c.UGain), float64(c.Phase), float64(c.UPhase), c.Significant}
	}
	for i := range r.Steps {
		s := &r.Steps[i]
		step := levelsStepJSON{
			Frequency: float64(s.Frequency), Drive: [2]float64{float64(s.Drive[0]), float64(s.Drive[1])},
			Change: change(&s.Change), Calibration: change(&s.Scope), Rest: change(&s.Rest),
			Verdict: s.Verdict, Why: s.Why, Harmonics: []harmonicJSON{},
		}
		for _, d := range s.Distortion {
			if d.Source == linearity.NoSource {
				continue
			}
			h := harmonicJSON{Order: d.Order, Arm: d.Arm, AtLeast: float64(d.Harmonic.AtLeast()), Source: d.Source}
			if d.Harmonic.Seen() {
				below, u := d.Harmonic.Below()
				b, ub := float64(below), float64(u)
				h.Below, h.UBelow = &b, &ub
			}
			step.Harmonics = append(step.Harmonics, h)
		}
		out.Steps = append(out.Steps, step)
	}
	return out
}
