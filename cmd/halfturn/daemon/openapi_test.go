package daemon

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"testing"

	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"

	"halfturn/sweep/queue"
)

// documented reads the document.
func documented(t testing.TB) validator.Validator {
	t.Helper()
	document, err := libopenapi.NewDocument(openAPI)
	if err != nil {
		t.Fatal(err)
	}
	v, errs := validator.NewValidator(document)
	if len(errs) > 0 {
		t.Fatal(errs)
	}
	return v
}

// The document is a valid one, and has every route and no other.
func TestOpenAPIHasEveryRoute(t *testing.T) {
	t.Parallel()
	v := documented(t)
	if ok, errs := v.ValidateDocument(); !ok {
		for _, e := range errs {
			t.Errorf("%s: %s %v", e.Message, e.Reason, e.SchemaValidationErrors)
		}
	}
	var document struct {
		Paths map[string]map[string]any
	}
	if err := json.Unmarshal(openAPI, &document); err != nil {
		t.Fatal(err)
	}
	var written, served []string
	for path, operations := range document.Paths {
		for method := range operations {
			written = append(written, strings.ToUpper(method)+" "+path)
		}
	}
	for _, r := range (&Daemon{}).routes() {
		served = append(served, r.method+" "+r.path)
	}
	slices.Sort(written)
	slices.Sort(served)
	if !slices.Equal(written, served) {
		t.Errorf("documented\n%s\nserved\n%s", strings.Join(written, "\n"), strings.Join(served, "\n"))
	}
}

