package check

import (
	"cmp"
	"math"
	"math/cmplx"
	"slices"
	"time"

	"halfturn/analysis/balance"
	"halfturn/analysis/conformity"
	"halfturn/analysis/uncertainty"
	"halfturn/drivers"
	"halfturn/units"
)

// Reach is what the bench can measure.
type Reach struct {
	// From and To are the frequencies that generator and windows have in common.
	From   units.Hertz
	To     units.Hertz
	Points []Point
	Steps  int // of the configured sweep
	// Sweep is how long that takes, from the times that were seen.
	Sweep units.Seconds
}

// Point is what a balun's result at one frequency would be known to, k = 2.
type Point struct {
	Frequency units.Hertz
	Drive     units.DBm // that the sweep would use
	Range     units.Volts
	Captures  int
	// U is type A, from the noise seen here, together with the bench's budget;
	// Noise is type A alone.
	UAmplitudeBalance     units.DB
	UPhaseBalance         units.Degrees
	NoiseAmplitudeBalance units.DB
	NoisePhaseBalance     units.Degrees
	Rejection             units.DB // the most that can be assured
	// The limits that are configured there; nil where there is none.
	Limits Limited
	// Decides: a balun that is right would pass each of them.
	Decides bool
}

// Limited is the limits at one frequency.
type Limited struct {
	AmplitudeBalance *units.DB
	PhaseBalance     *units.Degrees
	Rejection        *units.DB
}

// tellReach ends the check with what the bench can measure.
func (s *session) tellReach() error {
	if s.kind != cable && s.kind != balun {
		if s.ready() {
			s.skip("bench", "reach", "what the bench can measure is told with the calibration cable or a balun in the fixture")
		}
		return nil
	}
	budget, err := s.Bench.Uncertainty.Budget()
	if err != nil {
		return err
	}
	r := &Reach{Steps: len(s.Plan.Frequencies())}
	r.From, r.To = s.span()
	for i := range s.probes {
		if p, ok := s.point(&s.probes[i], budget); ok {
			r.Points = append(r.Points, p)
		}
	}
	r.Sweep = units.Seconds(s.sweepTime(r.Points).Seconds())
	s.report.Reach = r
	return nil
}

// span is where both generator and scope can be used.
func (s *session) span() (from, to units.Hertz) {
	g := s.generator.Abilities()
	from, to = g.MinFrequency, g.MaxFrequency
	// Upwards by tenths until a window holds it.
	const tenth = 1.1
	for ; from < to; from = min(from*tenth, to) {
		if f, _, err := s.planner.Place(from); err == nil {
			return f, to
		}
	}
	return to, to
}

