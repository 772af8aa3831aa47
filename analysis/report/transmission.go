package report

import (
	"fmt"
	"math"
	"math/cmplx"

	"halfturn/analysis/balance"
	"halfturn/analysis/conformity"
	"halfturn/analysis/uncertainty"
)

// transmissionOf is a figure of one arm against the phase reference.
func transmissionOf(arm int, key, name, unit, title string, of func(*balance.Transmission) (v, u float64), exact func(complex128) float64) quantity {
	return quantity{
		key: key, name: name, unit: unit, title: title,
		read: func(s *Step) reading {
			if !s.Result.Referred {
				return symmetric(math.NaN(), math.NaN())
			}
			return symmetric(of(&s.Result.Transmission[arm]))
		},
		verdict: func(conformity.Decision) conformity.Verdict { return conformity.NotLimited },
		limit:   func(conformity.Limits) (float64, bool) { return 0, false },
		exact:   func(t *Truth) float64 { return exact(t.Transmission[arm]) },
	}
}

func gainOf(arm int) quantity {
	n := fmt.Sprint(arm + 1)
	return transmissionOf(arm, "transmission_"+n+"_db", "transmission of arm "+n, " dB", "transmission of arm "+n,
		func(t *balance.Transmission) (v, u float64) { return float64(t.Gain), float64(t.UGain) },
		func(t complex128) float64 { return 20 * math.Log10(cmplx.Abs(t)) })
}

func phaseOf(arm int) quantity {
	n := fmt.Sprint(arm + 1)
	return transmissionOf(arm, "transmission_"+n+"_deg", "phase of arm "+n, "°", "phase of arm "+n,
		func(t *balance.Transmission) (v, u float64) { return float64(t.Phase), float64(t.UPhase) },
		func(t complex128) float64 { return cmplx.Phase(t) * 180 / math.Pi })
}

// gains and phases are each arm's.
var (
	gains  = [2]quantity{gainOf(0), gainOf(1)}
	phases = [2]quantity{phaseOf(0), phaseOf(1)}
)

// referred says whether the run has a phase reference and a calibration with one.
func (in *Input) referred() bool {
	for i := range in.Steps {
		if in.Steps[i].Result.Referred {
			return true
		}
	}
	return false
}

// transmissions are the quantities that a phase reference adds.
func (in *Input) transmissions() []quantity {
	if !in.referred() {
		return nil
	}
	return []quantity{gains[0], phases[0], gains[1], phases[1]}
}

// arms is what the steps tell of each arm's transmission.
type arms struct {
	// delay in seconds that the arm is later than the calibration cable, by a
	// straight line through the phases, and its expanded uncertainty: that of
	// the one step which tells it best, since the steps err together, and by how
	// much the phases leave the line, twice the weighted rms.
	delay, u [2]float64
	mean     float64          // of both delays
	phase    [2]map[int]point // by position: degrees, what the mean delay explains taken out
	largest  [2]int           // position of the gain farthest from 0 dB; -1 for none
	byDrive  int              // where the drive tells another insertion loss by most; -1 for none
	left     int              // steps without
}

// arms works the section out: phases are unwrapped by the delay so far, from
// low frequencies up; arm 2 has its half turn taken off.
func (in *Input) arms() *arms {
	a := &arms{largest: [2]int{-1, -1}, byDrive: -1}
	for arm := range a.delay {
		a.phase[arm] = map[int]point{}
		up, down := 0.0, 0.0
		a.u[arm] = math.Inf(1)
		for i := range in.Steps {
			s := &in.Steps[i]
			r, ok := phases[arm].at(s)
			omega := 2 * math.Pi * float64(s.Point.Frequency)
			if !ok || !drawable(s) || !(r.u < 180) {
				continue
			}
			turn := math.Remainder(r.v*math.Pi/180-float64(arm)*math.Pi+a.delay[arm]*omega, 2*math.Pi) - a.delay[arm]*omega
			u := max(r.u*math.Pi/180, 1e-6)
			up, down = up-turn*omega/(u*u), down+omega*omega/(u*u)
			a.delay[arm] = up / down
			a.u[arm] = min(a.u[arm], u/omega)
		}
		off := 0.0
		for i := range in.Steps {
			s := &in.Steps[i]
			if r, ok := phases[arm].at(s); ok && drawable(s) && r.u < 180 {
				turn := math.Remainder((r.v-180*float64(arm))*math.Pi/180+a.delay[arm]*2*math.Pi*float64(s.Point.Frequency), 2*math.Pi)
				u := max(r.u*math.Pi/180, 1e-6)
				off += turn * turn / (u * u)
			}
		}
		if down > 0 {
			a.u[arm] = math.Hypot(a.u[arm], uncertainty.Coverage*math.Sqrt(off/down))
		}
	}
	a.mean = (a.delay[0] + a.delay[1]) / 2
	apart := 0.0
	for i := range in.Steps {
		s := &in.Steps[i]
		if s.Measured && !s.Result.Referred {
			a.left++
		}
		for arm := range gains {
			if r, ok := gains[arm].at(s); ok {
				if j := a.largest[arm]; j < 0 || math.Abs(r.v) > math.Abs(float64(in.Steps[j].Result.Transmission[arm].Gain)) {
					a.largest[arm] = i
				}
			}
			if r, ok := phases[arm].at(s); ok && drawable(s) {
				f := float64(s.Point.Frequency)
				v := math.Remainder(r.v-180*float64(arm)+360*f*a.mean, 360)
				a.phase[arm][i] = interval(f, v, r.u)
			}
		}
		if d := math.Abs(float64(s.Result.LossByDrive - s.Result.InsertionLoss)); s.Result.Referred && finite(d) && (a.byDrive < 0 || d > apart) {
			a.byDrive, apart = i, d
		}
	}
	return a
}

