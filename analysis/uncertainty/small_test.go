package uncertainty

import (
	"math"
	"testing"
)

// t of 95.45 % for degrees of freedom ν: JCGM 100:2008, table G.2, to its two
// decimals (values from memory).
func TestFewValues(t *testing.T) {
	for dof, want := range map[float64]float64{
		1: 13.97, 2: 4.53, 3: 3.31, 4: 2.87, 5: 2.65, 6: 2.52, 8: 2.37, 10: 2.28, 20: 2.13, 50: 2.05,
	} {
		if got := FewValues(dof) * Coverage; math.Abs(got-want) > 0.006 {
			t.Errorf("t(%g) = %.3f, want %g", dof, got, want)
		}
	}
	if got := FewValues(1e6); math.Abs(got-1) > 1e-4 {
		t.Errorf("many degrees of freedom: %g, want 1", got)
	}
}

// Upper 5 % points of chi-square over ν: 3.841/1, 5.991/2, 9.488/4, 18.307/10
// (common tables, from memory).
func TestExceeds(t *testing.T) {
	for dof, quantile := range map[float64]float64{1: 3.841, 2: 5.991, 4: 9.488, 10: 18.307} {
		if at := quantile / dof; Exceeds(at*0.999, dof) || !Exceeds(at*1.001, dof) {
			t.Errorf("%g degrees of freedom: not decided at %g", dof, at)
		}
	}
}

func TestScatter(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct{ ratio, dof, want float64 }{
		{0.2, 6, 1},
		{1, 6, 1},
		{1.5, 6, 1.5},
		{10, 6, 10 * math.Pow(FewValues(6), 2)},
		{10, 0, 1}, // one capture does not scatter
		{nan, 6, 1},
	} {
		if got := Scatter(c.ratio, c.dof); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("Scatter(%g, %g) = %g, want %g", c.ratio, c.dof, got, c.want)
		}
	}
}