// Each route's replies, the good ones and the bad, are as the document says,
// on a bench at work.
func TestRepliesAreAsDocumented(t *testing.T) {
	t.Parallel()
	v := documented(t)
	r := newRig(t, `  schedules:
    - {name: nightly, when: 30 2 * * *, zone: Europe/Lisbon, job: balun, label: winding 3}
    - {name: weekend, when: 0 18 * * 5, zone: UTC, job: series, every: 30 min, for: 60 h}
    - {name: nights, when: 0 18 * * *, zone: Asia/Tokyo, job: series, every: 30 min, until: 06:30, repeats: 20}
`).begin()
	r.until(r.submit(`{"kind": "balun", "label": "winding 1"}`).ID, queue.Done)
	r.until(r.submit(`{"kind": "balun", "label": "winding 1"}`).ID, queue.Done)
	r.until(r.submit(`{"kind": "balun", "label": "winding 1"}`).ID, queue.Done)
	asking := r.submit(`{"kind": "balun", "label": "winding 2", "name": "another"}`)
	r.waitFor("the question", func() bool {
		return get[queue.Job](r, fmt.Sprintf("%s/jobs/%d", root, asking.ID)).State == queue.Asking
	})
	covered := map[string]bool{}
	check := func(want int, method, path, body string, headers ...string) {
		t.Helper()
		var in io.Reader
		if body != "" {
			in = strings.NewReader(body)
		}
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		request, err := http.NewRequestWithContext(ctx, method, r.base+path, in)
		if err != nil {
			t.Fatal(err)
		}
		if method == "POST" {
			request.Header.Set("Content-Type", "application/json")
		}
		for i := 0; i+1 < len(headers); i += 2 {
			request.Header.Set(headers[i], headers[i+1])
		}
		response, err := http.DefaultClient.Do(request)
		if err != nil {
			t.Fatal(err)
		}
		defer response.Body.Close()
		if response.StatusCode != want {
			text, _ := io.ReadAll(response.Body)
			t.Errorf("%s %s: %s, want %d: %s", method, path, response.Status, want, text)
			return
		}
		if strings.HasPrefix(response.Header.Get("Content-Type"), "text/event-stream") {
			line, err := bufio.NewReader(response.Body).ReadString('\n')
			if err != nil || line != "event: state\n" {
				t.Errorf("the stream begins with %q: %v", line, err)
			}
			cancel()
			response.Body = io.NopCloser(strings.NewReader("event: state\n"))
		}
		if ok, errs := v.ValidateHttpResponse(request, response); !ok {
			for _, e := range errs {
				t.Errorf("%s %s %d: %s: %s", method, path, want, e.Message, e.Reason)
				for _, s := range e.SchemaValidationErrors {
					t.Errorf("   %s at %s", s.Reason, s.KeywordLocation)
				}
			}
		}
		for _, route := range r.daemon.routes() {
			if route.method == method && fits(route.path, strings.SplitN(path, "?", 2)[0]) && want < 300 {
				covered[method+" "+route.path] = true
			}
		}
	}
	check(200, "GET", root+"/bench", "")
	check(200, "GET", root+"/runs?limit=1", "")
	check(200, "GET", root+"/runs?kind=balun&before=9", "")
	check(400, "GET", root+"/runs?limit=0", "")
	check(400, "GET", root+"/runs?kind=choke", "")
	check(200, "GET", root+"/runs/1", "")
	check(404, "GET", root+"/runs/99", "")
	check(400, "GET", root+"/runs/none", "")
	check(200, "GET", root+"/runs/1/steps", "")
	check(200, "GET", root+"/runs/2/steps?from=3", "")
	check(200, "GET", root+"/runs/2/steps?from=1&limit=2", "")
	check(400, "GET", root+"/runs/2/steps?from=-1", "")
	check(200, "GET", root+"/runs/1/report", "")
	check(200, "GET", root+"/runs/2/report", "")
	check(404, "GET", root+"/runs/99/report", "")
	check(200, "GET", root+"/comparisons?runs=2,3", "")
	check(200, "GET", root+"/comparisons?runs=2,3,4", "")
	check(200, "GET", root+"/comparisons/report?runs=2,3", "")
	check(422, "GET", root+"/comparisons?runs=1,2", "")
	check(404, "GET", root+"/comparisons?runs=2,99", "")
	check(400, "GET", root+"/comparisons?runs=1", "")
	check(400, "GET", root+"/comparisons/report?runs=1,x", "")
	check(200, "GET", root+"/jobs", "")
	check(200, "GET", root+"/jobs/1", "")
	check(404, "GET", root+"/jobs/99", "")
	check(400, "GET", root+"/jobs/0", "")
	check(201, "POST", root+"/jobs", `{"kind": "series", "every": "30 min", "until_clock": "06:30", "repeats": 4, "label": "drift"}`)
	check(422, "POST", root+"/jobs", `{"kind": "series", "every": "30 min", "until_clock": "7"}`)
	check(409, "POST", root+"/jobs", `{"kind": "balun", "name": "another"}`)
	check(422, "POST", root+"/jobs", `{"kind": "choke"}`)
	check(422, "POST", root+"/jobs", `{"kind": "balun", "bench": "Hut 4"}`)
	check(422, "POST", root+"/jobs", `{"kind": "swapped", "straight": 99}`)
	check(422, "POST", root+"/jobs", `{"kind": "series", "every": "30 min", "until": "2001-02-03T04:05:06Z"}`)
	check(400, "POST", root+"/jobs", `{"kind": "balun", "lable": "winding"}`)
	check(400, "POST", root+"/jobs", `{`)
	check(400, "POST", root+"/jobs", `{"kind": "balun"} {}`)
	check(415, "POST", root+"/jobs", `kind=balun`, "Content-Type", "application/x-www-form-urlencoded")
	check(403, "POST", root+"/jobs", `{"kind": "balun"}`, "Sec-Fetch-Site", "cross-site")
	check(400, "POST", root+"/jobs/4/answer", `{"ready": false}`)
	check(409, "POST", root+"/jobs/1/answer", `{"ready": true}`)
	check(404, "POST", root+"/jobs/99/answer", `{"ready": true}`)
	check(200, "POST", root+"/jobs/4/cancel", "")
	check(409, "POST", root+"/jobs/4/cancel", "")
	check(404, "POST", root+"/jobs/99/cancel", "")
	check(409, "POST", root+"/jobs/4/again", "")
	check(200, "POST", root+"/jobs/5/cancel", "")
	check(200, "GET", root+"/schedules", "")
	check(200, "GET", root+"/log", "")
	check(200, "GET", root+"/log?lines=3", "")
	check(400, "GET", root+"/log?lines=many", "")
	check(200, "GET", root+"/events", "")
	check(200, "GET", root+"/openapi.json", "")
	check(200, "GET", "/healthz", "")
	check(200, "GET", "/readyz", "")
	check(200, "GET", "/metrics", "")
	// Wrong thing in the fixture: parked, and tried again.
	r.server.Fit(0)
	parked := r.submit(`{"kind": "balun", "ready": true, "name": "nothing there"}`)
	r.until(parked.ID, queue.Parked)
	check(200, "POST", fmt.Sprintf("%s/jobs/%d/again", root, parked.ID), "")
	check(200, "GET", root+"/bench", "")
	r.server.FitForMeasurement()
	last := r.submit(`{"kind": "calibration", "name": "asks"}`)
	r.waitFor("the question", func() bool {
		j := get[queue.Job](r, fmt.Sprintf("%s/jobs/%d", root, last.ID))
		if p := get[queue.Job](r, fmt.Sprintf("%s/jobs/%d", root, parked.ID)); p.State == queue.Asking {
			check(200, "POST", fmt.Sprintf("%s/jobs/%d/answer", root, parked.ID), `{"ready": true}`)
		}
		return j.State == queue.Asking
	})
	r.server.FitForCalibration()
	check(200, "POST", fmt.Sprintf("%s/jobs/%d/answer", root, last.ID), `{"ready": true}`)
	for _, route := range r.daemon.routes() {
		name := route.method + " " + route.path
		if !covered[name] {
			t.Errorf("%s has no good reply here", name)
		}
	}
}

// fits tells whether a path is one of a pattern.
func fits(pattern, path string) bool {
	a, b := strings.Split(pattern, "/"), strings.Split(path, "/")
	return slices.EqualFunc(a, b, func(p, s string) bool { return p == s || strings.HasPrefix(p, "{") })
}
