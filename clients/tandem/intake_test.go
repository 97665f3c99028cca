package main

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"tandem/clients/intake"
	tandemv1 "tandem/proto/tandem/v1"
)

// copyTicket puts a ticket of the shared ones into a folder.
func copyTicket(t *testing.T, from, to string) {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("../../testdata", from))
	if err == nil {
		err = os.WriteFile(to, data, 0o666)
	}
	if err != nil {
		t.Fatal(err)
	}
}

const itemTicket = `id: gulls
items:
  - {id: gull, width_mm: 90, height_mm: 60, quantity: 5, media: foil-navy, cut_kind: kiss, cut: {uri: gull.svg}}
`

func write(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
}

func TestIntakeOnce(t *testing.T) {
	f := newFake(t)
	dir := t.TempDir()
	copyTicket(t, "xjdf/buoy-late.xjdf", filepath.Join(dir, "buoy.xjdf"))
	write(t, filepath.Join(dir, "gulls.yaml"), itemTicket)
	write(t, filepath.Join(dir, "gull.svg"), "<svg/>")
	write(t, filepath.Join(dir, "page.xml"), "<html/>")
	roots := t.TempDir()
	if err := os.Mkdir(filepath.Join(roots, "cut"), 0o777); err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(roots, "cut/buoy.svg"), "<svg></svg>")
	args := []string{
		"intake", "--once", "--settle", "1ms", "--patience", "10ms", "--poll", "5ms", "--hold", "--cut-root", roots,
		"--media", "Vinyl/NavyBlue=foil-navy", "--ink", "uv", dir,
	}
	code, stdout, stderr := f.tandem(t, args...)
	if code != exitOK || stderr != "" {
		t.Fatalf("exit %d: %s%s", code, stdout, stderr)
	}
	for _, want := range []string{
		"taken buoy.xjdf -> done/buoy.xjdf: job buoy-letters, code J900X, 0 steps\n",
		"taken gulls.yaml -> done/gulls.yaml: job gulls, code J900X, 0 steps\n",
		"left page.xml: is XML, but no XJDF ticket: it stays\n",
	} {
		if !strings.Contains(stdout, want) {
			t.Errorf("no %q in\n%s", want, stdout)
		}
	}
	for _, r := range sent[*tandemv1.CreateJobRequest](f) {
		if !r.GetJob().GetHold() || len(r.GetCutFiles()) != 1 || r.GetActor() != "anna" || r.GetValidateOnly() {
			t.Errorf("request %v", r)
		}
	}
	if note, err := os.ReadFile(filepath.Join(dir, "done/buoy.xjdf.note.txt")); err != nil || !strings.Contains(string(note), `"Vinyl/NavyBlue" is the media foil-navy here`) {
		t.Errorf("note %q, error %v", note, err)
	}

	write(t, filepath.Join(dir, "bad.yaml"), "colour: red\nsize: 3\n")
	write(t, filepath.Join(dir, "page.xml"), "<html />")
	old := time.Now().Add(-time.Hour) // the oldest comes first
	if err := os.Chtimes(filepath.Join(dir, "bad.yaml"), old, old); err != nil {
		t.Fatal(err)
	}
	code, stdout, _ = f.tandem(t, append([]string{"--json"}, args...)...)
	if code != exitUsage {
		t.Errorf("exit %d", code)
	}
	var events []intake.Event
	for line := range strings.SplitSeq(strings.TrimSpace(stdout), "\n") {
		var e intake.Event
		if err := json.Unmarshal([]byte(line), &e); err != nil {
			t.Fatalf("%v: %s", err, line)
		}
		events = append(events, e)
	}
	if len(events) != 2 || events[0].Kind != intake.Refused || len(events[0].Problems) != 2 || events[0].Problems[1].Line != 2 || events[0].To != "refused/bad.yaml" ||
		events[1].Kind != intake.Left || events[1].Time.IsZero() {
		t.Errorf("events %+v", events)
	}

	write(t, filepath.Join(dir, "bad.yaml"), "colour: red\nsize: 3\n")
	code, stdout, _ = f.tandem(t, append([]string{"--quiet"}, args...)...)
	if want := "refused bad.yaml -> refused/bad-2.yaml: line 1, \"colour\": unknown key"; code != exitUsage || !strings.Contains(stdout, want) || !strings.Contains(stdout, "(and 1 more problem)\n") || strings.Contains(stdout, "page") {
		t.Errorf("exit %d, %s", code, stdout)
	}

	f.fail["CreateJob"] = status.Error(codes.PermissionDenied, "not for you")
	write(t, filepath.Join(dir, "more.yaml"), itemTicket)
	if code, stdout, _ = f.tandem(t, args...); code != exitDenied || !strings.Contains(stdout, "lost: the daemon does not let us in (not for you): files stay") {
		t.Errorf("exit %d, %s", code, stdout)
	}
}

