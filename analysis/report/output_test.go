package report

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"halfturn/analysis/conformity"
)

var outputs = map[string]func(io.Writer, Input) error{
	"text": func(w io.Writer, in Input) error { return Text(w, in, Options{Table: true, Truth: true}) },
	"csv":  CSV, "json": JSON, "html": HTML, "touchstone": Touchstone,
	"plots": func(w io.Writer, in Input) error {
		for _, p := range append(Plots(in), XYPlots(in)...) {
			if err := p.WriteSVG(w); err != nil {
				return err
			}
		}
		return nil
	},
}

// TestNoNumberIsNoNumber: whatever the run, no output holds a NaN, an infinity
// or what Go prints for a mistaken verb.
func TestNoNumberIsNoNumber(t *testing.T) {
	for name, input := range inputs {
		in := input()
		for kind, write := range outputs {
			var b bytes.Buffer
			if err := write(&b, in); err != nil && !errors.Is(err, ErrNothingToExport) {
				t.Errorf("%s as %s: %v", name, kind, err)
			}
			for _, bad := range []string{"NaN", "Inf", "nan,", "%!", " -0 ", "-0.00 "} {
				if at := bytes.Index(b.Bytes(), []byte(bad)); at >= 0 {
					t.Errorf("%s as %s: …%s…", name, kind, around(b.Bytes(), at))
				}
			}
		}
	}
}

func around(b []byte, i int) []byte { return b[max(0, i-40):min(len(b), i+40)] }

// parseXML reads every token strictly, and returns the attributes by name.
func parseXML(text []byte) (attributes map[string][]string, err error) {
	attributes = map[string][]string{}
	d := xml.NewDecoder(bytes.NewReader(text))
	depth := 0
	for {
		token, err := d.Token()
		if err == io.EOF {
			if depth != 0 {
				return nil, fmt.Errorf("%d elements left open", depth)
			}
			return attributes, nil
		}
		if err != nil {
			return nil, err
		}
		switch e := token.(type) {
		case xml.StartElement:
			depth++
			attributes["element"] = append(attributes["element"], e.Name.Local)
			for _, a := range e.Attr {
				attributes[a.Name.Local] = append(attributes[a.Name.Local], a.Value)
			}
		case xml.EndElement:
			depth--
		}
	}
}

func TestHTMLIsWellFormedAndAlone(t *testing.T) {
	for name, input := range inputs {
		var b bytes.Buffer
		if err := HTML(&b, input()); err != nil {
			t.Fatal(name, err)
		}
		a, err := parseXML(b.Bytes())
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		for _, attribute := range []string{"src", "href", "srcset", "action", "xmlns", "xlink", "onload", "id"} {
			if len(a[attribute]) > 0 {
				t.Errorf("%s: attribute %s=%q", name, attribute, a[attribute])
			}
		}
		for _, element := range []string{"script", "link", "img", "iframe", "object", "a", "base"} {
			if slices.Contains(a["element"], element) {
				t.Errorf("%s: element %s", name, element)
			}
		}
		for _, reference := range []string{"http://", "https://", "url(", "@import"} {
			if bytes.Contains(b.Bytes(), []byte(reference)) {
				t.Errorf("%s holds %s", name, reference)
			}
		}
		for _, want := range []string{"svg", "caption", "h1", "h2", "title", "desc"} {
			if !slices.Contains(a["element"], want) && !(want == "caption" && name == "zero") {
				t.Errorf("%s: no element %s", name, want)
			}
		}
		if !slices.Contains(a["lang"], "en") {
			t.Errorf("%s: no language", name)
		}
		if strings.Contains(b.String(), "#22262B") {
			t.Errorf("%s: a plot's colour does not follow the scheme", name)
		}
	}
}

// TestHostileTextIsEscaped: labels with markup, escape sequences and line
// breaks neither break out of the page nor reach the terminal or a
// Touchstone file as anything but text.
func TestHostileTextIsEscaped(t *testing.T) {
	in := hostile()
	for kind, write := range outputs {
		var b bytes.Buffer
		if err := write(&b, in); err != nil {
			t.Fatal(kind, err)
		}
		if kind == "json" { // carries the text as it is, escaped by encoding/json
			continue
		}
		for _, r := range b.String() {
			if r != '\n' && (unicode.IsControl(r) && r != '\t' || unicode.Is(unicode.Cf, r)) {
				t.Errorf("%s holds %U", kind, r)
				break
			}
		}
		if kind == "html" && strings.Contains(b.String(), "<script") {
			t.Errorf("html holds a script")
		}
		if kind == "touchstone" && strings.Count(b.String(), "\n#") != 1 {
			t.Errorf("touchstone has more than one option line")
		}
	}
}

