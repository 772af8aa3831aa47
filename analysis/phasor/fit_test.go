package phasor

import (
	"errors"
	"math"
	"strings"
	"testing"

	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	"halfturn/units"
)

// direct is the textbook fit: QR of all columns, one row a sample, with the
// given frequencies; columns [1 cos sin cos sin …].
func direct(codes []int16, nu ...float64) (x []float64, residual float64, gram *mat.Dense) {
	a := mat.NewDense(len(codes), 1+2*len(nu), nil)
	y := mat.NewVecDense(len(codes), nil)
	for k, code := range codes {
		a.Set(k, 0, 1)
		for i, v := range nu {
			s, c := sincosTurns(v * float64(k))
			a.Set(k, 1+2*i, c)
			a.Set(k, 2+2*i, s)
		}
		y.SetVec(k, float64(code))
	}
	var qr mat.QR
	qr.Factorize(a)
	var solved mat.VecDense
	if err := qr.SolveVecTo(&solved, false, y); err != nil {
		panic(err)
	}
	var r mat.VecDense
	r.MulVec(a, &solved)
	r.SubVec(y, &r)
	gram = new(mat.Dense)
	gram.Mul(a.T(), a)
	return solved.RawVector().Data, mat.Dot(&r, &r), gram
}

// scene draws a capture whose frequency can be fitted.
type scene struct {
	records [2]Record
	rate, f units.Hertz
	p       [2]complex128
}

func drawScene(t *rapid.T) scene {
	n := rapid.IntRange(20, 700).Draw(t, "samples")
	rate := units.Hertz(rapid.Float64Range(1e6, 1e9).Draw(t, "rate"))
	f := rate * units.Hertz(rapid.Float64Range(0.001, 3.5).Draw(t, "cycles per sample"))
	if Condition(rate, n, f) > MaxCondition {
		t.Skip("degenerate")
	}
	r := newNoise(rapid.Uint64().Draw(t, "seed"))
	amplitude := rapid.Float64Range(3, 20000).Draw(t, "amplitude")
	p := [2]complex128{r.phase() * complex(amplitude, 0), r.phase() * complex(0.7*amplitude, 0)}
	offset := rapid.Float64Range(-10000, 10000).Draw(t, "offset")
	sigma := rapid.Float64Range(0.3, 300).Draw(t, "sigma")
	s := scene{rate: rate, f: f, p: p}
	s.records = captureOf(r, n, rate, f, p, [2]float64{sigma, 2 * sigma}, 1, offset)
	for arm := range s.records {
		s.records[arm].VoltsPerCode = 0.001
		s.records[arm].Zero = 3.5
	}
	return s
}

func mustFit(t *rapid.T, s *scene) Pair {
	p, err := Fit(&s.records, s.rate, s.f)
	if errors.Is(err, ErrClipped) {
		t.Skip("clipped")
	}
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// within fails where got is farther from want than the given distance.
func within(t *rapid.T, what string, got, want complex128, distance float64) {
	if d := abs(got - want); !(d <= distance) {
		t.Fatalf("%s = %v, want %v: %.3g off, at most %.3g", what, got, want, d, distance)
	}
}

// Fit is what gonum's QR gives for the whole matrix: phasor, offset, residual
// computed sample by sample, and σ²(XᵀX)⁻¹.
func TestFitIsLeastSquares(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawScene(t)
		p := mustFit(t, &s)
		for arm := range p.P {
			x, residual, gram := direct(s.records[arm].Codes, alias(s.rate, s.f))
			n := float64(p.N)
			size := math.Hypot(math.Hypot(x[1], x[2]), x[0]) + math.Sqrt(residual/n)
			within(t, "phasor, codes", p.P[arm]/0.001, complex(x[1], -x[2]), 1e-10*size)
			within(t, "offset, codes", complex(float64(p.Offset[arm])/0.001+3.5, 0), complex(x[0], 0), 1e-10*size)

			variance := residual / (n - 3)
			got := math.Pow(float64(p.Sigma[arm])/0.001, 2)
			// Σy² less the fit loses some 1e-15 of Σy².
			within(t, "variance, codes²", complex(got, 0), complex(max(variance, quantumVariance), 0), 1e-9*variance+1e-13*size*size)

			var inverse mat.Dense
			if err := inverse.Inverse(gram); err != nil {
				t.Fatal(err)
			}
			more := quantisation(abs(p.P[arm])/0.001, got, alias(s.rate, s.f), p.N)
			c := p.Cov[arm]
			within(t, "Cov RR", complex(c.RR*1e6, 0), complex(got*inverse.At(1, 1)+more, 0), 1e-8*c.RR*1e6)
			within(t, "Cov II", complex(c.II*1e6, 0), complex(got*inverse.At(2, 2)+more, 0), 1e-8*c.II*1e6)
			within(t, "Cov RI", complex(c.RI*1e6, 0), complex(-got*inverse.At(1, 2), 0), 1e-8*(c.RR+c.II)*1e6)
		}
	})
}

