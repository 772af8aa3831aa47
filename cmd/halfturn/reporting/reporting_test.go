package reporting

import (
	"context"
	"fmt"
	"iter"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"halfturn/analysis/balance"
	"halfturn/analysis/choke"
	"halfturn/analysis/conformity"
	"halfturn/analysis/report"
	"halfturn/analysis/uncertainty"
	"halfturn/drivers"
	"halfturn/sweep"
	"halfturn/sweep/journal"
	"halfturn/units"
)

// shelf is a store without a disk.
type shelf struct {
	runs  []sweep.Run
	steps map[int64][]sweep.Step
}

func (s *shelf) Create(context.Context, *sweep.Run) error { return nil }
func (s *shelf) Update(context.Context, *sweep.Run) error { return nil }
func (s *shelf) Commit(context.Context, int64, *sweep.Step, []drivers.Capture) error {
	return nil
}

func (s *shelf) Run(_ context.Context, id int64) (sweep.Run, error) {
	if id < 1 || id > int64(len(s.runs)) {
		return sweep.Run{}, fmt.Errorf("no run %d", id)
	}
	return s.runs[id-1], nil
}

func (s *shelf) Thinned(context.Context, int64) (*journal.Thinned, error) { return nil, nil }

func (s *shelf) Newest(_ context.Context, kind sweep.Kind, before int64) iter.Seq2[sweep.Run, error] {
	return func(yield func(sweep.Run, error) bool) {
		for _, r := range slices.Backward(s.runs) {
			if r.Kind == kind && r.ID < before && !yield(r, nil) {
				return
			}
		}
	}
}

func (s *shelf) Captures(context.Context, int64, int) ([]drivers.Capture, error) { return nil, nil }

func (s *shelf) Steps(_ context.Context, run int64) iter.Seq2[sweep.Step, error] {
	return func(yield func(sweep.Step, error) bool) {
		for _, step := range s.steps[run] {
			if !yield(step, nil) {
				return
			}
		}
	}
}

var load = balance.Load{Resistance: 100, Capacitance: 15e-12, Source: 50}

// winding as wound of the tests: six sleeves.
var asWound = choke.Model{L: 18e-6, R: 1800, C: 1e-12}

// newShelf holds a calibration and a balun of n steps from 2 MHz to 200 MHz,
// whose arm ratio behind the channels is r.
func newShelf(n int, kind sweep.Kind, r func(units.Hertz) complex128) *shelf {
	s := &shelf{steps: map[int64][]sweep.Step{}}
	amplitude, phase, rejection := units.DB(0.5), units.Degrees(4), units.DB(20)
	plan := sweep.Plan{Segments: []sweep.Segment{{From: 2e6, To: 200e6, Points: n, Spacing: sweep.Logarithmic}}}
	frequencies := plan.Frequencies()
	rng := rand.New(rand.NewPCG(3, 4))
	fixture := func(f units.Hertz) complex128 { return cmplx.Rect(1.01, -2*math.Pi*float64(f)*60e-12) }
	for _, k := range []sweep.Kind{sweep.Calibration, kind} {
		id := int64(len(s.runs) + 1)
		run := sweep.Run{
			ID: id, Kind: k, State: sweep.Done, Started: time.Unix(1e9+id, 0), Finished: time.Unix(1e9+id, 0), Plan: plan,
			Bench:  sweep.Bench{Fixture: "F1", Load: load},
			Limits: conformity.Limits{From: 5e6, To: 100e6, AmplitudeBalance: &amplitude, PhaseBalance: &phase, CommonModeRejection: &rejection},
		}
		ratio := func(units.Hertz) complex128 { return 1 }
		if k != sweep.Calibration {
			run.Calibration, ratio = 1, r
		}
		s.runs = append(s.runs, run)
		for i, f := range frequencies {
			const u = 2e-4
			noise := complex(rng.NormFloat64()*u, rng.NormFloat64()*u)
			read := ratio(f) * fixture(f) * (1 + noise)
			s.steps[id] = append(s.steps[id], sweep.Step{
				Index: i, Drive: 3, Range: [2]units.Volts{1.6, 1.6}, Fill: [2]float64{0.7, 0.7}, Acquisitions: 1,
				Estimate: balance.Estimate{
					Frequency: f, Ratio: read, Cov: uncertainty.Circular(u * u).Through(read),
					Amplitude: [2]units.Volts{0.56, units.Volts(0.56 * cmplx.Abs(read))}, UAmplitude: [2]units.Volts{1e-4, 1e-4},
					Captures: 4, Samples: 10000,
				},
			})
		}
	}
	return s
}

func choked(f units.Hertz) complex128 {
	r, _ := asWound.Ratio(f, load)
	return r
}

