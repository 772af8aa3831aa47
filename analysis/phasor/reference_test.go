package phasor

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"strconv"
	"testing"

	"halfturn/units"
)

// near fails unless got is within the relative tolerance of want.
func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s = %.14g, want %.14g, relative difference %.2g, at most %.2g", what, got, want, got/want-1, relative)
	}
}

const degree = math.Pi / 180

// ratioOf is the amplitude ratio and the phase in degrees, arm 2 against arm 1.
func ratioOf(p [2]complex128) (ratio, phase float64) {
	r := p[1] / p[0]
	return abs(r), math.Atan2(imag(r), real(r)) / degree
}

// sineFit is testdata/sine-fit-scipy.json: SciPy 1.10.1, scipy.linalg.lstsq
// for three parameters, scipy.optimize.least_squares for seven, on records
// drawn at random.
type sineFit struct {
	Cases []struct {
		Name         string
		FrequencyHz  float64 `json:"frequency_hz"`
		SampleRateHz float64 `json:"sample_rate_hz"`
		Samples      int
		VoltsPerCode float64 `json:"volts_per_code"`
		Arm1         []int16 `json:"codes_arm1"`
		Arm2         []int16 `json:"codes_arm2"`
		Three        struct {
			Amplitude [2]float64 `json:"amplitude_v"`
			Ratio     float64
			Phase     float64    `json:"phase_deg"`
			Offset    [2]float64 `json:"offset_v"`
			Residual  [2]float64 `json:"rms_residual_v"`
		} `json:"three_parameter"`
		Seven struct {
			Frequency float64    `json:"frequency_hz"`
			Amplitude [2]float64 `json:"amplitude_v"`
			Ratio     float64
			Phase     float64 `json:"phase_deg"`
		} `json:"joint_seven_parameter"`
	}
}

func TestSciPySineFits(t *testing.T) {
	text, err := os.ReadFile("../../testdata/sine-fit-scipy.json")
	if err != nil {
		t.Fatal(err)
	}
	var reference sineFit
	if err := json.Unmarshal(text, &reference); err != nil {
		t.Fatal(err)
	}
	if len(reference.Cases) != 5 {
		t.Fatalf("%d cases, want 5", len(reference.Cases))
	}
	for _, c := range reference.Cases {
		t.Run(c.Name, func(t *testing.T) {
			var records [2]Record
			for arm, codes := range [2][]int16{c.Arm1, c.Arm2} {
				records[arm] = Record{Codes: codes, VoltsPerCode: units.Volts(c.VoltsPerCode), Low: -128, High: 127}
			}
			rate, f := units.Hertz(c.SampleRateHz), units.Hertz(c.FrequencyHz)

			p, err := Fit(&records, rate, f)
			if err != nil {
				t.Fatal(err)
			}
			const linear = 1e-9
			for arm := range 2 {
				near(t, "amplitude", abs(p.P[arm]), c.Three.Amplitude[arm], linear)
				near(t, "offset", float64(p.Offset[arm]), c.Three.Offset[arm], linear)
				// The reference divides by N, Sigma by N-3.
				n := float64(c.Samples)
				near(t, "residual", float64(p.Sigma[arm])*math.Sqrt((n-3)/n), c.Three.Residual[arm], linear)
			}
			ratio, phase := ratioOf(p.P)
			near(t, "ratio", ratio, c.Three.Ratio, linear)
			near(t, "phase", phase, c.Three.Phase, linear)

			// SciPy's seven parameters weigh both channels alike; so does
			// this problem when the least variance of both is the same and
			// above their noise, 1.06 codes at most. least_squares stops at a relative change
			// of the cost of some 1e-8 or better, hence the tolerances: a
			// part of the distance that noise makes.
			equal, err := open(&records, rate, f)
			if err != nil {
				t.Fatal(err)
			}
			equal.free = 1
			equal.channels[0].floor, equal.channels[1].floor = 4, 4
			found, ok := equal.refineNear(alias(rate, f), 0)
			if !ok {
				t.Fatal("not settled")
			}
			joint := equal.pair(&found, f+units.Hertz(found.nu[0]-alias(rate, f))*rate)
			near(t, "joint frequency", float64(joint.Frequency), c.Seven.Frequency, 1e-9)
			for arm := range 2 {
				near(t, "joint amplitude", abs(joint.P[arm]), c.Seven.Amplitude[arm], 1e-7)
			}
			ratio, phase = ratioOf(joint.P)
			near(t, "joint ratio", ratio, c.Seven.Ratio, 1e-7)
			near(t, "joint phase", phase, c.Seven.Phase, 1e-7)

			// FitShared weighs each channel by its noise. It may differ by a
			// part of the uncertainty where the noise differs, no more.
			shared, err := FitShared(&records, rate, f, 50)
			if err != nil {
				t.Fatal(err)
			}
			if shared.UFrequency == 0 {
				t.Fatal("the frequency was held")
			}
			if d := math.Abs(float64(shared.Frequency)-c.Seven.Frequency) / float64(shared.UFrequency); d > 0.25 {
				t.Errorf("frequency %.9g, want %.9g within 0.25 uncertainties, not %.3g", float64(shared.Frequency), c.Seven.Frequency, d)
			}
			logAmplitude, turned := shared.RatioVariance()
			ratio, phase = ratioOf(shared.P)
			if d := math.Abs(math.Log(ratio/c.Seven.Ratio)) / math.Sqrt(logAmplitude); d > 0.05 {
				t.Errorf("ratio %.9g, want %.9g: %.3g uncertainties", ratio, c.Seven.Ratio, d)
			}
			if d := math.Abs(phase-c.Seven.Phase) * degree / math.Sqrt(turned); d > 0.05 {
				t.Errorf("phase %.9g, want %.9g: %.3g uncertainties", phase, c.Seven.Phase, d)
			}
		})
	}
}

