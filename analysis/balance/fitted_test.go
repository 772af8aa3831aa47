package balance

import (
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

func TestFitted(t *testing.T) {
	for _, c := range []struct {
		r    complex128
		u    float64
		want What
	}{
		{1, 0.01, CalibrationCable},
		{cmplx.Rect(0.8, 0.5), 0.01, CalibrationCable},
		{-1, 0.01, Balun},
		{cmplx.Rect(0.7, 2.7), 0.01, Balun},
		{0, 0.01, Unclear},
		{0.1, 0.01, Unclear},
		{cmplx.Rect(0.5, math.Pi/2), 0.01, Unclear},
		{cmplx.Rect(0.2, 2.8), 0.01, Unclear}, // next to no ferrite
		{1, 0.5, Unclear},
		{-1, 0.5, Unclear},
		{cmplx.NaN(), 0.01, Unclear},
		{1, math.NaN(), Unclear},
		{1, math.Inf(1), Unclear},
		{20, 0.01, Unclear}, // arm 1 broken
	} {
		if got := Fitted(c.r, c.u); got != c.want {
			t.Errorf("Fitted(%v, %g) = %q, want %q", c.r, c.u, got, c.want)
		}
	}
}

// readings are the arm ratios of anything seen through a scope.
func readings(s scope, r func(units.Hertz) complex128, u float64, f ...units.Hertz) []Estimate {
	rng := rand.New(rand.NewPCG(1, 2))
	var estimates []Estimate
	for _, f := range f {
		ratio := r(f) * s.channel(1, f) / s.channel(0, f)
		estimates = append(estimates, Estimate{
			Frequency: f,
			Ratio:     ratio + complex(u*rng.NormFloat64(), u*rng.NormFloat64()),
			Cov:       uncertainty.Circular(u * u),
		})
	}
	return estimates
}

func sweep(from, to units.Hertz, n int) []units.Hertz {
	f := make([]units.Hertz, n)
	for i := range f {
		f[i] = from * units.Hertz(math.Pow(float64(to/from), float64(i)/float64(n-1)))
	}
	return f
}

// choke is a balun after design formula 7 with this much ferrite on the netlist's load.
func choke(henries, ohms float64) func(units.Hertz) complex128 {
	return func(f units.Hertz) complex128 {
		zc := 1 / (1/complex(0, 2*math.Pi*float64(f)*henries) + complex(1/ohms, 2*math.Pi*float64(f)*0.9e-12))
		return -zc / (zc + netlistLoad.Impedance(f))
	}
}

func TestCheckKind(t *testing.T) {
	cable := func(units.Hertz) complex128 { return 1 }
	broken := func(f units.Hertz) complex128 { return cmplx.Rect(0.02, float64(f)/20e6) }
	wide := skewed
	wide.skew = 0.7e-9 // turns by 126° at 500 MHz
	resonant := func(f units.Hertz) complex128 {
		if f > 40e6 && f < 50e6 {
			return -1
		}
		return 1
	}
	full := sweep(1e6, 500e6, 40)
	for _, c := range []struct {
		name  string
		scope scope
		r     func(units.Hertz) complex128
		u     float64
		f     []units.Hertz
		want  What
	}{
		{"cable, whole sweep", skewed, cable, 0.01, full, CalibrationCable},
		{"cable, channels skewed by 0.7 ns", wide, cable, 0.01, full, CalibrationCable},
		{"cable, skewed, first three steps", wide, cable, 0.01, full[:3], CalibrationCable},
		{"cable, one step at 30 MHz", wide, cable, 0.01, []units.Hertz{30e6}, CalibrationCable},
		{"cable, one step at 100 MHz", skewed, cable, 0.01, []units.Hertz{100e6}, CalibrationCable},
		{"one step, its uncertainty half of it", scope{poles: skewed.poles}, cable, 0.5, []units.Hertz{30e6}, Unclear},
		{"75° off, nearer to a cable than to a balun", skewed, func(units.Hertz) complex128 { return cmplx.Rect(0.9, 75*math.Pi/180) }, 0.01, full[:3], Unclear},
		{"cable, skewed, upper band only", wide, cable, 0.01, sweep(150e6, 500e6, 12), CalibrationCable},
		{"cable, one odd resonance", skewed, resonant, 0.01, full, CalibrationCable},
		{"cable in heavy noise", skewed, cable, 0.2, full, CalibrationCable},
		{"cable, one step at 500 MHz, skewed by half a turn", scope{poles: skewed.poles, skew: 1e-9}, cable, 0.01, []units.Hertz{500e6}, Unclear},
		{"cable, steps near 500 MHz only", wide, cable, 0.01, []units.Hertz{490e6, 500e6}, Unclear},
		{"balun, whole sweep", skewed, choke(24e-6, 2200), 0.01, full, Balun},
		{"balun, channels skewed by 0.7 ns", wide, choke(24e-6, 2200), 0.01, full, Balun},
		{"balun, first three steps", wide, choke(24e-6, 2200), 0.01, full[:3], Balun},
		{"balun, upper band only", wide, choke(24e-6, 2200), 0.01, sweep(150e6, 500e6, 12), Balun},
		{"balun, too little ferrite, whole sweep", skewed, choke(2e-6, 400), 0.01, full, Balun},
		{"balun, next to no ferrite, first three steps", skewed, choke(1e-6, 400), 0.01, full[:3], Unclear},
		{"broken arm", skewed, broken, 0.005, full, Unclear},
		{"broken arm, first steps", skewed, broken, 0.005, full[:3], Unclear},
		{"nothing but noise", skewed, func(units.Hertz) complex128 { return 0 }, 1, full, Unclear},
		{"no step", skewed, cable, 0.01, nil, Unclear},
	} {
		if got := CheckKind(readings(c.scope, c.r, c.u, c.f...)); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}

// However little ferrite, however broken the arm, and from whichever steps:
// never a calibration cable; and a cable never a balun.
func TestCheckKindNeverTheOther(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for range 300 {
		s := scope{skew: (2*rng.Float64() - 1) * 0.8e-9}
		for i := range s.poles {
			s.poles[i] = [2]float64{(100 + 10*rng.Float64()) * 1e6, (150 + 15*rng.Float64()) * 1e6}
		}
		first := rng.IntN(30)
		f := sweep(1e6, 500e6, 40)[first : first+1+rng.IntN(10)]
		ferrite := choke(math.Pow(10, -7+3*rng.Float64()), math.Pow(10, 1+3*rng.Float64()))
		dead := rng.Float64() * 0.1
		for name, r := range map[string]func(units.Hertz) complex128{
			"ferrite": ferrite,
			"broken":  func(f units.Hertz) complex128 { return complex(dead, 0) },
		} {
			if got := CheckKind(readings(s, r, 0.01, f...)); got == CalibrationCable {
				t.Errorf("%s called a calibration cable at %v to %v with a skew of %g s", name, f[0], f[len(f)-1], s.skew)
			}
		}
		if got := CheckKind(readings(s, func(units.Hertz) complex128 { return 1 }, 0.01, f...)); got == Balun {
			t.Errorf("cable called a balun at %v to %v with a skew of %g s", f[0], f[len(f)-1], s.skew)
		}
	}
}
