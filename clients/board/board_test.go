package board

import (
	"fmt"
	"html"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	tandemv1 "tandem/proto/tandem/v1"
)

// everyPage asks for each page once.
func everyPage() []string {
	return []string{
		"/", "/wall", "/scan", "/scan?station=packing&device=cutter-1", "/jobs", "/jobs?q=gull&state=processing", "/devices", "/waits", "/jobs/gulls", "/jobs/none",
		"/where?q=PGULLS1", "/where?part=1&q=%3Cscript%3E", "/plan", "/compare", "/compare/none",
	}
}

// What comes from tickets, scans and devices is text on every page, never markup; and no page has a script or a style of its
// own, which the policy would refuse.
func TestPagesAreHarmless(t *testing.T) {
	d := newFakeDaemon()
	evil := `"><script>alert(1)</script><img src=x onerror=alert(2)>`
	j, device := sample("gulls")
	j.DisplayName, j.Panels[0].Place, j.Steps[1].Note = evil, evil, evil
	j.Labels = map[string]string{evil: evil}
	j.StateReasons = []string{evil}
	j.Steps[1].Runs[0].Reason.Rule = evil
	device.PauseNote, device.DisplayName, device.LoadedMedia, device.Paused = evil, evil, evil, true
	d.put([]*tandemv1.Job{j}, device)
	h := newFakeBoard(t, d, Config{}).standing(d).Handler()
	// Attributes of elements, not text: HTML has text between a > and a <.
	inline := regexp.MustCompile(`<[a-z][^>]*\s(style|on[a-z]+)\s*=|<style|<script(?:\s*>| (?:[^s]|s[^r]))`)
	for _, page := range everyPage() {
		code, body, header := get(h, page)
		if code >= 500 {
			t.Errorf("%s: %d %s", page, code, body)
		}
		if strings.Contains(body, "<script>") || strings.Contains(body, "<img src=x") || strings.Contains(body, "cannot be shown") {
			t.Errorf("%s: foreign markup in\n%s", page, body)
		}
		if found := inline.FindString(body); found != "" {
			t.Errorf("%s: in the page itself: %s", page, found)
		}
		if got := header.Get("Content-Security-Policy"); !strings.HasPrefix(got, "default-src 'none'; script-src 'self'; style-src 'self'") || strings.Contains(got, "unsafe") {
			t.Errorf("%s: policy %q", page, got)
		}
		if got := header.Get("X-Content-Type-Options"); got != "nosniff" {
			t.Errorf("%s: X-Content-Type-Options %q", page, got)
		}
	}
	if _, body, _ := get(h, "/jobs/gulls"); !strings.Contains(body, html.EscapeString(`<script>alert(1)`)) {
		t.Errorf("the note is not shown as text:\n%s", body)
	}
}

func TestFloorSays(t *testing.T) {
	d := newFakeDaemon()
	j, device := sample("gulls")
	d.put([]*tandemv1.Job{j}, device)
	h := newFakeBoard(t, d, Config{}).standing(d).Handler()
	for page, wants := range map[string][]string{
		"/":                   {"start PGULLS1 on cutter-1", "late risk 70 %", "chosen by: earliest completion; 2 other steps could have gone first", "done 15:00 in 9 of 10 cases", "1 of 3 steps done"},
		"/wall":               {"start PGULLS1 on cutter-1", "14:00 probably late", "1 for a person"},
		"/where?q=pgulls1":    {"p1", "rack, slot a3", "cut waits for its turn", "asked for"},
		"/where?q=]C0PGULLS2": {"p2", "not seen yet"},
		"/where?q=JGULLS":     {"gulls", "PGULLS1", "PGULLS2"},
		"/where?q=D7":         {"cutter-1", "needs a person: start PGULLS1"},
		"/where?q=PX":         {"Nothing here is called PX"},
		"/where?q=":           {"Scan or type"},
		"/jobs/gulls":         {"earliest completion", "cut waits for its turn", "pack waits for its turn", `<svg class="graph"`},
	} {
		_, body, _ := get(h, page)
		for _, want := range wants {
			if !strings.Contains(body, want) {
				t.Errorf("%s lacks %q:\n%s", page, want, body)
			}
		}
	}
}

