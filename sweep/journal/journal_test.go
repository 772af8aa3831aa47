package journal

import (
	"context"
	"database/sql"
	"errors"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"halfturn/analysis/balance"
	"halfturn/analysis/conformity"
	"halfturn/analysis/linearity"
	"halfturn/analysis/uncertainty"
	"halfturn/drivers"
	"halfturn/sweep"
	"halfturn/units"
)

func TestRunRoundTrip(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	path := newPath(t)
	s := open(t, path)
	want := sampleRun(sweep.Calibration)
	// Any zone, and a clock reading with more in it than the wall clock.
	want.Started = time.Now().In(time.FixedZone("bench", 5*3600))
	must(t, s.Create(ctx, &want))
	if want.ID != 1 {
		t.Fatalf("ID is %d", want.ID)
	}
	balun := create(t, s, func() sweep.Run {
		r := sampleRun(sweep.Balun)
		r.Calibration = want.ID
		r.Limits = conformity.Limits{}
		r.Plan.Segments = nil
		return r
	}())

	check := func(want sweep.Run) {
		t.Helper()
		got, err := s.Run(ctx, want.ID)
		must(t, err)
		want.Started, want.Finished = want.Started.Round(0).UTC(), want.Finished.Round(0).UTC()
		if diff := cmp.Diff(want, got, amounts); diff != "" {
			t.Fatalf("(-stored +read)\n%s", diff)
		}
	}
	check(want)
	check(balun)
	want.Finished, want.State, want.Reason, want.Verdict = time.Now(), sweep.Failed, "scope: link failed", conformity.ConditionalFail
	must(t, s.Update(ctx, &want))
	check(want)
	check(balun)
	must(t, s.Close())
	s = open(t, path)
	check(want)
	check(balun)
}

// TestUpdateStoresTheOutcomeOnly: what a run was asked to do stays as it began.
func TestUpdateStoresTheOutcomeOnly(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, newPath(t))
	run := create(t, s, sampleRun(sweep.Balun))
	changed := run
	changed.Label, changed.Bench.Name, changed.State = "other", "other", sweep.Done
	must(t, s.Update(ctx, &changed))
	got, err := s.Run(ctx, run.ID)
	must(t, err)
	run.State = sweep.Done
	if diff := cmp.Diff(run, got, amounts); diff != "" {
		t.Fatalf("(-want +read)\n%s", diff)
	}
	changed.ID = 7
	if err := s.Update(ctx, &changed); !errors.Is(err, ErrNoRun) {
		t.Fatalf("updating a run that is not there: %v", err)
	}
}

func TestRunThatCannotBeKept(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, newPath(t))
	for name, spoil := range map[string]func(*sweep.Run){
		"NaN in the plan":          func(r *sweep.Run) { r.Plan.Precision = math.NaN() },
		"infinite drive":           func(r *sweep.Run) { r.Bench.MaxDrive.Balun = units.DBm(math.Inf(1)) },
		"name that is no UTF-8":    func(r *sweep.Run) { r.Bench.Name = "\xff" },
		"calibration not there":    func(r *sweep.Run) { r.Calibration = 9 },
		"itself as calibration":    func(r *sweep.Run) { r.Calibration = 1 },
		"time before the calendar": func(r *sweep.Run) { r.Started = time.Date(1, 1, 2, 0, 0, 0, 0, time.UTC) },
	} {
		run := sampleRun(sweep.Balun)
		spoil(&run)
		err := s.Create(ctx, &run)
		if err == nil || run.ID != 0 || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s: ID %d, error %v", name, run.ID, err)
		}
	}
	if runs, err := s.Runs(ctx); err != nil || len(runs) != 0 {
		t.Errorf("%d runs, %v", len(runs), err)
	}
}

