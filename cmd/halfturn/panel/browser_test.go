package panel

import (
	"context"
	"fmt"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"halfturn/cmd/halfturn/daemon"
	"halfturn/cmd/halfturn/daemon/token"
	"halfturn/drivers/simbench"
	"halfturn/drivers/simbench/device"
	"halfturn/internal/testbench"
	"halfturn/sweep/queue"
)

// browser is a headless Chromium on the pages of a rig. Whatever it complains
// about, and whatever it asks of another address, fails the test.
type browser struct {
	*rig
	ctx context.Context
}

func newBrowser(r *rig) *browser {
	r.Helper()
	path := ""
	for _, name := range []string{"chromium", "chromium-browser"} {
		if found, err := exec.LookPath(name); err == nil {
			path = found
			break
		}
	}
	if path == "" {
		r.Skip("no chromium is installed: the pages are not tried in a browser")
	}
	dir := r.TempDir()
	options := []chromedp.ExecAllocatorOption{
		chromedp.ExecPath(path), chromedp.UserDataDir(filepath.Join(dir, "profile")), chromedp.Env("HOME=" + dir),
		chromedp.Headless, chromedp.NoSandbox, chromedp.DisableGPU, chromedp.NoFirstRun,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-background-networking", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true),
	}
	ctx, cancel := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, done := chromedp.NewContext(ctx)
	r.Cleanup(func() {
		_ = chromedp.Cancel(ctx) // waits for the browser to end
		done()
		cancel()
	})
	b := &browser{r, ctx}
	err := chromedp.Listen(ctx, func(event any) {
		switch e := event.(type) {
		case *runtime.EventExceptionThrown:
			r.Errorf("the script failed: %s", e.ExceptionDetails.Text)
		case *log.EventEntryAdded:
			// A page that is not there is asked for.
			if e.Entry.Level == log.EntryLevelError && !strings.Contains(e.Entry.Text, "404") {
				r.Errorf("the browser complains: %s %s", e.Entry.Text, e.Entry.URL)
			}
		case *network.EventRequestWillBeSent:
			if u := e.Request.URL; !strings.HasPrefix(u, r.base) && !strings.HasPrefix(u, "data:") {
				r.Errorf("another address is asked: %s", u)
			}
		}
	})
	if err != nil {
		r.Fatal(err)
	}
	b.do(func(ctx context.Context, t *chromedp.Target) (none chromedp.Void, err error) {
		if _, err = cdp.Call(ctx, t, log.Enable, cdp.Empty{}); err == nil {
			_, err = cdp.Call(ctx, t, network.Enable, network.EnableParams{})
		}
		return none, err
	})
	return b
}

// patience is how long one thing in the browser may take.
const patience = 30 * time.Second

func (b *browser) do(actions ...chromedp.Action[chromedp.Void]) {
	b.Helper()
	ctx, done := context.WithTimeout(b.ctx, patience)
	defer done()
	if err := chromedp.Do(ctx, actions...); err != nil {
		b.Fatalf("%v\n%s", err, b.log)
	}
}

// given is what an action finds.
func given[T any](b *browser, action chromedp.Action[T]) T {
	b.Helper()
	ctx, done := context.WithTimeout(b.ctx, patience)
	defer done()
	v, err := chromedp.Run(ctx, action)
	if err != nil {
		b.Fatalf("%v\n%s", err, b.log)
	}
	return v
}

// open goes to a page.
func (b *browser) open(path string) {
	b.Helper()
	b.do(chromedp.Navigate(b.base+path), chromedp.WaitReady(chromedp.CSS("main")))
}

// text of the whole page, as it is seen.
func (b *browser) text() string {
	b.Helper()
	return given(b, chromedp.Evaluate[string](`document.body?.innerText ?? ""`))
}

// sees waits until the page says something.
func (b *browser) sees(what string) {
	b.Helper()
	deadline := time.Now().Add(40 * time.Second)
	for !strings.Contains(b.text(), what) {
		if time.Now().After(deadline) {
			b.Fatalf("the page never said %q but\n%s\n%s", what, b.text(), b.log)
		}
		time.Sleep(50 * time.Millisecond)
	}
}

func (b *browser) value(expression string) string {
	b.Helper()
	return given(b, chromedp.Evaluate[string](`String(`+expression+`)`))
}

// click presses what a selector finds.
func (b *browser) click(selector string) {
	b.Helper()
	b.do(chromedp.Click(chromedp.CSS(selector), chromedp.NodeVisible))
}

