package journal

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfturn/analysis/balance"
	"halfturn/analysis/linearity"
	"halfturn/drivers"
	"halfturn/sweep"
)

// TestOlderStore reads stores that were written by older versions, without and
// with bringing them to this one. They hold a calibration of 3 steps and a
// balun's run of 11, the sample ones of then.
func TestOlderStore(t *testing.T) {
	t.Parallel()
	for file, less := range map[string]func(*sweep.Step){
		"version1.db": func(s *sweep.Step) { s.Second, s.Harmonics = linearity.Level{}, linearity.Harmonics{} },
		"version2.db": func(*sweep.Step) {},
	} {
		t.Run(file, func(t *testing.T) { testOlderStore(t, file, less) })
	}
}

func testOlderStore(t *testing.T, file string, less func(*sweep.Step)) {
	ctx := context.Background()
	before, err := os.ReadFile(filepath.Join("testdata", file))
	must(t, err)
	path := newPath(t)
	must(t, os.WriteFile(path, before, 0o600))

	check := func(s *Store) {
		t.Helper()
		runs, err := s.Runs(ctx)
		must(t, err)
		if len(runs) != 2 || runs[0].Kind != sweep.Calibration || runs[1].Calibration != 1 || runs[1].Straight != 0 || runs[1].Label != sampleRun(sweep.Balun).Label {
			t.Fatalf("%+v", runs)
		}
		for id, count := range map[int64]int{1: 3, 2: 11} {
			steps, err := collect(ctx, s, id)
			must(t, err)
			if len(steps) != count {
				t.Fatalf("run %d: %d steps", id, len(steps))
			}
			for i, got := range steps {
				want := sampleStep(id, i)
				less(&want)
				want.ReferenceRange, want.ReferenceFill, want.Estimate.Reference, want.Second.Estimate.Reference = 0, 0, balance.Reference{}, balance.Reference{}
				if got != want {
					t.Error(cmp.Diff(want, got))
				}
				captures, err := s.Captures(ctx, id, i)
				must(t, err)
				older := smallCaptures(id, i)
				for k := range older {
					older[k].Reference = drivers.Trace{}
				}
				if !equalCaptures(captures, older) {
					t.Errorf("run %d, step %d: other captures", id, i)
				}
			}
		}
	}

	s, err := OpenReadOnly(ctx, path)
	must(t, err)
	check(s)
	must(t, s.Close())
	if after, err := os.ReadFile(path); err != nil || string(after) != string(before) {
		t.Error("reading changed the store")
	}

	s = open(t, path)
	check(s)
	swapped := sampleRun(sweep.Swapped)
	swapped.Calibration, swapped.Straight = 1, 2
	swapped = create(t, s, swapped)
	step := sampleStep(swapped.ID, 5)
	step.Index = 0
	if !step.Second.Measured() || !step.Estimate.Reference.Read() {
		t.Fatal("the sample has no second level or no reference")
	}
	must(t, s.Commit(ctx, swapped.ID, &step, nil))
	must(t, s.Close())

	s, err = OpenReadOnly(ctx, path)
	must(t, err)
	defer s.Close()
	got, err := s.Run(ctx, swapped.ID)
	must(t, err)
	if diff := cmp.Diff(swapped, got, amounts); diff != "" {
		t.Error(diff)
	}
	steps, err := collect(ctx, s, swapped.ID)
	must(t, err)
	if diff := cmp.Diff([]sweep.Step{step}, steps); diff != "" {
		t.Error(diff)
	}
}

// TestStraightRunMustBeThere: as with a calibration.
func TestStraightRunMustBeThere(t *testing.T) {
	t.Parallel()
	s := open(t, newPath(t))
	run := sampleRun(sweep.Swapped)
	run.Straight = 1
	if err := s.Create(context.Background(), &run); !errors.Is(err, ErrNoRun) {
		t.Errorf("got %v", err)
	}
}

// TestAColumnThatWasEmptied: the columns of later versions count in the checksum,
// so that one that reads as NULL, or all of them, are found.
func TestAColumnThatWasEmptied(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	for name, spoil := range map[string]string{
		"one":              "UPDATE steps SET second_fill1 = NULL",
		"changed":          "UPDATE steps SET harmonic2_1 = 0.5",
		"of the reference": "UPDATE steps SET transmission1_re = NULL",
		"the whole reference": `UPDATE steps SET reference_range_vpp = NULL, reference_fill = NULL, reference_v = NULL, reference_sigma_v = NULL,
			transmission1_re = NULL, transmission1_im = NULL, transmission1_cov_rr = NULL, transmission1_cov_ri = NULL, transmission1_cov_ii = NULL,
			transmission2_re = NULL, transmission2_im = NULL, transmission2_cov_rr = NULL, transmission2_cov_ri = NULL, transmission2_cov_ii = NULL,
			second_reference_v = NULL, second_reference_sigma_v = NULL,
			second_transmission1_re = NULL, second_transmission1_im = NULL, second_transmission1_cov_rr = NULL, second_transmission1_cov_ri = NULL, second_transmission1_cov_ii = NULL,
			second_transmission2_re = NULL, second_transmission2_im = NULL, second_transmission2_cov_rr = NULL, second_transmission2_cov_ri = NULL, second_transmission2_cov_ii = NULL`,
		"all": `UPDATE steps SET second_drive_dbm = NULL, second_fill1 = NULL, second_fill2 = NULL, second_code1_v = NULL, second_code2_v = NULL, second_frequency_hz = NULL,
			second_ratio_re = NULL, second_ratio_im = NULL, second_cov_rr = NULL, second_cov_ri = NULL, second_cov_ii = NULL,
			second_amplitude1_v = NULL, second_amplitude2_v = NULL, second_u_amplitude1_v = NULL, second_u_amplitude2_v = NULL,
			second_r_amplitude = NULL, second_sigma1_v = NULL, second_sigma2_v = NULL, second_captures = NULL, second_samples = NULL,
			harmonic2_1 = NULL, u_harmonic2_1 = NULL, harmonic3_2 = NULL, u_harmonic3_2 = NULL`,
	} {
		s := open(t, newPath(t))
		run := create(t, s, sampleRun(sweep.Balun))
		step := sampleStep(run.ID, 5)
		step.Index = 0
		must(t, s.Commit(ctx, run.ID, &step, nil))
		_, err := s.writer.Exec(spoil)
		must(t, err)
		if _, err := collect(ctx, s, run.ID); !errors.Is(err, ErrDamaged) {
			t.Errorf("%s: got %v", name, err)
		}
	}
}