// Condition is that of the matrix itself, by gonum's singular values.
func TestConditionOfTheMatrix(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(3, 300).Draw(t, "samples")
		cycles := rapid.Float64Range(0.05, 2.5*float64(n)).Draw(t, "cycles")
		f := cycles / float64(n)
		a := mat.NewDense(n, 3, nil)
		for k := range n {
			s, c := sincosTurns(f * float64(k))
			a.Set(k, 0, c*math.Sqrt2)
			a.Set(k, 1, s*math.Sqrt2)
			a.Set(k, 2, 1)
		}
		var svd mat.SVD
		if !svd.Factorize(a, mat.SVDNone) {
			t.Fatal("no singular values")
		}
		want := svd.Cond()
		got := Condition(1, n, units.Hertz(f))
		if want > 1e4 { // rounding
			if got < 5e3 {
				t.Fatalf("condition %v, want %v", got, want)
			}
			return
		}
		if math.Abs(got/want-1) > 1e-6 {
			t.Fatalf("condition %v, want %v", got, want)
		}
	})
}

func TestConditionAtPlaces(t *testing.T) {
	inf := math.Inf(1)
	for _, c := range []struct {
		name     string
		n        int
		f        float64
		from, to float64
	}{
		{"whole cycles", 1000, 37.0 / 1000, 1, 1 + 1e-9},
		{"whole cycles, above the sample rate", 1000, 3 + 37.0/1000, 1, 1 + 1e-9},
		{"half the sample rate", 1000, 0.5, inf, inf},
		{"half the sample rate, odd record", 1001, 1.5, inf, inf},
		{"the sample rate", 1000, 1, inf, inf},
		{"half a cycle", 1000, 0.5 / 1000, 4, 5}, // √(1.9/0.1)
		{"a quarter cycle", 1000, 0.25 / 1000, 15, 30},
		{"a quarter cycle from half the sample rate", 1000, 0.5 - 0.25/1000, 2, 2.3},
		{"nothing", 0, 0.1, inf, inf},
		{"negative", 100, -0.1, inf, inf},
		{"not a number", 100, math.NaN(), inf, inf},
		{"infinite", 100, inf, inf, inf},
	} {
		if got := Condition(1, c.n, units.Hertz(c.f)); !(got >= c.from && got <= c.to) {
			t.Errorf("%s: %v, want %v to %v", c.name, got, c.from, c.to)
		}
	}
	if got := Condition(0, 100, 0.1); !math.IsInf(got, 1) {
		t.Errorf("no sample rate: %v", got)
	}
}

