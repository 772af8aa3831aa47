package balance

import (
	"errors"
	"math"
	"math/cmplx"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// scope is two channels of 100 MHz with two poles each, which differ, and a
// skew between them.
type scope struct {
	poles [2][2]float64 // Hz
	skew  float64       // s
}

var skewed = scope{poles: [2][2]float64{{100e6, 160e6}, {110e6, 150e6}}, skew: 200e-12}

func (s scope) channel(i int, f units.Hertz) complex128 {
	h := complex128(1)
	for _, pole := range s.poles[i] {
		h /= complex(1, float64(f)/pole)
	}
	if i == 1 {
		h *= cmplx.Rect(1, -2*math.Pi*float64(f)*s.skew)
	}
	return h
}

// run is a calibration through the scope on a logarithmic grid.
func (s scope) run(from, to units.Hertz, perDecade int, u float64) []Point {
	var points []Point
	n := int(math.Round(math.Log10(float64(to/from)) * float64(perDecade)))
	for i := 0; i <= n; i++ {
		f := from * units.Hertz(math.Pow(float64(to/from), float64(i)/float64(n)))
		points = append(points, point(f, s.channel(0, f), s.channel(1, f), units.DBm(i%3), u))
	}
	return points
}

func mustCalibrate(t *testing.T, points []Point) *Calibration {
	t.Helper()
	c, err := NewCalibration(points)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func TestCalibrationExact(t *testing.T) {
	points := skewed.run(1e6, 500e6, 12, 1e-3)
	c := mustCalibrate(t, points)
	for _, want := range points {
		got, err := c.At(want.Frequency)
		if err != nil || got != want {
			t.Errorf("%v: %+v, %v; want the step itself", want.Frequency, got, err)
		}
	}
	if from, to := c.Span(); from != points[0].Frequency || to != points[len(points)-1].Frequency {
		t.Errorf("span %v to %v", from, to)
	}
	points[0].Ratio = 7
	if got, _ := c.At(1e6); got.Ratio == 7 {
		t.Error("the calibration changes with the caller's slice")
	}
}

// Interpolated ratio and amplitudes are within the expanded uncertainty of the
// truth at every one of 1000 frequencies, though the steps have none of their
// own; and the largest U is no more than 6 times the largest error.
func TestCalibrationInterpolates(t *testing.T) {
	for _, perDecade := range []int{6, 12, 50} {
		c := mustCalibrate(t, skewed.run(1e6, 500e6, perDecade, 0))
		worst, most := 0.0, 0.0 // error, U
		for i := range 1000 {
			f := 1e6 * units.Hertz(math.Pow(500, (float64(i)+0.5)/1000))
			p, err := c.At(f)
			if err != nil {
				t.Fatal(err)
			}
			truth := skewed.channel(1, f) / skewed.channel(0, f)
			d, relative := cmplx.Log(p.Ratio/truth), p.Cov.Relative(p.Ratio)
			uAlong, uAcross := math.Sqrt(relative.RR), math.Sqrt(relative.II)
			const rounding = 1e-12
			if math.Abs(real(d)) > 2*uAlong+rounding || math.Abs(imag(d)) > 2*uAcross+rounding {
				t.Errorf("%d per decade, %v: off by %.2g and %.2g, u %.2g and %.2g", perDecade, f, real(d), imag(d), uAlong, uAcross)
			}
			worst, most = max(worst, cmplx.Abs(d)), max(most, 2*math.Hypot(uAlong, uAcross))
			for arm := range p.Amplitude {
				want := cmplx.Abs(skewed.channel(arm, f)) * math.Pow(10, float64(p.Drive)/20)
				if off := math.Abs(float64(p.Amplitude[arm]) - want); off > 2*float64(p.UAmplitude[arm])+1e-12 {
					t.Errorf("%d per decade, %v, arm %d: amplitude off by %.2g, u %.2g", perDecade, f, arm+1, off, float64(p.UAmplitude[arm]))
				}
			}
		}
		t.Logf("%d per decade: largest error %.2g, largest U %.2g", perDecade, worst, most)
		if most > 6*worst {
			t.Errorf("%d per decade: U %.2g is far above the largest error %.2g", perDecade, most, worst)
		}
	}
}

// A delay alone is linear in frequency: nothing is lost however coarse the
// grid, and the uncertainty stays between the neighbours'.
func TestCalibrationOfADelay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		skew := rapid.Float64Range(-0.4e-9, 0.4e-9).Draw(t, "skew")
		delay := func(f units.Hertz) complex128 { return cmplx.Rect(0.9, -2*math.Pi*float64(f)*skew) }
		var points []Point
		for i, f := range []units.Hertz{10e6, 100e6, 300e6, 500e6, 1100e6} {
			points = append(points, point(f, 1, delay(f), 0, 1e-3*float64(i+1)))
		}
		c, err := NewCalibration(points)
		if err != nil {
			t.Fatal(err)
		}
		i := rapid.IntRange(0, 2).Draw(t, "interval") // the last one may turn by more than a quarter
		a, b := &points[i], &points[i+1]
		f := a.Frequency + (b.Frequency-a.Frequency)*units.Hertz(rapid.Float64Range(0.01, 0.99).Draw(t, "place"))
		p, err := c.At(f)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmplx.Abs(p.Ratio - delay(f)); d > 1e-9 {
			t.Fatalf("off by %g", d)
		}
		if u := p.Cov.Standard(); u < a.Cov.Standard()*(1-1e-9) || u > b.Cov.Standard()*(1+1e-6) {
			t.Fatalf("u %g, neighbours %g and %g", u, a.Cov.Standard(), b.Cov.Standard())
		}
	})
}