// An empty plan says why it is empty.
func TestPlanOfNothing(t *testing.T) {
	d := newFakeDaemon()
	h := newFakeBoard(t, d, Config{}).standing(d).Handler()
	for want, plan := range map[string]*tandemv1.Plan{
		"There is no plan.":                               nil,
		"Nothing is planned: no work waits.":              {},
		"Nothing is planned: all that waits is left out.": {LeftOut: []string{"gulls/cut: the job is held"}},
	} {
		d.plan = plan
		if _, body, _ := get(h, "/plan"); !strings.Contains(body, ">"+want+"<") {
			t.Errorf("the plan %v does not say %q:\n%s", plan, want, body)
		}
	}
}

func TestGuard(t *testing.T) {
	d := newFakeDaemon()
	d.scan = func(*tandemv1.RecordScanRequest) (*tandemv1.RecordScanResponse, error) {
		return &tandemv1.RecordScanResponse{Outcome: tandemv1.RecordScanResponse_OUTCOME_SHOWN, Message: "here", Subject: "jobs/gulls"}, nil
	}
	b := newFakeBoard(t, d, Config{Names: []string{"Board.example"}, Stations: []string{"packing"}}).standing(d)
	h := b.Handler()
	scan := fmt.Sprintf(`{"station":"packing","device":"","payload":"P1","scan_id":"a","time":%d}`, noon.UnixMilli())
	tests := []struct {
		name   string
		change func(r *http.Request)
		body   string
		want   int
	}{
		{"a scan", nil, scan, 200},
		{"by localhost", func(r *http.Request) { r.Host = "localhost:7480" }, scan, 200},
		{"by a name it was given", func(r *http.Request) { r.Host = "board.EXAMPLE" }, scan, 200},
		{"by an address of six", func(r *http.Request) { r.Host = "[::1]:7480" }, scan, 200},
		{"by a foreign name", func(r *http.Request) { r.Host = "rebound.example:7480" }, scan, 421},
		{"from another site, as browsers say today", func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "cross-site") }, scan, 403},
		{"from the same site, another origin", func(r *http.Request) { r.Header.Set("Sec-Fetch-Site", "same-site") }, scan, 403},
		{"from another site, as older ones say", func(r *http.Request) { r.Header.Set("Origin", "http://evil.example") }, scan, 403},
		{"from this one", func(r *http.Request) {
			r.Header.Set("Sec-Fetch-Site", "same-origin")
			r.Header.Set("Origin", "http://127.0.0.1:7480")
		}, scan, 200},
		{"a form", func(r *http.Request) { r.Header.Set("Content-Type", "application/x-www-form-urlencoded") }, scan, 415},
		{"no scan", nil, `[]`, 400},
		{"another field", nil, strings.Replace(scan, `"device"`, `"devil"`, 1), 400},
		{"endless", nil, `{"payload":"` + strings.Repeat("x", mostBody) + `"}`, 413},
		{"a station that is no id", nil, strings.Replace(scan, "packing", "../x", 1), 400},
		{"a station of others", nil, strings.Replace(scan, "packing", "cutting", 1), 403},
		{"no scan_id", nil, strings.Replace(scan, `"a"`, `""`, 1), 400},
		{"no time", nil, strings.Replace(scan, fmt.Sprint(noon.UnixMilli()), "0", 1), 400},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1:7480/scan", strings.NewReader(tt.body))
			r.Header.Set("Content-Type", "application/json")
			if tt.change != nil {
				tt.change(r)
			}
			w := httptest.NewRecorder()
			h.ServeHTTP(w, r)
			if w.Code != tt.want {
				t.Errorf("code %d, want %d: %s", w.Code, tt.want, w.Body)
			}
		})
	}
	for path, want := range map[string]int{
		"/jobs/..%2f..%2fetc": 404, "/jobs/UPPER": 404, "/live/jobs/a*": 404, "/live/none": 404, "/assets/x/board.css": 404, "/scan?station=No": 400, "/scan?station=cutting": 400,
		"//evil.example/": 307, // to a path of this board
	} {
		code, _, header := get(h, path)
		if code != want && (want != 307 || code != 301) {
			t.Errorf("%s: %d, want %d", path, code, want)
		}
		if to := header.Get("Location"); strings.Contains(to, "//") {
			t.Errorf("%s leads away, to %q", path, to)
		}
	}
	b.ReadOnly = true
	for _, path := range []string{"/scan", "/compare"} {
		r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1:7480"+path, strings.NewReader(scan))
		r.Header.Set("Content-Type", "application/json")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != http.StatusForbidden {
			t.Errorf("a board that only shows answers %s with %d", path, w.Code)
		}
	}
}