// point evaluates a perfect balun with the noise that was seen, at the drive
// and on the range that a sweep would take, as package fixture does with a
// calibration. ok is false where nothing was seen or nothing can be told.
func (s *session) point(p *probe, budget uncertainty.Budget) (point Point, ok bool) {
	if p.lost {
		return point, false
	}
	e, planner := &p.estimate, *s.planner
	k := cmplx.Abs(s.Load.TransmissionK(e.Frequency))
	toCable := units.Volts(1)
	if s.kind == balun {
		toCable = units.Volts(1 / k)
	}
	planner.Learn(e.Frequency, s.drive, toCable*max(e.Amplitude[0], e.Amplitude[1]), nil)
	setting := planner.Next(e.Frequency, p.window, nil)
	sigma, known := s.noise[setting.Range]
	if !known {
		return point, false
	}
	point = Point{Frequency: e.Frequency, Drive: setting.Drive, Range: setting.Range}
	limits := s.Limits.At(e.Frequency)
	raise := toCable * units.Volts(units.DB(setting.Drive-s.drive).Ratio())
	evaluate := func(captures int, options ...balance.Option) (balance.Result, bool) {
		cal := balance.Point{Drive: setting.Drive, Range: [2]units.Volts{setting.Range, setting.Range}}
		cal.Estimate = *e
		cal.Sigma, cal.Captures, cal.Samples = sigma, captures, p.window.Samples
		if s.kind == balun {
			cal.Ratio = -cal.Ratio
		}
		relative := 0.0 // variance of ln R and of its phase
		for arm := range cal.Amplitude {
			cal.Amplitude[arm] *= raise
			u := units.Volts(float64(sigma[arm]) * math.Sqrt(2/float64(captures*p.window.Samples)))
			cal.UAmplitude[arm] = u
			relative += float64(u*u) / float64(cal.Amplitude[arm]*cal.Amplitude[arm])
		}
		cal.RAmplitude = 0
		cal.Cov = uncertainty.Circular(relative * real(cal.Ratio*cmplx.Conj(cal.Ratio)))
		dut := cal
		dut.Ratio = -cal.Ratio
		dut.Cov = cal.Cov.Scale(1 / (k * k))
		for arm := range dut.Amplitude {
			dut.Amplitude[arm] *= units.Volts(k)
		}
		result, err := balance.Evaluate(dut, cal, s.Load, options...)
		return result, err == nil
	}
	point.Captures = s.Plan.Captures
	noise, ok := evaluate(point.Captures)
	if !ok {
		return point, false // so noisy that a balun cannot be told from the cable
	}
	if more := s.captures(&noise, limits); more > point.Captures {
		point.Captures = more
		noise, _ = evaluate(more)
	}
	result, ok := evaluate(point.Captures, balance.Budget(budget))
	point.UAmplitudeBalance, point.UPhaseBalance, point.Rejection = result.UAmplitudeBalance, result.UPhaseBalance, result.CommonModeRejectionLow
	point.NoiseAmplitudeBalance, point.NoisePhaseBalance = noise.UAmplitudeBalance, noise.UPhaseBalance
	if e.Frequency >= limits.From && e.Frequency <= limits.To && !limits.None() {
		point.Limits = Limited{limits.AmplitudeBalance, limits.PhaseBalance, limits.CommonModeRejection}
		point.Decides = limits.Decide(result).Verdict == conformity.Pass
	}
	return point, ok
}

// captures is how many bring the noise to the plan's part of the limits.
func (s *session) captures(noise *balance.Result, l conformity.Limits) int {
	need := 0.0
	if l.AmplitudeBalance != nil {
		need = max(need, float64(noise.UAmplitudeBalance / *l.AmplitudeBalance))
	}
	if l.PhaseBalance != nil {
		need = max(need, float64(noise.UPhaseBalance / *l.PhaseBalance))
	}
	need /= s.Plan.Precision
	return max(s.Plan.Captures, min(s.Plan.MaxCaptures, int(math.Ceil(float64(s.Plan.Captures)*min(need*need, 1e6)))))
}

// sweepTime is what the configured sweep takes by the times seen here: for each
// step the settings, settling, the generator's clicks at the drive of the nearest
// probe, and the captures there.
func (s *session) sweepTime(points []Point) time.Duration {
	a := s.generator.Abilities()
	sum := a.AllClicks()
	var before units.Hertz
	was := s.drive
	for _, f := range s.Plan.Frequencies() {
		captures, drive := s.Plan.Captures, s.drive
		if len(points) > 0 {
			near := slices.MinFunc(points, func(a, b Point) int {
				return cmp.Compare(math.Abs(math.Log(float64(a.Frequency/f))), math.Abs(math.Log(float64(b.Frequency/f))))
			})
			captures, drive = near.Captures, near.Drive
		}
		_, w, err := s.planner.Place(f)
		if err != nil {
			continue // the sweep refuses it
		}
		if before > 0 {
			sum += a.Clicks(before, f, was, drive)
		}
		before, was = f, drive
		sum += s.tuned.mean() + s.settling() + time.Duration(captures)*s.capturing(w)
	}
	return sum
}

// capturing is how long a capture takes with a window; the longest seen where
// that one was not tried.
func (s *session) capturing(w drivers.Window) time.Duration {
	if d, ok := s.lasts[w]; ok {
		return d.all
	}
	longest := time.Duration(0)
	for _, d := range s.lasts {
		longest = max(longest, d.all)
	}
	return longest
}