func TestRunsAndLatest(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, newPath(t))
	if _, err := s.Latest(ctx, ""); !errors.Is(err, ErrNoRun) {
		t.Fatalf("latest of an empty store: %v", err)
	}
	if _, err := s.Run(ctx, 1); !errors.Is(err, ErrNoRun) {
		t.Fatalf("run 1 of an empty store: %v", err)
	}
	for _, kind := range []sweep.Kind{sweep.Calibration, sweep.Balun, sweep.Calibration, sweep.Balun, sweep.Balun} {
		create(t, s, sampleRun(kind))
	}
	runs, err := s.Runs(ctx)
	must(t, err)
	for i, r := range runs {
		if r.ID != int64(i+1) {
			t.Errorf("run %d comes at %d", r.ID, i)
		}
	}
	for kind, want := range map[sweep.Kind]int64{sweep.Calibration: 3, sweep.Balun: 5, "": 5} {
		if r, err := s.Latest(ctx, kind); err != nil || r.ID != want {
			t.Errorf("latest %q is %d, %v; want %d", kind, r.ID, err, want)
		}
	}
	if _, err := s.Latest(ctx, sweep.Swapped); !errors.Is(err, ErrNoRun) {
		t.Errorf("latest swapped run: %v", err)
	}
}

func drawStep(t *rapid.T, index int) sweep.Step {
	number := func(name string) float64 {
		v := rapid.OneOf(rapid.Float64(), rapid.Float64Range(-10, 10), rapid.Just(0.0), rapid.Just(1e6), rapid.Just(math.SmallestNonzeroFloat64)).
			Filter(func(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }).Draw(t, name)
		return v
	}
	pair := func(name string) [2]units.Volts {
		return [2]units.Volts{units.Volts(number(name)), units.Volts(number(name))}
	}
	count := func(name string) int { return rapid.IntRange(math.MinInt32, math.MaxInt32).Draw(t, name) }
	s := sweep.Step{
		Index:        index,
		Taken:        time.Unix(0, rapid.Int64Range(-1e18, 9e18).Draw(t, "taken")).UTC(),
		Drive:        units.DBm(number("drive")),
		Range:        pair("range"),
		Window:       drivers.Window{Rate: units.Hertz(number("rate")), Samples: count("window")},
		Acquisitions: count("acquisitions"),
		Clock:        sweep.Clock{Offset: units.PPM(number("offset")), Uncertainty: units.PPM(number("u"))},
		Remark:       rapid.OneOf(rapid.Just(""), rapid.String()).Draw(t, "remark"),
		Fill:         [2]float64{number("fill"), number("fill")},
		Estimate: balance.Estimate{
			Frequency: units.Hertz(number("frequency")), Ratio: complex(number("re"), number("im")),
			Cov:       uncertainty.Cov{RR: number("rr"), RI: number("ri"), II: number("ii")},
			Amplitude: pair("amplitude"), UAmplitude: pair("u"), RAmplitude: number("r"), Sigma: pair("sigma"),
			Captures: count("captures"), Samples: count("samples"),
		},
	}
	if rapid.Bool().Draw(t, "reference") {
		s.ReferenceRange, s.ReferenceFill = units.Volts(number("range")), number("fill")
		s.Estimate.Reference = balance.Reference{
			Transmission: [2]complex128{complex(number("re"), number("im")), complex(number("re"), number("im"))},
			Cov:          [2]uncertainty.Cov{{RR: number("rr"), RI: number("ri"), II: number("ii")}, {RR: number("rr"), RI: number("ri"), II: number("ii")}},
			Amplitude:    units.Volts(number("amplitude")), Sigma: units.Volts(number("sigma")),
		}
	}
	if rapid.Bool().Draw(t, "second level") {
		s.Second = linearity.Level{
			Drive: units.DBm(number("drive")), Fill: [2]float64{number("fill"), number("fill")}, Code: pair("code"),
			Estimate: balance.Estimate{Frequency: units.Hertz(number("frequency")), Ratio: complex(number("re"), number("im")), Captures: count("captures")},
			Remark:   rapid.OneOf(rapid.Just(""), rapid.String()).Draw(t, "remark"),
		}
		s.Harmonics[1][0] = linearity.Harmonic{Ratio: number("harmonic"), U: number("u")}
	}
	return s
}