// The same pull of the trigger goes to the daemon as the same request, however often the browser must repeat it, and the
// browser is told whether to.
func TestScanIsHandedOn(t *testing.T) {
	d := newFakeDaemon()
	var got []*tandemv1.RecordScanRequest
	var fail error
	d.scan = func(r *tandemv1.RecordScanRequest) (*tandemv1.RecordScanResponse, error) {
		got = append(got, r)
		return &tandemv1.RecordScanResponse{Outcome: tandemv1.RecordScanResponse_OUTCOME_WRONG_STATION, Message: "cut belongs to cutter-2", Subject: "jobs/gulls"}, fail
	}
	h := newFakeBoard(t, d, Config{}).standing(d).Handler()
	st, err := status.New(codes.Unavailable, "the disk is nearly full").WithDetails(&errdetails.ErrorInfo{Reason: "LEDGER_READ_ONLY", Domain: "tandem"})
	if err != nil {
		t.Fatal(err)
	}
	full := st.Err()
	post := func() (int, string) {
		r := httptest.NewRequest(http.MethodPost, "http://127.0.0.1:7480/scan", strings.NewReader(fmt.Sprintf(`{"station":"packing","device":"bench","payload":"P1\u001d","scan_id":"a","time":%d}`, noon.UnixMilli()-2000)))
		r.Header.Set("Content-Type", "application/json; charset=utf-8")
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		return w.Code, w.Body.String()
	}
	for _, tt := range []struct {
		fail error
		code int
		want string
	}{
		{status.Error(codes.Unavailable, "stopping"), 503, `"later":true`},
		{status.Error(codes.DeadlineExceeded, "late"), 503, `"later":true`},
		{status.Error(codes.InvalidArgument, "bad"), 422, `"word":"REFUSED"`},
		{full, 422, `"word":"REFUSED","kind":"bad","message":"the disk is nearly full"`},
		{nil, 200, `{"word":"WRONG PLACE","kind":"bad","message":"cut belongs to cutter-2","job":"gulls"}`},
	} {
		fail = tt.fail
		if code, body := post(); code != tt.code || !strings.Contains(body, tt.want) {
			t.Errorf("%v: %d %s, want %d with %s", tt.fail, code, body, tt.code, tt.want)
		}
	}
	for _, r := range got {
		if r.String() != got[0].String() || r.GetStation() != "packing" || r.GetDevice() != "bench" || r.GetPayload() != "P1\x1d" || r.GetScanId() != "a" || !r.GetScanTime().AsTime().Equal(noon.Add(-2e9)) {
			t.Errorf("handed on %v", r)
		}
	}
}

func TestAssetsAreKeptForEver(t *testing.T) {
	d := newFakeDaemon()
	h := newFakeBoard(t, d, Config{}).standing(d).Handler()
	_, page, _ := get(h, "/scan?station=a")
	paths := regexp.MustCompile(`/assets/[0-9a-f]+/[a-z]+\.(css|js)`).FindAllString(page, -1)
	if len(paths) != 3 {
		t.Fatalf("assets %q, want three", paths)
	}
	for _, path := range paths {
		code, body, header := get(h, path)
		if code != 200 || body == "" || !strings.Contains(header.Get("Cache-Control"), "immutable") || header.Get("ETag") == "" {
			t.Errorf("%s: %d, %v", path, code, header)
		}
		r := httptest.NewRequest(http.MethodGet, "http://127.0.0.1"+path, nil)
		r.Header.Set("If-None-Match", header.Get("ETag"))
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		if w.Code != http.StatusNotModified || w.Body.Len() > 0 {
			t.Errorf("%s again: %d with %d bytes", path, w.Code, w.Body.Len())
		}
		if strings.Contains(body, "http://") || strings.Contains(body, "https://") {
			t.Errorf("%s names an address elsewhere", path)
		}
	}
}