// shot writes pictures of the page into the folder PANEL_PICTURES, where that is set.
func (b *browser) shot(name string) {
	b.Helper()
	dir := os.Getenv("PANEL_PICTURES")
	if dir == "" {
		return
	}
	for _, width := range []int64{1200, 390} {
		for _, scheme := range []string{"light", "dark"} {
			b.do(chromedp.EmulateViewport(width, 800), media(scheme), chromedp.Sleep(150*time.Millisecond))
			picture := given(b, chromedp.FullScreenshot(100))
			if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("%s-%d-%s.png", name, width, scheme)), picture, 0o600); err != nil {
				b.Fatal(err)
			}
		}
	}
	b.do(chromedp.EmulateViewport(800, 1100), media("print"), chromedp.Sleep(150*time.Millisecond))
	if err := os.WriteFile(filepath.Join(dir, name+"-print.png"), given(b, chromedp.FullScreenshot(100)), 0o600); err != nil {
		b.Fatal(err)
	}
	b.do(chromedp.EmulateViewport(1200, 800), media("light"))
}

// media is a browser that prefers light or dark, or prints.
func media(scheme string) chromedp.Action[chromedp.Void] {
	return func(ctx context.Context, t *chromedp.Target) (none chromedp.Void, err error) {
		p := emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}}
		if scheme == "print" {
			p = emulation.SetEmulatedMediaParams{Media: scheme}
		}
		_, err = cdp.Call(ctx, t, emulation.SetEmulatedMedia, p)
		return none, err
	}
}

// TestInABrowser works a bench from the page alone: queue jobs, answer what
// they ask, follow them, read a report, compare, stop a job.
func TestInABrowser(t *testing.T) {
	if testing.Short() {
		t.Skip("starts a browser")
	}
	b := newBrowser(newRig(t, 16, 150*time.Millisecond))

	// Queue a job; it asks for the cable and then for the balun.
	b.open("/queue")
	b.do(chromedp.SetValue(chromedp.CSS("#kind"), "balun"), chromedp.SendKeys(chromedp.CSS("#label"), "winding 3"))
	b.shot("queue-empty")
	b.click("form.job button")
	b.sees("Put the calibration cable into the fixture")
	b.open("/")
	b.sees("Put the calibration cable into the fixture")
	b.shot("now-asking")
	testbench.Fit(b.server, queue.Fit{What: queue.Cable})
	b.click(".ask button")
	b.sees("Put the balun")
	testbench.Fit(b.server, queue.Fit{What: queue.TheBalun})
	// Slow enough from some step on that no browser, however slow, comes late.
	b.server.Interfere(simbench.Scope, device.FromNth("INITiate", 12, func([]byte) simbench.Action {
		return simbench.Action{Delay: 500 * time.Millisecond}
	}))
	b.click(".ask button")

	// Follow it without touching the page.
	b.sees("So far")
	taken := func() string { return b.value(`document.querySelector("progress")?.value ?? "all"`) }
	for first, deadline := taken(), time.Now().Add(patience); taken() == first; time.Sleep(50 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("the page stays at step %s", first)
		}
	}
	// A new step takes neither the focus nor the reading away.
	b.do(chromedp.Focus(chromedp.CSS("#plot-phase-balance input")), chromedp.KeyEvent(kb.Home))
	for first, deadline := taken(), time.Now().Add(patience); taken() == first && first != "all"; time.Sleep(20 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("the page stays at step %s", first)
		}
	}
	held := b.value(`document.activeElement?.closest("figure")?.id + " " + document.activeElement?.value`)
	if taken() != "all" && held != "plot-phase-balance 0" {
		t.Errorf("after a new step the focus is at %s", held)
	}
	b.shot("now-measuring")
	b.server.Interfere(simbench.Scope, nil)
	b.sees("Nothing is running and nothing waits")
	if said := b.value(`document.getElementById("said").textContent`); !strings.Contains(said, "Nothing is running") {
		t.Errorf("a screen reader was told %q last", said)
	}
	b.sees("Run 2")
	b.shot("now-idle")

	// A dry run on a simulated bench.
	b.open("/queue")
	b.do(chromedp.SetValue(chromedp.CSS("#kind"), "dry-run"),
		chromedp.SetValue(chromedp.CSS("#scenario"), "good-balun"))
	b.click("form.job button")
	b.until(queue.Done)
	b.sees("dry-run, done")
	b.shot("queue")

	// Its report.
	b.open("/runs/2")
	b.shot("run")
	b.reads(t)
	b.do(chromedp.SetValue(chromedp.CSS("#from"), "30 MHz"), chromedp.SetValue(chromedp.CSS("#to"), "150 MHz"))
	b.click(".zoom button")
	b.sees("Whole span")
	b.click(`.links a[href="/api/v1/runs/2/report"]`)
	b.sees("Conditions")

	// Another run, and both compared by ticking them.
	b.measured(map[string][]string{"kind": {"balun"}, "label": {"winding 4"}, "ready": {"yes"}})
	b.open("/runs")
	b.shot("runs")
	b.click(`input[name=run][value="2"]`)
	b.click(`input[name=run][value="5"]`)
	b.click(`form[action="/compare"] button`)
	b.sees("against run 2")
	b.sees("Difference of phase balance")
	b.shot("compare")
	b.open("/runs/1/fixture")
	b.sees("skew")
	b.shot("fixture")
	b.open("/queue")
	b.click(`a[href="/jobs/1"]`)
	b.sees("What was asked for")
	b.shot("job")
	b.open("/bench")
	b.sees("answers")
	b.shot("bench")
	b.open("/log")
	b.sees("job queued")
	b.shot("log")

	b.fits(t)
	b.withoutScript(t)

	// Stop a job while it measures.
	b.open("/queue")
	b.do(chromedp.SetValue(chromedp.CSS("#kind"), "balun"), chromedp.SendKeys(chromedp.CSS("#name"), "to be stopped"))
	b.click("#ready")
	b.click("form.job button")
	b.sees("“to be stopped”")
	b.open("/")
	b.sees(" of 16")
	b.click("button.stop")
	b.sees("Nothing is running and nothing waits")
	if j := b.until(queue.Cancelled); j.Name != "to be stopped" {
		t.Errorf("%q was stopped", j.Name)
	}
}