func TestSVGIsWellFormed(t *testing.T) {
	for name, input := range inputs {
		in := input()
		for _, p := range append(Plots(in), XYPlots(in)...) {
			var file, inline bytes.Buffer
			if err := errors.Join(p.WriteSVG(&file), p.WriteInline(&inline)); err != nil {
				t.Fatal(err)
			}
			a, err := parseXML(file.Bytes())
			if err != nil {
				t.Fatalf("%s, %s: %v", name, p.Name, err)
			}
			if len(a["xmlns"]) != 1 || a["xmlns"][0] != "http://www.w3.org/2000/svg" || bytes.Count(file.Bytes(), []byte("://")) != 1 {
				t.Errorf("%s, %s: name spaces %q", name, p.Name, a["xmlns"])
			}
			if a, err = parseXML(inline.Bytes()); err != nil || len(a["xmlns"]) != 0 {
				t.Errorf("%s, %s inline: %v", name, p.Name, err)
			}
			if len(a["id"]) > 0 || a["element"][1] != "title" || a["element"][2] != "desc" {
				t.Errorf("%s, %s: ids %q, elements %q", name, p.Name, a["id"], a["element"][:3])
			}
			if regexp.MustCompile(`#[0-9A-Fa-f]{6}`).Match(inline.Bytes()) {
				t.Errorf("%s, %s inline holds a fixed colour", name, p.Name)
			}
		}
	}
}

func TestJSONShape(t *testing.T) {
	for name, input := range inputs {
		in := input()
		var b bytes.Buffer
		if err := JSON(&b, in); err != nil {
			t.Fatal(name, err)
		}
		var got struct {
			Run     map[string]any
			Summary map[string]any
			Steps   []map[string]any
		}
		d := json.NewDecoder(&b)
		if err := d.Decode(&got); err != nil {
			t.Fatal(name, err)
		}
		want := func(object map[string]any, keys ...string) {
			t.Helper()
			for _, k := range keys {
				if _, ok := object[k]; !ok {
					t.Errorf("%s: no key %q in %v", name, k, object)
				}
			}
		}
		want(got.Run, "id", "kind", "label", "started", "finished", "state", "calibration", "verdict")
		want(got.Summary, "band_hz", "pass_from_hz", "pass_to_hz", "worst")
		for k, w := range got.Summary["worst"].(map[string]any) {
			want(w.(map[string]any), "frequency_hz", "value", "u_")
			if !strings.HasSuffix(k, "_db") && !strings.HasSuffix(k, "_deg") {
				t.Errorf("%s: worst %q has no unit", name, k)
			}
		}
		if len(got.Steps) != len(in.Steps) {
			t.Fatalf("%s: %d steps of %d", name, len(got.Steps), len(in.Steps))
		}
		for i, s := range got.Steps {
			want(s, "frequency_hz", "drive_dbm", "range_vpp", "captures", "fill", "ratio_re", "ratio_im",
				"amplitude_balance_db", "u_amplitude_balance_db", "phase_balance_deg", "u_phase_balance_deg",
				"common_mode_rejection_db", "insertion_loss_db", "verdict")
			step := &in.Steps[i]
			if !step.Measured {
				for _, k := range []string{"ratio_re", "amplitude_balance_db", "u_phase_balance_deg", "insertion_loss_db"} {
					if s[k] != nil {
						t.Errorf("%s, step %d: %s = %v where nothing was measured", name, i, k, s[k])
					}
				}
				if s["verdict"] != string(conformity.NotMeasurable) {
					t.Errorf("%s, step %d: verdict %v", name, i, s["verdict"])
				}
			} else if !in.calibrates() && name != "hostile" && s["phase_balance_deg"] != nil &&
				s["phase_balance_deg"].(float64) != float64(step.Result.PhaseBalance) {
				t.Errorf("%s, step %d: phase balance %v, want %v", name, i, s["phase_balance_deg"], step.Result.PhaseBalance)
			}
		}
	}
}