func TestStepRoundTrip(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, newPath(t))
	rapid.Check(t, func(rt *rapid.T) {
		run := create(t, s, sampleRun(sweep.Balun))
		var want []sweep.Step
		n := rapid.IntRange(0, 5).Draw(rt, "steps")
		for i := range n {
			step := drawStep(rt, i)
			if err := s.Commit(ctx, run.ID, &step, nil); err != nil {
				rt.Fatal(err)
			}
			want = append(want, step)
		}
		got, err := collect(ctx, s, run.ID)
		if err != nil {
			rt.Fatal(err)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			rt.Fatalf("(-stored +read)\n%s", diff)
		}
	})
}

// TestEveryField: a field that a step gets later must get a column too. Each
// field in turn is set in an otherwise empty step.
func TestEveryField(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, newPath(t))
	var visit func(v reflect.Value, at string, each func(at string))
	var step sweep.Step
	commit := func(at string) {
		run := create(t, s, sampleRun(sweep.Balun))
		step.Index = 0
		must(t, s.Commit(ctx, run.ID, &step, nil))
		got, err := collect(ctx, s, run.ID)
		must(t, err)
		if diff := cmp.Diff([]sweep.Step{step}, got); diff != "" {
			t.Errorf("%s is not kept (-stored +read)\n%s", at, diff)
		}
	}
	visit = func(v reflect.Value, at string, each func(at string)) {
		if v.Type() == reflect.TypeFor[time.Time]() {
			v.Set(reflect.ValueOf(time.Unix(17, 19).UTC()))
			each(at)
			v.SetZero()
			return
		}
		switch v.Kind() {
		case reflect.Struct:
			for i := range v.NumField() {
				visit(v.Field(i), at+"."+v.Type().Field(i).Name, each)
			}
			return
		case reflect.Array:
			for i := range v.Len() {
				visit(v.Index(i), at, each)
			}
			return
		case reflect.Float64:
			v.SetFloat(1.5)
		case reflect.Int:
			v.SetInt(7)
		case reflect.String:
			v.SetString("x")
		case reflect.Complex128:
			v.SetComplex(2 - 3i)
		default:
			t.Fatalf("%s has type %v, which no column is made for", at, v.Type())
		}
		each(at)
		v.SetZero()
	}
	visit(reflect.ValueOf(&step).Elem(), "Step", commit)
}

// TestUnmeasured: numbers that do not exist are NULL for whoever reads the file.
func TestUnmeasured(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, newPath(t))
	run := create(t, s, sampleRun(sweep.Balun))
	step := sweep.Step{Remark: "clipped", Window: drivers.Window{Rate: 1e9, Samples: 5}}
	must(t, s.Commit(ctx, run.ID, &step, nil))
	step = sweep.Step{Index: 1}
	must(t, s.Commit(ctx, run.ID, &step, nil))
	var nulls [2]int
	rows, err := s.reader.QueryContext(ctx, "SELECT (ratio_re IS NULL) + (cov_ii IS NULL) + (fill1 IS NULL) + (samples IS NULL) + (drive_dbm IS NULL) FROM steps ORDER BY step")
	must(t, err)
	defer rows.Close()
	for i := 0; rows.Next(); i++ {
		must(t, rows.Scan(&nulls[i]))
	}
	if nulls != [2]int{4, 0} {
		t.Fatalf("%v NULLs, want 4 in the unmeasured step and none in the other", nulls)
	}
}