// TestLogin: with a token nothing is shown before the login.
func TestLogin(t *testing.T) {
	secret, hash, err := token.New()
	if err != nil {
		t.Fatal(err)
	}
	r := newGuardedRig(t, 5, 0, hash)
	for path := range map[string]bool{"/": true, "/queue": true, "/runs": true, "/log": true, "/nothing": true} {
		request, err := http.NewRequest("GET", r.base+path, nil)
		if err != nil {
			t.Fatal(err)
		}
		request.Header.Set("Accept", "text/html")
		response, err := http.DefaultTransport.RoundTrip(request)
		if err != nil {
			t.Fatal(err)
		}
		r.read(response, http.StatusSeeOther, path)
		request.Header.Set("Authorization", "Bearer "+secret)
		if path == "/nothing" {
			continue
		}
		if response, err = http.DefaultTransport.RoundTrip(request); err != nil {
			t.Fatal(err)
		}
		if page := r.read(response, http.StatusOK, path); strings.Contains(page, secret) || strings.Contains(page, hash) || !strings.Contains(page, "Log out") {
			t.Errorf("%s tells a secret, or has no way out", path)
		}
	}
	r.get(http.StatusOK, "/public/panel.css")
	if testing.Short() {
		t.Skip("starts a browser")
	}
	b := newBrowser(r)
	b.open("/log")
	b.shot("login")
	b.do(chromedp.SendKeys(chromedp.CSS("#token"), secret))
	b.click("form button")
	b.sees("Nothing is running and nothing waits")
	b.open("/log")
	b.sees("somebody logged in")
	b.click("nav form button")
	b.sees("Access token")
}

