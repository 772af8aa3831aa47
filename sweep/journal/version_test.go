package journal

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"testing"

	"github.com/google/go-cmp/cmp"

	"halfturn/analysis/linearity"
	"halfturn/sweep"
)

// TestOlderStore reads a store that was written by version 1, without and with
// bringing it to this one. It holds a calibration of 3 steps and a balun's run
// of 11, the sample ones of then.
func TestOlderStore(t *testing.T) {
	ctx := context.Background()
	before, err := os.ReadFile(filepath.Join("testdata", "version1.db"))
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
				want.Second, want.Harmonics = linearity.Level{}, linearity.Harmonics{}
				if got != want {
					t.Error(cmp.Diff(want, got))
				}
				captures, err := s.Captures(ctx, id, i)
				must(t, err)
				if !equalCaptures(captures, smallCaptures(id, i)) {
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
	step := sampleStep(swapped.ID, 1)
	step.Index = 0
	if !step.Second.Measured() {
		t.Fatal("the sample has no second level")
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
	s := open(t, newPath(t))
	run := sampleRun(sweep.Swapped)
	run.Straight = 1
	if err := s.Create(context.Background(), &run); !errors.Is(err, ErrNoRun) {
		t.Errorf("got %v", err)
	}
}

// TestAColumnThatWasEmptied: the columns of version 2 count in the checksum,
// so that one that reads as NULL, or all of them, are found.
func TestAColumnThatWasEmptied(t *testing.T) {
	ctx := context.Background()
	for name, spoil := range map[string]string{
		"one":     "UPDATE steps SET second_fill1 = NULL",
		"changed": "UPDATE steps SET harmonic2_1 = 0.5",
		"all": `UPDATE steps SET second_drive_dbm = NULL, second_fill1 = NULL, second_fill2 = NULL, second_code1_v = NULL, second_code2_v = NULL, second_frequency_hz = NULL,
			second_ratio_re = NULL, second_ratio_im = NULL, second_cov_rr = NULL, second_cov_ri = NULL, second_cov_ii = NULL,
			second_amplitude1_v = NULL, second_amplitude2_v = NULL, second_u_amplitude1_v = NULL, second_u_amplitude2_v = NULL,
			second_r_amplitude = NULL, second_sigma1_v = NULL, second_sigma2_v = NULL, second_captures = NULL, second_samples = NULL,
			harmonic2_1 = NULL, u_harmonic2_1 = NULL, harmonic3_2 = NULL, u_harmonic3_2 = NULL`,
	} {
		s := open(t, newPath(t))
		run := create(t, s, sampleRun(sweep.Balun))
		step := sampleStep(run.ID, 1)
		step.Index = 0
		must(t, s.Commit(ctx, run.ID, &step, nil))
		_, err := s.writer.Exec(spoil)
		must(t, err)
		if _, err := collect(ctx, s, run.ID); !errors.Is(err, ErrDamaged) {
			t.Errorf("%s: got %v", name, err)
		}
	}
}