func TestNotFinite(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, newPath(t))
	run := create(t, s, sampleRun(sweep.Balun))
	for i := range s.row.fields {
		for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
			step := sampleStep(run.ID, 0)
			var row stepRow
			row.bind()
			row.step = step
			row.apart()
			field, ok := row.fields[i].(*float64)
			if !ok {
				continue
			}
			*field = bad
			row.together()
			step = row.step
			err := s.Commit(ctx, run.ID, &step, nil)
			if err == nil || !strings.Contains(err.Error(), stepNames[stepFirst+i]) {
				t.Errorf("%s of %v: error %v", stepNames[stepFirst+i], bad, err)
			}
		}
	}
	step := sampleStep(run.ID, 0)
	for _, spoil := range []func(*drivers.Capture){
		func(c *drivers.Capture) { c.Rate = units.Hertz(math.NaN()) },
		func(c *drivers.Capture) { c.Traces[1].VoltsPerCode = units.Volts(math.Inf(1)) },
		func(c *drivers.Capture) { c.Traces[0].Zero = math.NaN() },
	} {
		captures := smallCaptures(run.ID, 0)
		spoil(&captures[1])
		if err := s.Commit(ctx, run.ID, &step, captures); err == nil {
			t.Error("a capture with a number that is not finite was stored")
		}
	}
	if steps, err := collect(ctx, s, run.ID); err != nil || len(steps) != 0 {
		t.Errorf("%d steps, %v after refusals", len(steps), err)
	}
	must(t, s.Commit(ctx, run.ID, &step, nil))
}

func TestOrderOfSteps(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, newPath(t))
	run := create(t, s, sampleRun(sweep.Balun))
	commit := func(run int64, i int) error {
		step := sampleStep(run, i)
		return s.Commit(ctx, run, &step, smallCaptures(run, i))
	}
	must(t, commit(run.ID, 0))
	must(t, commit(run.ID, 1))
	for index, says := range map[int]string{0: "stored already", 1: "stored already", 3: "next step is 2", -1: "next step is 2"} {
		if err := commit(run.ID, index); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("step %d: %v, want %q", index, err, says)
		}
	}
	if err := commit(run.ID+1, 0); !errors.Is(err, ErrNoRun) {
		t.Errorf("a step of no run: %v", err)
	}
	must(t, commit(run.ID, 2))
	steps, err := collect(ctx, s, run.ID)
	must(t, err)
	if diff := cmp.Diff([]sweep.Step{sampleStep(run.ID, 0), sampleStep(run.ID, 1), sampleStep(run.ID, 2)}, steps); diff != "" {
		t.Error(diff)
	}
}

// TestSteps reads across pages, of one run among others, and stops when asked.
func TestSteps(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, newPath(t))
	for _, n := range []int{0, 1, page - 1, page, page + 1, 2 * page} {
		run := fill(t, s, sweep.Balun, n)
		steps, err := collect(ctx, s, run.ID)
		must(t, err)
		if len(steps) != n {
			t.Fatalf("%d steps of %d", len(steps), n)
		}
		for i := range steps {
			if diff := cmp.Diff(sampleStep(run.ID, i), steps[i]); diff != "" {
				t.Fatal(diff)
			}
		}
	}
	for step, err := range s.Steps(ctx, 5) {
		must(t, err)
		if step.Index == 3 {
			break
		}
	}
	// Reading and writing between the steps must not wait for the reading of steps.
	seen := 0
	for step, err := range s.Steps(ctx, 2) {
		must(t, err)
		if _, err := s.Captures(ctx, 2, step.Index); err != nil {
			t.Fatal(err)
		}
		if seen++; seen < 10 {
			next := sampleStep(2, seen)
			must(t, s.Commit(ctx, 2, &next, nil))
		}
	}
	if seen != 10 {
		t.Errorf("saw %d steps of 10, nine of which came while reading", seen)
	}
	if _, err := collect(ctx, s, 99); !errors.Is(err, ErrNoRun) {
		t.Errorf("steps of no run: %v", err)
	}
	canceled, cancel := context.WithCancel(ctx)
	cancel()
	if _, err := collect(canceled, s, 5); !errors.Is(err, context.Canceled) {
		t.Errorf("canceled: %v", err)
	}
}

