package setup

import (
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"

	"halfturn/analysis/conformity"
	"halfturn/analysis/uncertainty"
	"halfturn/configs"
)

// rows are the cells of the table rows that begin with a key.
func rows(t *testing.T, file string) [][]string {
	t.Helper()
	text, err := configs.FS.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var all [][]string
	for _, m := range regexp.MustCompile("(?m)^\\| `(.*) \\|$").FindAllStringSubmatch(string(text), -1) {
		cells := strings.Split("`"+m[1], " | ")
		cells[0] = strings.Trim(cells[0], "`")
		all = append(all, cells)
	}
	return all
}

// The table of the README has every key once, in the order of the shape, with
// its default.
func TestREADMEListsEveryKey(t *testing.T) {
	var listed, parts []string
	for _, row := range rows(t, "benches/README.md") {
		if len(row) != 3 {
			t.Fatalf("row %v", row)
		}
		key, said := row[0], row[1]
		if part, ok := strings.CutPrefix(key, "…."); ok {
			parts = append(parts, part)
			continue
		}
		if entry, ok := strings.CutPrefix(key, uncertain+"."); ok {
			if entry == "…" {
				continue
			}
			e := uncertainty.Defaults().Entry(uncertainty.Name(entry))
			if e == nil || said != "`"+e.Text()+"`" || row[2] != e.Name.Meaning() {
				t.Errorf("row %v, and the entry is %+v", row, e)
			}
			for _, f := range fields(reflect.TypeFor[uncertainty.EntryConfig]()) {
				listed = append(listed, join(key, f.key))
			}
			continue
		}
		listed = append(listed, key)
		want := ""
		for _, d := range defaults {
			if d.key == key {
				want = "`" + d.value + "`"
			}
		}
		for _, r := range required {
			if r.key == key {
				want = "needed"
			}
		}
		switch {
		case want != "" && said != want:
			t.Errorf("%s: the README says %s, and it is %s", key, said, want)
		case want == "" && !slices.Contains([]string{"none", "the dialect's", "one of three", "that of the plan"}, said):
			t.Errorf("%s: the README says %s, and there is none", key, said)
		}
	}
	if want := names(fields(reflect.TypeFor[uncertainty.EntryConfig]())); !reflect.DeepEqual(parts, want) {
		t.Errorf("the README lists the parts %v of an entry, and there are %v", parts, want)
	}
	wanted := slices.Sorted(slices.Values(known))
	if got := slices.Sorted(slices.Values(listed)); !reflect.DeepEqual(got, wanted) {
		t.Errorf("the README lists\n%v, and there are\n%v", got, wanted)
	}
}

func TestLimitsREADMEListsEveryKey(t *testing.T) {
	var listed []string
	for _, row := range rows(t, "limits/README.md") {
		listed = append(listed, row[0])
	}
	if want := keys(reflect.TypeFor[conformity.Limits](), ""); !reflect.DeepEqual(listed, want) {
		t.Errorf("the README lists %v, and there are %v", listed, want)
	}
}

// The README names every flag.
func TestREADMENamesEveryFlag(t *testing.T) {
	text, err := configs.FS.ReadFile("benches/README.md")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range flagKeys {
		if !strings.Contains(string(text), "`--"+f.flag+"`") {
			t.Errorf("--%s is not in the README", f.flag)
		}
	}
}

// Every key that is listed somewhere in the code is one.
func TestTablesHoldKnownKeys(t *testing.T) {
	for _, d := range defaults {
		if !slices.Contains(known, d.key) {
			t.Errorf("default of %s, which is no key", d.key)
		}
	}
	for _, r := range required {
		if !slices.Contains(known, r.key) {
			t.Errorf("%s is needed, and no key", r.key)
		}
		for _, d := range defaults {
			if d.key == r.key {
				t.Errorf("%s is needed and has a default", r.key)
			}
		}
	}
}

// The example has every key, so that nobody has to look for one, and shows the
// defaults where there are any.
func TestExampleHasEveryKey(t *testing.T) {
	text, err := configs.FS.ReadFile("benches/example.yaml")
	if err != nil {
		t.Fatal(err)
	}
	for _, key := range known {
		last := key[strings.LastIndex(key, ".")+1:]
		entry := key[strings.LastIndex(parent(key), ".")+1 : len(parent(key))]
		if !strings.Contains(string(text), last+": ") || parent(parent(key)) == uncertain && !strings.Contains(string(text), entry+": {") {
			t.Errorf("the example lacks %s", key)
		}
	}
	c, err := Parse("example", text)
	if err != nil {
		t.Fatal(err)
	}
	bare := parsed(t, `
bench:
  name: Hut 4
  fixture: plate 2
  generator: {address: tcp://192.0.2.10:5025, dialect: g}
  scope: {address: tcp://192.0.2.11:5025, dialect: s}
  load: {resistance: 100 Ω, capacitance: 0 pF}
  max_drive: {generator: 0 dBm, balun: 0 dBm}
plan: {from: 3 MHz, to: 500 MHz, points: 60}
`)
	if !reflect.DeepEqual(c.Plan, bare.Plan) || c.Store != bare.Store || c.Bench.ClockTolerance != bare.Bench.ClockTolerance {
		t.Errorf("the example's plan is %+v, and the defaults are %+v", c.Plan, bare.Plan)
	}
}