func loaded(t testing.TB, s *shelf, run int64, o Options) *report.Input {
	t.Helper()
	in, err := Load(t.Context(), s, &s.runs[run-1], o)
	if err != nil {
		t.Fatal(err)
	}
	return in
}

func TestWindingIsToldFromTheRun(t *testing.T) {
	s := newShelf(60, sweep.Balun, choked)
	s.runs[1].Sleeves = 6
	w := loaded(t, s, 2, Options{}).Winding
	if w == nil || w.Why != "" {
		t.Fatalf("%+v", w)
	}
	if off := math.Abs(float64(w.Model.L - asWound.L)); off > float64(w.Model.UL) {
		t.Errorf("L is %v ± %v, and was %v", w.Model.L, w.Model.UL, asWound.L)
	}
	if w.Sleeves != 6 || w.Need == nil || len(w.Bands) != 9 || len(w.Impedances) != 60 {
		t.Fatalf("%+v", w)
	}
	// What the need says, the band of so many sleeves holds, and one fewer does not.
	for _, b := range w.Bands {
		holds := b.Assured.To > 0 && b.Assured.From <= w.Need.From && b.Assured.To >= w.Need.To
		if holds != (b.Sleeves >= w.Need.Assured) {
			t.Errorf("%d sleeves hold: %v, and %d are needed", b.Sleeves, holds, w.Need.Assured)
		}
	}
	// Nobody said how many: the same in factors.
	s.runs[1].Sleeves = 0
	factors := loaded(t, s, 2, Options{}).Winding
	if got := float64(factors.Need.Assured) / asMeasured; got > float64(w.Need.Assured)/6 || got < float64(w.Need.Assured-1)/6 {
		t.Errorf("the impedance is needed %g times, and %d sleeves of 6", got, w.Need.Assured)
	}
	// An override counts before what is kept.
	if w := loaded(t, s, 2, Options{Sleeves: 3}).Winding; w.Sleeves != 3 {
		t.Errorf("%d sleeves", w.Sleeves)
	}
}

// The band of the winding as it is, is that of the run itself.
func TestBandAsMeasuredIsTheRunsOwn(t *testing.T) {
	s := newShelf(100, sweep.Balun, choked)
	in := loaded(t, s, 2, Options{Sleeves: 6})
	for _, b := range in.Winding.Bands {
		if b.Sleeves != 6 {
			continue
		}
		// Its end lies between the last step that passes and the next.
		if f := float64(b.Assured.From / in.Summary.PassFrom); f > 1 || f < math.Pow(100, -1./99) {
			t.Errorf("the band begins at %v, the run passes from %v", b.Assured.From, in.Summary.PassFrom)
		}
	}
}

func TestSwappedRunTellsTheSameWinding(t *testing.T) {
	s := newShelf(60, sweep.Swapped, func(f units.Hertz) complex128 { return 1 / choked(f) })
	w := loaded(t, s, 2, Options{Sleeves: 6}).Winding
	if w.Why != "" || math.Abs(float64(w.Model.L-asWound.L)) > float64(w.Model.UL) {
		t.Errorf("%s, L %v ± %v", w.Why, w.Model.L, w.Model.UL)
	}
}

func TestWhatIsNoChokeIsSaid(t *testing.T) {
	for what, c := range map[string]struct {
		r    func(units.Hertz) complex128
		says string
	}{
		"exchanged": {func(f units.Hertz) complex128 { return 1 / choked(f) }, "are the arms exchanged?"},
		"ideal":     {func(units.Hertz) complex128 { return -1 }, "do not tell its inductance from infinite"},
		"turning":   {func(f units.Hertz) complex128 { return cmplx.Rect(0.9, math.Pi-1-math.Log(float64(f/2e6))) }, "nothing is told of a choke"},
	} {
		w := loaded(t, newShelf(40, sweep.Balun, c.r), 2, Options{}).Winding
		if !strings.Contains(w.Why, c.says) || strings.Contains(w.Why, "\n") || len(w.Impedances) > 0 {
			t.Errorf("%s: %q", what, w.Why)
		}
	}
}