// The symmetries of a linear fit at a known frequency.
func TestFitSymmetries(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawScene(t)
		p := mustFit(t, &s)
		size := float64(p.PeakToPeak[0]+p.PeakToPeak[1]) + math.Abs(float64(p.Offset[0]))

		// Volts per code scale everything, a negative one turns the phasor.
		scaled := s
		for arm := range scaled.records {
			scaled.records[arm].VoltsPerCode *= -2
		}
		q := mustFit(t, &scaled)
		for arm := range p.P {
			within(t, "scaled phasor", q.P[arm], -2*p.P[arm], 1e-14*size)
			within(t, "scaled sigma", complex(float64(q.Sigma[arm]), 0), complex(2*float64(p.Sigma[arm]), 0), 1e-14*size)
			within(t, "scaled Cov", complex(q.Cov[arm].RR, q.Cov[arm].RI), complex(4*p.Cov[arm].RR, 4*p.Cov[arm].RI), 1e-12*q.Cov[arm].RR)
		}

		// A common offset of the codes is not in the phasor.
		shifted := s
		for arm := range shifted.records {
			codes := append([]int16(nil), s.records[arm].Codes...)
			for k := range codes {
				codes[k] += 100
			}
			shifted.records[arm].Codes = codes
		}
		q = mustFit(t, &shifted)
		for arm := range p.P {
			within(t, "phasor with offset", q.P[arm], p.P[arm], 1e-11*size)
			within(t, "offset", complex(float64(q.Offset[arm]), 0), complex(float64(p.Offset[arm])+0.1, 0), 1e-11*size)
		}

		// The sum of two records has the sum of their phasors.
		both := s
		sum := make([]int16, p.N)
		for k := range sum {
			sum[k] = s.records[0].Codes[k]/2 + s.records[1].Codes[k]/2
		}
		halves := [2]Record{s.records[0], s.records[0]}
		for arm := range halves {
			codes := make([]int16, p.N)
			for k := range codes {
				codes[k] = s.records[arm].Codes[k] / 2
			}
			halves[arm].Codes = codes
		}
		both.records[0].Codes = sum
		part := scene{records: halves, rate: s.rate, f: s.f}
		q, h := mustFit(t, &both), mustFit(t, &part)
		within(t, "sum", q.P[0], h.P[0]+h.P[1], 1e-11*size)
	})
}

// Starting d samples later turns both phasors by 2πfd, and the arm ratio stays.
func TestStartOfTheRecordTurnsBothArms(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := drawScene(t)
		n := len(s.records[0].Codes)
		d := rapid.IntRange(1, n-leastSamples).Draw(t, "shift")
		clean := captureOf(newNoise(1), n, s.rate, s.f, s.p, [2]float64{}, 1.0/8, 0)
		early, late := scene{clean, s.rate, s.f, s.p}, scene{clean, s.rate, s.f, s.p}
		for arm := range clean {
			early.records[arm].Codes = clean[arm].Codes[:n-d]
			late.records[arm].Codes = clean[arm].Codes[d:]
		}
		if condition(n-d, alias(s.rate, s.f)) > MaxCondition {
			t.Skip("degenerate")
		}
		p, q := mustFit(t, &early), mustFit(t, &late)
		sin, cos := sincosTurns(alias(s.rate, s.f) * float64(d))
		for arm := range p.P {
			// Rounding is all the noise there is: half a step of 1/8 in each
			// sample, and what the columns' condition makes of it.
			within(t, "turned phasor", q.P[arm], p.P[arm]*complex(cos, sin), 2*(0.5/8)*math.Sqrt2*MaxCondition)
			within(t, "phasor", p.P[arm], s.p[arm], (0.5/8)*math.Sqrt2*MaxCondition)
		}
	})
}

// v(t) = Re(P e^{j2πft}): a cosine has a real phasor, a sine -j, and this
// holds above half the sample rate, where the alias runs backwards.
func TestSignConvention(t *testing.T) {
	const n = 1000
	for _, nu := range []float64{0.037, 0.463, 0.537, 0.963, 1.037, 7.463, 7.537} {
		var records [2]Record
		for arm := range records {
			codes := make([]int16, n)
			for k := range codes {
				if sin, cos := math.Sincos(2 * math.Pi * nu * float64(k)); arm == 0 {
					codes[k] = int16(math.Round(1000 * cos))
				} else {
					codes[k] = int16(math.Round(1000 * sin))
				}
			}
			records[arm] = Record{Codes: codes, VoltsPerCode: 1e-3, Low: -2048, High: 2047}
		}
		p, err := Fit(&records, 1e6, units.Hertz(nu*1e6))
		if err != nil {
			t.Fatal(err)
		}
		for arm, want := range [2]complex128{1, -1i} {
			if abs(p.P[arm]-want) > 5e-4 { // rounding to 1/1000
				t.Errorf("%v cycles a sample, arm %d: %v, want %v", nu, arm+1, p.P[arm], want)
			}
		}
		if p.Frequency != units.Hertz(nu*1e6) || p.UFrequency != 0 || p.Slope != [2]complex128{} || p.N != n {
			t.Errorf("%+v", p)
		}
	}
}

