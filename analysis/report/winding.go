package report

import (
	"fmt"
	"math"

	"halfturn/analysis/balance"
	"halfturn/analysis/choke"
	"halfturn/units"
)

// Winding is what package choke tells of the balun's winding.
type Winding struct {
	// Why nothing can be told; the rest is empty then.
	Why string
	// Sleeves on the line, as a person said; 0 where nobody did. Bands and Need
	// are then of so many times the impedance: their Sleeves are in parts of Unit.
	Sleeves int
	Unit    int // Sleeves, or what stands for the impedance as measured

	Impedances []choke.Impedance // by ascending frequency
	Model      choke.Model
	Bands      []choke.Band // by ascending number; none without limits that sleeves decide
	Need       *choke.Need  // for the lower edge of the limits' band
	WhyNoNeed  string
}

// Straightened is what a swapped run's result, whose arm ratio is 1/r, tells of
// the winding, which is told from r: d(1/r)/dr = -1/r². The ratio is not 0.
func Straightened(r balance.Result) balance.Result {
	return balance.Result{Frequency: r.Frequency, Ratio: 1 / r.Ratio, Cov: r.Cov.Through(-1 / (r.Ratio * r.Ratio))}
}

// times writes a number of sleeves, or how many times the impedance it stands for.
func (w *Winding) times(n int) string {
	if w.Sleeves > 0 {
		return counted(n, "sleeve")
	}
	return trimmed(math.Ceil(100*float64(n)/float64(w.Unit))/100) + " times the impedance"
}

// present is the band of the winding as it is; false without bands.
func (w *Winding) present() (choke.Band, bool) {
	for _, b := range w.Bands {
		if b.Sleeves == w.Unit {
			return b, true
		}
	}
	return choke.Band{}, false
}

// edgeText is where a band begins.
func edgeText(s choke.Span, in *Input) string {
	switch {
	case s.To <= 0:
		return "none"
	case s.Extrapolated:
		return in.frequency(s.From) + ", extrapolated"
	}
	return in.frequency(s.From)
}

// bandText is a band from end to end.
func bandText(s choke.Span, in *Input) string {
	text := in.fromTo(s.From, s.To)
	if s.Extrapolated {
		text += ", its lower end extrapolated"
	}
	return text
}

// presentText is what the winding does as it is.
func (w *Winding) presentText(in *Input) string {
	b, ok := w.present()
	if !ok {
		return ""
	}
	as := "as wound"
	if w.Sleeves > 0 {
		as = "with its " + counted(w.Sleeves, "sleeve")
	}
	switch {
	case b.Nominal.To <= 0:
		return "no frequency meets the limits " + as
	case b.Assured.To <= 0:
		return fmt.Sprintf("%s the estimates meet the limits from %s on, but by less than their uncertainty", as, edgeText(b.Nominal, in))
	}
	return fmt.Sprintf("%s the band is %s, uncertainty included (%s by the estimates alone)", as, bandText(b.Assured, in), bandText(b.Nominal, in))
}

// needText is the answer for the builder.
func (w *Winding) needText(in *Input) string {
	if w.Need == nil {
		return clean(w.WhyNoNeed)
	}
	edge := in.fromTo(w.Need.From, w.Need.To)
	more := w.Need.Assured - w.Unit
	var s string
	switch {
	case w.Sleeves == 0 && more <= 0:
		s = fmt.Sprintf("%s needs no more than the impedance as measured: %s would do", edge, w.times(w.Need.Assured))
	case w.Sleeves == 0:
		s = fmt.Sprintf("%s bring %s", w.times(w.Need.Assured), edge)
	case more > 0:
		s = fmt.Sprintf("%d more sleeves bring %s, %d in all", more, edge, w.Need.Assured)
		if more == 1 {
			s = fmt.Sprintf("1 more sleeve brings %s, %d in all", edge, w.Need.Assured)
		}
		if nominal := w.Need.Nominal - w.Unit; nominal < more {
			if nominal > 0 {
				s += fmt.Sprintf("; %d more by the estimates alone", nominal)
			} else {
				s += fmt.Sprintf("; by the estimates alone the %d there are do", w.Sleeves)
			}
		}
	case more == 0:
		s = fmt.Sprintf("%s bring %s, and no fewer", counted(w.Sleeves, "sleeve"), edge)
	default:
		s = fmt.Sprintf("%s would bring %s; there are %d", counted(w.Need.Assured, "sleeve"), edge, w.Sleeves)
	}
	if w.Need.Extrapolated {
		s += " (extrapolated below the lowest step)"
	}
	return s
}

