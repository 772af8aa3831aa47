package report

import (
	"fmt"
	"math"
	"strings"

	"halfturn/analysis/fixture"
)

// Proof is what the calibration proves of the bench, worked out from its
// stored steps.
type Proof struct {
	Why string // nothing is proved; the rest is empty then
	fixture.Proof
	Limited bool // limits were given, so that Decides means something

	// Agreement with the calibration before it on the same fixture, if there
	// is one in the store.
	Earlier   *Run
	Agreement *fixture.Agreement
	WhyNot    string // it could not be compared
}

func (in *Input) proofSection() *section {
	p := in.Proof
	if p == nil {
		return nil
	}
	s := &section{heading: "Fixture"}
	if !in.calibrates() {
		s.heading = "Fixture, by its calibration"
	}
	if p.Why != "" {
		s.lines, s.lead = []string{clean(p.Why)}, []string{headingCase(clean(p.Why)) + "."}
		return s
	}
	s.findings = []finding{
		p.skew(),
		{Name: "gain mismatch toward 0 Hz", Value: withU(float64(p.Gain), float64(p.UGain), " dB"),
			Where: "at " + in.frequency(p.To) + " " + withU(float64(p.GainAtTo), float64(p.UGainAtTo), " dB")},
		residual(&p.Residual, "left by skew and gain", in),
		residual(&p.Unexplained, "left by a smooth course", in),
	}
	s.findings = append(s.findings, p.rollOff(in)...)
	s.findings = append(s.findings, p.resonances(in), p.level())
	if p.Limited && !in.calibrates() {
		s.findings = append(s.findings, p.decides(in))
	}
	if in.calibrates() { // those are at the head of the report
		s.findings = s.findings[1:]
	}
	if f, ok := p.agreement(); ok {
		s.findings = append(s.findings, f)
	}
	line := func(f finding) string {
		text := f.Name + " " + f.Value
		if f.Where != "" {
			text += ", " + f.Where
		}
		return text
	}
	if in.calibrates() {
		for _, f := range s.findings {
			s.lines = append(s.lines, line(f))
		}
		s.plots = []Plot{p.plot(in, "gain"), p.plot(in, "phase")}
		s.key = "Solid: what skew and gain alone leave of the cable's ratio, mostly the difference between the channels' poles. Dashed: what a smooth course leaves of that, which is noise where the fixture is good."
		s.list, s.listHead = p.Untold, "What this run cannot tell:"
	} else {
		s.lines = []string{line(s.findings[0]) + "; " + line(s.findings[1])}
		if p.Limited {
			s.lines = append(s.lines, line(p.decides(in)))
		}
	}
	s.notes = append(s.notes, "Worked out from the steps of the calibration as they are stored.")
	return s
}

// skew is by how much one channel is later than the other.
func (p *Proof) skew() finding {
	f := finding{Name: "skew", Value: inPrefixed(math.Abs(float64(p.Skew)), float64(p.USkew), "s"), Where: "channel 2 later"}
	if p.Skew < 0 {
		f.Where = "channel 1 later"
	}
	return f
}

// residual is what is left at most, of the gain and of the phase.
func residual(r *fixture.Residual, name string, in *Input) finding {
	return finding{
		Name:  name,
		Value: briefly(math.Abs(float64(r.Gain))) + " dB, " + briefly(math.Abs(float64(r.Phase))) + "°",
		Where: "at most; at " + both(in.frequency(r.GainAt), in.frequency(r.PhaseAt)),
	}
}

// both writes one figure for both channels, once where they read the same.
func both(a, b string) string {
	if a == b {
		return a
	}
	return a + " and " + b
}

