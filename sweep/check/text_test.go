package check

import (
	"bytes"
	"encoding/json"
	"math"
	"strings"
	"testing"

	"halfturn/units"
)

func TestSigned(t *testing.T) {
	for _, c := range []struct {
		v        float64
		decimals int
		want     string
	}{{0.04, 1, "0.0"}, {-0.04, 1, "0.0"}, {0.06, 1, "+0.1"}, {-0.06, 1, "-0.1"}, {-0.4, 0, "0"}, {180, 0, "+180"}, {-10, 0, "-10"}} {
		if got := signed(c.v, c.decimals); got != c.want {
			t.Errorf("%g: %q, want %q", c.v, got, c.want)
		}
	}
}

func TestSpreadKeepsBothEnds(t *testing.T) {
	for n := 1; n < 30; n++ {
		values := make([]int, n)
		for i := range values {
			values[i] = i
		}
		some := spread(values, 5)
		if some[0] != 0 || some[len(some)-1] != n-1 || len(some) != min(n, 5) {
			t.Errorf("%d: %v", n, some)
		}
	}
}

// Figures without a bound have no place in JSON, and are written as null.
func TestBoundlessFigures(t *testing.T) {
	inf := units.DB(math.Inf(1))
	r := &Report{Reach: &Reach{Points: []Point{{Frequency: 1e6, UAmplitudeBalance: inf, Rejection: inf}}}}
	text, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Contains(text, []byte(`"u_amplitude_balance_db":null`)) {
		t.Errorf("%s", text)
	}
	var out bytes.Buffer
	if err := r.Write(&out); err != nil || !strings.Contains(out.String(), "±∞ dB") {
		t.Errorf("%v: %s", err, out.String())
	}
}
