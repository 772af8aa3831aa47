package report

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"time"

	"halfturn/analysis/balance"
	"halfturn/analysis/conformity"
	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// The synthetic runs below have the shape of real ones: a line balun with its
// shield choked by ferrite, r = -Z_c/(Z_c + Z_L) times a skew of its arms,
// read through a scope that rolls off and grows noisy at the top.

type synth struct {
	kind       string
	n          int
	from, to   float64
	inductance float64 // of the choke, henries
	resistance float64 // parallel to it, ohms
	skew       float64 // of arm 2 against arm 1, seconds
	noise      float64 // relative uncertainty (standard) of the ratio at the low end
	knee       float64 // frequency above which the noise grows, hertz
	unread     float64 // frequency above which no ratio is found; 0 for none
	noLimits   bool
	truth      bool
	delay      float64 // with a phase reference: of the balun against the cable, seconds
}

func ptr[T any](v T) *T { return &v }

var start = time.Date(2031, 5, 14, 9, 20, 0, 0, time.UTC)

func (y synth) input() Input {
	rng := rand.New(rand.NewPCG(1, uint64(y.n)))
	in := Input{
		Run: Run{ID: 12, Kind: y.kind, Label: "12 sleeves, bifilar", State: StateDone, Version: "halfturn 0.1.0",
			Started: start, Finished: start.Add(7*time.Minute + 12*time.Second)},
		Bench: Bench{
			Name: "Harbour bench", Fixture: "brass box 3",
			GeneratorIdentity: "Example Works,SG-A,0001,1.0", GeneratorAddress: "tcp://127.0.0.1:5025",
			ScopeIdentity: "Example Works,DS-B,0002,1.0", ScopeAddress: "tcp://127.0.0.1:5026",
			Channels: [2]string{"1", "2"},
			Load:     balance.Load{Resistance: 100, Capacitance: 15e-12, Source: 50},
			MaxDrive: MaxDrive{Generator: 20, Balun: 17}, InputLimit: 5,
		},
		Fill:      Fill{Min: 0.5, Max: 0.9},
		Rule:      "ILAC-G8:09/2019, 4.2.3, guard band equal to the expanded uncertainty",
		Generated: start.Add(8 * time.Minute),
		Program:   "halfturn 0.1.0",
	}
	if y.kind != KindCalibration {
		in.Calibration = &Run{ID: 11, Kind: KindCalibration, Label: "cable", Started: start.Add(-150 * time.Minute), Finished: start.Add(-134 * time.Minute)}
		if !y.noLimits {
			in.Limits = conformity.Limits{Name: "shortwave", From: 1.8e6, To: 30e6,
				AmplitudeBalance: ptr(units.DB(0.5)), PhaseBalance: ptr(units.Degrees(3)),
				CommonModeRejection: ptr(units.DB(25)), InsertionLoss: ptr(units.DB(0.6))}
		}
	}
	for i := range y.n {
		f := y.from
		if y.n > 1 {
			f *= math.Pow(y.to/y.from, float64(i)/float64(y.n-1))
		}
		in.Steps = append(in.Steps, y.step(i, f, in.Limits, rng))
	}
	in.Summary = summarise(in.Steps, in.Limits)
	for k := range 6 {
		if y.n == 0 {
			break
		}
		in.Figures = append(in.Figures, y.figure(&in.Steps[k*(y.n-1)/5], rng))
		if y.n == 1 {
			break
		}
	}
	return in
}