func (in *Input) transmissionSection() *section {
	if in.calibrates() || !in.referred() {
		return nil
	}
	a := in.arms()
	s := &section{heading: "Transmission of each arm"}
	what := "each arm against the phase reference on channel " + clean(in.Bench.Reference) +
		", the calibration cable taken out: 0 dB is a lossless 1:1 balun in the same fixture, and the delay is against the cable's"
	drive := "the reference measures the drive, so that errors of the generator's level have no part in this nor in insertion loss"
	s.lead = []string{headingCase(what) + ". " + headingCase(drive) + "."}
	s.lines = []string{what, drive}
	for arm := range gains {
		if i := a.largest[arm]; i >= 0 {
			at := &in.Steps[i]
			s.findings = append(s.findings, finding{Name: fmt.Sprintf("arm %d: farthest from 0 dB", arm+1), Value: gains[arm].textAt(at), Where: "at " + in.frequency(at.Point.Frequency)})
		}
		if finite(a.u[arm]) {
			name := fmt.Sprintf("arm %d: later than the cable by", arm+1)
			if arm == 1 {
				name = "arm 2, half a turn aside: later by"
			}
			s.findings = append(s.findings, finding{Name: name, Value: inPrefixed(a.delay[arm], a.u[arm], "s"), Where: "over the band"})
		}
	}
	if i := a.byDrive; i >= 0 {
		at := &in.Steps[i].Result
		apart, side := float64(at.LossByDrive-at.InsertionLoss), " dB more, at most"
		if apart < 0 {
			side = " dB less, at most"
		}
		s.findings = append(s.findings, finding{Name: "insertion loss, told by the level that was set instead", Where: "at " + in.frequency(at.Frequency),
			Value: rounded(math.Abs(apart), 2) + side})
	}
	rows := make([][]string, len(s.findings))
	for i, f := range s.findings {
		rows[i] = []string{f.Name, f.Value, f.Where}
	}
	if len(rows) > 0 {
		s.lines = append(s.lines, inColumns(rows)...)
	}
	if a.left > 0 {
		s.list, s.listHead = []string{counted(a.left, "measured step") + " without"}, "What to know about it:"
	}
	s.plots = []Plot{transmissionPlot(in), armPhasePlot(in, a)}
	s.key = "Solid: arm 1. Dashed: arm 2. Shaded: the interval of ± U. Phase against the calibration cable's, without the delay of " +
		inPrefixed(a.mean, 0, "s") + " that both arms have in common, arm 2's half a turn aside."
	return s
}

// transmissionPlot draws both arms' magnitudes.
func transmissionPlot(in *Input) Plot {
	c := chart{heading: "Transmission / dB", zero: true, least: 0.2}
	for arm, t := range armTraces() {
		for i := range in.Steps {
			s := &in.Steps[i]
			if r, ok := gains[arm].at(s); ok && drawable(s) {
				t.points = append(t.points, interval(float64(s.Point.Frequency), r.v, r.u))
			}
		}
		c.traces = append(c.traces, t)
	}
	c.desc = fmt.Sprintf("Magnitude of the transmission of arm 1 and arm 2 against the phase reference, against frequency, logarithmic; %s.", counted(len(c.traces[0].points), "step"))
	return Plot{Name: "transmission", Heading: "Transmission", drawing: c.drawing()}
}

// armPhasePlot draws both arms' phases without the delay that they have in common.
func armPhasePlot(in *Input, a *arms) Plot {
	c := chart{heading: "Phase less " + inPrefixed(a.mean, 0, "s") + " of delay / degrees", zero: true, least: 0.5}
	for arm, t := range armTraces() {
		for i := range in.Steps {
			if p, ok := a.phase[arm][i]; ok {
				t.points = append(t.points, p)
			}
		}
		c.traces = append(c.traces, t)
	}
	c.desc = "Phase of arm 1, and of arm 2 half a turn aside, against the phase reference, less that of " + inPrefixed(a.mean, 0, "s") + " of delay, against frequency, logarithmic."
	return Plot{Name: "transmission-phase", Heading: "Phase of each arm", drawing: c.drawing()}
}