func TestCaptures(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, newPath(t))
	run := fill(t, s, sweep.Balun, 5)
	for i := range 5 {
		got, err := s.Captures(ctx, run.ID, i)
		must(t, err)
		if diff := cmp.Diff(smallCaptures(run.ID, i), got); diff != "" {
			t.Fatal(diff)
		}
	}
	step := sampleStep(run.ID, 5)
	must(t, s.Commit(ctx, run.ID, &step, nil))
	if got, err := s.Captures(ctx, run.ID, 5); err != nil || len(got) != 0 {
		t.Errorf("captures of a step without any: %v, %v", got, err)
	}
	if _, err := s.Captures(ctx, run.ID, 6); err == nil || errors.Is(err, ErrDamaged) {
		t.Errorf("captures of a step to come: %v", err)
	}
	if _, err := s.Captures(ctx, 3, 0); !errors.Is(err, ErrNoRun) {
		t.Errorf("captures of no run: %v", err)
	}
}

func TestNoStore(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	dir := t.TempDir()
	empty := filepath.Join(dir, "empty")
	must(t, os.WriteFile(empty, nil, 0o600))
	for _, path := range []string{filepath.Join(dir, "none"), filepath.Join(dir, "no", "folder"), dir, empty} {
		for name, opener := range map[string]func(context.Context, string) (*Store, error){"OpenExisting": OpenExisting, "OpenReadOnly": OpenReadOnly} {
			_, err := opener(ctx, path)
			if !errors.Is(err, ErrNoStore) || !strings.Contains(err.Error(), "no store at "+path) {
				t.Errorf("%s: %v", name, err)
			}
		}
	}
	if _, err := Open(ctx, dir); err == nil {
		t.Error("a folder was opened as a store")
	}
	if _, err := Open(ctx, filepath.Join(empty, "in a file", "store")); err == nil {
		t.Error("a store below a file was opened")
	}
	entries, err := os.ReadDir(dir)
	must(t, err)
	if len(entries) != 1 {
		t.Errorf("refusing left %v", entries)
	}
	// An empty file is what a kill at the very start of Open leaves.
	s := open(t, empty)
	fill(t, s, sweep.Balun, 1)
}

// TestPaths: names that mean something in a URI.
func TestPaths(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	for _, name := range []string{"a b?mode=memory&x#y%41.db", "100% ferrite.db", "ümlaut;'\".db", filepath.Join("new", "folders", "x.db")} {
		path := filepath.Join(t.TempDir(), name)
		s := open(t, path)
		fill(t, s, sweep.Balun, 1)
		must(t, s.Close())
		if info, err := os.Stat(path); err != nil || info.Size() == 0 {
			t.Errorf("%s: %v", name, err)
		}
		s, err := OpenReadOnly(ctx, path)
		must(t, err)
		if runs, err := s.Runs(ctx); err != nil || len(runs) != 1 || s.Path() != path {
			t.Errorf("%s: %d runs, %v", name, len(runs), err)
		}
		must(t, s.Close())
	}
}

