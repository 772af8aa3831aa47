package linearity

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// chain is what makes a point: channels with a cubic term, a balun whose ratio
// moves with the drive, and a generator whose level is off alike in both arms.
type chain struct {
	ratio   complex128 // arm 2 over arm 1 as read at small signals
	cubic   [2]float64 // a fundamental is lowered by 3/4 of it times fill²
	ferrite complex128 // added to ln of the ratio at the higher drive
	level   units.DB   // error of the drop
	fill    [2]float64 // at the higher drive
	sigma   float64    // standard uncertainty of the ratio, relative, in each part
	second  [2]float64 // harmonic of each arm; 0 for none
	third   [2]float64
	noise   float64 // of a harmonic
	drive   units.DBm
}

func good() chain {
	return chain{ratio: -1, fill: [2]float64{0.7, 0.7}, sigma: 1e-4, noise: 1e-5, drive: 5}
}

const drop units.DB = 6

func (c chain) point(f units.Hertz, random *rand.Rand) Point {
	p := Point{Frequency: f, Range: [2]units.Volts{0.8, 0.8}}
	level := func(l *Level, down units.DB, ferrite complex128) {
		l.Drive = c.drive - units.DBm(down)
		part := 1.0
		if down > 0 {
			part = (c.level - down).Ratio()
		}
		var gain [2]float64
		for arm := range gain {
			fill := c.fill[arm] * part
			gain[arm] = 1 - 0.75*c.cubic[arm]*fill*fill
			l.Fill[arm] = fill * gain[arm]
			l.Estimate.Amplitude[arm] = units.Volts(l.Fill[arm] * 0.4)
		}
		noise := complex(0, 0)
		if random != nil {
			noise = complex(random.NormFloat64(), random.NormFloat64()) * complex(c.sigma, 0)
		}
		l.Estimate.Frequency, l.Estimate.Captures = f, 4
		l.Estimate.Ratio = c.ratio * complex(gain[1]/gain[0], 0) * cmplx.Exp(ferrite+noise)
		l.Estimate.Cov = uncertainty.Circular(c.sigma * c.sigma).Through(l.Estimate.Ratio)
	}
	level(&p.High, 0, c.ferrite)
	level(&p.Low, drop, 0)
	for arm := range p.Harmonics {
		for k, a := range [2]float64{c.second[arm], c.third[arm]} {
			z := complex(a, 0)
			if random != nil {
				z += complex(random.NormFloat64(), random.NormFloat64()) * complex(c.noise, 0)
			}
			p.Harmonics[arm][k] = Harmonic{Ratio: cmplx.Abs(z), U: c.noise}
		}
	}
	return p
}

// run is so many points of a chain, a tenth of a decade apart.
func (c chain) run(n int, seed uint64) []Point {
	var random *rand.Rand
	if seed > 0 {
		random = rand.New(rand.NewPCG(seed, 1))
	}
	points := make([]Point, n)
	for i := range points {
		points[i] = c.point(units.Hertz(1e6*math.Pow(10, float64(i)/10)), random)
	}
	return points
}

func with(c chain, change func(*chain)) chain { change(&c); return c }

func TestVerdicts(t *testing.T) {
	cable := with(good(), func(c *chain) { c.ratio = cmplx.Rect(1.02, -0.1) })
	cubic := func(c *chain) { c.cubic = [2]float64{0, 0.01} }
	ferrite := func(c *chain) { c.ferrite = 0.004 - 0.003i }
	for name, c := range map[string]struct {
		cable, balun chain
		wantCable    Verdict
		want         Verdict
	}{
		"linear":  {cable, good(), Linear, Linear},
		"scope":   {with(cable, cubic), with(good(), cubic), ScopeNonLinear, ScopeNonLinear},
		"ferrite": {cable, with(good(), ferrite), Linear, BalunNonLinear},
		"both":    {with(cable, cubic), with(with(good(), cubic), ferrite), ScopeNonLinear, BothNonLinear},
		// The generator feeds both arms.
		"generator's level": {with(cable, func(c *chain) { c.level = 0.3 }), with(good(), func(c *chain) { c.level = 0.3 }), Linear, Linear},
		// A smaller fill shows less of the scope: the law of the third order.
		"less fill": {with(cable, cubic), with(with(good(), cubic), func(c *chain) { c.fill = [2]float64{0.55, 0.55} }), ScopeNonLinear, ScopeNonLinear},
		// What both channels do alike matters once the arms differ.
		"alike, arms differ": {with(cable, func(c *chain) { c.cubic = [2]float64{0.01, 0.01} }),
			with(good(), func(c *chain) { c.cubic, c.fill = [2]float64{0.01, 0.01}, [2]float64{0.7, 0.5} }), Linear, Untold},
	} {
		t.Run(name, func(t *testing.T) {
			cables, baluns := c.cable.run(9, 0), c.balun.run(9, 0)
			if r := Cable(cables); r.Verdict != c.wantCable || r.Told != 9 {
				t.Errorf("cable: %q, told %d", r.Verdict, r.Told)
			}
			r := Balun(baluns, cables)
			if r.Verdict != c.want {
				t.Errorf("%q, want %q: %+v", r.Verdict, c.want, r.Steps[0])
			}
			if r.Drop() != drop {
				t.Errorf("drop %v", r.Drop())
			}
		})
	}
}

