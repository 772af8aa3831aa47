package journal

import (
	"context"
	"errors"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"halfturn/sweep"
)

// TestList: going downwards part by part gives each run once, and upwards
// again the same ones, while runs are being added; what stands above and below
// is counted.
func TestList(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, newPath(t))
	var all []sweep.Run
	kinds := []sweep.Kind{sweep.Calibration, sweep.Balun, sweep.Swapped}
	full := func() bool { return len(all) >= 40 }
	add := func(kind sweep.Kind) {
		all = append(all, create(t, s, sampleRun(kind)))
	}
	if listed, err := s.List(ctx, Listing{Most: 3}); err != nil || len(listed.Runs)+listed.Newer+listed.Older != 0 {
		t.Fatalf("of an empty store: %+v, %v", listed, err)
	}
	rapid.Check(t, func(r *rapid.T) {
		for n := rapid.IntRange(1, 5).Draw(r, "new"); n > 0 && !full(); n-- {
			add(rapid.SampledFrom(kinds).Draw(r, "kind"))
		}
		kind := rapid.SampledFrom(append(kinds, "")).Draw(r, "wanted")
		most := rapid.IntRange(0, 2*len(all)).Draw(r, "most")
		var want []int64
		for _, run := range slices.Backward(all) {
			if kind == "" || run.Kind == kind {
				want = append(want, run.ID)
			}
		}
		var down, up []int64
		l := Listing{Kind: kind, Most: most}
		added := 0
		for {
			listed, err := s.List(ctx, l)
			must(t, err)
			for _, run := range listed.Runs {
				down = append(down, run.ID)
			}
			if listed.Newer != len(down)-len(listed.Runs)+added || listed.Older != len(want)-len(down) {
				t.Fatalf("%+v: %d above and %d below, of %d", l, listed.Newer, listed.Older, len(want))
			}
			if listed.Older == 0 {
				break
			}
			if most > 0 && len(listed.Runs) != most {
				t.Fatalf("%d runs of %d, and more follow", len(listed.Runs), most)
			}
			l.Before = down[len(down)-1]
			if rapid.IntRange(0, 9).Draw(r, "meanwhile") == 0 && !full() {
				add(sweep.Balun)
				if kind == "" || kind == sweep.Balun {
					added++
				}
			}
		}
		if !slices.Equal(down, want) {
			t.Fatalf("%q by %d: %v, want %v", kind, most, down, want)
		}
		if len(want) == 0 {
			return
		}
		above := want[len(want)-1] // upwards from the oldest
		up = append(up, above)
		for {
			listed, err := s.List(ctx, Listing{Kind: kind, Most: most, After: above})
			must(t, err)
			if len(listed.Runs) == 0 {
				break
			}
			for _, run := range slices.Backward(listed.Runs) {
				up = append(up, run.ID)
			}
			if above = listed.Runs[0].ID; listed.Older != len(up)-len(listed.Runs) {
				t.Fatalf("upwards: %d below, and %d were given", listed.Older, len(up)-len(listed.Runs))
			}
		}
		slices.Reverse(up)
		if !slices.Equal(up[len(up)-len(want):], want) {
			t.Fatalf("upwards: %v, want %v", up, want)
		}
	})
}

// TestListOfADamagedStore: a run that was lost is told where a part of the
// list goes over its place, and only there.
func TestListOfADamagedStore(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, newPath(t))
	for range 20 {
		create(t, s, sampleRun(sweep.Balun))
	}
	for _, q := range []string{"PRAGMA foreign_keys = 0", "DELETE FROM runs WHERE run = 10", "UPDATE runs SET kind = 'calibration' WHERE run = 5"} {
		_, err := s.writer.ExecContext(ctx, q)
		must(t, err)
	}
	for _, c := range []struct {
		l       Listing
		damaged bool
	}{
		{Listing{Most: 10}, false},
		{Listing{Most: 11}, true},
		{Listing{Before: 10, Most: 3}, false},
		{Listing{Before: 11, Most: 1}, true},
		{Listing{Before: 9, Most: 10, Kind: sweep.Balun}, true},
		{Listing{Before: 9, Most: 10, Kind: sweep.Swapped}, true},
		{Listing{After: 10, Most: 10}, false},
		{Listing{After: 9, Most: 1}, true},
		{Listing{After: 6, Most: 3}, false},
		{Listing{After: 6, Most: 4}, true},
	} {
		if _, err := s.List(ctx, c.l); errors.Is(err, ErrDamaged) != c.damaged || err != nil && !c.damaged {
			t.Errorf("%+v: %v", c.l, err)
		}
	}
	// Those after a lost one still come.
	var seen []int64
	errs := 0
	for run, err := range s.Newest(ctx, "", 0) {
		if err != nil {
			errs++
			continue
		}
		seen = append(seen, run.ID)
	}
	if len(seen) != 18 || errs != 2 || seen[len(seen)-1] != 1 {
		t.Errorf("%v, %d errors", seen, errs)
	}
}

// TestStepsFrom: a part of a run's steps, and nothing where there are none yet.
func TestStepsFrom(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, newPath(t))
	run := fill(t, s, sweep.Balun, page+3)
	for _, from := range []int{0, 1, 3, page, page + 2, page + 3, page + 10} {
		next := from
		for step, err := range s.StepsFrom(ctx, run.ID, from) {
			must(t, err)
			if step != sampleStep(run.ID, next) {
				t.Fatalf("from %d: not step %d", from, next)
			}
			next++
		}
		if want := max(from, page+3); next != want {
			t.Errorf("from %d it ends before %d, not before %d", from, next, want)
		}
	}
}

// BenchmarkList is the first page, and one of a kind that is rare, of a store
// of 10 000 runs.
func BenchmarkList(b *testing.B) {
	ctx := context.Background()
	s := open(b, newPath(b))
	_, err := s.writer.ExecContext(ctx, "PRAGMA synchronous = OFF")
	must(b, err)
	for i := range 10_000 {
		kind := sweep.Balun
		if i%100 == 0 {
			kind = sweep.Calibration
		}
		create(b, s, sampleRun(kind))
	}
	for _, kind := range []sweep.Kind{"", sweep.Calibration} {
		b.Run("kind "+string(kind), func(b *testing.B) {
			for b.Loop() {
				_, err := s.List(ctx, Listing{Kind: kind, Most: 50})
				must(b, err)
			}
		})
	}
}
