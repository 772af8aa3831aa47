package panel

import (
	"fmt"
	"math"
	"strings"

	"halfturn/analysis/balance"
	"halfturn/analysis/compare"
	"halfturn/analysis/conformity"
	"halfturn/analysis/report"
	"halfturn/units"
)

// readStep says what a plot of a run, by its name, shows at a step.
func readStep(name string, s *report.Step) (value float64, text string) {
	none := math.NaN()
	r := &s.Result
	switch name {
	case "drive":
		return float64(s.Point.Drive), number(float64(s.Point.Drive), 0) + " dBm"
	case "fill":
		return s.Fill[0], fmt.Sprintf("arm 1 %s, arm 2 %s", number(s.Fill[0], 0), number(s.Fill[1], 0))
	}
	if !s.Measured || s.Decision == conformity.Unmeasured() {
		if s.Remark != "" {
			return none, notMeasurable + ", " + s.Remark
		}
		return none, notMeasurable
	}
	with := func(value float64, text string, v conformity.Verdict) (float64, string) {
		switch {
		case v == conformity.NotMeasurable:
			return none, text + ", " + notMeasurable + " against its limit"
		case v != conformity.NotLimited:
			text += ", " + string(v)
		}
		return value, text
	}
	switch name {
	case "amplitude-balance":
		return with(float64(r.AmplitudeBalance), quantityText(compare.AmplitudeBalance, r), s.Decision.AmplitudeBalance)
	case "phase-balance":
		return with(float64(r.PhaseBalance), quantityText(compare.PhaseBalance, r), s.Decision.PhaseBalance)
	case "common-mode-rejection":
		value := float64(r.CommonModeRejection)
		if bounded(r) {
			value = float64(r.CommonModeRejectionLow)
		}
		return with(value, quantityText(compare.CommonModeRejection, r), s.Decision.CommonModeRejection)
	case "insertion-loss":
		return with(float64(r.InsertionLoss), quantityText(compare.InsertionLoss, r), s.Decision.InsertionLoss)
	case "gain-mismatch":
		c := balance.Cable(s.Point)
		return float64(c.AmplitudeBalance), withU(float64(c.AmplitudeBalance), float64(c.UAmplitudeBalance), " dB")
	case "phase-difference":
		c := balance.Cable(s.Point)
		return float64(c.PhaseBalance), withU(float64(c.PhaseBalance), float64(c.UPhaseBalance), "°")
	case "amplitude":
		var level [2]float64
		for i, peak := range s.Point.Amplitude {
			level[i] = 20 * math.Log10(float64(peak)/(math.Sqrt2*float64(s.Point.Drive.VoltsRMS())))
		}
		return level[0], fmt.Sprintf("arm 1 %s dB, arm 2 %s dB", number(level[0], 0), number(level[1], 0))
	}
	return none, "–"
}

// bounded says that only the lower bound of the rejection is known.
func bounded(r *balance.Result) bool { return r.UImbalance >= r.Imbalance }

// quantityText writes a quantity of a result with its uncertainty.
func quantityText(q compare.Quantity, r *balance.Result) string {
	switch q {
	case compare.AmplitudeBalance:
		return withU(float64(r.AmplitudeBalance), float64(r.UAmplitudeBalance), " dB")
	case compare.PhaseBalance:
		return withU(float64(r.PhaseBalance), float64(r.UPhaseBalance), "°")
	case compare.InsertionLoss:
		return withU(float64(r.InsertionLoss), float64(r.UInsertionLoss), " dB")
	}
	v, low := float64(r.CommonModeRejection), float64(r.CommonModeRejectionLow)
	switch {
	case bounded(r) && finite(low):
		return fmt.Sprintf("> %.0f dB", math.Floor(low))
	case !finite(v) || !finite(low):
		return notMeasurable
	}
	return fmt.Sprintf("%.1f dB, at least %.1f dB", v, math.Floor(low*10)/10)
}

// runFigures are the plots of a run with their readings.
func runFigures(in *report.Input) ([]figure, error) {
	var list []figure
	for _, p := range report.Plots(*in) {
		readings := make([]reading, len(in.Steps))
		for i := range in.Steps {
			value, text := readStep(p.Name, &in.Steps[i])
			readings[i] = reading{float64(in.Steps[i].Point.Frequency), value, text}
		}
		f, err := drawn(p, readings)
		if err != nil {
			return nil, err
		}
		list = append(list, f)
	}
	return list, nil
}

// comparedFigures are the plots of a comparison with their readings.
func comparedFigures(c *report.Compared) ([]figure, error) {
	var list []figure
	for _, p := range report.ComparePlots(*c) {
		f, err := drawn(p, comparedReadings(p.Name, c))
		if err != nil {
			return nil, err
		}
		list = append(list, f)
	}
	return list, nil
}