func (p *Proof) rollOff(in *Input) []finding {
	r := p.RollOff
	if r == nil {
		return nil
	}
	channels := finding{Name: "bandwidth of the channels"}
	switch {
	case r.Order == 0 && r.BandwidthLow[0] > 0:
		channels.Value = "no roll-off seen"
		channels.Where = "above " + both(r.BandwidthLow[0].Brief(), r.BandwidthLow[1].Brief())
	case r.Order == 0:
		channels.Value = "no roll-off seen"
	case r.Bandwidth[0] == 0 || r.Bandwidth[1] == 0:
		channels.Value = "cannot be told"
		if r.BandwidthLow[0] > 0 && r.BandwidthLow[1] > 0 {
			channels.Where = "-3 dB above " + both(r.BandwidthLow[0].Brief(), r.BandwidthLow[1].Brief())
		}
	default:
		channels.Value = inPrefixed(float64(r.Bandwidth[0]), float64(r.UBandwidth[0]), "Hz")
		channels.Where = fmt.Sprintf("-3 dB, order %d, %s", r.Order, r.Shape)
		if other := inPrefixed(float64(r.Bandwidth[1]), float64(r.UBandwidth[1]), "Hz"); other != channels.Value {
			channels.Where = "channel 1; channel 2 " + other + "; " + channels.Where
		}
	}
	capacitance := finding{Name: "capacitance of an arm", Value: inPrefixed(float64(r.Capacitance), float64(r.UCapacitance), "F"), Where: string(r.Knowledge)}
	if r.Knowledge != fixture.Fitted {
		capacitance.Value, capacitance.Where = "cannot be told", "the nominal value does not agree with the course"
		if r.Knowledge == fixture.Held {
			capacitance.Where = inPrefixed(float64(r.Capacitance), 0, "F") + ", the nominal value, was put in"
		}
		if r.CapacitanceHigh > 0 {
			capacitance.Where += "; no more than " + inPrefixed(float64(r.CapacitanceHigh), 0, "F") + " agrees with the course"
		}
	}
	return []finding{channels, capacitance}
}

// mostResonances bounds how many a finding names.
const mostResonances = 3

func (p *Proof) resonances(in *Input) finding {
	f := finding{Name: "resonances", Value: "none found"}
	for _, untold := range p.Untold {
		if strings.HasPrefix(untold, "resonances: ") {
			f.Value = "not looked for"
		}
	}
	if n := len(p.Resonances); n > 0 {
		f.Value = counted(n, "resonance")
		var list []string
		for _, r := range p.Resonances[:min(n, mostResonances)] {
			size := briefly(math.Abs(float64(r.Depth))) + " dB"
			if r.Turn != 0 {
				size = briefly(math.Abs(float64(r.Turn))) + "°"
			}
			list = append(list, fmt.Sprintf("%s at %s in the %s", size, in.frequency(r.Frequency), r.Quantity))
		}
		f.Where = strings.Join(list, "; ")
		if n > mostResonances {
			f.Where += fmt.Sprintf("; and %d more", n-mostResonances)
		}
	}
	return f
}

func (p *Proof) level() finding {
	f := finding{Name: "linearity of level", Value: "nothing beyond its uncertainty"}
	l := &p.Level
	if len(l.RangeGains) == 0 && l.DriveError == nil {
		f.Value = "not told by this run"
		return f
	}
	var parts []string
	largest := -1
	for i := range l.RangeGains {
		if largest < 0 || math.Abs(float64(l.RangeGains[i].Step)) > math.Abs(float64(l.RangeGains[largest].Step)) {
			largest = i
		}
	}
	if largest >= 0 {
		g := &l.RangeGains[largest]
		parts = append(parts, fmt.Sprintf("largest step between ranges %s, channel %d, %s to %s", withU(float64(g.Step), float64(g.UStep), " dB"), g.Channel, g.From.Brief(), g.To.Brief()))
	}
	if d := l.DriveError; d != nil {
		parts = append(parts, "amplitude follows a change of drive to "+withU(d.PerDB, d.UPerDB, " dB")+" a dB")
	}
	f.Where = strings.Join(parts, "; ")
	if !l.Consistent {
		f.Value = "beyond its uncertainty"
	}
	return f
}

