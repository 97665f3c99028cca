package board

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	tandemv1 "tandem/proto/tandem/v1"
)

// axeVersion is the accessibility checker that the pages must pass (axe-core, licence MPL-2.0; .ci/run fetches it).
const axeVersion = "4.14.1"

// missing skips a test that needs a part this machine does not have; where everything must be there it fails.
func missing(t testing.TB, what, remedy string) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatalf("%s is missing: %s", what, remedy)
	}
	t.Skipf("%s is missing: %s", what, remedy)
}

// tab is a page in a real browser, with what it complained about.
type tab struct {
	t   testing.TB
	ctx context.Context

	mu         sync.Mutex
	complaints []string
}

// oneBrowser is shared by all tests, each with tabs of its own; TestMain ends it.
var oneBrowser struct {
	once sync.Once
	ctx  context.Context
	end  func()
	err  error
}

// openBrowser starts a browser without a window, once.
func openBrowser(t testing.TB) context.Context {
	t.Helper()
	path := ""
	for _, name := range []string{"chromium", "chromium-browser"} {
		if p, err := exec.LookPath(name); err == nil {
			path = p
			break
		}
	}
	if path == "" {
		missing(t, "chromium", "apt-get install chromium")
	}
	one := &oneBrowser
	one.once.Do(func() {
		options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.WindowSize(1280, 800), chromedp.WSURLReadTimeout(time.Minute))
		if os.Geteuid() == 0 {
			options = append(options, chromedp.NoSandbox) // it refuses to be run by root otherwise
		}
		ctx, cancel := chromedp.NewExecAllocator(context.Background(), options...)
		ctx, cancelBrowser := chromedp.NewContext(ctx)
		one.ctx, one.end = ctx, func() { cancelBrowser(); cancel() }
		one.err = chromedp.Run(ctx)
	})
	if one.err != nil {
		t.Fatalf("start the browser: %v", one.err)
	}
	return one.ctx
}

func newTab(browser context.Context, t testing.TB) *tab {
	t.Helper()
	ctx, cancel := chromedp.NewContext(browser)
	t.Cleanup(cancel)
	b := &tab{t: t, ctx: ctx}
	chromedp.ListenTarget(ctx, func(event any) {
		switch e := event.(type) {
		case *runtime.EventExceptionThrown:
			b.complain("exception: " + e.ExceptionDetails.Error())
		case *runtime.EventConsoleAPICalled:
			if e.Type == runtime.APITypeError || e.Type == runtime.APITypeWarning {
				b.complain(fmt.Sprintf("console: %v", e.Args))
			}
		case *log.EventEntryAdded: // policy violations are among these
			if e.Entry.Level == log.LevelError || e.Entry.Level == log.LevelWarning {
				b.complain(string(e.Entry.Source) + ": " + e.Entry.Text + " " + e.Entry.URL)
			}
		}
	})
	return b
}

func (b *tab) complain(text string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.complaints = append(b.complaints, text)
}

// clean fails if the page complained, but for what is expected.
func (b *tab) clean(expected ...string) {
	b.t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
complaints:
	for _, c := range b.complaints {
		for _, e := range expected {
			if strings.Contains(c, e) {
				continue complaints
			}
		}
		b.t.Errorf("the page complains: %s", c)
	}
	b.complaints = nil
}

func (b *tab) run(what string, actions ...chromedp.Action) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, time.Minute)
	defer cancel()
	if err := chromedp.Run(ctx, actions...); err != nil {
		b.t.Fatalf("%s: %v", what, err)
	}
}

// visit opens a page. Chromedp binds a tab's life to the context of its first action, which must not be a short one.
func (b *tab) visit(url string) {
	b.t.Helper()
	if err := chromedp.Run(b.ctx, log.Enable(), chromedp.Navigate(url)); err != nil {
		b.t.Fatalf("open %s: %v", url, err)
	}
}