// TestIntakeWatches runs until it is interrupted, through a daemon that goes and comes back.
func TestIntakeWatches(t *testing.T) {
	f := newFake(t)
	f.stop()
	dir := t.TempDir()
	write(t, filepath.Join(dir, "gulls.json"), `{"id":"gulls","steps":[{"id":"cut","operation":"cut"}]}`)
	ctx, cancel := context.WithCancel(t.Context())
	s, out, errs := f.surroundings("intake", "--settle", "1ms", "--poll", "10ms", "--timeout", "2s", dir)
	done := make(chan int, 1)
	go func() { done <- run(ctx, s) }()
	out.waitFor(t, "lost: the daemon does not answer")
	f.start()
	out.waitFor(t, "back: the daemon answers again")
	out.waitFor(t, "taken gulls.json -> done/gulls.json")
	cancel()
	select {
	case code := <-done:
		if code != exitOK || errs.String() != "" || !strings.Contains(out.String(), "stopped: no longer watching") {
			t.Errorf("exit %d, %s%s", code, out, errs)
		}
	case <-time.After(20 * time.Second):
		t.Fatal("an interrupt does not end it")
	}
}

func TestIntakeUsage(t *testing.T) {
	f := newFake(t)
	dir := t.TempDir()
	for _, tt := range []struct {
		args []string
		want string
	}{
		{[]string{"intake"}, "usage: tandem intake DIR"},
		{[]string{"intake", filepath.Join(dir, "nowhere")}, "watched folder"},
		{[]string{"intake", "--settle", "0s", dir}, "--settle is 0s"},
		{[]string{"intake", "--poll", "-1s", dir}, "--poll is -1s"},
		{[]string{"intake", "--actor", "", dir}, "who asks?"},
		{[]string{"intake", "--media", "x", dir}, "must be formatted as key=value"},
		{[]string{"intake", "--media", "x=Y Z", dir}, "--media x is \"Y Z\""},
		{[]string{"submit", "--media", "x=*", "testdata/ticket.yaml"}, "--media x is \"*\""},
	} {
		if code, _, stderr := f.tandem(t, tt.args...); code != exitUsage || !strings.Contains(stderr, tt.want) {
			t.Errorf("%v: exit %d, %s", tt.args, code, stderr)
		}
	}
}

func TestSubmitCutFiles(t *testing.T) {
	f := newFake(t)
	dir := t.TempDir()
	file := filepath.Join(dir, "gulls.yaml")
	write(t, file, itemTicket)
	code, _, stderr := f.tandem(t, "submit", file)
	if code != exitUsage || !strings.Contains(stderr, file+`:3: items[0].cut.uri: "gull.svg" is not there`) {
		t.Errorf("exit %d, %s", code, stderr)
	}
	write(t, filepath.Join(dir, "gull.svg"), "<svg/>")
	copyTicket(t, "xjdf/hull-foreign.xjdf", filepath.Join(dir, "hull.xjdf"))
	code, stdout, stderr := f.tandem(t, "submit", "--check", "--media", "vinyl-cast-gloss=foil-blue", "--ink", "uv", file, filepath.Join(dir, "hull.xjdf"))
	if code != exitOK || !strings.Contains(stdout, "good: hull-names would be taken in") ||
		!strings.Contains(stderr, `hull.xjdf: not used: XJDF/@berth (namespace "urn:example:yard")`) || !strings.Contains(stderr, "is the media foil-blue here") {
		t.Errorf("exit %d, %s%s", code, stdout, stderr)
	}
	got := sent[*tandemv1.CreateJobRequest](f)
	if len(got) != 2 || len(got[0].GetCutFiles()) != 1 || got[0].GetCutFiles()[0].GetUri() != "gull.svg" || string(got[0].GetCutFiles()[0].GetContent()) != "<svg/>" ||
		len(got[1].GetCutFiles()) != 0 || got[1].GetJob().GetItems()[0].GetMedia() != "foil-blue" || got[1].GetJob().GetItems()[0].GetInk() != "uv" {
		t.Errorf("requests %v", got)
	}

	bad := filepath.Join(dir, "bad.xjdf")
	copyTicket(t, "xjdf/bad/types-unknown.xjdf", bad)
	code, _, stderr = f.tandem(t, "submit", bad)
	if code != exitUsage || strings.Count(stderr, bad+":3: XJDF/@Types: ") != 2 {
		t.Errorf("exit %d, %s", code, stderr)
	}
	write(t, filepath.Join(dir, "page.xml"), "<html/>")
	if code, _, stderr = f.tandem(t, "submit", filepath.Join(dir, "page.xml")); code != exitUsage || !strings.Contains(stderr, "page.xml: not an XJDF ticket") {
		t.Errorf("exit %d, %s", code, stderr)
	}
}