// The tail of a record that is no multiple of the block counts as the rest.
func TestEveryLength(t *testing.T) {
	r := newNoise(3)
	for n := leastSamples; n < 3*block; n++ {
		f := units.Hertz(2.2 / float64(n))
		records := captureOf(r, n, 1, f, [2]complex128{100, 50i}, [2]float64{1, 1}, 1, 5)
		p, err := Fit(&records, 1, f)
		if err != nil {
			t.Fatal(n, err)
		}
		x, _, _ := direct(records[1].Codes, float64(f))
		if abs(p.P[1]-complex(x[1], -x[2])) > 1e-10 {
			t.Errorf("%d samples: %v, want %v", n, p.P[1], complex(x[1], -x[2]))
		}
	}
}

func TestBadInput(t *testing.T) {
	const n, rate, f = 1000, 500e6, 31e6
	good := func() *[2]Record {
		r := captureOf(newNoise(7), n, rate, f, [2]complex128{100, -90}, [2]float64{1, 1}, 1, 0)
		for arm := range r {
			r[arm].Low, r[arm].High = -128, 127
		}
		return &r
	}
	change := func(f func(r *[2]Record)) *[2]Record {
		r := good()
		f(r)
		return r
	}
	nan, inf := math.NaN(), math.Inf(1)
	for _, c := range []struct {
		name    string
		records *[2]Record
		rate, f float64
		want    error
		says    string
	}{
		{"no records", nil, rate, f, ErrRecord, "no records"},
		{"empty", &[2]Record{}, rate, f, ErrRecord, "0 samples"},
		{"short", change(func(r *[2]Record) { r[0].Codes, r[1].Codes = r[0].Codes[:7], r[1].Codes[:7] }), rate, f, ErrRecord, "7 samples"},
		{"unequal", change(func(r *[2]Record) { r[1].Codes = r[1].Codes[1:] }), rate, f, ErrRecord, "arm 1 has 1000 samples, arm 2 has 999"},
		{"no rails", change(func(r *[2]Record) { r[1].Low, r[1].High = 0, 0 }), rate, f, ErrRecord, "arm 2: rails"},
		{"no scale", change(func(r *[2]Record) { r[0].VoltsPerCode = 0 }), rate, f, ErrRecord, "arm 1: scaling"},
		{"scale not a number", change(func(r *[2]Record) { r[0].VoltsPerCode = units.Volts(nan) }), rate, f, ErrRecord, "arm 1: scaling"},
		{"zero not a number", change(func(r *[2]Record) { r[0].Zero = nan }), rate, f, ErrRecord, "arm 1: scaling"},
		{"clipped high", change(func(r *[2]Record) { r[1].Codes[17], r[1].Codes[999] = 127, 128 }), rate, f, ErrClipped, "arm 2: 2 of 1000 samples"},
		{"clipped low", change(func(r *[2]Record) { r[0].Codes[0] = -128 }), rate, f, ErrClipped, "arm 1: 1 of 1000 samples"},
		{"frequency zero", good(), rate, 0, ErrDegenerate, "frequency of 0 Hz"},
		{"frequency negative", good(), rate, -f, ErrDegenerate, "frequency of -31 MHz"},
		{"frequency not a number", good(), rate, nan, ErrDegenerate, "frequency"},
		{"frequency infinite", good(), rate, inf, ErrDegenerate, "frequency"},
		{"rate zero", good(), 0, f, ErrDegenerate, "sample rate"},
		{"rate negative", good(), -rate, f, ErrDegenerate, "sample rate"},
		{"rate not a number", good(), nan, f, ErrDegenerate, "sample rate"},
		{"rate infinite", good(), inf, f, ErrDegenerate, "sample rate"},
		{"half the sample rate", good(), rate, rate / 2, ErrDegenerate, "condition of +Inf"},
		{"the sample rate", good(), rate, rate, ErrDegenerate, "condition of +Inf"},
		{"next to half the sample rate", good(), rate, rate/2 + 0.1*rate/n, ErrDegenerate, "condition of 5"},
		{"half a cycle", good(), rate, 0.5 * rate / n, ErrDegenerate, "condition of 4"},
		{"half a cycle of the alias", good(), rate, 3*rate - 0.5*rate/n, ErrDegenerate, "condition of 4"},
		{"a breath", good(), rate, 1e-300, ErrDegenerate, "condition of +Inf"},
	} {
		check := func(p Pair, err error) {
			t.Helper()
			if !errors.Is(err, c.want) || !strings.Contains(err.Error(), c.says) || strings.Contains(err.Error(), "\n") {
				t.Errorf("%s: %v, want %q and %q", c.name, err, c.says, c.want)
			}
			if p != (Pair{}) {
				t.Errorf("%s: a number beside an error: %+v", c.name, p)
			}
		}
		check(Fit(c.records, units.Hertz(c.rate), units.Hertz(c.f)))
		check(FitShared(c.records, units.Hertz(c.rate), units.Hertz(c.f), 50))
		if c.records == nil {
			if _, err := Harmonics(nil, rate, f); !errors.Is(err, ErrRecord) {
				t.Errorf("%s: %v", c.name, err)
			}
			continue
		}
		if h, err := Harmonics(&c.records[1], units.Hertz(c.rate), units.Hertz(c.f)); c.want == ErrDegenerate && (!errors.Is(err, ErrDegenerate) || h[0].Determinable || h[1].Determinable) {
			t.Errorf("%s: harmonics %v, %v", c.name, h, err)
		}
	}
	for _, tolerance := range []units.PPM{-1, units.PPM(nan), units.PPM(inf)} {
		if _, err := FitShared(good(), rate, f, tolerance); err == nil || !strings.Contains(err.Error(), "clock tolerance") {
			t.Errorf("tolerance of %v: %v", tolerance, err)
		}
	}
	if _, err := Fit(good(), rate, f); err != nil {
		t.Errorf("nothing wrong, and yet %v", err)
	}
}