// ask evaluates an expression on the page.
func ask[T any](b *tab, expression string) T {
	b.t.Helper()
	var out T
	b.run("ask "+expression, chromedp.Evaluate(expression, &out, func(p *runtime.EvaluateParams) *runtime.EvaluateParams { return p.WithAwaitPromise(true) }))
	return out
}

// text is what a reader sees of an element.
func (b *tab) text(selector string) string {
	b.t.Helper()
	return ask[string](b, fmt.Sprintf("document.querySelector(%q)?.textContent ?? ''", selector))
}

func (b *tab) until(what, selector string, wanted ...string) {
	b.t.Helper()
	for deadline := time.Now().Add(time.Minute); ; {
		got := b.text(selector)
		all := true
		for _, w := range wanted {
			all = all && strings.Contains(got, w)
		}
		if all {
			return
		}
		if time.Now().After(deadline) {
			b.t.Fatalf("waited in vain until %s: %s shows %q, want %q", what, selector, got, wanted)
		}
		time.Sleep(30 * time.Millisecond)
	}
}

// picture saves what the page looks like, where TANDEM_BOARD_SHOTS names a folder, for people to look at.
func (b *tab) picture(name string) {
	b.t.Helper()
	dir := os.Getenv("TANDEM_BOARD_SHOTS")
	if dir == "" {
		return
	}
	var png []byte
	b.run("take a picture", chromedp.CaptureScreenshot(&png))
	if err := os.WriteFile(filepath.Join(dir, name+".png"), png, 0o666); err != nil {
		b.t.Fatal(err)
	}
}

// scan types as a barcode reader does: into whatever has the focus, with Enter at the end.
func (b *tab) scan(code, word string) {
	b.t.Helper()
	b.run("scan "+code, chromedp.KeyEvent(code+kb.Enter))
	b.until(code+" is answered", "#answer", word, code)
}

// A job goes through the shop by scans alone, two stations at once, from the code on its panel to the end.
func TestShopByScansAlone(t *testing.T) {
	t.Parallel()
	browser := openBrowser(t)
	s := newShop(t, "testdata/floor.yaml", "1")
	panel := s.submit(order("door-signs")).GetPanels()[0].GetCode()
	done := s.code("command", "done")

	floor := newTab(browser, t)
	floor.visit(s.url + "/")
	floor.until("the floor calls a person", "[data-list=needs]", "start "+panel+" on cutter-hand", "door-signs / cut")

	cutting := newTab(browser, t)
	cutting.visit(s.url + "/scan?station=cutting&device=cutter-hand")
	if at := ask[string](cutting, "document.activeElement.id"); at != "code" {
		t.Errorf("the focus is at %q, want the field", at)
	}
	cutting.scan("NONSENSE", "UNKNOWN")
	cutting.picture("scan-unknown")
	cutting.scan(panel, "STARTED")
	cutting.picture("scan-started")
	floor.until("the floor shows the cut", "[data-key=cutter-hand]", "processing", "door-signs / cut")
	cutting.run("the same again at once", chromedp.KeyEvent(panel+kb.Enter))
	cutting.until("a trembling hand is taken for one scan", "#answer", "IGNORED", panel)
	// Whatever has the focus, the next scan goes into the field.
	cutting.run("go to a link", chromedp.Focus("nav a", chromedp.ByQuery))
	cutting.scan(done, "NEXT")
	cutting.scan(panel, "FINISHED")

	job := newTab(browser, t)
	job.visit(s.url + "/jobs/door-signs")
	packing := newTab(browser, t)
	packing.visit(s.url + "/scan?station=packing")
	bench := s.code("device", "bench")
	for _, step := range []string{"weed", "pack"} {
		until(t, step+" is given to the bench", func() bool {
			for _, x := range s.job("door-signs").GetSteps() {
				if x.GetId() == step {
					return len(x.GetRuns()) > 0
				}
			}
			return false
		})
		packing.run("bring it", chromedp.KeyEvent(bench+kb.Enter))
		packing.until("one more scan is asked for", "#answer", bench)
		packing.scan(panel, "STARTED")
		packing.scan(done, "NEXT")
		packing.run("bench", chromedp.KeyEvent(bench+kb.Enter))
		packing.until("one more scan is asked for", "#answer", bench)
		packing.scan(panel, "FINISHED")
	}
	if j := s.job("door-signs"); j.GetState() != tandemv1.JobState_JOB_STATE_COMPLETED {
		t.Errorf("the job is %v %v", j.GetState(), j.GetStateReasons())
	}
	job.until("the job's page has followed", "[data-list=runs]", "cutter-hand", "bench", "station:packing", "completed")
	job.until("its head, too", "[data-list=job]", "completed", "3 of 3 steps done")
	floor.until("the floor has no open job", "[data-list=jobs]", "no open jobs")
	floor.run("ask where it is", chromedp.SendKeys("#q", panel+kb.Enter, chromedp.ByQuery))
	floor.until("the panel is found", "#where-answer", panel, "all its steps have ended")
	for _, b := range []*tab{floor, cutting, packing, job} {
		b.clean()
	}
}