func (y synth) step(i int, f float64, limits conformity.Limits, rng *rand.Rand) Step {
	w := 2 * math.Pi * f
	zl := 1 / complex(1.0/100, w*15e-12)
	zc := 1 / (1/complex(0, w*y.inductance) + complex(1/y.resistance, 0) + complex(0, w*1e-12))
	r := -zc / (zc + zl) * cmplx.Rect(1, -w*y.skew)
	// The fixture: a little gain mismatch and 60 ps of skew, more where the scope rolls off.
	h := complex(1.01, 0) / complex(1, w/(2*math.Pi*140e6)) * complex(1, w/(2*math.Pi*146e6)) * cmplx.Rect(1, -w*60e-12)
	if y.kind == KindCalibration {
		r = 1
	}
	sigma := y.noise * (1 + math.Pow(f/y.knee, 3))
	measured := complex(rng.NormFloat64()*sigma, rng.NormFloat64()*sigma)*r + r
	s := Step{Index: i, Taken: start.Add(time.Duration(i) * 2 * time.Second), Acquisitions: 1, Measured: true}
	if i%17 == 16 {
		s.Acquisitions = 2
	}
	roll := 1 / math.Hypot(1, f/110e6)
	ranges := []float64{0.8, 0.4, 0.2, 0.08, 0.04}
	full := ranges[min(len(ranges)-1, int(f/40e6))]
	s.Fill = [2]float64{0.7 + 0.03*math.Sin(f/3e6), 0.69 + 0.03*math.Sin(f/3e6)}
	amplitude := s.Fill[0] * full / 2
	s.Point = balance.Point{
		Estimate: balance.Estimate{
			Frequency: units.Hertz(f), Ratio: measured * h, Cov: uncertainty.Cov{RR: sigma * sigma, II: sigma * sigma},
			Amplitude: [2]units.Volts{units.Volts(amplitude), units.Volts(amplitude * cmplx.Abs(measured*h))},
			Captures:  4, Samples: 10000,
		},
		Drive: units.DBmOfVoltsRMS(units.Volts(amplitude / math.Sqrt2 / 0.8 / roll)),
		Range: [2]units.Volts{units.Volts(full), units.Volts(full)},
	}
	if y.unread > 0 && f > y.unread {
		s.Measured, s.Point.Ratio, s.Fill = false, 0, [2]float64{0.01, 0.01}
		s.Remark = "no signal: nothing above the noise at the commanded frequency; is the cable on?"
		s.Result.Frequency = units.Hertz(f)
		if !limits.None() {
			s.Decision = conformity.Unmeasured()
		}
		return s
	}
	loss := 0.12 + 0.004*f/1e6
	if y.kind != KindCalibration {
		s.Result = results(units.Hertz(f), measured, sigma)
		s.Result.InsertionLoss = units.DB(loss + rng.NormFloat64()*sigma*8)
		s.Result.UInsertionLoss = units.DB(2 * sigma * 8.7)
		s.Decision = limits.Decide(s.Result)
	}
	if y.delay > 0 {
		y.refer(&s, f, measured, sigma, loss)
	}
	if y.truth {
		s.Truth = &Truth{Ratio: r, AmplitudeBalance: units.DB(20 * math.Log10(cmplx.Abs(r))),
			PhaseBalance:        units.Degrees(cmplx.Phase(-r) * 180 / math.Pi),
			CommonModeRejection: units.DB(20 * math.Log10(cmplx.Abs((1-r)/(1+r)))), InsertionLoss: units.DB(loss)}
		if y.kind == KindCalibration {
			s.Truth = &Truth{Ratio: h}
		}
		if y.delay > 0 {
			first := cmplx.Rect(2*math.Pow(10, -loss/20)/cmplx.Abs(1-r), -2*math.Pi*f*y.delay)
			s.Truth.Transmission = [2]complex128{first, first * r}
		}
	}
	return s
}

// refer adds what a phase reference tells.
func (y synth) refer(s *Step, f float64, r complex128, sigma, loss float64) {
	s.Point.ReferenceRange, s.ReferenceFill = 1.6, 0.4
	s.Point.Reference = balance.Reference{
		Transmission: [2]complex128{0.5, 0.5 * s.Point.Ratio}, Amplitude: 0.3, Sigma: 1e-3,
		Cov: [2]uncertainty.Cov{uncertainty.Circular(sigma * sigma), uncertainty.Circular(sigma * sigma)},
	}
	if y.kind == KindCalibration {
		return
	}
	first := cmplx.Rect(2*math.Pow(10, -float64(s.Result.InsertionLoss)/20)/cmplx.Abs(1-r), -2*math.Pi*f*y.delay)
	s.Result.Referred, s.Result.LossByDrive = true, s.Result.InsertionLoss+0.1
	for arm, v := range [2]complex128{first, first * r} {
		s.Result.Transmission[arm] = balance.Transmission{
			Value: v, Cov: uncertainty.Circular(sigma * sigma),
			Gain: units.DB(20 * math.Log10(cmplx.Abs(v))), UGain: units.DB(2 * sigma * 20 / math.Ln10),
			Phase: units.Degrees(cmplx.Phase(v) * 180 / math.Pi), UPhase: units.Degrees(2 * sigma * 180 / math.Pi),
		}
	}
}