// FuzzFit: records from bytes give a pair of finite numbers or one line of error.
func FuzzFit(f *testing.F) {
	f.Add([]byte{}, 1.0, 0.1, 1.0, int16(-128), int16(127), uint8(1))
	f.Add([]byte("a short record, sixteen samples"), 1e6, 1e5, 0.01, int16(-128), int16(127), uint8(1))
	f.Add([]byte{0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0}, 5e8, 9.1e8, 1e-3, int16(-128), int16(127), uint8(50))
	f.Add([]byte{127, 128, 127, 128, 127, 128, 127, 128, 127, 128, 127, 128, 127, 128, 127, 128, 127, 128}, 2.0, 0.5, 1.0, int16(-300), int16(300), uint8(200))
	f.Fuzz(func(t *testing.T, data []byte, rate, frequency, scale float64, low, high int16, wide uint8) {
		n := len(data) / 2
		var records [2]Record
		for arm := range records {
			codes := make([]int16, n)
			for k := range codes {
				codes[k] = int16(int8(data[arm*n+k])) * int16(wide)
			}
			records[arm] = Record{Codes: codes, VoltsPerCode: units.Volts(scale), Low: low, High: high}
		}
		finite := func(p Pair, err error) {
			if err != nil {
				if err.Error() == "" || strings.Contains(err.Error(), "\n") {
					t.Errorf("not one line: %q", err)
				}
				return
			}
			if math.Abs(scale) > 1e100 || math.Abs(scale) < 1e-100 {
				return // squares of volts leave the range of a float64
			}
			for arm := range p.P {
				for _, v := range []float64{real(p.P[arm]), imag(p.P[arm]), float64(p.Offset[arm]), float64(p.Sigma[arm]), p.Cov[arm].RR, p.Cov[arm].II, p.Cov[arm].RI} {
					if math.IsNaN(v) || math.IsInf(v, 0) {
						t.Fatalf("%+v", p)
					}
				}
				if !(p.Cov[arm].RR > 0 && p.Cov[arm].II > 0) {
					t.Fatalf("no uncertainty: %+v", p)
				}
			}
			if !(p.Condition >= 1-1e-9 && p.Condition <= MaxCondition) {
				t.Fatalf("condition %v", p.Condition)
			}
		}
		finite(Fit(&records, units.Hertz(rate), units.Hertz(frequency)))
		finite(FitShared(&records, units.Hertz(rate), units.Hertz(frequency), 50))
		for arm := range records {
			h, err := Harmonics(&records[arm], units.Hertz(rate), units.Hertz(frequency))
			for _, x := range h {
				if x.Determinable && (err != nil || !(x.U >= 0) || math.IsNaN(float64(x.Amplitude))) {
					t.Fatalf("%+v %v", h, err)
				}
				if !x.Determinable && (x.Amplitude != 0 || x.U != 0) {
					t.Fatalf("a number that is none: %+v", h)
				}
			}
		}
	})
}