func TestOtherFiles(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	write := func(statements ...string) func(path string) {
		return func(path string) {
			db, err := sql.Open("sqlite", path)
			must(t, err)
			defer db.Close()
			for _, q := range statements {
				_, err := db.Exec(q)
				must(t, err)
			}
		}
	}
	store := func(statements ...string) func(path string) {
		return func(path string) {
			s := open(t, path)
			fill(t, s, sweep.Balun, 2)
			must(t, s.Close())
			write(statements...)(path)
		}
	}
	for name, c := range map[string]struct {
		make func(path string)
		want error
		says string
	}{
		"text":          {func(p string) { must(t, os.WriteFile(p, []byte(strings.Repeat("frequency,drive\n", 600)), 0o600)) }, ErrNotStore, "not a store"},
		"short text":    {func(p string) { must(t, os.WriteFile(p, []byte("hello\n"), 0o600)) }, ErrNotStore, "not a store"},
		"other tables":  {write("CREATE TABLE runs (a)", "INSERT INTO runs VALUES (1)"), ErrNotStore, "not a store"},
		"other program": {write("CREATE TABLE a (a)", "PRAGMA application_id = 77"), ErrNotStore, "not a store"},
		"newer":         {store("PRAGMA user_version = " + strconv.Itoa(schemaVersion+1)), ErrNewer, "made by a newer version"},
		"never was":     {store("PRAGMA user_version = -3"), ErrDamaged, "damaged"},
		"tables gone":   {store("PRAGMA foreign_keys = 0", "DROP TABLE progress"), ErrDamaged, "damaged"},
		"column gone":   {store("ALTER TABLE steps RENAME COLUMN cov_ri TO cov_rj"), ErrDamaged, "damaged"},
	} {
		t.Run(name, func(t *testing.T) {
			path := newPath(t)
			c.make(path)
			before, err := os.ReadFile(path)
			must(t, err)
			for opener, open := range map[string]func(context.Context, string) (*Store, error){"Open": Open, "OpenExisting": OpenExisting, "OpenReadOnly": OpenReadOnly} {
				_, err := open(ctx, path)
				if !errors.Is(err, c.want) || !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), path) || strings.Contains(err.Error(), "\n") {
					t.Errorf("%s: %v", opener, err)
				}
			}
			after, err := os.ReadFile(path)
			must(t, err)
			if c.want == ErrNotStore && string(before) != string(after) {
				t.Error("the refused file was changed")
			}
		})
	}
}

// TestOtherVersionsField: a field that this version does not know would be lost.
func TestOtherVersionsField(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	s := open(t, newPath(t))
	run := create(t, s, sampleRun(sweep.Balun))
	row, err := packRun(&run)
	must(t, err)
	row[runBench] = strings.Replace(row[runBench].(string), "{", `{"attenuator":"10 dB",`, 1)
	row[runChecksum] = runSum(row)
	_, err = s.writer.Exec("UPDATE runs SET bench = ?, checksum = ? WHERE run = 1", row[runBench], row[runChecksum])
	must(t, err)
	if _, err := s.Run(ctx, 1); !errors.Is(err, ErrNewer) || !strings.Contains(err.Error(), "attenuator") {
		t.Fatal(err)
	}
}

func TestReadOnly(t *testing.T) {
	t.Parallel()
	ctx := context.Background()
	path := newPath(t)
	s := open(t, path)
	run := fill(t, s, sweep.Balun, 3)
	must(t, s.Close())
	before, err := os.ReadFile(path)
	must(t, err)
	s, err = OpenReadOnly(ctx, path)
	must(t, err)
	step := sampleStep(run.ID, 3)
	_, claimErr := s.Claim(run.ID)
	for _, err := range []error{s.Create(ctx, &run), s.Update(ctx, &run), s.Commit(ctx, run.ID, &step, nil), claimErr} {
		if !errors.Is(err, ErrReadOnly) {
			t.Errorf("writing to a store opened for reading: %v", err)
		}
	}
	if steps, err := collect(ctx, s, run.ID); err != nil || len(steps) != 3 || s.Damage() != nil {
		t.Errorf("%d steps, %v, damage %v", len(steps), err, s.Damage())
	}
	must(t, s.Close())
	after, err := os.ReadFile(path)
	must(t, err)
	if string(before) != string(after) {
		t.Error("reading changed the file")
	}
	entries, err := os.ReadDir(filepath.Dir(path))
	must(t, err)
	if len(entries) != 1 {
		t.Errorf("reading left %v", entries)
	}
}
