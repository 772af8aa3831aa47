package choke

import (
	"encoding/csv"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"

	"halfturn/analysis/balance"
	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// The netlist testdata/choke-balun.cir.
var (
	netlistLoad  = balance.Load{Resistance: 100, Capacitance: 15e-12, Source: 50}
	netlistModel = Model{L: 24e-6, R: 2200, C: 0.9e-12}
)

// impedance is jωL ∥ R ∥ 1/(jωC), written another way than Model.Impedance.
func impedance(m Model, f units.Hertz) complex128 {
	jw := complex(0, 2*math.Pi*float64(f))
	lr := jw * complex(float64(m.L), 0) * complex(float64(m.R), 0) / (jw*complex(float64(m.L), 0) + complex(float64(m.R), 0))
	return lr / (1 + jw*complex(float64(m.C), 0)*lr)
}

// ratioOf is formula 7, Z_c to r.
func ratioOf(z complex128, f units.Hertz, load balance.Load) complex128 {
	return -z / (z + load.Impedance(f))
}

// grid is a logarithmic one.
func grid(from, to units.Hertz, perDecade int) []units.Hertz {
	n := int(math.Round(math.Log10(float64(to/from)) * float64(perDecade)))
	f := make([]units.Hertz, n+1)
	for i := range f {
		f[i] = from * units.Hertz(math.Pow(float64(to/from), float64(i)/float64(n)))
	}
	return f
}

// measure is a sweep of n times the model, with errors of covariance cov(f);
// without a random source the errors are 0.
func measure(rng *rand.Rand, frequencies []units.Hertz, m Model, n float64, load balance.Load, cov func(units.Hertz) uncertainty.Cov) []balance.Result {
	results := make([]balance.Result, len(frequencies))
	for i, f := range frequencies {
		results[i] = balance.Result{Frequency: f, Ratio: ratioOf(complex(n, 0)*impedance(m, f), f, load), Cov: cov(f)}
		if rng != nil {
			results[i].Ratio += draw(rng, results[i].Cov)
		}
	}
	return results
}

func circular(u float64) func(units.Hertz) uncertainty.Cov {
	return func(units.Hertz) uncertainty.Cov { return uncertainty.Circular(u * u) }
}

// oblique is a covariance with unlike axes that turn with frequency.
func oblique(u float64) func(units.Hertz) uncertainty.Cov {
	return func(f units.Hertz) uncertainty.Cov {
		turn := cmplx.Rect(u, math.Log(float64(f)))
		return uncertainty.Line(turn).Add(uncertainty.Line(turn * 0.3i))
	}
}

// draw is a normal error of the covariance (Cholesky).
func draw(rng *rand.Rand, c uncertainty.Cov) complex128 {
	a, b := rng.NormFloat64(), rng.NormFloat64()
	if c.RR == 0 {
		return complex(0, math.Sqrt(c.II)*b)
	}
	l := math.Sqrt(c.RR)
	return complex(l*a, c.RI/l*a+math.Sqrt(max(0, c.II-c.RI*c.RI/c.RR))*b)
}

// netlistTable reads testdata/choke-balun-ngspice.csv: AC analysis by ngspice
// 39 of choke-balun.cir. The ratios have the ten digits of the table and no
// stated uncertainty.
func netlistTable(t testing.TB) []balance.Result {
	file, err := os.Open("../../testdata/choke-balun-ngspice.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	rows, err := csv.NewReader(file).ReadAll()
	if err != nil || len(rows) != 34 {
		t.Fatal(len(rows), err)
	}
	var results []balance.Result
	for _, row := range rows[1:] {
		var v [7]float64
		for i := range v {
			if v[i], err = strconv.ParseFloat(row[i], 64); err != nil {
				t.Fatal(err)
			}
		}
		results = append(results, balance.Result{
			Frequency: units.Hertz(v[0]),
			Ratio:     complex(v[5], v[6]) / complex(v[3], v[4]),
		})
	}
	return results
}

func relative(got, want float64) float64 { return math.Abs(got/want - 1) }

// coverage checks the share of hits among the trials.
func coverage(t *testing.T, what string, hits, trials int, least, most float64) {
	t.Helper()
	if share := float64(hits) / float64(trials); share < least || share > most {
		t.Errorf("%s: the truth is inside in %.2f %% of %d trials, want %.1f to %.1f", what, 100*share, trials, 100*least, 100*most)
	}
}
