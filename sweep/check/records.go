package check

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"halfturn/analysis/balance"
	"halfturn/analysis/phasor"
	"halfturn/analysis/uncertainty"
	"halfturn/drivers"
	"halfturn/sweep/level"
	"halfturn/units"
)

const (
	// levelWithin is how far the arms may be from what drive and load say: less
	// than a factor of 1.5, so that each usual mistake of scaling is beyond it (2:
	// peak for peak to peak; 2.83: rms for peak to peak; 8 or 10: volts a
	// division), and generators' levels, cables and loads are within.
	levelWithin units.DB = 3
	// rangesWithin is how far an amplitude may move from range to range.
	rangesWithin units.DB = 1
	// A signal that fills less of the range than mayClip must not clip, one that
	// fills more than mustClip must.
	mayClip, mustClip = 0.9, 1.1
)

// tryRanges takes one signal on each range: its level, and clipping where it
// is larger than the range.
func (s *session) tryRanges(ctx context.Context) error {
	if s.kind == nothing {
		return nil
	}
	f, w, err := s.base()
	var known []phasor.Pair
	if err == nil {
		known, err = s.atRange(ctx, f, w, 4)
	}
	if err != nil {
		s.failed("scope", "level", err, "capture")
		return nil
	}
	s.tellLevel(f, known)
	for _, full := range s.scope.Abilities().Ranges {
		if err := s.tune(ctx, f, w, full); err != nil {
			s.failed("scope", "range "+full.Brief(), err, "range")
			return nil
		}
		pairs, clipped, err := s.take(ctx, 2)
		if err != nil {
			s.failed("scope", "range "+full.Brief(), err, "capture")
			continue
		}
		s.tellRange(full, known, pairs, clipped)
	}
	return nil
}

// splitMost is what a splitter and a pad behind it may take of the level.
const splitMost units.DB = 40

// tellLevel compares the arms with the level that drive and load make known.
func (s *session) tellLevel(f units.Hertz, known []phasor.Pair) {
	read := [2]units.Volts{peak(known, 0), peak(known, 1)}
	if s.kind == oneArm {
		s.skip("scope", "level", "%s and %s peak at %s: with one arm dead no level is known", read[0].Brief(), read[1].Brief(), f.Brief())
		return
	}
	// What the source's open circuit leaves at an arm: the cable feeds both in
	// parallel, a balun in series (balance.Load.TransmissionK is the ratio of
	// the two differential voltages).
	z, z0 := s.Load.Impedance(f), complex(float64(s.Load.Source), 0)
	parallel, series := cmplx.Abs(z/2/(z0+z/2)), cmplx.Abs(z/(2*z+z0))
	part, of := parallel, "the calibration cable"
	switch s.kind {
	case balun:
		part, of = series, "a balun"
	case unclear:
		part, of = math.Sqrt(parallel*series), "cable or balun"
	}
	expected := 2 * math.Sqrt2 * s.drive.VoltsRMS() * units.Volts(part)
	off := units.DBOfRatio(float64((read[0] + read[1]) / 2 / expected))
	said := fmt.Sprintf("%s and %s peak at %s, %s expected of %s at %v: %s dB, %g dB allowed",
		read[0].Brief(), read[1].Brief(), f.Brief(), expected.Brief(), of, s.drive, signed(float64(off), 1), float64(levelWithin))
	if s.Bench.Scope.Reference != "" && off < -levelWithin && off > -splitMost {
		s.note("scope", "level", "%s and %s peak at %s, %s expected of %s at %v without a splitter: %s dB, is that what splitter and pad take?",
			read[0].Brief(), read[1].Brief(), f.Brief(), expected.Brief(), of, s.drive, signed(float64(off), 1))
		return
	}
	if math.Abs(float64(off)) > float64(levelWithin) {
		s.wrong("scope", "level", fmt.Sprintf("%s, a factor of %.3g%s", said, units.DB(math.Abs(float64(off))).Ratio(), mistaken(off)),
			fmt.Sprintf("RF on at %s and %v", f.Brief(), s.drive), fmt.Sprintf("%s and %s peak", read[0].Brief(), read[1].Brief()), "scale")
		return
	}
	s.ok("scope", "level", "%s", said)
}

// mistakes are the factors by which a level is off when one thing was taken for
// another (common practice).
var mistakes = []struct {
	factor float64
	said   string
}{
	{2, "of peak for peak to peak, and of open circuit for 50 Ω"},
	{2 * math.Sqrt2, "of rms for peak to peak, in the unit of the generator's level (numbers.drive) or in the scope's ranges"},
	{8, "of volts a division for full scale, with eight divisions"},
	{10, "of volts a division for full scale, with ten divisions, and of a probe"},
}