func TestCSVReadsBack(t *testing.T) {
	for name, input := range inputs {
		in := input()
		var b bytes.Buffer
		if err := CSV(&b, in); err != nil {
			t.Fatal(name, err)
		}
		rows, err := csv.NewReader(&b).ReadAll() // refuses rows of differing length
		if err != nil {
			t.Fatal(name, err)
		}
		if len(rows) != len(in.Steps)+2 {
			t.Fatalf("%s: %d rows for %d steps", name, len(rows), len(in.Steps))
		}
		at := map[string]int{}
		for i, c := range rows[0] {
			if _, twice := at[c]; twice {
				t.Errorf("%s: two columns %q", name, c)
			}
			at[c] = i
		}
		if u := rows[1][at["frequency"]]; u != "Hz" {
			t.Errorf("%s: frequency in %q", name, u)
		}
		for i, row := range rows[2:] {
			s := &in.Steps[i]
			if name == "hostile" {
				continue
			}
			check := func(column string, want float64) {
				t.Helper()
				got, err := strconv.ParseFloat(row[at[column]], 64)
				if err != nil || got != want {
					t.Errorf("%s, step %d: %s = %q, want %v", name, i, column, row[at[column]], want)
				}
			}
			check("frequency", float64(s.Point.Frequency))
			check("drive", float64(s.Point.Drive))
			check("fill_2", s.Fill[1])
			if taken, err := time.Parse(time.RFC3339Nano, row[at["taken"]]); err != nil || !taken.Equal(s.Taken) {
				t.Errorf("%s, step %d: taken %q", name, i, row[at["taken"]])
			}
			if in.calibrates() {
				check("ratio_read_im", imag(s.Point.Ratio))
			} else if _, ok := amplitudeBalance.at(s); ok {
				check("amplitude_balance", float64(s.Result.AmplitudeBalance))
				check("u_amplitude_balance", float64(s.Result.UAmplitudeBalance))
				check("ratio_re", real(s.Result.Ratio))
			} else if row[at["amplitude_balance"]] != "" {
				t.Errorf("%s, step %d: %q where not measurable", name, i, row[at["amplitude_balance"]])
			}
			if got, want := row[at["verdict"]], string(s.verdict()); got != want {
				t.Errorf("%s, step %d: verdict %q, want %q", name, i, got, want)
			}
		}
	}
}

// TestNotMeasurableIsNoNumber: a quantity that the decision calls not
// measurable shows no figure anywhere, though the result holds one.
func TestNotMeasurableIsNoNumber(t *testing.T) {
	in := single.input()
	s := &in.Steps[0]
	s.Result.PhaseBalance, s.Result.UPhaseBalance = 77.25, 99
	s.Decision.PhaseBalance, s.Decision.Verdict = conformity.NotMeasurable, conformity.NotMeasurable
	in.Figures = nil
	for _, kind := range []string{"text", "csv", "json", "html"} {
		var b bytes.Buffer
		if err := outputs[kind](&b, in); err != nil {
			t.Fatal(err)
		}
		if strings.Contains(b.String(), "77.25") || strings.Contains(b.String(), "77°") {
			t.Errorf("%s shows a phase balance that is not measurable", kind)
		}
		if !strings.Contains(b.String(), string(conformity.NotMeasurable)) {
			t.Errorf("%s does not say not measurable", kind)
		}
	}
}

func TestTextTellsTheVerdictFirst(t *testing.T) {
	for name, want := range map[string]string{
		"good": "✓ PASS", "failing": "✗ FAIL", "calibration": "· CALIBRATION", "no-limits": "· MEASURED, NO LIMITS GIVEN",
		"empty": "× NOT MEASURABLE",
	} {
		var b bytes.Buffer
		if err := Text(&b, inputs[name](), Options{}); err != nil {
			t.Fatal(err)
		}
		if !strings.HasPrefix(b.String(), want+"  ") {
			t.Errorf("%s begins with %.40q, want %q", name, b.String(), want)
		}
	}
}