func results(f units.Hertz, r complex128, sigma float64) balance.Result {
	imbalance, u := cmplx.Abs((1+r)/(1-r)), sigma
	return balance.Result{
		Frequency: f, Ratio: r, Cov: uncertainty.Cov{RR: sigma * sigma, II: sigma * sigma},
		AmplitudeBalance:  units.DB(20 * math.Log10(cmplx.Abs(r))),
		UAmplitudeBalance: units.DB(2 * sigma * 20 / math.Ln10),
		PhaseBalance:      units.Degrees(cmplx.Phase(-r) * 180 / math.Pi),
		UPhaseBalance:     units.Degrees(2 * sigma * 180 / math.Pi),
		Imbalance:         imbalance, UImbalance: u,
		CommonModeRejection:    units.DB(-20 * math.Log10(imbalance)),
		CommonModeRejectionLow: units.DB(-20 * math.Log10(imbalance+u)),
	}
}

// summarise decides over the band.
func summarise(steps []Step, l conformity.Limits) conformity.Summary {
	var results []balance.Result
	var decisions []conformity.Decision
	for i := range steps {
		results = append(results, steps[i].Result)
		decisions = append(decisions, steps[i].Decision)
	}
	return conformity.Summarise(l, results, decisions)
}

func (y synth) figure(s *Step, rng *rand.Rand) Figure {
	p1 := complex(float64(s.Point.Amplitude[0]), 0) * cmplx.Rect(1, 0.4)
	f := Figure{Frequency: s.Point.Frequency, P: [2]complex128{p1, p1 * s.Point.Ratio}, Ratio: s.Result.Ratio}
	noise := 0.004 * float64(s.Point.Range[0])
	for i := range 240 {
		turn := cmplx.Rect(1, float64(i)*2.399963)
		for arm := range f.Samples {
			f.Samples[arm] = append(f.Samples[arm], units.Volts(real(f.P[arm]*turn)+noise*rng.NormFloat64()))
		}
	}
	return f
}

var (
	good    = synth{kind: KindBalun, n: 121, from: 1e6, to: 60e6, inductance: 600e-6, resistance: 30000, skew: 2e-12, noise: 0.0012, knee: 60e6, truth: true}
	failing = synth{kind: KindBalun, n: 121, from: 1e6, to: 60e6, inductance: 90e-6, resistance: 4000, skew: 90e-12, noise: 0.0012, knee: 50e6}
	noisy   = synth{kind: KindBalun, n: 121, from: 1e6, to: 60e6, inductance: 600e-6, resistance: 9000, skew: 30e-12, noise: 0.0012, knee: 9e6, unread: 25e6}
	cable   = synth{kind: KindCalibration, n: 121, from: 1e6, to: 60e6, noise: 0.0009, knee: 80e6, truth: true}
	single  = synth{kind: KindBalun, n: 1, from: 14.1e6, to: 14.1e6, inductance: 600e-6, resistance: 9000, noise: 0.001, knee: 60e6}
	empty   = synth{kind: KindBalun}
	free    = synth{kind: KindBalun, n: 40, from: 1e6, to: 60e6, inductance: 600e-6, resistance: 9000, noise: 0.0012, knee: 60e6, noLimits: true}
	long    = synth{kind: KindBalun, n: 2500, from: 1e6, to: 60e6, inductance: 90e-6, resistance: 4000, noise: 0.0012, knee: 20e6, unread: 50e6}
	split   = synth{kind: KindBalun, n: 121, from: 1e6, to: 60e6, inductance: 600e-6, resistance: 30000, noise: 0.0012, knee: 60e6, truth: true, delay: 0.9e-9}
	tapped  = synth{kind: KindCalibration, n: 30, from: 1e6, to: 60e6, noise: 0.0009, knee: 80e6, delay: 0.9e-9}
	narrow  = synth{kind: KindBalun, n: 61, from: 14.0e6, to: 14.35e6, inductance: 600e-6, resistance: 9000, noise: 0.0012, knee: 60e6}
)

const nasty = "</title></style><script>alert(1)</script>\"' onload=x & \x1b[31m\x00\u202e\n# Hz S MA R 75\n"