// However large the floor is, its page is bounded and says what it leaves out, and the rest can be paged through.
func TestLargeFloorIsBounded(t *testing.T) {
	d := newFakeDaemon()
	jobs, devices := many(300)
	d.put(jobs, devices...)
	h := newFakeBoard(t, d, Config{}).standing(d).Handler()
	_, body, _ := get(h, "/")
	for _, want := range []string{"260 more things", "240 more devices: see all", "260 more jobs: see all"} {
		if !strings.Contains(body, want) {
			t.Errorf("the floor does not say %q", want)
		}
	}
	if n := strings.Count(body, `class="row`); n > mostNeeds+mostDevices+mostWaits+mostJobs+8 {
		t.Errorf("%d rows", n)
	}
	seen := map[string]bool{}
	for page := 1; page <= 5; page++ {
		_, body, _ := get(h, fmt.Sprint("/jobs?page=", page))
		for _, m := range regexp.MustCompile(`data-key="(job-[0-9]+)"`).FindAllStringSubmatch(body, -1) {
			seen[m[1]] = true
		}
	}
	if len(seen) != 300 {
		t.Errorf("five pages have %d jobs, want all 300", len(seen))
	}
}

// No step of the picture lies left of one that it waits for, and none upon another.
func TestGraphGoesFromLeftToRight(t *testing.T) {
	j := &tandemv1.Job{Id: "gulls", Steps: []*tandemv1.Step{
		{Id: "print-a"},
		{Id: "print-b"},
		{Id: "dry-a", After: []string{"print-a"}},
		{Id: "laminate", After: []string{"dry-a", "print-b"}},
		{Id: "cut", After: []string{"laminate", "no-such-step"}},
		{Id: "loop", After: []string{"loop"}},
	}}
	d := newFakeDaemon()
	b := newFakeBoard(t, d, Config{}).standing(d)
	s, _ := b.mirror.snapshot()
	g := newFacts(s, noon).drawSteps(j)
	at := map[string]node{}
	places := map[[2]int]string{}
	for _, n := range g.Nodes {
		at[n.Step] = n
		if other := places[[2]int{n.X, n.Y}]; other != "" {
			t.Errorf("%s lies upon %s", n.Step, other)
		}
		places[[2]int{n.X, n.Y}] = n.Step
		if n.X+nodeWidth > g.Width || n.Y+nodeHeight > g.Height {
			t.Errorf("%s lies outside of the picture", n.Step)
		}
	}
	if len(g.Nodes) != 6 || len(g.Edges) != 4 {
		t.Errorf("%d steps and %d arrows, want 6 and 4", len(g.Nodes), len(g.Edges))
	}
	for _, s := range j.GetSteps() {
		for _, id := range s.GetAfter() {
			if before, ok := at[id]; ok && id != s.GetId() && before.X >= at[s.GetId()].X {
				t.Errorf("%s does not lie right of %s", s.GetId(), id)
			}
		}
	}
}

func TestShortNeeds(t *testing.T) {
	for text, want := range map[string]string{
		"start P00A on cutter-1":                             "start P00A on cutter-1",
		"start P00A P00B on cutter-1":                        "start P00A and 1 more on cutter-1",
		"start P00A P00B P00C and 9 more panels on cutter-1": "start P00A and 11 more on cutter-1",
		"load film-matt on laminator, then start P00RP":      "load film-matt on laminator, then start P00RP",
	} {
		if got := (need{Text: text}).Short(); got != want {
			t.Errorf("%q is shortened to %q, want %q", text, got, want)
		}
	}
}
