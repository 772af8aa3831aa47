package report

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"math"
	"math/cmplx"
	"strconv"
	"strings"
	"testing"

	"halfturn/analysis/uncertainty"
	"halfturn/units"
)

// S21 and S31 are two thirds of the transmissions, their ratio the arm ratio and
// their difference the insertion loss, as in the file without a reference.
func TestTouchstoneWithReference(t *testing.T) {
	in := withReference(split)()
	var out bytes.Buffer
	if err := Touchstone(&out, in); err != nil {
		t.Fatal(err)
	}
	records, comments, err := readTouchstone(&out)
	if err != nil {
		t.Fatal(err)
	}
	if len(records) != len(in.Steps) {
		t.Fatalf("%d records of %d steps", len(records), len(in.Steps))
	}
	for i, r := range records {
		result := &in.Steps[i].Result
		s21, s31 := r.s[1][0], r.s[2][0]
		for arm, s := range [2]complex128{s21, s31} {
			if want := 2 * result.Transmission[arm].Value / 3; cmplx.Abs(s-want) > 1e-11 {
				t.Errorf("%g Hz, arm %d: %v, want %v", r.f, arm+1, s, want)
			}
		}
		if d := cmplx.Abs(s31/s21 - result.Ratio); d > 1e-10 {
			t.Errorf("%g Hz: S31/S21 is off the arm ratio by %g", r.f, d)
		}
		// The synthetic uncertainty of the loss is 8 times the ratio's: see synth.
		want := 4.0 / 3 * math.Pow(10, -float64(result.InsertionLoss)/20)
		if math.Abs(cmplx.Abs(s21-s31)-want) > 1e-10 {
			t.Errorf("%g Hz: |S21 - S31| is %g, want %g", r.f, cmplx.Abs(s21-s31), want)
		}
	}
	text := strings.Join(comments, "\n")
	for _, want := range []string{"phase reference", "relative to the calibration cable", "S21 = (2/3) t_1/K", "A zero here means unknown"} {
		if !strings.Contains(text, want) {
			t.Errorf("the comments do not say %q", want)
		}
	}
	if strings.Contains(text, "written real and positive") {
		t.Error("the phase is said to be unknown")
	}
}

// The delay that was put in comes out, in both arms, within its uncertainty.
func TestDelayOfTheArms(t *testing.T) {
	in := withReference(split)()
	a := in.arms()
	for arm := range a.delay {
		if d := math.Abs(a.delay[arm] - split.delay); d > a.u[arm] || a.u[arm] > [2]float64{50e-12, 300e-12}[arm] { // arm 2 has the choke in its phase
			t.Errorf("arm %d: %g s ± %g s, put in were %g s", arm+1, a.delay[arm], a.u[arm], split.delay)
		}
	}
	// Many turns over the band.
	long := split
	long.delay = 70e-9
	in = withReference(long)()
	if a := in.arms(); math.Abs(a.delay[0]-long.delay) > a.u[0] {
		t.Errorf("%g s ± %g s, put in were %g s", a.delay[0], a.u[0], long.delay)
	}
}

func TestTransmissionInCSVAndJSON(t *testing.T) {
	in := withReference(split)()
	var out bytes.Buffer
	if err := CSV(&out, in); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&out).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	column := map[string]int{}
	for i, name := range rows[0] {
		if _, twice := column[name]; twice {
			t.Errorf("two columns %q", name)
		}
		column[name] = i
	}
	at := func(row int, name string) float64 {
		i, ok := column[name]
		if !ok {
			t.Fatalf("no column %q in %q", name, rows[0])
		}
		v, err := strconv.ParseFloat(rows[row][i], 64)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		return v
	}
	want := in.Steps[7].Result.Transmission[1]
	if got := complex(at(9, "transmission_2_re"), at(9, "transmission_2_im")); got != want.Value {
		t.Errorf("%v, want %v", got, want.Value)
	}
	if at(9, "transmission_2_db") != float64(want.Gain) || at(9, "u_transmission_2_deg") != float64(want.UPhase) || at(9, "reference_range") != 1.6 {
		t.Error("other figures than in the result")
	}
	for name, without := range map[string]Input{"balun": good.input(), "calibration": cable.input()} {
		out.Reset()
		if err := CSV(&out, without); err != nil {
			t.Fatal(err)
		}
		if head, _, _ := strings.Cut(out.String(), "\n"); strings.Contains(head, "transmission") || strings.Contains(head, "reference") {
			t.Errorf("%s without a reference has the columns %s", name, head)
		}
	}

	out.Reset()
	if err := JSON(&out, in); err != nil {
		t.Fatal(err)
	}
	var back struct {
		Transmission struct {
			Channel string     `json:"reference_channel"`
			Delay   [2]float64 `json:"delay_s"`
		}
		Steps []struct {
			Transmission []struct{ Re, Im, DB, Deg float64 }
			Reference    struct {
				Range float64 `json:"range_vpp"`
			}
		}
	}
	if err := json.Unmarshal(out.Bytes(), &back); err != nil {
		t.Fatal(err)
	}
	if got := back.Steps[7].Transmission[1]; complex(got.Re, got.Im) != want.Value || back.Transmission.Channel != "3" || back.Steps[7].Reference.Range != 1.6 {
		t.Errorf("%+v", back.Steps[7])
	}
}

// The budget says why the level has no part.
func TestBudgetSaysThatTheLevelDropsOut(t *testing.T) {
	in := withReference(split)()
	in.Entries = uncertainty.Defaults()
	in.Budgets = []Budget{{Step: 60}}
	in.Budgets[0].Shares.Gain[0] = append(in.Budgets[0].Shares.Gain[0], struct {
		Name     uncertainty.Name
		Standard float64
		Part     float64
	}{uncertainty.Crosstalk, 0.01, 1})
	var out bytes.Buffer
	if err := BudgetText(&out, in, in.Budgets[0]); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Transmission of arm 1 at", "level linearity, level repeatability and attenuator step have no part"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("%q is not in\n%s", want, out.String())
		}
	}
}

func TestCapturesWithReference(t *testing.T) {
	in := withReference(split)()
	in.Steps = in.Steps[:1]
	var out bytes.Buffer
	err := JSONWithCaptures(&out, in, func(int) ([]Capture, error) {
		tr := Trace{Codes: []int16{1, 2}, VoltsPerCode: units.Volts(0.1), Low: -128, High: 127}
		return []Capture{{Rate: 1e6, Traces: [2]Trace{tr, tr}, Reference: tr}}, nil
	})
	if err != nil {
		t.Fatal(err)
	}
	var back struct {
		Steps []struct {
			Captured []struct {
				Traces []struct {
					Arm       int
					Reference bool
				}
			}
		}
	}
	if err := json.Unmarshal(out.Bytes(), &back); err != nil {
		t.Fatal(err)
	}
	if got := back.Steps[0].Captured[0].Traces; len(got) != 3 || got[0].Arm != 1 || got[1].Arm != 2 || !got[2].Reference || got[2].Arm != 0 {
		t.Errorf("%+v", got)
	}
}
