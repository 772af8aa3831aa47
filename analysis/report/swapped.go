package report

import (
	"fmt"
	"math"

	"halfturn/analysis/fixture"
	"halfturn/units"
)

// Swapped is what a swapped run and its straight one tell together.
type Swapped struct {
	Why string // they do not combine; the rest is empty then

	Straight, Swapped, Calibration int64 // runs

	Steps []Exchanged // that combine, in the order of the run
	// Positions in Steps of the largest absolute values; -1 where there are none.
	LargestAmplitude, LargestPhase int // of the balun
	LargestGain, LargestTurn       int // of the fixture

	Beyond      int  // steps whose asymmetry is beyond its uncertainty, at 5 % each
	Significant bool // whether any is among all of them
	LeftOut     []LeftOut
	Warnings    []string
}

// Exchanged is one frequency of both runs; U fields are expanded, k = 2.
type Exchanged struct {
	Ratios     fixture.Swapped
	Amplitude  units.DB // balance of the balun, without any calibration
	UAmplitude units.DB
	Phase      units.Degrees
	UPhase     units.Degrees
	Asymmetry  fixture.Asymmetry // of the fixture, against the calibration
}

// LeftOut is why so many steps did not combine.
type LeftOut struct {
	Why   string
	Steps int
	First units.Hertz
}

func (in *Input) swappedSection() *section {
	x := in.Swapped
	if x == nil {
		return nil
	}
	if x.Why != "" {
		why := "they do not combine: " + clean(x.Why)
		return &section{heading: "Straight and swapped together", lines: []string{why}, lead: []string{headingCase(why) + "."}}
	}
	s := &section{heading: fmt.Sprintf("Straight and swapped together, runs %d and %d", x.Straight, x.Swapped)}
	lead := "without any calibration: what follows the balun's arms is the balun's, and what stays is the fixture's and the scope's"
	s.lines, s.lead = []string{lead}, []string{headingCase(lead) + "."}
	if len(x.Steps) > 0 {
		s.findings = x.findings(in)
		rows := make([][]string, len(s.findings))
		for i, f := range s.findings {
			rows[i] = []string{f.Name, f.Value, f.Where}
		}
		s.lines = append(s.lines, inColumns(rows)...)
		if x.Significant {
			found := fmt.Sprintf("significant: at %d of %s the fixture is not what calibration %d says of it, by more than the uncertainty", x.Beyond, counted(len(x.Steps), "step"), x.Calibration)
			s.lines = append(s.lines, found, unequalArms)
			s.lead = append(s.lead, headingCase(found)+". "+headingCase(unequalArms)+".")
		} else {
			found := fmt.Sprintf("not significant: calibration %d says the same of the fixture within the uncertainty", x.Calibration)
			s.lines, s.lead = append(s.lines, found), append(s.lead, headingCase(found)+".")
		}
		s.plots = x.plots()
		s.key = "Solid: both runs together, without the calibration, and below it the fixture's own asymmetry against the calibration. Shaded: the interval of ± U. " +
			"Dashed and dash-dotted: either run alone with the calibration taken out, the swapped one's sign turned; half of what is between them is the asymmetry."
	}
	for _, l := range x.LeftOut {
		s.list = append(s.list, fmt.Sprintf("%s left out from %s on: %s", counted(l.Steps, "step"), in.frequency(l.First), clean(l.Why)))
	}
	for _, w := range x.Warnings {
		s.list = append(s.list, "! "+clean(w))
	}
	s.lines = append(s.lines, s.list...)
	if len(s.list) > 0 {
		s.listHead = "What to know about it:"
	}
	return s
}

// unequalArms is why an asymmetry is no proof against the calibration.
const unequalArms = "arms that load the balun unequally look like this as well as a cable or fitting that is not alike to both: what the fixture does with a balun is then not what it does with the cable"

func (x *Swapped) findings(in *Input) []finding {
	at := func(i int) string { return "at " + in.frequency(x.Steps[i].Ratios.Frequency) }
	a, p := &x.Steps[x.LargestAmplitude], &x.Steps[x.LargestPhase]
	g, t := &x.Steps[x.LargestGain].Asymmetry, &x.Steps[x.LargestTurn].Asymmetry
	return []finding{
		{Name: "balun: largest amplitude balance", Value: withU(float64(a.Amplitude), float64(a.UAmplitude), " dB"), Where: at(x.LargestAmplitude)},
		{Name: "balun: largest phase balance", Value: withU(float64(p.Phase), float64(p.UPhase), "°"), Where: at(x.LargestPhase)},
		{Name: "fixture's own asymmetry, gain", Value: withU(float64(g.Gain), float64(g.UGain), " dB"), Where: at(x.LargestGain)},
		{Name: "fixture's own asymmetry, phase", Value: withU(float64(t.Phase), float64(t.UPhase), "°"), Where: at(x.LargestTurn)},
	}
}

// part is gain or phase of what both runs tell.
type part struct {
	name, balance, unit string
	least               float64 // height of a plot
	turn                float64 // a whole one in the unit; 0 where there is none
	of                  func(*Exchanged) (balance, u, asymmetry, ua float64)
}

var parts = [2]part{
	{"gain", "Amplitude balance", "dB", 0.05, 0, func(e *Exchanged) (balance, u, asymmetry, ua float64) {
		return float64(e.Amplitude), float64(e.UAmplitude), float64(e.Asymmetry.Gain), float64(e.Asymmetry.UGain)
	}},
	{"phase", "Phase balance", "degrees", 0.2, 360, func(e *Exchanged) (balance, u, asymmetry, ua float64) {
		return float64(e.Phase), float64(e.UPhase), float64(e.Asymmetry.Phase), float64(e.Asymmetry.UPhase)
	}},
}