// modelParts are the elements of the fit, with what is assured of those that
// cannot be told.
func modelParts(m *choke.Model) (l, r, c string) {
	l = inPrefixed(float64(m.L), float64(m.UL), "H")
	switch {
	case finite(float64(m.R)) && finite(float64(m.UR)):
		r = inPrefixed(float64(m.R), float64(m.UR), "Ω")
	case m.RAtLeast > 0 && finite(float64(m.RAtLeast)):
		r = "at least " + inPrefixed(float64(m.RAtLeast), 0, "Ω")
	default:
		r = "no loss seen"
	}
	switch {
	case m.C > 0 && m.UC < m.C:
		c = inPrefixed(float64(m.C), float64(m.UC), "F")
	default:
		c = "at most " + inPrefixed(float64(m.CAtMost), 0, "F")
	}
	return l, r, c
}

// impedanceText writes |Z_c| or its bound.
func impedanceText(z *choke.Impedance) string {
	if z.Bounded || z.UMagnitude >= z.Magnitude {
		return "at least " + inPrefixed(float64(z.AtLeast), 0, "Ω")
	}
	return inPrefixed(float64(z.Magnitude), float64(z.UMagnitude), "Ω")
}

// lowest is the impedance at the lowest frequency in the band.
func (w *Winding) lowest(in *Input) *choke.Impedance {
	for i := range w.Impedances {
		if in.inBand(w.Impedances[i].Frequency) {
			return &w.Impedances[i]
		}
	}
	return &w.Impedances[0]
}

func (in *Input) windingSection() *section {
	w := in.Winding
	if w == nil {
		return nil
	}
	s := &section{heading: "Choke"}
	if w.Why != "" {
		s.lines, s.lead = []string{clean(w.Why)}, []string{headingCase(clean(w.Why)) + "."}
		return s
	}
	l, r, c := modelParts(&w.Model)
	z := w.lowest(in)
	s.lines = append(s.lines, fmt.Sprintf("|Z_c| %s at %s; fitted L %s ∥ R %s ∥ C %s", impedanceText(z), in.frequency(z.Frequency), l, r, c))
	for _, t := range []string{w.presentText(in), w.needText(in)} {
		if t != "" {
			s.lines, s.lead = append(s.lines, t), append(s.lead, headingCase(t)+".")
		}
	}
	s.findings = []finding{
		{Name: "common-mode impedance |Z_c|", Value: impedanceText(z), Where: "at " + in.frequency(z.Frequency)},
		{Name: "inductance L of the fit", Value: l, Where: in.fromTo(w.Model.From, w.Model.To)},
		{Name: "loss resistance R parallel to it", Value: r},
		{Name: "capacitance C parallel to both", Value: c},
	}
	if w.Model.Enlarged {
		s.notes = append(s.notes, fmt.Sprintf("The winding is no exact L ∥ R ∥ C (reduced χ² = %s), as ferrite never is; the uncertainties of L, R and C are enlarged by that. Bands and sleeves go by the arm ratios measured, and by the fit only below the lowest step and where Z_c is bounded.", briefly(w.Model.ChiSquare)))
	}
	unsure := 0
	for i := range w.Impedances {
		if z := &w.Impedances[i]; !z.Bounded && !told(z) {
			unsure++
		}
	}
	if w.Model.Bounded > 0 {
		s.notes = append(s.notes, fmt.Sprintf("At %s the arm ratio is too close to -1 to tell Z_c from infinity: a lower bound is given.", counted(w.Model.Bounded, "step")))
	}
	if unsure > 0 {
		s.notes = append(s.notes, fmt.Sprintf("At %s Z_c is known no better than by its own size: a lower bound is given there too.", counted(unsure, "step")))
	}
	if w.Sleeves == 0 {
		s.notes = append(s.notes, "How many sleeves are on the line was not said: “--sleeves N” of measure, show and report turns the factors into sleeves.")
	}
	s.notes = append(s.notes, "n times the sleeves of one kind have n times the impedance, as long as all of them see the same current, which on a line short against the wavelength they do. "+
		"A limit on insertion loss is left out: the sleeves do not decide it.")
	s.plots = []Plot{w.magnitudePlot(), w.partsPlot()}
	s.key = "Solid: as measured, from the arm ratio. Shaded: the interval of ± U. Dash-dotted: the fitted L ∥ R ∥ C. Arrow up: a lower bound, where Z_c is not known better."
	if len(w.Bands) > 0 {
		s.tables = append(s.tables, w.bandsTable(in))
	}
	return s
}

