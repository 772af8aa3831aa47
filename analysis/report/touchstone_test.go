package report

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"halfturn/analysis/conformity"
	"halfturn/units"
)

type threePortRecord struct {
	f float64
	s [3][3]complex128
}

// readTouchstone reads a three-port after the Touchstone File Format
// Specification, rev. 1.1: '!' begins a comment, one option line, then per
// frequency nine pairs in the order of the matrix, three pairs a line, the
// frequency in front of the first, ascending.
func readTouchstone(r io.Reader) (records []threePortRecord, comments []string, err error) {
	scanner := bufio.NewScanner(r)
	option := false
	row := 0
	for scanner.Scan() {
		line, comment, has := strings.Cut(scanner.Text(), "!")
		if has {
			comments = append(comments, strings.TrimSpace(comment))
		}
		for _, c := range scanner.Text() {
			if c > '~' || c < ' ' {
				return nil, nil, fmt.Errorf("not ASCII: %q", scanner.Text())
			}
		}
		fields := strings.Fields(line)
		if len(fields) == 0 {
			continue
		}
		if fields[0] == "#" {
			if option || strings.Join(fields, " ") != "# Hz S RI R 50" {
				return nil, nil, fmt.Errorf("option line %q", line)
			}
			option = true
			continue
		}
		if !option {
			return nil, nil, fmt.Errorf("data before the option line: %q", line)
		}
		var numbers []float64
		for _, f := range fields {
			v, err := strconv.ParseFloat(f, 64)
			if err != nil || !finite(v) {
				return nil, nil, fmt.Errorf("number %q", f)
			}
			numbers = append(numbers, v)
		}
		if row == 0 {
			if n := len(records); n > 0 && numbers[0] <= records[n-1].f {
				return nil, nil, fmt.Errorf("frequency %g does not ascend", numbers[0])
			}
			records = append(records, threePortRecord{f: numbers[0]})
			numbers = numbers[1:]
		}
		if len(numbers) != 6 {
			return nil, nil, fmt.Errorf("%d numbers in row %d", len(numbers), row)
		}
		for i := range 3 {
			records[len(records)-1].s[row][i] = complex(numbers[2*i], numbers[2*i+1])
		}
		row = (row + 1) % 3
	}
	if row != 0 {
		return nil, nil, errors.New("matrix cut off")
	}
	return records, comments, scanner.Err()
}

// transmission is |T| by the relation that the comment lines state, with K of
// a lossless balun at frequency f.
func transmission(in *Input, rec threePortRecord) (T, K float64) {
	l := in.Bench.Load
	zl := 1 / complex(1/float64(l.Resistance), 2*math.Pi*rec.f*float64(l.Capacitance))
	z0 := complex(float64(l.Source), 0)
	K = cmplx.Abs((zl + 2*z0) / (2*zl + z0))
	return K * 0.75 * cmplx.Abs(rec.s[1][0]-rec.s[2][0]), K
}