// What the change is, and what is left of it, to the figure.
func TestFigures(t *testing.T) {
	cubic := func(c *chain) { c.cubic = [2]float64{0, 0.01} }
	ferrite := complex(0.004, -0.003)
	p := with(with(good(), cubic), func(c *chain) { c.ferrite = ferrite }).run(1, 0)
	r := Balun(p, with(with(good(), cubic), func(c *chain) { c.ratio = 1 }).run(1, 0))
	s := r.Steps[0]
	// Arm 2 is lowered by 3/4·0.01·0.49 at the higher fill and by a quarter of
	// it, 6 dB lower; second order in this is 1e-5.
	low := math.Pow(10, -0.6) // 6 dB as a power
	scope := -0.75 * 0.01 * 0.49 * (1 - low)
	near := func(what string, got, want, tolerance float64) {
		t.Helper()
		if math.Abs(got-want) > tolerance {
			t.Errorf("%s: %g, want %g", what, got, want)
		}
	}
	const dB, degrees = 20 / math.Ln10, 180 / math.Pi
	near("scope", float64(s.Scope.Gain), scope*dB, 2e-4)
	near("change", float64(s.Change.Gain), (scope+real(ferrite))*dB, 2e-4)
	near("rest", float64(s.Rest.Gain), real(ferrite)*dB, 2e-4)
	near("rest's phase", float64(s.Rest.Phase), imag(ferrite)*degrees, 1e-9)
	near("its uncertainty", float64(s.Change.UPhase), 2*math.Sqrt2*1e-4*degrees, 1e-9)
	if r.Largest != 0 {
		t.Errorf("largest %d", r.Largest)
	}
}

// A linear chain is called anything else in at most 1 of 20 runs.
func TestFalseAlarm(t *testing.T) {
	const runs, points = 400, 20
	alarms := 0
	for seed := range uint64(runs) {
		cable := good()
		cable.ratio = 1
		r := Balun(good().run(points, 2*seed+1), cable.run(points, 2*seed+2))
		if r.Verdict != Linear {
			alarms++
		}
	}
	// Two tests a step (change, rest) share most of their noise: between one
	// and two times 5 %. 400 runs at 10 % have a standard deviation of 6.
	if alarms > 58 {
		t.Errorf("%d of %d", alarms, runs)
	}
}

// No order of arms, no common factor of the ratio and no common error of level
// changes a verdict.
func TestVerdictsDependOnNothingElse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string, lo, hi float64) float64 { return rapid.Float64Range(lo, hi).Draw(t, name) }
		c := good()
		c.cubic = [2]float64{draw("cubic 1", 0, 0.02), draw("cubic 2", 0, 0.02)}
		c.ferrite = complex(draw("re", -0.01, 0.01), draw("im", -0.01, 0.01))
		cable := c
		cable.ratio, cable.ferrite = 1, 0
		want := Balun(c.run(3, 0), cable.run(3, 0))

		factor := cmplx.Rect(draw("abs", 0.5, 2), draw("arg", -3, 3))
		other, otherCable := c, cable
		other.ratio *= factor
		otherCable.ratio *= factor
		got := Balun(other.run(3, 0), otherCable.run(3, 0))
		if got.Verdict != want.Verdict {
			t.Fatalf("%q and %q", got.Verdict, want.Verdict)
		}
		if d := got.Steps[0].Rest.z - want.Steps[0].Rest.z; cmplx.Abs(d) > 1e-12 {
			t.Fatalf("rest moves by %v", d)
		}
	})
}