func armTraces() [2]trace {
	return [2]trace{{name: "arm 1", colour: first, band: true}, {name: "arm 2", colour: second, dashed: true, band: true}}
}

type jsonTransmission struct {
	Re     *figure `json:"re"`
	Im     *figure `json:"im"`
	Gain   *figure `json:"db"`
	UGain  *figure `json:"u_db"`
	Phase  *figure `json:"deg"`
	UPhase *figure `json:"u_deg"`
}

type jsonReference struct {
	Range     figure  `json:"range_vpp"`
	Fill      figure  `json:"fill"`
	Amplitude *figure `json:"amplitude_v"`
	// Each arm over the reference as read.
	Read [2][2]*figure `json:"read_re_im"`
}

// jsonReference is what the reference's channel read; nil without one.
func (s *Step) jsonReference() *jsonReference {
	r := &s.Point.Reference
	if !r.Read() {
		return nil
	}
	j := &jsonReference{Range: figure(s.Point.ReferenceRange), Fill: figure(s.ReferenceFill), Amplitude: known(float64(r.Amplitude))}
	for arm, t := range r.Transmission {
		j.Read[arm] = [2]*figure{known(real(t)), known(imag(t))}
	}
	return j
}

// jsonTransmissions are both arms'; nil without a reference.
func (s *Step) jsonTransmissions() []jsonTransmission {
	if !s.Result.Referred {
		return nil
	}
	list := make([]jsonTransmission, 2)
	for arm := range list {
		t, j := &s.Result.Transmission[arm], &list[arm]
		if g, ok := gains[arm].at(s); ok {
			j.Re, j.Im = known(real(t.Value)), known(imag(t.Value))
			j.Gain, j.UGain = known(g.v), known(g.u)
		}
		if p, ok := phases[arm].at(s); ok {
			j.Phase, j.UPhase = known(p.v), known(p.u)
		}
	}
	return list
}

type jsonArms struct {
	Channel string     `json:"reference_channel"`
	Delay   [2]*figure `json:"delay_s"`
	UDelay  [2]*figure `json:"u_delay_s"`
}

func (in *Input) jsonArms() jsonArms {
	a := in.arms()
	j := jsonArms{Channel: clean(in.Bench.Reference)}
	for arm := range a.delay {
		if finite(a.u[arm]) {
			j.Delay[arm], j.UDelay[arm] = known(a.delay[arm]), known(a.u[arm])
		}
	}
	return j
}

// referenceColumns are what the CSV has more.
func (in *Input) referenceColumns() []column {
	read := false
	for i := range in.Steps {
		read = read || in.Steps[i].Point.Reference.Read()
	}
	if !read {
		return nil
	}
	var list []column
	add := func(name, unit string, v func(*Step) float64) {
		list = append(list, column{name, unit, func(s *Step) string {
			if !s.Point.Reference.Read() {
				return ""
			}
			return number(v(s))
		}})
	}
	add("reference_range", "V peak to peak", func(s *Step) float64 { return float64(s.Point.ReferenceRange) })
	add("reference_fill", "1", func(s *Step) float64 { return s.ReferenceFill })
	add("reference_amplitude", "V peak", func(s *Step) float64 { return float64(s.Point.Reference.Amplitude) })
	for arm, n := range []string{"1", "2"} {
		add("transmission_read_"+n+"_re", "1", func(s *Step) float64 { return real(s.Point.Reference.Transmission[arm]) })
		add("transmission_read_"+n+"_im", "1", func(s *Step) float64 { return imag(s.Point.Reference.Transmission[arm]) })
	}
	if !in.referred() {
		return list
	}
	for arm, n := range []string{"1", "2"} {
		for _, part := range []struct {
			name string
			of   func(complex128) float64
		}{{"re", func(z complex128) float64 { return real(z) }}, {"im", func(z complex128) float64 { return imag(z) }}} {
			list = append(list, column{"transmission_" + n + "_" + part.name, "1", func(s *Step) string {
				if _, ok := gains[arm].at(s); !ok {
					return ""
				}
				return number(part.of(s.Result.Transmission[arm].Value))
			}})
		}
		for _, q := range []quantity{gains[arm], phases[arm]} {
			// The names of both would be one without the unit that sets them apart.
			_, unit := q.column()
			value := func(of func(reading) float64) func(*Step) string {
				return func(s *Step) string {
					if r, ok := q.at(s); ok {
						return number(of(r))
					}
					return ""
				}
			}
			list = append(list, column{q.key, unit, value(func(r reading) float64 { return r.v })},
				column{"u_" + q.key, unit, value(func(r reading) float64 { return r.u })})
		}
	}
	return list
}