func (w *Winding) bandsTable(in *Input) grid {
	g := grid{
		Caption: "Lower and upper end of the band that meets the limits. Assured: with the uncertainty as a guard band. Nominal: by the estimates alone.",
		Head:    []string{"Sleeves", "Assured from", "to", "Nominal from", "to"},
	}
	if w.Sleeves == 0 {
		g.Head[0] = "Impedance"
	}
	end := func(s choke.Span) string {
		if s.To <= 0 {
			return "–"
		}
		return in.frequency(s.To)
	}
	for _, b := range w.Bands {
		n := fmt.Sprint(b.Sleeves)
		if w.Sleeves == 0 {
			n = "× " + trimmed(float64(b.Sleeves)/float64(w.Unit))
		}
		if b.Sleeves == w.Unit {
			n += ", as measured"
		}
		g.Rows = append(g.Rows, []string{n, edgeText(b.Assured, in), end(b.Assured), edgeText(b.Nominal, in), end(b.Nominal)})
	}
	return g
}

// told says whether a figure of Z_c is more than a bound.
func told(z *choke.Impedance) bool { return !z.Bounded && z.UMagnitude < z.Magnitude }

func (w *Winding) magnitudePlot() Plot {
	c := chart{heading: "Common-mode impedance |Z_c| / Ω", logarithmic: true}
	measured := trace{name: "measured", colour: first, band: true}
	fitted := trace{name: "fit", colour: ink, dashDotted: true}
	bounds := 0
	for i := range w.Impedances {
		z := &w.Impedances[i]
		p := point{x: float64(z.Frequency), y: float64(z.Magnitude)}
		p.lo, p.hi = max(float64(z.AtLeast), p.y/10), p.y+float64(z.UMagnitude)
		if !told(z) {
			bounds++
			p.y = float64(z.AtLeast)
			p.lo, p.hi, p.bound, p.gap = p.y, p.y, true, true
		}
		if p.y > 0 {
			measured.points = append(measured.points, p)
		}
		y := magnitude(w.Model.Impedance(z.Frequency))
		fitted.points = append(fitted.points, point{x: p.x, y: y, lo: y, hi: y})
	}
	c.traces = []trace{fitted, measured}
	c.desc = fmt.Sprintf("Magnitude of the winding's common-mode impedance against frequency, both logarithmic, with the fitted L, R and C in parallel; %s, %d of them lower bounds.",
		counted(len(w.Impedances), "step"), bounds)
	return Plot{Name: "choke-impedance", Heading: "Common-mode impedance", drawing: c.drawing()}
}

func (w *Winding) partsPlot() Plot {
	c := chart{heading: "Z_c = R + jX / Ω", zero: true, least: 1}
	parts := [2]trace{{name: "R", colour: first, band: true}, {name: "X", colour: second, dashed: true, band: true}}
	gap := false
	for i := range w.Impedances {
		z := &w.Impedances[i]
		if !told(z) {
			gap = true
			continue
		}
		for k, v := range [2][2]units.Ohms{{z.R, z.UR}, {z.X, z.UX}} {
			y, u := float64(v[0]), float64(v[1])
			parts[k].points = append(parts[k].points, point{x: float64(z.Frequency), y: y, lo: y - u, hi: y + u, gap: gap})
		}
		gap = false
	}
	c.traces = parts[:]
	c.also = []float64{float64(w.Impedances[0].Frequency), float64(w.Impedances[len(w.Impedances)-1].Frequency)}
	c.desc = "Resistance and reactance of the winding's common-mode impedance against frequency, logarithmic; left out where only a bound is known."
	return Plot{Name: "choke-parts", Heading: "Resistance and reactance", drawing: c.drawing()}
}

func magnitude(z complex128) float64 { return math.Hypot(real(z), imag(z)) }

// The winding in JSON.

type jsonWinding struct {
	Why        string          `json:"why,omitempty"`
	Sleeves    *int            `json:"sleeves"`
	Model      *jsonModel      `json:"model,omitempty"`
	Impedances []jsonImpedance `json:"impedances,omitempty"`
	Bands      []jsonBand      `json:"bands,omitempty"`
	Need       *jsonNeed       `json:"need,omitempty"`
	WhyNoNeed  string          `json:"why_no_need,omitempty"`
}