// hostile has markup, control characters and numbers that are none wherever a
// caller could put them.
func hostile() Input {
	in := noisy.input()
	in.Run.Label, in.Run.Reason, in.Run.State, in.Run.Version = nasty, nasty, "stopped", nasty
	in.Bench.Name, in.Bench.Fixture, in.Bench.GeneratorIdentity, in.Bench.ScopeIdentity = nasty, nasty, nasty, nasty
	in.Bench.GeneratorAddress, in.Bench.ScopeAddress, in.Bench.Channels = nasty, nasty, [2]string{nasty, nasty}
	in.Limits.Name, in.Rule, in.Program = nasty, nasty, nasty
	in.Warnings = []string{nasty, "=HYPERLINK(1)"}
	in.Notes = []string{nasty}
	in.Calibration.Label = nasty
	nan, inf := math.NaN(), math.Inf(1)
	for i := range in.Steps {
		s := &in.Steps[i]
		if !s.Measured {
			s.Remark = "=" + nasty
		}
		switch i {
		case 3:
			s.Result.AmplitudeBalance, s.Result.PhaseBalance = units.DB(nan), units.Degrees(inf)
		case 4:
			s.Result.CommonModeRejection, s.Result.CommonModeRejectionLow = units.DB(inf), units.DB(inf)
			s.Result.Imbalance, s.Result.UImbalance = 0, 0
		case 5:
			s.Result.UAmplitudeBalance, s.Result.UInsertionLoss = units.DB(inf), units.DB(nan)
		case 6:
			s.Result.Ratio, s.Result.InsertionLoss = complex(nan, inf), units.DB(-inf)
			s.Point.Drive, s.Fill = units.DBm(-inf), [2]float64{nan, inf}
		case 7:
			s.Point.Range, s.Point.Amplitude = [2]units.Volts{units.Volts(nan), units.Volts(inf)}, [2]units.Volts{units.Volts(nan), 0}
			s.Point.Ratio = complex(nan, nan)
		case 8:
			s.Point.Frequency = units.Hertz(nan)
		case 9:
			s.Point.Frequency = 0
		case 10:
			s.Truth = &Truth{Ratio: complex(nan, 0), AmplitudeBalance: units.DB(nan), CommonModeRejection: units.DB(inf)}
		}
	}
	in.Summary.Flatness = units.DB(nan)
	in.Summary.WorstAmplitudeBalance, in.Summary.WorstPhaseBalance = 99999, 3
	in.Bench.MaxDrive.Balun, in.Bench.InputLimit, in.Bench.Load.Capacitance = units.DBm(inf), units.Volts(inf), units.Farads(nan)
	in.Figures = append(in.Figures, Figure{Frequency: units.Hertz(nan), P: [2]complex128{complex(nan, 0), complex(inf, 1)}},
		Figure{Frequency: 1e6}, Figure{Frequency: 2e6, P: [2]complex128{1, -1}, Samples: [2][]units.Volts{{units.Volts(nan), 1}, {1}}, Ratio: complex(inf, inf)})
	return in
}

func withReference(y synth) func() Input {
	return func() Input {
		in := y.input()
		in.Bench.Reference = "3"
		return in
	}
}

var inputs = map[string]func() Input{
	"good": good.input, "failing": failing.input, "noisy": noisy.input, "calibration": cable.input, "single": single.input,
	"empty": empty.input, "no-limits": free.input, "long": long.input, "narrow": narrow.input, "hostile": hostile,
	"reference": withReference(split), "reference-calibration": withReference(tapped),
	"reference-hostile": func() Input {
		in := withReference(split)()
		in.Bench.Reference = nasty
		nan, inf := math.NaN(), math.Inf(1)
		for arm := range 2 {
			in.Steps[3].Result.Transmission[arm] = balance.Transmission{Value: complex(nan, inf), Gain: units.DB(nan), UGain: units.DB(inf), Phase: units.Degrees(nan), UPhase: 180}
			in.Steps[4].Result.Transmission[arm] = balance.Transmission{Gain: units.DB(-inf), UGain: units.DB(inf), UPhase: 180}
			in.Steps[5].Point.Reference.Transmission[arm] = complex(nan, nan)
		}
		in.Steps[6].Result.LossByDrive, in.Steps[7].Point.ReferenceRange, in.Steps[7].ReferenceFill = units.DB(nan), units.Volts(inf), nan
		return in
	},
	"zero": func() Input { return Input{} },
	"running": func() Input {
		in := failing.input()
		in.Run.State, in.Run.Finished = "failed", time.Time{}
		in.Run.Reason = "scope at tcp://127.0.0.1:5026: link failed; nothing within 2 s"
		in.Warnings = []string{"The calibration is 34 days old; the plan warns after 30."}
		in.Run.Kind = KindSwapped
		return in
	},
}
