package panel

import (
	"fmt"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// sound looks for what no page may hold.
func sound(t *testing.T, path, page string) {
	t.Helper()
	for _, wrong := range []string{"NaN", "+Inf", "-Inf", "ZgotmplZ", "%!", "<nil>", "<style", "\u202e"} {
		if strings.Contains(page, wrong) {
			i := strings.Index(page, wrong)
			t.Errorf("%s holds %q: …%s…", path, wrong, page[max(0, i-80):min(len(page), i+80)])
		}
	}
	bare := regexp.MustCompile(`="[^"]*"`).ReplaceAllString(page, `=""`) // what stands in a value is text
	for _, live := range regexp.MustCompile(`<[a-z][^>]*? (style|on[a-z]+)=[^>]*>`).FindAllString(bare, -1) {
		t.Errorf("%s: %s", path, live)
	}
	if n := strings.Count(page, "<script"); n != 1 || !strings.Contains(page, `<script src="/public/panel.js" defer></script>`) {
		t.Errorf("%s: %d scripts", path, n)
	}
	for _, once := range []string{"<h1>", "<main ", "<header ", `role="status"`, `lang="en"`, "<title>"} {
		want := 1
		if once == "<title>" {
			want += strings.Count(page, "<svg") // each picture has its own
		}
		if n := strings.Count(page, once); n != want {
			t.Errorf("%s: %d × %s, not %d", path, n, once, want)
		}
	}
	seen := map[string]bool{}
	for _, m := range regexp.MustCompile(` id="([^"]*)"`).FindAllStringSubmatch(page, -1) {
		if seen[m[1]] {
			t.Errorf("%s: two elements are called %q", path, m[1])
		}
		seen[m[1]] = true
	}
	for _, m := range regexp.MustCompile(` (?:for|aria-labelledby|aria-describedby)="([^"]*)"`).FindAllStringSubmatch(page, -1) {
		if !seen[m[1]] {
			t.Errorf("%s: nothing is called %q", path, m[1])
		}
	}
	for _, m := range regexp.MustCompile(`(?:href|src|action)="(https?:)?//`).FindAllString(page, -1) {
		t.Errorf("%s: another address: %s", path, m)
	}
}

// TestPagesOfARealStore walks through every page of a bench with runs.
func TestPagesOfARealStore(t *testing.T) {
	r := newRig(t, 9, 0)
	r.measured(url.Values{"kind": {"balun"}, "label": {"winding 3"}})
	r.measured(url.Values{"kind": {"balun"}, "label": {"winding 4"}, "ready": {"yes"}})
	r.measured(url.Values{"kind": {"swapped"}, "label": {"winding 4"}, "straight": {"3"}})
	for path, want := range map[string][]string{
		"/":                      {"Nothing is running", "Latest runs", "winding 4", `href="/runs/3"`},
		"/queue":                 {"nightly", "30 2 * * *", "Queue the job", "Ended", "done"},
		"/jobs/1":                {"“balun 1”", "winding 3", `href="/runs/1"`, `href="/runs/2"`, "Calibration", "done", "pass"},
		"/jobs/3":                {"Straight run", `href="/runs/3"`},
		"/runs":                  {"winding 3", "winding 4", "Compare the ticked runs", "pass", "1 to 4 of 4 runs"},
		"/runs?kind=calibration": {"1 to 1 of 1 run"},
		"/runs?kind=swapped":     {"arms exchanged"},
		"/runs?before=3":         {"3 to 4 of 4 runs", `href="/runs?after=2"`},
		"/runs?after=2":          {"1 to 2 of 4 runs", `href="/runs?before=3"`},
		"/runs?before=1":         {"No run"},
		"/runs/1":                {"Gain mismatch", "data-words", `href="/runs/1/fixture"`},
		"/runs/2": {"Phase balance", "data-words", `href="/api/v1/runs/2/report"`, "X-Y figures", "data-boxes",
			"arm 2 is", "winding 3", `href="/runs/1/fixture"`, "<table"},
		"/runs/2?from=30+MHz&to=100+MHz":              {`value="30 MHz"`, "Whole span", "data-words"},
		"/runs/2?from=1+GHz":                          {"No step of this run lies in that band"},
		"/runs/2?from=much":                           {"is no frequency", `aria-invalid="true"`},
		"/runs/2?from=3+MHz&to=2+MHz":                 {"is empty"},
		"/runs/4":                                     {"arms exchanged"},
		"/runs/1/fixture":                             {"Skew", "data-words", "Linearity of level", "left by a smooth course"},
		"/compare?run=2&run=3":                        {"Difference of phase balance", "data-words", "run 2 ", "How it was decided", "against run 2"},
		"/compare?run=2&run=3&baseline=3&from=30+MHz": {"against run 3", "Whole span", `name="baseline" value="3"`},
		"/bench": {"plate 1", "✓ answers", "GiB left", "Time of a step", "Added by the daemon", "Mean of 9 steps"},
		"/log":   {"job queued", "kind balun"},
	} {
		page := r.get(http.StatusOK, path)
		sound(t, path, page)
		for _, w := range want {
			if !strings.Contains(strings.ToLower(page), strings.ToLower(w)) {
				t.Errorf("%s: no %q", path, w)
			}
		}
	}
	for path, code := range map[string]int{
		"/jobs/99": 404, "/jobs/x": 404, "/runs/99": 404, "/runs/x": 404, "/runs/0": 404, "/runs/99/fixture": 404, "/runs/2/fixture": 404, "/nothing": 404,
		"/runs?kind=x": 400, "/runs?before=0": 400, "/runs?after=x": 400, "/runs/2/plots/x.svg": 404, "/runs/2/plots/drive.svg?from=x": 400,
		"/compare": 400, "/compare?run=2": 400, "/compare?run=2&run=2": 400, "/compare?run=2&run=x": 400,
		"/compare?run=1&run=2": 422, "/compare?run=2&run=99": 404, "/runs/1/three-port.s3p": 409,
	} {
		page := r.get(code, path)
		sound(t, path, page)
		if !strings.Contains(page, `role="alert"`) {
			t.Errorf("%s: nothing is said", path)
		}
	}
	for path, want := range map[string][2]string{
		"/runs/2/steps.csv":                  {"text/csv", "frequency"},
		"/runs/2/report.json":                {"application/json", `"winding 3"`},
		"/runs/2/three-port.s3p":             {"text/plain", "# "},
		"/runs/2/plots/phase-balance.svg":    {"image/svg+xml", "Phase balance"},
		"/runs/2/plots/drive.svg?to=100 MHz": {"image/svg+xml", "Drive"},
		"/public/panel.css":                  {"text/css", "--first"},
		"/public/panel.js":                   {"text/javascript", "EventSource"},
		"/public/mark.svg":                   {"image/svg+xml", "<svg"},
	} {
		response, err := http.Get(r.base + strings.ReplaceAll(path, " ", "%20"))
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(response.Body)
		response.Body.Close()
		if err != nil || response.StatusCode != 200 || !strings.HasPrefix(response.Header.Get("Content-Type"), want[0]) || !strings.Contains(string(text), want[1]) {
			t.Errorf("%s: %s %s %v", path, response.Status, response.Header.Get("Content-Type"), err)
		}
	}
}

// TestForms: what is wrong in a form is said beside it, and nothing is queued.
func TestForms(t *testing.T) {
	r := newRig(t, 5, 0)
	for _, c := range []struct {
		form url.Values
		code int
		want string
	}{
		{url.Values{}, 422, "kind of job is missing"},
		{url.Values{"kind": {"toast"}}, 422, "is no kind of job"},
		{url.Values{"kind": {"series"}, "every": {"15 min"}}, 422, "needs its end"},
		{url.Values{"kind": {"series"}, "every": {"soon"}, "for": {"8 h"}}, 422, "is not a time"},
		{url.Values{"kind": {"series"}, "every": {"15 min"}, "until": {"late"}}, 422, "is not a time"},
		{url.Values{"kind": {"series"}, "every": {"15 min"}, "until": {"07:00"}, "for": {"8 h"}}, 422, "ends at one time"},
		{url.Values{"kind": {"series"}, "every": {"15 min"}, "repeats": {"some"}}, 422, "is no number of repeats"},
		{url.Values{"kind": {"balun"}, "sleeves": {"two"}}, 422, "is no number of sleeves"},
		{url.Values{"kind": {"balun"}, "sleeves": {"-2"}}, 422, "cannot be negative"},
		{url.Values{"kind": {"swapped"}, "straight": {"77"}}, 422, "77"},
		{url.Values{"kind": {"swapped"}, "straight": {"x"}}, 422, "is not the number of a run"},
		{url.Values{"kind": {"balun"}, "label": {"a\x00b"}}, 422, "cannot be printed"},
		{url.Values{"kind": {"balun"}, "label": {strings.Repeat("x", 201)}}, 422, "more than 200 characters"},
	} {
		page := r.post(c.code, "/queue", c.form)
		sound(t, "/queue", page)
		if !strings.Contains(page, c.want) || !strings.Contains(page, `role="alert"`) {
			t.Errorf("%v: no %q", c.form, c.want)
		}
		if label := c.form.Get("label"); len(label) > 100 && !strings.Contains(page, label) {
			t.Error("what was typed is lost")
		}
	}
	if n := len(r.daemon.Queue().Jobs()); n != 0 {
		t.Fatalf("%d jobs were queued", n)
	}
	first := url.Values{"kind": {"balun"}, "name": {"one"}}
	r.post(http.StatusSeeOther, "/queue", first)
	if page := r.post(http.StatusConflict, "/queue", first); !strings.Contains(page, "is called") {
		t.Error("two jobs of one name")
	}
	for path, code := range map[string]int{
		"/jobs/1/again": 409, "/jobs/77/cancel": 404, "/jobs/x/cancel": 404, "/jobs/1/cancel": 303,
	} {
		if path != "/jobs/1/cancel" {
			r.post(code, path, nil)
		}
	}
	// Another site's page cannot do anything.
	for _, headers := range [][]string{{"Origin", "https://elsewhere.example"}, {"Sec-Fetch-Site", "cross-site"}} {
		r.post(http.StatusForbidden, "/jobs/1/cancel", nil, headers...)
		r.post(http.StatusForbidden, "/queue", url.Values{"kind": {"dry-run"}}, headers...)
	}
	if n := len(r.daemon.Queue().Jobs()); n != 1 {
		t.Errorf("%d jobs", n)
	}
	r.post(http.StatusSeeOther, "/jobs/1/cancel", nil)
	r.post(http.StatusConflict, "/jobs/1/cancel", nil)
}

// TestSeriesForm: a series ends by the clock, after so many, or both; its page
// says so and is where its buttons lead back to.
func TestSeriesForm(t *testing.T) {
	r := newRig(t, 5, 0)
	for i, c := range []struct {
		form url.Values
		want string
	}{
		{url.Values{"until": {"07:00"}}, "every 15 min until "},
		{url.Values{"repeats": {"2"}}, "every 15 min, 2 times."},
		{url.Values{"repeats": {"1"}, "for": {"8 h"}}, "every 15 min, 1 time or until "},
	} {
		c.form.Set("kind", "series")
		c.form.Set("every", "15 min")
		r.post(http.StatusSeeOther, "/queue", c.form)
		if page := r.get(http.StatusOK, "/queue"); !strings.Contains(page, c.want) {
			t.Errorf("the queue does not say %q", c.want)
		}
		path := fmt.Sprintf("/jobs/%d", i+1)
		page := r.get(http.StatusOK, path)
		sound(t, path, page)
		if want := strings.TrimSuffix(c.want, "."); !strings.Contains(page, want) || !strings.Contains(page, `name="back" value="job"`) || !strings.Contains(page, "None yet") {
			t.Errorf("%s does not say %q, or has no way to end it", path, want)
		}
		if until := r.daemon.Queue().Jobs()[i].Until; c.form.Get("until") != "" && until.Local().Format("15:04") != "07:00" {
			t.Errorf("it ends at %v", until)
		}
		r.post(http.StatusSeeOther, path+"/cancel", url.Values{"back": {"job"}})
		if page := r.get(http.StatusOK, path); !strings.Contains(page, "cancelled") || strings.Contains(page, "class=\"stop\"") {
			t.Errorf("%s is not cancelled", path)
		}
	}
}

// TestReadingsLieOnTheCurve: the marker of every reading is a point of a line
// or an arrow that is drawn.
func TestReadingsLieOnTheCurve(t *testing.T) {
	r := newRig(t, 9, 0)
	r.measured(url.Values{"kind": {"balun"}})
	r.measured(url.Values{"kind": {"balun"}, "ready": {"yes"}})
	r.measured(url.Values{"kind": {"balun"}, "ready": {"yes"}})
	figures := regexp.MustCompile(`(?s)<figure class="curve" id="([^"]*)" data-count="(\d+)" data-across="([^"]*)" data-down="([^"]*)".*?</figure>`)
	point := regexp.MustCompile(`[ML](-?[0-9.]+),(-?[0-9.]+)`)
	read := 0
	for _, path := range []string{"/runs/1", "/runs/2", "/runs/2?from=20+MHz&to=150+MHz", "/runs/1/fixture", "/compare?run=2&run=3", "/compare?run=2&run=3&run=4"} {
		found := figures.FindAllStringSubmatch(r.get(http.StatusOK, path), -1)
		if len(found) < 2 {
			t.Errorf("%s: %d curves", path, len(found))
		}
		for _, f := range found {
			box := viewBox.FindStringSubmatch(f[0])
			var height float64
			if _, err := fmt.Sscan(box[2], &height); err != nil {
				t.Fatal(err)
			}
			var drawn [][2]float64
			for _, m := range point.FindAllStringSubmatch(f[0], -1) {
				var x, y float64
				fmt.Sscan(m[1], &x)
				fmt.Sscan(m[2], &y)
				drawn = append(drawn, [2]float64{x, height - y})
			}
			across, down := strings.Fields(f[3]), strings.Fields(f[4])
			if len(across) != len(down) || fmt.Sprint(len(across)) != f[2] {
				t.Fatalf("%s %s: %d and %d places of %s", path, f[1], len(across), len(down), f[2])
			}
			for i := range across {
				var x, y float64
				if _, err := fmt.Sscan(across[i]+" "+down[i], &x, &y); err != nil {
					t.Errorf("%s %s: reading %d has no place: %s %s", path, f[1], i, across[i], down[i])
					continue
				}
				read++
				// Of a view box of 420; a lone point is a disc, which begins at its edge.
				const near, radius = 0.7, 2.0
				if !slices.ContainsFunc(drawn, func(p [2]float64) bool { return max(p[0]-x, x-p[0]) < radius && max(p[1]-y, y-p[1]) < near }) {
					t.Errorf("%s %s: reading %d at %.1f %.1f is not on the curve", path, f[1], i, x, y)
				}
			}
		}
	}
	if read < 200 {
		t.Errorf("only %d readings", read)
	}
}