type jsonModel struct {
	L         *figure `json:"l_h"`
	UL        *figure `json:"u_l_h"`
	R         *figure `json:"r_ohm"`
	UR        *figure `json:"u_r_ohm"`
	RAtLeast  *figure `json:"r_at_least_ohm"`
	C         *figure `json:"c_f"`
	UC        *figure `json:"u_c_f"`
	CAtMost   *figure `json:"c_at_most_f"`
	From      *figure `json:"from_hz"`
	To        *figure `json:"to_hz"`
	ChiSquare *figure `json:"reduced_chi_square"`
	Enlarged  bool    `json:"enlarged"`
}

type jsonImpedance struct {
	Frequency  *figure `json:"frequency_hz"`
	R          *figure `json:"r_ohm"`
	UR         *figure `json:"u_r_ohm"`
	X          *figure `json:"x_ohm"`
	UX         *figure `json:"u_x_ohm"`
	Magnitude  *figure `json:"magnitude_ohm"`
	UMagnitude *figure `json:"u_magnitude_ohm"`
	AtLeast    *figure `json:"at_least_ohm"`
	Bounded    bool    `json:"bounded"`
}

type jsonSpan struct {
	From         figure `json:"from_hz"`
	To           figure `json:"to_hz"`
	Extrapolated bool   `json:"extrapolated"`
}

type jsonBand struct {
	Sleeves *int      `json:"sleeves,omitempty"`
	Factor  figure    `json:"factor"` // of the impedance
	Assured *jsonSpan `json:"assured"`
	Nominal *jsonSpan `json:"nominal"`
}

type jsonNeed struct {
	From           figure `json:"from_hz"`
	To             figure `json:"to_hz"`
	Assured        *int   `json:"sleeves_assured,omitempty"`
	Nominal        *int   `json:"sleeves_nominal,omitempty"`
	AssuredFactor  figure `json:"factor_assured"`
	NominalFactor  figure `json:"factor_nominal"`
	IsExtrapolated bool   `json:"extrapolated"`
}

func (w *Winding) json() *jsonWinding {
	if w == nil {
		return nil
	}
	j := &jsonWinding{Why: w.Why, WhyNoNeed: w.WhyNoNeed}
	sleeves := func(n int) *int {
		if w.Sleeves == 0 {
			return nil
		}
		return &n
	}
	j.Sleeves = sleeves(w.Sleeves)
	if w.Why != "" {
		return j
	}
	m := &w.Model
	j.Model = &jsonModel{
		L: known(float64(m.L)), UL: known(float64(m.UL)),
		R: known(float64(m.R)), UR: known(float64(m.UR)), RAtLeast: known(float64(m.RAtLeast)),
		C: known(float64(m.C)), UC: known(float64(m.UC)), CAtMost: known(float64(m.CAtMost)),
		From: known(float64(m.From)), To: known(float64(m.To)),
		ChiSquare: known(m.ChiSquare), Enlarged: m.Enlarged,
	}
	for i := range w.Impedances {
		z := &w.Impedances[i]
		j.Impedances = append(j.Impedances, jsonImpedance{
			Frequency: known(float64(z.Frequency)),
			R:         known(float64(z.R)), UR: known(float64(z.UR)), X: known(float64(z.X)), UX: known(float64(z.UX)),
			Magnitude: known(float64(z.Magnitude)), UMagnitude: known(float64(z.UMagnitude)),
			AtLeast: known(float64(z.AtLeast)), Bounded: z.Bounded,
		})
	}
	span := func(s choke.Span) *jsonSpan {
		if s.To <= 0 {
			return nil
		}
		return &jsonSpan{figure(s.From), figure(s.To), s.Extrapolated}
	}
	factor := func(n int) figure { return figure(float64(n) / float64(w.Unit)) }
	for _, b := range w.Bands {
		j.Bands = append(j.Bands, jsonBand{sleeves(b.Sleeves), factor(b.Sleeves), span(b.Assured), span(b.Nominal)})
	}
	if n := w.Need; n != nil {
		j.Need = &jsonNeed{figure(n.From), figure(n.To), sleeves(n.Assured), sleeves(n.Nominal), factor(n.Assured), factor(n.Nominal), n.Extrapolated}
	}
	return j
}