// While the daemon is away pages say since when they are out of date, scans wait in order, and everything goes on by itself.
func TestDaemonRestarts(t *testing.T) {
	t.Parallel()
	browser := openBrowser(t)
	s := newShop(t, "testdata/floor.yaml", "1")
	panel := s.submit(order("ferry-sign")).GetPanels()[0].GetCode()
	floor, scan := newTab(browser, t), newTab(browser, t)
	floor.visit(s.url + "/")
	scan.visit(s.url + "/scan?station=cutting&device=cutter-hand")
	floor.until("the job is there", "[data-list=jobs]", "ferry-sign")
	scan.scan(panel, "STARTED")

	s.kill()
	floor.until("the floor says that it is out of date", "[data-list=notice]", "Out of date since", "goes on by itself")
	scan.scan(s2(panel), "WAITS")
	scan.scan("ferry-sign-nonsense", "WAITS")
	if n := ask[int](scan, `document.querySelectorAll("#waiting li").length`); n != 2 {
		t.Errorf("%d scans wait, want 2", n)
	}
	// A page that is loaded anew still has them.
	stored := ask[string](scan, `JSON.stringify(JSON.parse(localStorage.getItem("tandem.queue.cutting")).map((s) => s.payload))`)
	if want := fmt.Sprintf(`[%q,"ferry-sign-nonsense"]`, s2(panel)); stored != want {
		t.Errorf("kept in the browser: %s, want %s", stored, want)
	}
	scan.picture("scan-waits")
	floor.picture("floor-out-of-date")
	scan.visit(s.url + "/scan?station=cutting&device=cutter-hand")
	scan.until("both are still there", "#waiting", s2(panel), "ferry-sign-nonsense")

	s.start()
	s.serves()
	floor.until("the floor is live again", "[data-list=notice]", "")
	until(t, "the notice is gone", func() bool { return ask[int](floor, `document.querySelectorAll("[data-list=notice] li").length`) == 0 })
	scan.until("what waited was handed in, the last one last", "#answer", "UNKNOWN", "ferry-sign-nonsense")
	scan.until("what needs a look is shown with its times", "#trouble", "ferry-sign-nonsense", "scanned at", "answered at")
	scan.picture("scan-trouble")
	scan.until("nothing waits any more", "#waiting-none", "No scan waits")
	s.submit(order("after-the-restart"))
	floor.until("the floor goes on", "[data-list=jobs]", "after-the-restart")
	floor.clean()
	scan.clean("503 (Service Unavailable)")
}

// s2 is a second code for the same station while the daemon is away: a panel that nobody has.
func s2(panel string) string { return strings.TrimSuffix(panel, panel[len(panel)-1:]) + "?" }

