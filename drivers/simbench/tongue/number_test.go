package tongue

import (
	"errors"
	"math"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"halfturn/drivers/simbench/device"
	"halfturn/units"
)

func TestNumber(t *testing.T) {
	for text, want := range map[string]float64{"1": 1, "-3.5": -3.5, "5E8": 5e8, "5.0e+08": 5e8, ".5": .5, "+2.": 2} {
		if got, err := Number(text); got != want || err != nil {
			t.Errorf("%q: %g, %v", text, got, err)
		}
	}
	for text, want := range map[string]error{
		"": device.MissingParameter, "NaN": device.DataTypeError, "Inf": device.DataTypeError, "0x10": device.DataTypeError,
		"1_0": device.DataTypeError, " 1": device.DataTypeError, "1 V": device.DataTypeError,
		"1e999": device.DataOutOfRange, "1..2": device.SyntaxError, "e": device.SyntaxError, "--1": device.SyntaxError,
	} {
		if got, err := Number(text); !errors.Is(err, want) {
			t.Errorf("%q: %g, %v; want %v", text, got, err, want)
		}
	}
	for _, text := range []string{"1.5", "1e10", "-1e10"} {
		if n, err := Whole(text); err == nil {
			t.Errorf("%s is the whole number %d", text, n)
		}
	}
}

// A tenth of a decibel is set as itself by its voltage in few digits, and any
// voltage comes back with its digits.
func TestLevelOf(t *testing.T) {
	for _, c := range []struct {
		digits int
		scale  float64
	}{{4, 1}, {5, 1 / (2 * math.Sqrt2)}} {
		for n := -600; n <= 130; n++ {
			want := units.DBm(float64(n) / 10)
			text := AppendDigits(nil, float64(want.VoltsRMS())/c.scale, c.digits)
			v, err := Number(string(text))
			if err != nil {
				t.Fatal(err)
			}
			if got, err := LevelOf(v, c.scale, c.digits); got != want || err != nil {
				t.Errorf("%s is %v, %v; want %v", text, got, err, want)
			}
		}
		rapid.Check(t, func(t *rapid.T) {
			v := rapid.Float64Range(1e-4, 3).Draw(t, "v")
			want := string(AppendDigits(nil, v, c.digits))
			level, err := LevelOf(v, c.scale, c.digits)
			if err != nil {
				t.Fatal(err)
			}
			if got := string(AppendDigits(nil, float64(level.VoltsRMS())/c.scale, c.digits)); got != want {
				t.Fatalf("%s came back as %s", want, got)
			}
		})
	}
	for _, v := range []float64{0, -1, math.NaN()} {
		if level, err := LevelOf(v, 1, 4); err == nil {
			t.Errorf("%g V is %v", v, level)
		}
	}
}

func TestAppended(t *testing.T) {
	for _, c := range []struct{ got, want string }{
		{string(AppendPlain(nil, Steps(-0.04, 10))), "0"},
		{string(AppendPlain(nil, 0.5/10)), "0.05"},
		{string(AppendFixed(nil, 30, 6)), "30.000000"},
		{string(AppendExponent(nil, 0.05, 4)), "5.0000E-02"},
		{string(AppendDigits(nil, 0.63245553, 4)), "0.6325"},
		{string(AppendDigits(nil, 0.000223606, 4)), "0.0002236"},
		{string(AppendDigits(nil, 999.96, 4)), "1000"},
	} {
		if c.got != c.want {
			t.Errorf("%q, want %q", c.got, c.want)
		}
	}
}

// Whatever is sent, a table yields calls that can be carried out or say why not.
func FuzzTable(f *testing.F) {
	for _, seed := range []string{"A 1;A?", "A", "A? 1", "?", " ", ";;", "A  1", "B", "\x00\xff"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, message string) {
		var v float64
		table := &Table{Between: ";", Commands: map[string]Command{
			"A": Setting(func(x float64) error { v = x; return nil }, func(dst []byte) []byte { return AppendPlain(dst, v) }),
		}}
		n := 0
		for call := range table.Calls(message) {
			n++
			if call.Name == "" || strings.Contains(call.Name, ";") {
				t.Fatalf("name %q", call.Name)
			}
			switch {
			case call.Err != nil && call.Set == nil && call.Query == nil:
			case call.Query != nil && call.Set == nil:
				reply, err := call.Query(nil)
				if err == nil {
					if _, err := strconv.ParseFloat(string(reply), 64); err != nil {
						t.Fatal(err)
					}
				}
			case call.Set != nil:
				_ = call.Set() // any text may be refused
			default:
				t.Fatalf("%q can neither be done nor refused", call.Name)
			}
		}
		if n > strings.Count(message, ";")+1 {
			t.Fatalf("%d commands of %q", n, message)
		}
	})
}