func TestUntold(t *testing.T) {
	cable := good()
	cable.ratio = 1
	ferrite := with(good(), func(c *chain) { c.ferrite = 0.01 })
	one := func(change func(*Point), c chain) []Point {
		p := c.run(1, 0)
		change(&p[0])
		return p
	}
	for name, c := range map[string]struct {
		balun, cable []Point
		want         Verdict
	}{
		"no calibration":           {ferrite.run(1, 0), nil, Untold},
		"none, and nothing to see": {good().run(1, 0), nil, Linear},
		"calibrated too far away":  {ferrite.run(1, 0), one(func(p *Point) { p.Frequency = 1.2e6 }, cable), Untold},
		"calibrated on another":    {ferrite.run(1, 0), one(func(p *Point) { p.Range[1] = 1.6 }, cable), Untold},
		"calibrated once":          {ferrite.run(1, 0), one(func(p *Point) { p.Low = Level{} }, cable), Untold},
		"calibrated in noise":      {ferrite.run(1, 0), with(cable, func(c *chain) { c.sigma = 0.01 }).run(1, 0), Untold},
		"no lower level":           {one(func(p *Point) { p.Low = Level{Remark: "clipped"} }, good()), cable.run(1, 0), Untold},
		"no higher level":          {one(func(p *Point) { p.High.Remark = "no signal" }, good()), cable.run(1, 0), Untold},
		"lost in noise":            {with(good(), func(c *chain) { c.sigma = 1 }).run(1, 0), cable.run(1, 0), Untold},
		"not a number":             {one(func(p *Point) { p.Low.Estimate.Ratio = cmplx.NaN() }, good()), cable.run(1, 0), Untold},
		"nothing asked for":        {nil, cable.run(1, 0), NotTaken},
	} {
		r := Balun(c.balun, c.cable)
		if r.Verdict != c.want {
			t.Errorf("%s: %q, want %q", name, r.Verdict, c.want)
		}
		for _, s := range r.Steps {
			if s.Verdict == Untold && s.Why == "" {
				t.Errorf("%s: no reason", name)
			}
		}
	}
}

func TestDistortionSources(t *testing.T) {
	both := func(a float64) func(*chain) { return func(c *chain) { c.second = [2]float64{a, a} } }
	one := func(a float64) func(*chain) { return func(c *chain) { c.second = [2]float64{1e-5, a} } }
	none := func(*chain) {}
	for name, c := range map[string]struct {
		cable, balun         func(*chain)
		wantCable, wantBalun Source
	}{
		"nothing":          {none, none, NothingSeen, NothingSeen},
		"generator":        {both(1e-2), both(1e-2), FromGeneratorOrScope, FromGeneratorOrScope},
		"one channel":      {one(1e-2), one(1e-2), FromScope, FromScope},
		"balun":            {none, both(1e-3), NothingSeen, FromBalun},
		"balun's one arm":  {none, one(1e-3), NothingSeen, FromBalun},
		"balun adds to it": {both(1e-3), both(5e-3), FromGeneratorOrScope, FromBalun},
		// Louder by 2 dB, the generator may distort more by 2 dB.
		"more drive": {both(1e-2), func(c *chain) { both(1.25e-2)(c); c.drive += 2 }, FromGeneratorOrScope, FromGeneratorOrScope},
		// At more fill so does the scope.
		"more fill": {one(1e-2), func(c *chain) { one(1.25e-2)(c); c.fill = [2]float64{0.88, 0.88} }, FromScope, FromScope},
	} {
		t.Run(name, func(t *testing.T) {
			cable, balun := good(), good()
			cable.ratio = 1
			c.cable(&cable)
			c.balun(&balun)
			cables := cable.run(3, 0)
			r := Cable(cables)
			if got := r.Worst[0].Source; got != c.wantCable {
				t.Errorf("cable: %q, want %q", got, c.wantCable)
			}
			r = Balun(balun.run(3, 0), cables)
			if got := r.Worst[0].Source; got != c.wantBalun {
				t.Errorf("balun: %q, want %q: %+v", got, c.wantBalun, r.Worst[0])
			}
			if r.Worst[1].Source != NothingSeen {
				t.Errorf("third: %+v", r.Worst[1])
			}
		})
	}
	if r := Balun(with(good(), both(1e-3)).run(1, 0), nil); r.Worst[0].Source != Unknown {
		t.Errorf("without a calibration: %q", r.Worst[0].Source)
	}
	p := good().run(1, 0)
	p[0].Harmonics = Harmonics{}
	if r := Cable(p); r.Worst[0].At != -1 || r.Steps[0].Distortion[0].Source != NoSource {
		t.Errorf("not determinable: %+v", r.Worst)
	}
}

