package balance

import (
	"testing"

	"halfturn/units"
)

func TestNearest(t *testing.T) {
	var points []Point
	for _, f := range []units.Hertz{10e6, 20e6, 80e6} {
		points = append(points, Point{Estimate: Estimate{Frequency: f, Ratio: 1, Amplitude: [2]units.Volts{1, 1}}})
	}
	c, err := NewCalibration(points)
	if err != nil {
		t.Fatal(err)
	}
	for f, want := range map[units.Hertz]units.Hertz{
		1e6: 10e6, 10e6: 10e6, 14e6: 10e6, 15e6: 20e6, 39e6: 20e6, 41e6: 80e6, 80e6: 80e6, 1e9: 80e6,
	} {
		if got := c.Nearest(f).Frequency; got != want {
			t.Errorf("nearest to %s is %s, want %s", f.Brief(), got.Brief(), want.Brief())
		}
	}
}