func TestBudgets(t *testing.T) {
	s := newShelf(40, sweep.Balun, choked)
	in := loaded(t, s, 2, Options{})
	if len(in.Budgets) != len(in.WorstSteps()) || len(in.Entries) == 0 {
		t.Fatalf("%d budgets of %d worst steps", len(in.Budgets), len(in.WorstSteps()))
	}
	// The shares are those of the very uncertainty that is stated (JCGM 100:2008, 5.1.2).
	for _, b := range in.Budgets {
		variance := 0.0
		for _, share := range b.Shares.PhaseBalance {
			variance += share.Standard * share.Standard
		}
		if u, stated := 2*math.Sqrt(variance), float64(in.Steps[b.Step].Result.UPhaseBalance); math.Abs(u/stated-1) > 1e-3 {
			t.Errorf("step %d: the shares make U = %g°, and %g° is stated", b.Step, u, stated)
		}
	}
	in = loaded(t, s, 2, Options{BudgetAt: 50e6, MonteCarlo: &uncertainty.Trials{Seed: 5}})
	b := in.Budgets[len(in.Budgets)-1]
	f := float64(in.Steps[b.Step].Point.Frequency)
	if math.Abs(math.Log(f/50e6)) > math.Log(100)/39 || b.Simulation == nil {
		t.Fatalf("asked for 50 MHz, got %g Hz and %v", f, b.Simulation)
	}
	// First order and Monte Carlo agree where the uncertainties are small: half
	// the 95 % interval against U with k = 2, within the difference of 1.96 to 2
	// and what distributions that are not normal do.
	d, u := b.Simulation.AmplitudeBalance, float64(in.Steps[b.Step].Result.UAmplitudeBalance)
	if half := (d.High - d.Low) / 2; math.Abs(half/u-0.98) > 0.05 {
		t.Errorf("half the interval is %g dB, U is %g dB", half, u)
	}
}

func TestProofAndTheCalibrationBefore(t *testing.T) {
	s := newShelf(40, sweep.Balun, choked)
	in := loaded(t, s, 1, Options{})
	if in.Proof == nil || in.Proof.Why != "" || in.Proof.Earlier != nil || !in.Proof.Limited {
		t.Fatalf("%+v", in.Proof)
	}
	if off := math.Abs(float64(in.Proof.Skew) - 60e-12); off > float64(in.Proof.USkew)+1e-12 {
		t.Errorf("skew %v ± %v, and was 60 ps", in.Proof.Skew, in.Proof.USkew)
	}
	// A later calibration finds the one before it on its fixture, and no other.
	later := s.runs[0]
	later.ID = 3
	s.runs = append(s.runs, later)
	s.steps[3] = s.steps[1]
	if p := loaded(t, s, 3, Options{}).Proof; p.Earlier == nil || p.Earlier.ID != 1 || p.Agreement == nil || p.Agreement.Significant {
		t.Errorf("%+v", p)
	}
	// One that read nothing is passed over.
	empty := s.runs[0]
	empty.ID = 4
	last := s.runs[0]
	last.ID = 5
	s.runs = append(s.runs, empty, last)
	s.steps[5] = s.steps[1]
	if p := loaded(t, s, 5, Options{}).Proof; p.Earlier == nil || p.Earlier.ID != 3 || p.WhyNot != "" {
		t.Errorf("%+v", p)
	}
	s.runs[2].Bench.Fixture = "F2"
	if p := loaded(t, s, 3, Options{}).Proof; p.Earlier != nil {
		t.Error("compared with the calibration of another fixture")
	}
}

func TestBudgetRefusals(t *testing.T) {
	s := newShelf(10, sweep.Balun, choked)
	for run, f := range map[int64]units.Hertz{1: 10e6, 2: 1e9} {
		if _, err := Load(t.Context(), s, &s.runs[run-1], Options{BudgetAt: f}); err == nil || strings.Contains(err.Error(), "\n") {
			t.Errorf("run %d at %v: %v", run, f, err)
		}
	}
}

// Verdict and budget of a run of 1 000 steps, and all that a report has beside them.
func BenchmarkLoad1000(b *testing.B) {
	s := newShelf(1000, sweep.Balun, choked)
	for b.Loop() {
		loaded(b, s, 2, Options{Sleeves: 6})
	}
}

// Verdict, and the budget at every step.
func BenchmarkVerdictAndBudgets1000(b *testing.B) {
	s := newShelf(1000, sweep.Balun, choked)
	cal, err := sweep.LoadCalibrated(b.Context(), s, 1)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		outcome, err := sweep.Analyse(&s.runs[1], s.Steps(b.Context(), 2), cal)
		if err != nil {
			b.Fatal(err)
		}
		in := report.Input{Entries: uncertainty.Defaults()}
		for i, step := range s.steps[2] {
			in.Steps = append(in.Steps, report.Step{Point: step.Point(), Result: outcome.Results[i]})
			if err := budgetOf(&in, &s.runs[1], cal, i, nil); err != nil {
				b.Fatal(err)
			}
		}
	}
}

// 10 000 trials of one step.
func BenchmarkMonteCarlo(b *testing.B) {
	s := newShelf(20, sweep.Balun, choked)
	cal, err := sweep.LoadCalibrated(b.Context(), s, 1)
	if err != nil {
		b.Fatal(err)
	}
	in := loaded(b, s, 2, Options{})
	at := in.NearestStep(20e6)
	trials := uncertainty.Trials{Most: 10000}
	for b.Loop() {
		in.Budgets = in.Budgets[:0]
		if err := budgetOf(in, &s.runs[1], cal, at, &trials); err != nil {
			b.Fatal(err)
		}
	}
}