// A linear balun that passes little of the fundamental at one end of the band
// lets the generator's harmonic stand out there: that is no distortion of its own.
func TestABalunThatPassesLessOfTheFundamental(t *testing.T) {
	cable := with(good(), func(c *chain) { c.ratio = 1; c.second = [2]float64{1e-3, 1e-3} })
	cables := cable.run(2, 0)
	balun := with(good(), func(c *chain) { c.second = [2]float64{1e-3, 1e-3} })
	points := balun.run(2, 0)
	weak := with(balun, func(c *chain) { c.fill[1], c.second[1] = 0.07, 1e-2 })
	points[0] = weak.point(points[0].Frequency, nil)
	if r := Balun(points, cables); r.Steps[0].Distortion[0].Source == FromBalun {
		t.Errorf("%+v", r.Steps[0].Distortion[0])
	}
}

// Noise alone is seen once in 10 000 times (Rayleigh).
func TestHarmonicsInNoise(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	const n = 200_000
	seen := 0
	for range n {
		h := Harmonic{Ratio: math.Hypot(random.NormFloat64(), random.NormFloat64()), U: 1}
		if h.Seen() {
			seen++
		}
	}
	if seen > 40 || seen < 5 { // 20 ± 4.5
		t.Errorf("%d of %d", seen, n)
	}
	h := Harmonic{Ratio: 1e-2, U: 5e-4}
	if below, u := h.Below(); math.Abs(float64(below)-40) > 1e-9 || math.Abs(float64(u)-0.8686) > 1e-3 {
		t.Errorf("%v ± %v", below, u)
	}
	if got := h.AtLeast(); math.Abs(float64(got)-39.172) > 1e-3 {
		t.Errorf("at least %v", got)
	}
	if (Harmonic{}).Determinable() || (Harmonic{}).Seen() {
		t.Error("nothing is determinable")
	}
}

// A sine rounded to codes has a fundamental that is off by a few of the stated
// standard uncertainties at its worst over a code, and not by less than one.
func TestRounding(t *testing.T) {
	for _, sigma := range []float64{0, 0.2} {
		for _, a := range []float64{5, 20, 90} {
			worst, stated := 0.0, 0.0
			for i := range 41 {
				amplitude := a + float64(i)/40
				stated = math.Max(stated, math.Sqrt(rounding(units.Volts(amplitude), units.Volts(math.Hypot(sigma, 1/math.Sqrt(12))), 1)))
				// E[round(x + noise)] by its Fourier series is what the formula
				// starts from; here it is by summing the normal distribution.
				const n = 4000
				sum := 0.0
				for k := range n {
					phase := 2 * math.Pi * (float64(k) + 0.5) / n
					sum += meanRounded(amplitude*math.Sin(phase), sigma) * math.Sin(phase)
				}
				worst = math.Max(worst, math.Abs(2*sum/n/amplitude-1))
			}
			if worst > 2.5*stated || worst < stated {
				t.Errorf("σ %g, amplitude %g: off by up to %.3g, stated %.3g", sigma, a, worst, stated)
			}
		}
	}
}

// meanRounded is the mean of x with normal noise after rounding.
func meanRounded(x, sigma float64) float64 {
	if sigma == 0 {
		return math.Floor(x + 0.5)
	}
	m := math.Floor(x + 0.5)
	mean := m - 3
	for k := -3.0; k < 3; k++ { // how far above each of the next edges
		mean += math.Erfc((m+k+0.5-x)/sigma/math.Sqrt2) / 2
	}
	return mean
}

func BenchmarkBalun1000(b *testing.B) {
	cable := good()
	cable.ratio = 1
	points, cables := good().run(1000, 1), cable.run(1000, 2)
	for i := range points {
		f := units.Hertz(1e6 + 1e5*float64(i))
		points[i].Frequency, cables[i].Frequency = f, f
	}
	b.ReportAllocs()
	for b.Loop() {
		if r := Balun(points, cables); len(r.Steps) != 1000 {
			b.Fatal(len(r.Steps))
		}
	}
}