func TestCalibrationOutside(t *testing.T) {
	c := mustCalibrate(t, skewed.run(1e6, 500e6, 12, 1e-3))
	for _, f := range []units.Hertz{0.9e6, 501e6, 0, -1, units.Hertz(math.NaN())} {
		_, err := c.At(f)
		if !errors.Is(err, ErrOutsideCalibration) || !strings.Contains(err.Error(), "1 MHz to 500 MHz") {
			t.Errorf("%v: %v", f, err)
		}
	}
	one := mustCalibrate(t, []Point{point(30e6, 1, 1, 0, 1e-3)})
	if _, err := one.At(30e6); err != nil {
		t.Error(err)
	}
	if _, err := one.At(30.1e6); !errors.Is(err, ErrOutsideCalibration) {
		t.Error(err)
	}
}

func TestCalibrationTooCoarse(t *testing.T) {
	c := mustCalibrate(t, []Point{point(10e6, 1, 1, 0, 1e-3), point(500e6, 1, cmplx.Rect(1, 2), 0, 1e-3)})
	_, err := c.At(200e6)
	if !errors.Is(err, ErrCoarseCalibration) || !strings.Contains(err.Error(), "10 MHz") || !strings.Contains(err.Error(), "500 MHz") {
		t.Error(err)
	}
	if _, err := c.At(500e6); err != nil {
		t.Errorf("at a step itself: %v", err)
	}
}

func TestCalibrationOfTwoSteps(t *testing.T) {
	c := mustCalibrate(t, []Point{point(10e6, 1, 1, 0, 1e-6), point(20e6, 1, 1.1, 0, 1e-6)})
	p, err := c.At(15e6)
	if err != nil {
		t.Fatal(err)
	}
	// The whole difference, times t(1-t).
	if u, want := math.Sqrt(p.Cov.Relative(p.Ratio).RR), math.Log(1.1)/4; math.Abs(u/want-1) > 0.01 {
		t.Errorf("u %g, want %g", u, want)
	}
}

func TestCalibrationRanges(t *testing.T) {
	points := skewed.run(1e6, 100e6, 3, 1e-3)
	for i := range points {
		if i >= 3 {
			points[i].Range = [2]units.Volts{0.5, 0.5}
		}
	}
	c := mustCalibrate(t, points)
	between := func(i int, place units.Hertz) Point {
		a, b := points[i].Frequency, points[i+1].Frequency
		p, err := c.At(a + (b-a)*place)
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	if p := between(1, 0.9); p.RangesDiffer || p.Range != points[2].Range || p.Drive != points[2].Drive {
		t.Errorf("same ranges: %+v", p)
	}
	if p := between(2, 0.4); !p.RangesDiffer || p.Range != points[2].Range {
		t.Errorf("between ranges: %+v", p)
	}
	if p := between(2, 0.6); !p.RangesDiffer || p.Range != points[3].Range || p.Drive != points[3].Drive {
		t.Errorf("between ranges: %+v", p)
	}
}

func TestCalibrationRefuses(t *testing.T) {
	good := func() []Point { return skewed.run(1e6, 100e6, 3, 1e-3) }
	for name, spoil := range map[string]func(p []Point) []Point{
		"none":            func([]Point) []Point { return nil },
		"descending":      func(p []Point) []Point { p[1], p[2] = p[2], p[1]; return p },
		"twice the same":  func(p []Point) []Point { p[2] = p[1]; return p },
		"broken arm":      func(p []Point) []Point { p[3].Ratio, p[3].Cov = 1e-3, uncertainty.Circular(1e-6); return p },
		"ratio of 0":      func(p []Point) []Point { p[3].Ratio, p[3].Cov = 0, uncertainty.Cov{}; return p },
		"no amplitude":    func(p []Point) []Point { p[3].Amplitude[1] = 0; return p },
		"not a number":    func(p []Point) []Point { p[3].Ratio = cmplx.NaN(); return p },
		"negative f":      func(p []Point) []Point { p[0].Frequency = -1; return p },
		"covariance":      func(p []Point) []Point { p[0].Cov.RR = -1; return p },
		"frequency a NaN": func(p []Point) []Point { p[1].Frequency = units.Hertz(math.NaN()); return p },
	} {
		if c, err := NewCalibration(spoil(good())); err == nil || c != nil || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: %v, %v", name, c, err)
		}
	}
}