func (p *Proof) decides(in *Input) finding {
	f := finding{Name: "decides the limits", Value: "nowhere"}
	if b := p.Decides.All; b != nil {
		f.Value = in.fromTo(b.From, b.To)
	}
	f.Where = fmt.Sprintf("noise and what is unexplained within %s %% of each limit", trimmed(100*p.Part))
	if name := clean(p.Decides.Limits); name != "" {
		f.Where += " “" + name + "”"
	}
	return f
}

func (p *Proof) agreement() (finding, bool) {
	if p.Earlier == nil {
		return finding{}, false
	}
	f := finding{Name: fmt.Sprintf("against calibration %d, %s", p.Earlier.ID, moment(p.Earlier.Started))}
	a := p.Agreement
	if a == nil {
		f.Value, f.Where = "not comparable", clean(p.WhyNot)
		return f, true
	}
	f.Value = fmt.Sprintf("repeats to %s dB and %s°", briefly(float64(a.Gain)), briefly(float64(a.Phase)))
	f.Where = fmt.Sprintf("standard deviation of one run; drift %s and %s",
		inPrefixed(float64(a.SkewDrift), float64(a.USkewDrift), "s"), withU(float64(a.GainDrift), float64(a.UGainDrift), " dB"))
	if a.Significant {
		f.Where += "; more than the noise of both explains"
	} else {
		f.Where += "; as the noise of both explains"
	}
	return f, true
}

func (p *Proof) plot(in *Input, of string) Plot {
	c := chart{heading: "Rest of the gain / dB", zero: true, least: 0.002}
	if of == "phase" {
		c.heading = "Rest of the phase / degrees"
	}
	residual := trace{name: "skew, gain", colour: first, band: true}
	rest := trace{name: "smooth course", colour: second, dashed: true}
	for i := range p.Steps {
		s := &p.Steps[i]
		y, u, left := float64(s.GainResidual), float64(s.UGain), float64(s.GainUnexplained)
		if of == "phase" {
			y, u, left = float64(s.PhaseResidual), float64(s.UPhase), float64(s.PhaseUnexplained)
		}
		x := float64(s.Frequency)
		residual.points = append(residual.points, point{x: x, y: y, lo: y - u, hi: y + u})
		rest.points = append(rest.points, point{x: x, y: left, lo: left, hi: left})
	}
	c.traces = []trace{residual, rest}
	c.desc = fmt.Sprintf("What skew and gain, and what a smooth course leave of the %s of the cable's ratio, against frequency, logarithmic; largest %s dB and %s°.",
		of, briefly(math.Abs(float64(p.Residual.Gain))), briefly(math.Abs(float64(p.Residual.Phase))))
	return Plot{Name: "fixture-" + of, Heading: "Fixture: " + of, drawing: c.drawing()}
}

// jsonProof is the proof as package fixture states it, with the agreement.
type jsonProof struct {
	Why         string             `json:"why,omitempty"`
	Calibration *int64             `json:"calibration,omitempty"` // that it is of, for another run
	Proof       *fixture.Proof     `json:"proof,omitempty"`
	Earlier     *int64             `json:"earlier_calibration,omitempty"`
	Agreement   *fixture.Agreement `json:"agreement,omitempty"`
	WhyNot      string             `json:"why_not_compared,omitempty"`
}

func (in *Input) jsonProof() *jsonProof {
	p := in.Proof
	if p == nil {
		return nil
	}
	j := &jsonProof{Why: p.Why, WhyNot: p.WhyNot, Agreement: p.Agreement}
	if in.Calibration != nil {
		j.Calibration = &in.Calibration.ID
	}
	if p.Earlier != nil {
		j.Earlier = &p.Earlier.ID
	}
	if p.Why == "" {
		proof := p.Proof
		if !in.calibrates() {
			proof.Steps = nil // they are those of the other run
		}
		j.Proof = &proof
	}
	return j
}