// comparedReadings are those of one plot, by its name.
func comparedReadings(name string, c *report.Compared) []reading {
	kind, bare := "", name
	for _, k := range []string{"difference-of-", "drift-of-"} {
		if rest, ok := strings.CutPrefix(name, k); ok {
			kind, bare = k, rest
		}
	}
	quantity := compare.Quantities
	for q := range compare.Quantities {
		if strings.ReplaceAll(q.String(), " ", "-") == bare {
			quantity = q
		}
	}
	if quantity == compare.Quantities {
		return nil
	}
	unit := quantity.Unit()
	if unit != "°" {
		unit = " " + unit
	}
	var list []reading
	if c.Pair != nil {
		for i := range c.Pair.Steps {
			s := &c.Pair.Steps[i]
			r := reading{float64(s.Frequency), math.NaN(), notMeasurable}
			if d := s.Changes[quantity]; kind != "" {
				if d.Measured && finite(d.U) {
					r.value, r.text = d.Difference, withU(d.Difference, d.U, unit)
				}
			} else {
				first := &s.Results[0]
				if r.value = quantity.Of(first); quantity == compare.CommonModeRejection && bounded(first) {
					r.value = float64(first.CommonModeRejectionLow)
				}
				r.text = fmt.Sprintf("run %d %s; run %d %s", c.Runs[0].ID, quantityText(quantity, first), c.Runs[1].ID, quantityText(quantity, &s.Results[1]))
			}
			list = append(list, r)
		}
		return list
	}
	for i := range c.Series.Steps {
		s := &c.Series.Steps[i]
		d := &s.Spread[quantity]
		r := reading{float64(s.Frequency), math.NaN(), notMeasurable}
		switch {
		case !d.Measured:
		case kind != "":
			r.value, r.text = d.Slope, withU(d.Slope, d.USlope, unit)+" per hour"
		case finite(d.Mean) && finite(d.SD):
			r.value, r.text = d.Mean, "mean "+number(d.Mean, d.SD)+unit+", s = "+number(d.SD, d.SD)+unit
		}
		list = append(list, r)
	}
	return list
}

// proofReadings are those of the plots of a fixture's proof.
func proofReadings(p *report.Proof, phase bool) []reading {
	list := make([]reading, len(p.Steps))
	for i := range p.Steps {
		s := &p.Steps[i]
		value, u, left, unit := float64(s.GainResidual), float64(s.UGain), float64(s.GainUnexplained), " dB"
		if phase {
			value, u, left, unit = float64(s.PhaseResidual), float64(s.UPhase), float64(s.PhaseUnexplained), "°"
		}
		list[i] = reading{float64(s.Frequency), value, withU(value, u, unit) + "; left by a smooth course " + number(left, u) + unit}
	}
	return list
}

// band is a stretch of frequencies that somebody looks at; zero for all.
type band struct {
	From, To string // as they were typed
	from, to units.Hertz
	Wrong    string
}

func (b *band) Narrow() bool { return b.Wrong == "" && (b.from > 0 || b.to > 0) }

// readBand reads a band from the address of a page.
func readBand(get func(string) string) band {
	b := band{From: strings.TrimSpace(get("from")), To: strings.TrimSpace(get("to"))}
	for _, end := range []struct {
		text string
		into *units.Hertz
	}{{b.From, &b.from}, {b.To, &b.to}} {
		if end.text == "" {
			continue
		}
		f, err := units.ParseHertz(end.text)
		if err != nil || !(f > 0) || !finite(float64(f)) {
			b.Wrong = fmt.Sprintf("%q is no frequency: write it like 30 MHz", end.text)
			return b
		}
		*end.into = f
	}
	if b.from > 0 && b.to > 0 && b.from >= b.to {
		b.Wrong = fmt.Sprintf("the band from %s to %s is empty", b.from.Brief(), b.to.Brief())
	}
	return b
}

func (b *band) holds(f units.Hertz) bool {
	const edge = 1e-9
	return (b.from == 0 || f >= b.from*(1-edge)) && (b.to == 0 || f <= b.to*(1+edge))
}

// narrowed is a run's report within a band; what is of the whole run is left out.
func (b *band) narrowed(in *report.Input) *report.Input {
	if !b.Narrow() {
		return in
	}
	c := *in
	c.Steps, c.Figures, c.Budgets, c.Winding, c.Proof = nil, nil, nil, nil, nil
	var results []balance.Result
	var decisions []conformity.Decision
	for _, s := range in.Steps {
		if b.holds(s.Point.Frequency) {
			c.Steps = append(c.Steps, s)
			results = append(results, s.Result)
			decisions = append(decisions, s.Decision)
		}
	}
	for _, f := range in.Figures {
		if b.holds(f.Frequency) {
			c.Figures = append(c.Figures, f)
		}
	}
	if in.Calibration != nil {
		c.Summary = conformity.Summarise(in.Limits, results, decisions)
	}
	return &c
}

// narrowedPlots is a comparison whose plots are within a band; what it says of
// all steps stays.
func (b *band) narrowedPlots(c *report.Compared) *report.Compared {
	if !b.Narrow() {
		return c
	}
	n := *c
	switch {
	case c.Pair != nil:
		pair := *c.Pair
		pair.Steps = kept(pair.Steps, func(s *compare.Step) bool { return b.holds(s.Frequency) })
		n.Pair = &pair
	case c.Series != nil:
		series := *c.Series
		series.Steps = kept(series.Steps, func(s *compare.SeriesStep) bool { return b.holds(s.Frequency) })
		n.Series = &series
	}
	return &n
}

func kept[S any](list []S, keep func(*S) bool) []S {
	var out []S
	for i := range list {
		if keep(&list[i]) {
			out = append(out, list[i])
		}
	}
	return out
}