// NIST Statistical Reference Datasets, Nonlinear Regression, ENSO:
//
//	y = b1 + b2 cos(2πx/12) + b3 sin(2πx/12) + b5 cos(2πx/b4) + b6 sin(2πx/b4) + b8 cos(2πx/b7) + b9 sin(2πx/b7)
//
// certified to 11 digits. It runs through the solver of FitShared, on plain
// numbers, with one channel, three tones and two of their frequencies free.
func TestNISTENSO(t *testing.T) {
	certified := [9]float64{10.510749193, 3.0762128085, 0.53280138227, 44.311088700, -1.6231428586, 0.52554493756, 26.887614440, 0.21232288488, 1.4966870418}
	deviation := [9]float64{0.17488832467, 0.24310052139, 0.24354686618, 0.94408025976, 0.28078369611, 0.48073701119, 0.41612939130, 0.51460022911, 0.25434468893}
	const residual = 788.53978668

	file, err := os.Open("../../testdata/nist-strd-enso.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	rows = rows[1:]
	if len(rows) != 168 {
		t.Fatalf("%d observations, want 168", len(rows))
	}
	p := problem[float64]{n: len(rows), count: 1, tones: 3, free: 2}
	ch := &p.channels[0]
	for i, row := range rows {
		if x, err := strconv.Atoi(row[0]); err != nil || x != i+1 {
			t.Fatalf("row %d has x = %s", i, row[0])
		}
		y, err := strconv.ParseFloat(row[1], 64)
		if err != nil {
			t.Fatal(err)
		}
		ch.y = append(ch.y, y)
		ch.total += y
		ch.squares += y * y
	}
	for _, start := range [][2]float64{{40, 25}, {44, 26}} {
		f, ok := p.at([maxTones]float64{1 / start[0], 1 / start[1], 1.0 / 12})
		if ok {
			f, ok = p.refine(f)
		}
		if !ok {
			t.Fatalf("from periods %v: not settled", start)
		}
		s := &f.channels[0]
		even := f.grid.even.inverse()
		uOffset := s.variance * even[0][0]
		for u := range p.free {
			for v := range p.free {
				uOffset += real(s.p[u]) * f.grid.ksinOn[u][0] * real(s.p[v]) * f.grid.ksinOn[v][0] * f.cov[u][v]
			}
		}
		got, u := [9]float64{s.offset}, [9]float64{math.Sqrt(uOffset)}
		// x = 0 is one sample before the first.
		origin := -float64(p.n-1)/2 - 1
		for tone, b := range [3]int{4, 7, 1} { // where their cosine stands in b1 …, less one
			phasor, cov, slopes := f.phasorAt(0, tone, p.free, origin)
			for i := range p.free {
				for j := range p.free {
					cov.RR += real(slopes[i]) * real(slopes[j]) * f.cov[i][j]
					cov.II += imag(slopes[i]) * imag(slopes[j]) * f.cov[i][j]
				}
			}
			got[b], got[b+1] = real(phasor), -imag(phasor)
			u[b], u[b+1] = math.Sqrt(cov.RR), math.Sqrt(cov.II)
			if tone < p.free {
				period := 1 / f.nu[tone]
				got[b-1] = period
				u[b-1] = math.Sqrt(f.cov[tone][tone]) / (2 * math.Pi) * period * period
			}
		}
		// Gauss-Newton stops where a frequency moves by 1e-8 of its
		// uncertainty, which is up to 2.4 times the parameter (b8).
		for i := range certified {
			near(t, "b"+strconv.Itoa(i+1), got[i], certified[i], 3e-8)
			near(t, "standard deviation of b"+strconv.Itoa(i+1), u[i], deviation[i], 1e-8)
		}
		near(t, "residual sum of squares", s.residual, residual, 1e-10)
		near(t, "residual standard deviation", math.Sqrt(s.variance), math.Sqrt(residual/159), 1e-10)
	}
}