// mistaken names the mistake that a level is off by, as near as benches are.
func mistaken(off units.DB) string {
	const within units.DB = 0.9
	for _, m := range mistakes {
		if d := math.Abs(float64(off)) - float64(units.DBOfRatio(m.factor)); math.Abs(d) < float64(within) {
			return fmt.Sprintf("; %.3g is that %s", m.factor, m.said)
		}
	}
	return ""
}

func (s *session) tellRange(full units.Volts, known, pairs []phasor.Pair, clipped bool) {
	what := "range " + full.Brief()
	fill := 2 * float64(larger(known)) / float64(full)
	sent := fmt.Sprintf("a signal of %s peak to peak", (2 * larger(known)).Brief())
	switch {
	case clipped && fill < mayClip:
		s.wrong("scope", what, fmt.Sprintf("counts as clipped, and the signal fills only %.0f %% of it", 100*fill), sent, s.extremes(), "rail")
		return
	case clipped:
		s.ok("scope", what, "clips, as it must: the signal is %.1f times as large", fill)
		return
	case fill > mustClip:
		s.wrong("scope", what, fmt.Sprintf("does not count as clipped, and the signal is %.1f times as large", fill), sent, s.extremes(), "rail")
		return
	}
	n := len(s.capture.Traces[0].Codes)
	var off [2]units.DB
	for arm := range off {
		a, b := peak(pairs, arm), peak(known, arm)
		off[arm] = units.DBOfRatio(float64(max(a, 1e-12) / max(b, 1e-12)))
		// Three standard deviations of the noise, and half a code.
		doubt := units.Volts(3*math.Sqrt(2/float64(n)))*pairs[0].Sigma[arm] + s.capture.Traces[arm].VoltsPerCode/2
		if math.Abs(float64(a-b)) > float64(b)*(rangesWithin.Ratio()-1)+float64(doubt) {
			s.wrong("scope", what, fmt.Sprintf("arm %d reads %s dB of what it reads on the range that fits, %g dB allowed", arm+1, signed(float64(off[arm]), 1), float64(rangesWithin)),
				sent, fmt.Sprintf("%s peak in arm %d", a.Brief(), arm+1), "scale")
			return
		}
	}
	s.ok("scope", what, "%d × %d samples, fill %.2g, arms %s and %s dB of the level", len(s.channels()), n, fill, signed(float64(off[0]), 1), signed(float64(off[1]), 1))
}

// timed is a window with the frequency that was seen in it.
type timed struct {
	window drivers.Window
	at     units.Hertz
	off, u units.PPM
	pairs  []phasor.Pair
}

// tryWindows takes a signal with each window: the frequency that is fitted
// tells the sample rate, and the clocks of both instruments.
func (s *session) tryWindows(ctx context.Context) error {
	if s.kind == nothing {
		return nil
	}
	for _, w := range s.scope.Abilities().Windows {
		what := "window " + w.Rate.Brief()
		f, ok := s.suited(w)
		if !ok {
			s.skip("scope", what, "no frequency of the generator suits it")
			continue
		}
		pairs, err := s.atRange(ctx, f, w, 4)
		if err == nil {
			_, err = balance.Combine(f, pairs)
			if errors.Is(err, balance.ErrNoArm1) {
				err = nil // arm 2 has the signal
			}
		}
		if (errors.Is(err, phasor.ErrOffFrequency) || errors.Is(err, balance.ErrNoSignal)) && s.tellRate(f, w) {
			continue
		}
		if errors.Is(err, balance.ErrNoSignal) {
			s.wrong("scope", what, "no signal at "+f.Brief(), fmt.Sprintf("RF on at %s and %v", f.Brief(), s.drive),
				fmt.Sprintf("%s and %s rms of something else", pairs[0].Sigma[0].Brief(), pairs[0].Sigma[1].Brief()), "rate")
			continue
		}
		if err != nil {
			s.failed("scope", what, err, "capture")
			continue
		}
		t := timed{window: w, at: f, pairs: pairs}
		said := "too little signal to tell the rate"
		if t.off, t.u = offset(pairs, f); t.u > 0 {
			said = fmt.Sprintf("the signal at %s reads %s ppm off", f.Brief(), signed(float64(t.off), 1))
		}
		s.timed = append(s.timed, t)
		s.ok("scope", what, "%d × %d samples, %s; %s", len(s.channels()), w.Samples, said, s.took(w))
	}
	s.tellClock()
	return nil
}

// took says how long a capture lasts in a window.
func (s *session) took(w drivers.Window) string {
	l := s.lasts[w]
	return fmt.Sprintf("acquired in %s, each channel transferred in %s", brief(l.all-l.reading), brief(l.reading/2))
}