// Every page passes the accessibility checker (the rules of WCAG 2.2 A and AA and good practice, as axe-core has them) in light
// and dark.
func TestPagesForEverybody(t *testing.T) {
	t.Parallel()
	axe, err := os.ReadFile(filepath.Join("..", "..", ".tools", "axe-core-"+axeVersion, "axe.min.js"))
	if errors.Is(err, os.ErrNotExist) {
		missing(t, "axe-core", ".ci/run axe")
	}
	if err != nil {
		t.Fatal(err)
	}
	browser := openBrowser(t)
	s := newShop(t, "testdata/floor.yaml", "1")
	s.fill()
	b := newTab(browser, t)
	for _, page := range append(s.allPages(), s.comparison(b)) {
		b.visit(s.url + page)
		b.run("load the checker", chromedp.Evaluate(string(axe), nil))
		for _, scheme := range []string{"light", "dark"} {
			b.run("choose "+scheme, emulation.SetEmulatedMedia().WithFeatures([]*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}, {Name: "prefers-reduced-motion", Value: "reduce"}}))
			only := ""
			if scheme == "dark" { // nothing but colours differs
				only = `, runOnly: ["color-contrast", "link-in-text-block"]`
			}
			found := ask[json.RawMessage](b, `axe.run(document, {resultTypes: ["violations"], iframes: false, preload: false`+only+`}).then((r) => r.violations.map((v) => ({id: v.id, help: v.help, nodes: v.nodes.slice(0, 3).map((n) => n.html.slice(0, 200) + " | " + n.failureSummary)})))`)
			var violations []struct {
				ID, Help string
				Nodes    []string
			}
			if err := json.Unmarshal(found, &violations); err != nil {
				t.Fatal(err)
			}
			for _, v := range violations {
				t.Errorf("%s, %s: %s: %s\n%s", page, scheme, v.ID, v.Help, strings.Join(v.Nodes, "\n"))
			}
		}
	}
	b.clean("404 (Not Found)")
}

// fill puts work of several states on the floor.
func (s *shop) fill() {
	s.t.Helper()
	first := s.submit(order("quay-lettering"))
	s.submit(order("gull-labels"))
	held := order("boat-names")
	held.Hold = true
	s.submit(held)
	until(s.t, "a cut waits for its start", func() bool { return len(s.job("quay-lettering").GetSteps()[0].GetRuns()) > 0 })
	_, err := s.api.scans.RecordScan(context.Background(), &tandemv1.RecordScanRequest{Station: "cutting", Device: "cutter-hand", Payload: first.GetPanels()[0].GetCode(), ScanId: "1"})
	if err != nil {
		s.t.Fatal(err)
	}
	until(s.t, "the board has heard of every job", func() bool { return strings.Contains(s.get("/jobs"), held.GetId()) })
}

// get returns a page as it is sent.
func (s *shop) get(page string) string {
	s.t.Helper()
	answer, err := http.Get(s.url + page)
	if err != nil {
		s.t.Fatal(err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	if err != nil {
		s.t.Fatal(err)
	}
	return string(text)
}

// comparison asks for one by the page's own form and returns where its answer is.
func (s *shop) comparison(b *tab) string {
	s.t.Helper()
	b.visit(s.url + "/compare")
	b.run("ask for a comparison", chromedp.SetValue("#device", "cutter-hand", chromedp.ByQuery), chromedp.SetValue("#times", "5", chromedp.ByQuery), chromedp.Click("main form button", chromedp.ByQuery),
		chromedp.WaitVisible(".conclusion", chromedp.ByQuery))
	b.until("it answers first", ".conclusion", "present floor + a second cutter-hand")
	return ask[string](b, "location.pathname")
}

func (s *shop) allPages() []string {
	return []string{"/", "/wall", "/scan", "/scan?station=cutting&device=cutter-hand", "/jobs", "/devices", "/waits", "/jobs/quay-lettering", "/where?q=quay-lettering", "/jobs/no-such-job", "/plan", "/compare"}
}