func TestTextColourIsOnlyColour(t *testing.T) {
	var plain, coloured bytes.Buffer
	in := failing.input()
	if err := errors.Join(Text(&plain, in, Options{}), Text(&coloured, in, Options{Colour: true})); err != nil {
		t.Fatal(err)
	}
	if plain.String() == coloured.String() {
		t.Error("no colour")
	}
	stripped := regexp.MustCompile(`\x1b\[[0-9;]*m`).ReplaceAllString(coloured.String(), "")
	if stripped != plain.String() {
		t.Error("the words differ with colour")
	}
}

func TestTextSaysWhy(t *testing.T) {
	var b bytes.Buffer
	in := inputs["running"]()
	if err := Text(&b, in, Options{}); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Why\n", "fail (phase balance 5.", "15 steps", "not complete (failed: scope at", "34 days old",
		"2 hours 14 minutes before this run", "arms exchanged"} {
		if !strings.Contains(b.String(), want) {
			t.Errorf("no %q in:\n%s", want, b.String())
		}
	}
}

// TestTableIsAligned: columns set to the right end at the same place in every row.
func TestTableIsAligned(t *testing.T) {
	var b bytes.Buffer
	if err := Text(&b, noisy.input(), Options{Table: true}); err != nil {
		t.Fatal(err)
	}
	_, table, _ := strings.Cut(b.String(), "\nstep ")
	table, _, _ = strings.Cut(table, "(a verdict in brackets")
	lines := strings.Split(strings.TrimSuffix(table, "\n"), "\n")
	end := utf8.RuneCountInString(lines[0][:strings.Index(lines[0], "fill 1")+len("fill 1")]) + len("step ")
	if len(lines) != 122 {
		t.Fatalf("%d lines", len(lines))
	}
	for _, line := range lines[1:] {
		r := []rune(line)
		if len(r) < end || r[end-1] == ' ' || r[end] != ' ' {
			t.Errorf("fill does not end at column %d: %q", end, line)
		}
		if strings.HasSuffix(line, " ") {
			t.Errorf("trailing blanks: %q", line)
		}
	}
}

func TestTruthIsStatedWithErrors(t *testing.T) {
	in := good.input()
	s := &in.Steps[60]
	exact, off := phaseBalance.truthAt(s)
	a, _ := strconv.ParseFloat(exact, 64)
	e, _ := strconv.ParseFloat(off, 64)
	if math.Abs(a+e-float64(s.Result.PhaseBalance)) > 1.01e-4 { // two figures rounded to 1e-4
		t.Errorf("exact %s and error %s do not add up to %v", exact, off, s.Result.PhaseBalance)
	}
	var with, without bytes.Buffer
	if err := errors.Join(Text(&with, in, Options{Table: true, Truth: true}), Text(&without, in, Options{Table: true})); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(with.String(), "exact") || strings.Contains(without.String(), "exact") {
		t.Error("exact values stated when not asked for, or not when asked for")
	}
}

func TestLongTableSaysWhatItShows(t *testing.T) {
	in := long.input()
	rows, every := in.rows()
	if every != 5 || len(rows) > mostRows || len(rows) < mostRows/4 {
		t.Errorf("%d rows, one in %d", len(rows), every)
	}
	for _, q := range in.quantities() {
		if i := q.worstIn(&in); !slices.Contains(rows, i) {
			t.Errorf("the worst %s, step %d, is not shown", q.name, i)
		}
	}
	var b bytes.Buffer
	if err := HTML(&b, in); err != nil {
		t.Fatal(err)
	}
	if want := fmt.Sprintf("%d of 2500 steps: one in 5,", len(rows)); !strings.Contains(b.String(), want) {
		t.Errorf("no note %q", want)
	}
	if b.Len() > 1<<20 {
		t.Errorf("page of %d bytes", b.Len())
	}
	short := good.input()
	if rows, every := short.rows(); every != 1 || len(rows) != len(short.Steps) {
		t.Errorf("%d of %d rows of a short run", len(rows), len(short.Steps))
	}
}

// TestFailedWriteIsReported: an error of the writer comes back.
func TestFailedWriteIsReported(t *testing.T) {
	in := good.input()
	for kind, write := range outputs {
		if err := write(brokenWriter{}, in); !errors.Is(err, errBroken) {
			t.Errorf("%s: %v", kind, err)
		}
	}
}

var errBroken = errors.New("disk full")

type brokenWriter struct{}

func (brokenWriter) Write([]byte) (int, error) { return 0, errBroken }
