package dialect

import (
	"math"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"
	"pgregory.net/rapid"

	"halfturn/drivers/scpi"
)

func TestFormatWrites(t *testing.T) {
	for _, c := range []struct {
		f    format
		v    float64
		want string
	}{
		{format{unit: unit{size: 1}, decimals: 3}, 30e6, "30000000.000"},
		{format{unit: unit{size: 1e6}, decimals: 6}, 30e6, "30.000000"},
		{format{unit: unit{size: 1}, decimals: -1}, 2e-9, "0.000000002"},
		{format{unit: unit{size: 1e-9}, decimals: -1}, 2e-9, "2"},
		{format{unit: unit{size: 1e-3}, decimals: -1}, 0.3, "300"},
		{format{unit: unit{size: 1}, decimals: -1, digits: 9}, 2e-9, "2.00000000E-09"},
		{format{unit: unit{size: 1e-3}, decimals: 0}, 0.016, "16"},
		{format{unit: unit{size: 1}, decimals: 1}, -0.04, "0.0"},
		{format{unit: unit{size: 1}, decimals: 1}, -12.3, "-12.3"},
		{format{unit: unit{size: 1}, decimals: -1}, math.Copysign(0, -1), "0"},
		{format{unit: unit{size: 1}, decimals: -1, digits: 3}, math.Copysign(0, -1), "0.00E+00"},
		{count, 10000, "10000"},
	} {
		if got := c.f.write(c.v); got != c.want {
			t.Errorf("%+v: %v is written as %q, want %q", c.f, c.v, got, c.want)
		}
	}
}

// What is written is read back as the same number to within the rounding that
// the checks of a file go by.
func TestFormatRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := format{unit: unit{size: rapid.SampledFrom([]float64{1e9, 1e6, 1e3, 1, 1e-3, 1e-6, 1e-9}).Draw(t, "size")}, decimals: -1}
		switch rapid.SampledFrom([]string{"decimals", "digits", "neither"}).Draw(t, "style") {
		case "decimals":
			f.decimals = rapid.IntRange(0, 12).Draw(t, "decimals")
		case "digits":
			f.digits = rapid.IntRange(1, 15).Draw(t, "digits")
		}
		v := rapid.Float64Range(-1e9, 1e9).Draw(t, "value")
		if math.Abs(v) < 1e-30 { // below any quantity, floats lose digits
			v = math.Copysign(0, v)
		}
		s := f.write(v)
		got, err := f.read(s)
		if err != nil {
			t.Fatalf("%q: %v", s, err)
		}
		if off := math.Abs(got - v); off > f.rounding(v)*(1+1e-9)+1e-14*math.Abs(v) {
			t.Fatalf("%v was written as %q and read as %v", v, s, got)
		}
		if strings.HasPrefix(s, "-") {
			if n, _ := scpi.ParseNumber(s); n == 0 {
				t.Fatalf("%q", s)
			}
		}
	})
}

func TestTolerance(t *testing.T) {
	for _, c := range []struct {
		text, quantity string
		want, ok, not  float64
	}{
		{"1 Hz", qFrequency, 30e6, 30e6 + 1, 30e6 + 1.1},
		{"10 ppm", qFrequency, 1e6, 1e6 - 10, 1e6 - 11},
		{"0.05 dB", qDrive, -3, -3.05, -3.06},
		{"1 %", qRange, 0.4, 0.404, 0.405},
		{"1 mV", qRange, 0.4, 0.399, 0.3985},
		{"0", qSamples, 10000, 10000, 9999},
		{"1 ps", qInterval, 2e-9, 2.001e-9, 2.002e-9},
		{"1 mV", qDivision, 0.05, 0.051, 0.052},
		// 0 dBm is 223.6 mV rms: 1 mV is 0.0388 dB.
		{"1 mV", qDrive, 0, 0.038, 0.0395},
	} {
		d := &document{name: "t", from: map[*yaml.Node]string{}}
		root := d.root("", []byte("within: "+c.text))
		tol := d.tolerance(d.loose(root).at("within"), c.quantity, unit{name: "mVrms", size: 1e-3, level: true})
		if d.err != nil {
			t.Errorf("%q: %v", c.text, d.err)
		}
		if !tol.allows(c.want, c.ok) || tol.allows(c.want, c.not) {
			t.Errorf("%q: %v allowed %v, %v allowed %v", c.text, c.ok, tol.allows(c.want, c.ok), c.not, tol.allows(c.want, c.not))
		}
	}
}