// plots are the balances and, below each, the fixture's part.
func (x *Swapped) plots() []Plot {
	var balances, asymmetries []Plot
	for _, p := range parts {
		straight, swapped, both, own := x.traces(p)
		balance := chart{heading: p.balance + " / " + p.unit, zero: true, least: p.least, traces: []trace{straight, swapped, both}}
		balance.desc = fmt.Sprintf("%s of the balun against frequency, logarithmic: of the straight and the swapped run alone, and of both together; %s.", p.balance, counted(len(both.points), "step"))
		balances = append(balances, Plot{Name: "exchanged-" + p.name, Heading: p.balance, drawing: balance.drawing()})
		asymmetry := chart{heading: "Fixture's own asymmetry, " + p.name + " / " + p.unit, zero: true, least: p.least, traces: []trace{own}}
		asymmetry.desc = fmt.Sprintf("The fixture's own asymmetry of %s, against what the calibration says of it, against frequency, logarithmic; beyond its uncertainty at %d of %s.", p.name, x.Beyond, counted(len(x.Steps), "step"))
		asymmetries = append(asymmetries, Plot{Name: "asymmetry-" + p.name, Heading: "Fixture's own asymmetry, " + p.name, drawing: asymmetry.drawing()})
	}
	return append(balances, asymmetries...)
}

// traces are the balance as either run alone reads it and as both together do,
// and the fixture's own asymmetry. With both runs' arm ratio r and the fixture
// h over the calibration's R_c, the straight run alone reads r h/R_c and the
// swapped one (h/R_c)/r.
func (x *Swapped) traces(p part) (straight, swapped, both, own trace) {
	straight = trace{name: "straight", colour: second, dashed: true}
	swapped = trace{name: "swapped", colour: ink, dashDotted: true}
	both = trace{name: "both", colour: first, band: true}
	own = trace{colour: first, band: true}
	for i := range x.Steps {
		e := &x.Steps[i]
		f := float64(e.Ratios.Frequency)
		balance, u, asymmetry, ua := p.of(e)
		if !finite(balance) || !finite(asymmetry) || !(f > 0) {
			continue
		}
		alone := func(v float64) point {
			if p.turn > 0 {
				v = math.Remainder(v, p.turn)
			}
			return interval(f, v, 0)
		}
		straight.points = append(straight.points, alone(balance+asymmetry))
		swapped.points = append(swapped.points, alone(balance-asymmetry))
		both.points = append(both.points, interval(f, balance, u))
		own.points = append(own.points, interval(f, asymmetry, ua))
	}
	return straight, swapped, both, own
}

// interval is a point with its expanded uncertainty.
func interval(x, y, u float64) point {
	if !finite(u) {
		u = 0
	}
	return point{x: x, y: y, lo: y - u, hi: y + u}
}

type jsonSwapped struct {
	Straight    int64          `json:"straight"`
	Calibration int64          `json:"calibration"`
	Significant bool           `json:"significant"`
	Beyond      int            `json:"steps_beyond_uncertainty"`
	Steps       []jsonExchange `json:"steps"`
	LeftOut     []jsonLeftOut  `json:"left_out"`
	Warnings    []string       `json:"warnings"`
}

type jsonExchange struct {
	Frequency       figure `json:"frequency_hz"`
	RatioRe         figure `json:"ratio_re"`
	RatioIm         figure `json:"ratio_im"`
	Amplitude       figure `json:"amplitude_balance_db"`
	UAmplitude      figure `json:"u_amplitude_balance_db"`
	Phase           figure `json:"phase_balance_deg"`
	UPhase          figure `json:"u_phase_balance_deg"`
	FixtureRe       figure `json:"fixture_re"` // h
	FixtureIm       figure `json:"fixture_im"`
	AsymmetryGain   figure `json:"asymmetry_gain_db"` // of h against the calibration
	UAsymmetryGain  figure `json:"u_asymmetry_gain_db"`
	AsymmetryPhase  figure `json:"asymmetry_phase_deg"`
	UAsymmetryPhase figure `json:"u_asymmetry_phase_deg"`
	Beyond          bool   `json:"beyond_uncertainty"`
}

type jsonLeftOut struct {
	Why   string `json:"why"`
	Steps int    `json:"steps"`
	First figure `json:"first_hz"`
}

func (x *Swapped) json() any {
	if x.Why != "" {
		return map[string]string{"why": x.Why}
	}
	out := jsonSwapped{
		Straight: x.Straight, Calibration: x.Calibration, Significant: x.Significant, Beyond: x.Beyond,
		Steps: []jsonExchange{}, LeftOut: []jsonLeftOut{}, Warnings: append([]string{}, x.Warnings...),
	}
	for i := range x.Steps {
		e := &x.Steps[i]
		r, a := &e.Ratios, &e.Asymmetry
		out.Steps = append(out.Steps, jsonExchange{
			Frequency: figure(r.Frequency), RatioRe: figure(real(r.Ratio)), RatioIm: figure(imag(r.Ratio)),
			Amplitude: figure(e.Amplitude), UAmplitude: figure(e.UAmplitude), Phase: figure(e.Phase), UPhase: figure(e.UPhase),
			FixtureRe: figure(real(r.Fixture)), FixtureIm: figure(imag(r.Fixture)),
			AsymmetryGain: figure(a.Gain), UAsymmetryGain: figure(a.UGain),
			AsymmetryPhase: figure(a.Phase), UAsymmetryPhase: figure(a.UPhase), Beyond: a.Significant,
		})
	}
	for _, l := range x.LeftOut {
		out.LeftOut = append(out.LeftOut, jsonLeftOut{l.Why, l.Steps, figure(l.First)})
	}
	return out
}