func TestTouchstoneReadsBack(t *testing.T) {
	for _, y := range []synth{good, failing, noisy, single, free, narrow} {
		in := y.input()
		var b bytes.Buffer
		if err := Touchstone(&b, in); err != nil {
			t.Fatal(err)
		}
		records, comments, err := readTouchstone(&b)
		if err != nil {
			t.Fatal(err)
		}
		i := 0
		for k := range in.Steps {
			s := &in.Steps[k]
			if _, ok := insertionLoss.at(s); !ok {
				continue
			}
			rec := records[i]
			i++
			if rec.f != float64(s.Point.Frequency) {
				t.Fatalf("frequency %g, want %g", rec.f, float64(s.Point.Frequency))
			}
			if r := rec.s[2][0] / rec.s[1][0]; cmplx.Abs(r-s.Result.Ratio) > 1e-10 {
				t.Errorf("at %g Hz r = %v, want %v", rec.f, r, s.Result.Ratio)
			}
			// Insertion loss is -20 log10(|T|/|K|).
			T, K := transmission(&in, rec)
			if loss := -20 * math.Log10(T/K); math.Abs(loss-float64(s.Result.InsertionLoss)) > 1e-9 {
				t.Errorf("at %g Hz insertion loss %g, want %v", rec.f, loss, s.Result.InsertionLoss)
			}
			if rec.s[0][1] != rec.s[1][0] || rec.s[0][2] != rec.s[2][0] {
				t.Error("not reciprocal")
			}
			for _, unknown := range []complex128{rec.s[0][0], rec.s[1][1], rec.s[2][2], rec.s[1][2], rec.s[2][1]} {
				if unknown != 0 {
					t.Error("an unknown is not written as 0")
				}
			}
		}
		if i != len(records) {
			t.Errorf("%d records of %d measured steps", len(records), i)
		}
		text := strings.Join(comments, "\n")
		for _, want := range []string{"50 ohm at every port", "Taken for granted", "written as 0", "Z_L = 100 ohm || 15 pF", "arm 2 over phasor of arm 1"} {
			if !strings.Contains(text, want) {
				t.Errorf("the comments do not say %q", want)
			}
		}
	}
}

// TestTouchstoneOfTheIdeal: by the convention a lossless balanced 1:1 balun
// between 50 Ω and 2 × 50 Ω sees 100 Ω at its input, reflects (100-50)/150 and
// passes the rest: |S21|² + |S31|² = 1 - 1/9 (power conservation).
func TestTouchstoneOfTheIdeal(t *testing.T) {
	s21, s31 := threePort(-1, 0)
	if s21 != 2.0/3 || s31 != -2.0/3 {
		t.Errorf("S21 = %v, S31 = %v", s21, s31)
	}
	if p := cmplx.Abs(s21)*cmplx.Abs(s21) + cmplx.Abs(s31)*cmplx.Abs(s31); math.Abs(p-8.0/9) > 1e-15 {
		t.Errorf("power %v", p)
	}
}

func TestTouchstoneProperty(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := single.input()
		in.Steps[0].Decision = conformity.Decision{}
		first := in.Steps[0]
		in.Steps = nil
		for i := range rapid.IntRange(1, 8).Draw(t, "steps") {
			s := first
			s.Index = i
			s.Point.Frequency = units.Hertz(rapid.Float64Range(1, 1e9).Draw(t, "f"))
			s.Result.Ratio = cmplx.Rect(rapid.Float64Range(0.01, 5).Draw(t, "abs"), rapid.Float64Range(1, 5).Draw(t, "arg"))
			s.Result.InsertionLoss = units.DB(rapid.Float64Range(-1, 60).Draw(t, "loss"))
			in.Steps = append(in.Steps, s)
		}
		var b bytes.Buffer
		if err := Touchstone(&b, in); err != nil {
			t.Fatal(err)
		}
		records, _, err := readTouchstone(&b)
		if err != nil {
			t.Fatal(err)
		}
		for _, rec := range records {
			found := false
			for i := range in.Steps {
				s := &in.Steps[i]
				T, K := transmission(&in, rec)
				found = found || float64(s.Point.Frequency) == rec.f &&
					cmplx.Abs(rec.s[2][0]/rec.s[1][0]-s.Result.Ratio) < 1e-9*cmplx.Abs(s.Result.Ratio) &&
					math.Abs(-20*math.Log10(T/K)-float64(s.Result.InsertionLoss)) < 1e-8
			}
			if !found {
				t.Fatalf("record at %g Hz matches no step", rec.f)
			}
		}
	})
}

func TestTouchstoneRefuses(t *testing.T) {
	for name, in := range map[string]Input{"calibration": cable.input(), "no step": empty.input()} {
		var b bytes.Buffer
		if err := Touchstone(&b, in); !errors.Is(err, ErrNothingToExport) || strings.Contains(err.Error(), "\n") || b.Len() > 0 {
			t.Errorf("%s: %v, %d bytes written", name, err, b.Len())
		}
	}
}