// suited is a frequency that a window holds many cycles of, well below half
// its rate, so that it tells the rate.
func (s *session) suited(w drivers.Window) (units.Hertz, bool) {
	g := s.generator.Abilities()
	p, err := level.New(s.rules([]drivers.Window{w}))
	if err != nil {
		return 0, false
	}
	const part = 20 // of the rate
	f, _, err := p.Place(max(g.MinFrequency, min(w.Rate/part, g.MaxFrequency)))
	return f, err == nil && f <= g.MaxFrequency
}

// offset is the frequency of the captures against the commanded one, with its
// standard uncertainty; 0 where none could be told.
func offset(pairs []phasor.Pair, f units.Hertz) (off, u units.PPM) {
	sum, weight := 0.0, 0.0
	for i := range pairs {
		if v := float64(pairs[i].UFrequency); v > 0 {
			sum += float64(pairs[i].Frequency-f) / (v * v)
			weight += 1 / (v * v)
		}
	}
	if weight == 0 {
		return 0, 0
	}
	return units.PPM(sum / weight / float64(f) * 1e6), units.PPM(1 / math.Sqrt(weight) / float64(f) * 1e6)
}

// tellRate looks for the signal of the last capture where a wrong sample rate
// would put it, and tells it if it is there.
func (s *session) tellRate(f units.Hertz, w drivers.Window) bool {
	peakAt := func(f units.Hertz) float64 {
		pair, err := phasor.Fit(s.records(), s.capture.Rate, f)
		if err != nil {
			return 0
		}
		return max(cmplx.Abs(pair.P[0]), cmplx.Abs(pair.P[1]))
	}
	best, amplitude := 0.0, 0.0
	for _, times := range []float64{1. / 10, 1. / 5, 1. / 4, 2. / 5, 1. / 2, 2, 2.5, 4, 5, 10} {
		if a := peakAt(f * units.Hertz(times)); a > amplitude {
			best, amplitude = times, a
		}
	}
	// Far more than a signal elsewhere leaks, or noise has.
	noise := max(s.noise[s.setting.full][0], s.noise[s.setting.full][1])
	if amplitude < 10*peakAt(f) || amplitude < float64(noise) {
		return false
	}
	at := f * units.Hertz(best)
	s.wrong("scope", "window "+w.Rate.Brief(), fmt.Sprintf("the signal stands at %g times the frequency that was set: the rate is %s", best, (w.Rate/units.Hertz(best)).Brief()),
		fmt.Sprintf("RF on at %s and %v", f.Brief(), s.drive), fmt.Sprintf("%s peak at %s", units.Volts(amplitude).Brief(), at.Brief()), "rate")
	return true
}

// beyondDoubt is how many standard uncertainties a frequency must be off.
const beyondDoubt = 5

// tellClock goes by the window that tells the frequency best, after none was
// found that stands apart from the others.
func (s *session) tellClock() {
	var told []timed
	for _, t := range s.timed {
		if t.u > 0 {
			told = append(told, t)
		}
	}
	if len(told) == 0 {
		s.skip("bench", "clocks", "no window tells the frequency")
		return
	}
	slices.SortFunc(told, func(a, b timed) int { return cmp.Compare(a.off, b.off) })
	middle := told[len(told)/2]
	for _, t := range told {
		if apart := math.Abs(float64(t.off - middle.off)); apart > float64(s.ClockTolerance)+beyondDoubt*math.Hypot(float64(t.u), float64(middle.u)) {
			s.wrong("scope", "clocks", fmt.Sprintf("the rate %s is %.0f ppm off the rate %s: it is another than the dialect says", t.window.Rate.Brief(), apart, middle.window.Rate.Brief()),
				"RF on at "+t.at.Brief(), fmt.Sprintf("%s ppm and %s ppm", signed(float64(t.off), 1), signed(float64(middle.off), 1)), "rate")
			return
		}
	}
	best := slices.MinFunc(told, func(a, b timed) int { return cmp.Compare(a.u, b.u) })
	figure := fmt.Sprintf("the generator is %s ppm ± %.1g ppm against the scope", signed(float64(best.off), 2), uncertainty.Coverage*float64(best.u))
	if math.Abs(float64(best.off)) > float64(s.ClockTolerance)+beyondDoubt*float64(best.u) {
		s.wrong("bench", "clocks", fmt.Sprintf("%s, and the bench allows %v", figure, s.ClockTolerance),
			"RF on at "+best.at.Brief(), signed(float64(best.off), 1)+" ppm", "clock")
		return
	}
	s.ok("bench", "clocks", "%s, of %v allowed", figure, s.ClockTolerance)
}