// fits holds every page against what a phone, a keyboard and a screen reader
// need.
func (b *browser) fits(t *testing.T) {
	t.Helper()
	b.do(chromedp.EmulateViewport(390, 800))
	for _, path := range []string{"/", "/queue", "/jobs/1", "/runs", "/runs/1", "/runs/2", "/compare?run=2&run=5", "/runs/1/fixture", "/bench", "/log", "/runs/99"} {
		response := b.base + path
		b.do(chromedp.Navigate(response), chromedp.WaitReady(chromedp.CSS("main")))
		if wide := b.value(`document.documentElement.scrollWidth`); wide != "390" {
			t.Errorf("%s is %s wide on a phone of 390", path, wide)
		}
		wrong := b.value(`(() => {
			const wrong = [];
			for (const e of document.querySelectorAll("input:not([type=hidden]), select, button, a, [role=region], nav, form.zoom")) {
				const name = e.getAttribute("aria-label") || (e.getAttribute("aria-labelledby") && document.getElementById(e.getAttribute("aria-labelledby"))?.textContent)
					|| (e.labels && [...e.labels].map((l) => l.textContent).join(" ")) || e.textContent;
				if (!name.trim()) wrong.push("no name: " + e.outerHTML.slice(0, 80));
			}
			for (const e of document.querySelectorAll("button, nav a, input[type=checkbox], select")) {
				const box = (e.closest("label") ?? e).getBoundingClientRect();
				if (box.width > 0 && box.height > 0 && box.height < 24) wrong.push("too small to touch: " + e.outerHTML.slice(0, 80));
			}
			let level = 0;
			for (const h of document.querySelectorAll("h1, h2, h3")) {
				const n = Number(h.tagName[1]);
				if (n > level + 1) wrong.push("a heading is left out before " + h.textContent);
				level = n;
			}
			return wrong.join("; ");
		})()`)
		if wrong != "" {
			t.Errorf("%s: %s", path, wrong)
		}
	}
	// The first key goes to the link past the navigation.
	b.do(chromedp.Navigate(b.base+"/runs"), chromedp.KeyEvent(kb.Tab))
	if link := b.value(`document.activeElement.textContent + getComputedStyle(document.activeElement).outlineStyle`); link != "To the contentsolid" {
		t.Errorf("the first key goes to %q", link)
	}
	b.do(chromedp.EmulateViewport(1200, 800))
}

// withoutScript queues and cancels a job where scripts are off.
func (b *browser) withoutScript(t *testing.T) {
	t.Helper()
	scripts := func(off bool) chromedp.Action[chromedp.Void] {
		return func(ctx context.Context, tab *chromedp.Target) (none chromedp.Void, err error) {
			_, err = cdp.Call(ctx, tab, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: off})
			return none, err
		}
	}
	b.do(scripts(true))
	b.open("/queue")
	b.shot("queue-without-script")
	b.do(chromedp.SendKeys(chromedp.CSS("#name"), "by hand"))
	b.click("form.job button")
	b.sees("“by hand”")
	for deadline := time.Now().Add(patience); b.daemon.State().State != daemon.Asking; time.Sleep(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("the job does not ask for what it needs")
		}
	}
	b.open("/queue") // nothing else shows what has changed
	b.sees("Put the balun")
	b.click("#jobs .stop")
	b.sees("No job is open")
	b.do(scripts(false))
}

// reads reads a curve by pointer and by keyboard.
func (b *browser) reads(t *testing.T) {
	t.Helper()
	b.do(chromedp.ScrollIntoView(chromedp.CSS("#plot-phase-balance")))
	box := given(b, chromedp.Evaluate[[]float64](
		`(() => { const r = document.querySelector("#plot-phase-balance svg").getBoundingClientRect(); return [r.left, r.top, r.width, r.height] })()`))
	b.do(chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, box[0]+box[2]*0.97, box[1]+box[3]/2))
	last := `document.querySelector("#plot-phase-balance .reading").textContent`
	if text := b.value(last); !strings.Contains(text, "300 MHz: ") || !strings.Contains(text, "°") {
		t.Errorf("at the right edge the pointer reads %q", text)
	}
	b.do(chromedp.Focus(chromedp.CSS("#plot-phase-balance input")), chromedp.KeyEvent(kb.Home))
	first := b.value(last)
	if !strings.Contains(first, "10 MHz: ") {
		t.Errorf("the first step reads %q", first)
	}
	b.do(chromedp.KeyEvent(kb.ArrowRight))
	if next := b.value(last); next == first {
		t.Error("an arrow key does not go to the next step")
	}
	if said := b.value(`document.querySelector("#plot-phase-balance input").getAttribute("aria-valuetext")`); said != b.value(last) {
		t.Errorf("a screen reader is told %q", said)
	}
	b.do(chromedp.ScrollIntoView(chromedp.CSS("#figure-1")))
	box = given(b, chromedp.Evaluate[[]float64](
		`(() => { const r = document.querySelector("#figure-1 svg").getBoundingClientRect(); return [r.left, r.top, r.width, r.height] })()`))
	b.do(chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, box[0]+box[2]*0.45, box[1]+box[3]*0.7))
	if words := b.value(`document.querySelector("#figure-1 .words").textContent`); !regexp.MustCompile(`^At the pointer arm 1 [0-9.]+ mV, arm 2 -[0-9.]+ mV\.$`).MatchString(words) {
		t.Errorf("in the X-Y figure the pointer reads %q", words)
	}
	if y := b.value(`document.querySelector("#plot-phase-balance .spot").getAttribute("cy")`); y == "null" || y == "NaN" {
		t.Errorf("the marker stands at %s", y)
	}
}
