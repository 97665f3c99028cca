package main

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"image/png"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/durationpb"

	tandemv1 "tandem/proto/tandem/v1"
)

func minutes(m float64) *durationpb.Duration {
	return durationpb.New(time.Duration(m * float64(time.Minute)))
}

// someQuote is for 240 decals of 100 mm x 50 mm, turned and 24 across in 10 rows, and three signs on sheets.
func someQuote() *tandemv1.Quote {
	roll := &tandemv1.Layout{
		Media: "vinyl-white", WebWidthUm: 1_370_000, EdgeUm: 15_000, LengthUm: 1_188_000, Waste: 0.2627, Pieces: 240,
	}
	for i, start := range []int64{50_000, 614_000} {
		p := &tandemv1.PanelLayout{Panel: fmt.Sprintf("p%d", i+1), StartUm: start, LengthUm: 544_000, MarkBandUm: 10_000}
		for n := range int64(120) {
			p.Placements = append(p.Placements, &tandemv1.Placement{
				Item: "decal", XUm: 15_000 + n%24*56_000, YUm: 10_000 + n/24*106_000, WidthUm: 50_000, HeightUm: 100_000, Turned: true,
			})
		}
		roll.Panels = append(roll.Panels, p)
	}
	sheets := &tandemv1.Layout{
		Media: "board-3mm", WebWidthUm: 700_000, EdgeUm: 10_000, LengthUm: 1_000_000, SheetLengthUm: 1_000_000, Waste: 0.7429, Pieces: 3, RoomFor: 5,
		Panels: []*tandemv1.PanelLayout{{Panel: "p3", LengthUm: 1_000_000, More: 2, Placements: []*tandemv1.Placement{
			{Item: "sign", XUm: 10_000, YUm: 10_000, WidthUm: 300_000, HeightUm: 200_000},
		}}},
	}
	return &tandemv1.Quote{
		Job: &tandemv1.Job{
			Id: "harbour-decals", DisplayName: "Decals for the harbour office",
			Items: []*tandemv1.Item{{Id: "decal", DisplayName: "Blue anchor", Quantity: 235, Overs: 5}, {Id: "sign", Quantity: 3}},
		},
		Layouts: []*tandemv1.Layout{roll, sheets},
		Steps: []*tandemv1.StepQuote{
			{
				Step: "print", Operation: "print", Device: "printer-1", Duration: minutes(24), Low: minutes(21), High: minutes(29), Samples: 12,
				Candidates: []*tandemv1.Candidate{{Device: "printer-1", Eligible: true}, {Device: "printer-2", Eligible: true, Work: minutes(31)}, {Device: "printer-3", Reason: "too narrow"}},
			},
			{Step: "dry", Operation: "dry", Device: "rack-1", Duration: minutes(360), Low: minutes(360), High: minutes(360)},
			{Step: "cut", Operation: "cut", Device: "cutter-1", Duration: minutes(38.5), Low: minutes(30), High: minutes(51)},
			{Step: "pack", Operation: "pack", Duration: minutes(10)},
		},
		Alone: minutes(433), AloneLow: minutes(421), AloneHigh: minutes(450),
		Notes: []string{"coverage of decal is not known: dries as long as full coverage"},
	}
}

// TestQuoteRequest: the ticket goes out as it is, with the cut file; its hash is the daemon's to fill in.
func TestQuoteRequest(t *testing.T) {
	f := newFake(t)
	if code, _, stderr := f.tandem(t, "quote", "testdata/items.yaml"); code != exitOK {
		t.Fatalf("exit %d: %s", code, stderr)
	}
	got := sent[*tandemv1.QuoteJobRequest](f)
	if len(got) != 1 || len(got[0].GetCutFiles()) != 1 {
		t.Fatalf("requests %v, want one with a cut file", got)
	}
	content, err := os.ReadFile("testdata/anchor.svg")
	if err != nil {
		t.Fatal(err)
	}
	file, item := got[0].GetCutFiles()[0], got[0].GetJob().GetItems()[0]
	if file.GetUri() != "anchor.svg" || !bytes.Equal(file.GetContent(), content) {
		t.Errorf("cut file %v", file)
	}
	if item.GetWidthUm() != 100_000 {
		t.Errorf("item %v", item)
	}
}

// TestQuoteErrors: what is wrong with a ticket is told with its line, and nothing is drawn.
func TestQuoteErrors(t *testing.T) {
	f := newFake(t)
	f.fail["QuoteJob"] = detailed(t, codes.InvalidArgument, "the job has bad fields", &errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{
		{Field: "job.items[1].media", Description: "is not in the floor file: use one of vinyl-white, vinyl-clear"},
	}})
	picture := filepath.Join(t.TempDir(), "layout.svg")
	code, stdout, stderr := f.tandem(t, "quote", "testdata/items.yaml", "--svg", picture)
	want := `tandem: testdata/items.yaml: the job has bad fields
testdata/items.yaml:21: items[1].media: is not in the floor file: use one of vinyl-white, vinyl-clear
`
	if code != exitUsage || stdout != "" || stderr != want {
		t.Errorf("exit %d, data %q, talk\n%s\nwant\n%s", code, stdout, stderr, want)
	}
	if _, err := os.Stat(picture); err == nil {
		t.Error("a picture was written")
	}
}

// TestQuoteWhatNoDeviceCanDo: it is said in the table and with the reasons, and the exit code tells scripts.
func TestQuoteWhatNoDeviceCanDo(t *testing.T) {
	f := newFake(t)
	f.quote.Steps[2] = &tandemv1.StepQuote{Step: "cut", Operation: "cut", Candidates: []*tandemv1.Candidate{
		{Device: "cutter-1", Reason: "at most 610 mm wide, 1370 mm needed"}, {Device: "cutter-2", Reason: "has no blade for kiss cuts"},
	}}
	code, stdout, stderr := f.tandem(t, "quote", "testdata/items.yaml")
	want := `step cut: no device of this floor can do it (cut)
step cut: cutter-1: at most 610 mm wide, 1370 mm needed
step cut: cutter-2: has no blade for kiss cuts
remedy: change what the ticket asks for, or add the ability to the floor file
`
	if code != exitFailure || stderr != want || !strings.Contains(stdout, "none can") || !strings.Contains(stdout, "240, 5 of them over") {
		t.Errorf("exit %d, data\n%s\ntalk\n%s\nwant\n%s", code, stdout, stderr, want)
	}
	if code, stdout, _ := f.tandem(t, "quote", "--json", "testdata/items.yaml"); code != exitFailure || !strings.HasPrefix(stdout, `{"job"`) {
		t.Errorf("--json: exit %d, data %s", code, stdout)
	}
}

func TestImpossible(t *testing.T) {
	cannot, can := &tandemv1.Candidate{Device: "a", Reason: "r"}, &tandemv1.Candidate{Device: "b", Eligible: true}
	for _, tt := range []struct {
		what string
		step *tandemv1.StepQuote
		want bool
	}{
		{"a device has it", &tandemv1.StepQuote{Device: "b", Candidates: []*tandemv1.Candidate{cannot}}, false},
		{"hand work", &tandemv1.StepQuote{Duration: minutes(5)}, false},
		{"no time and no device", &tandemv1.StepQuote{}, true},
		{"every device was looked at in vain", &tandemv1.StepQuote{Duration: minutes(5), Candidates: []*tandemv1.Candidate{cannot}}, true},
		{"one could", &tandemv1.StepQuote{Duration: minutes(5), Candidates: []*tandemv1.Candidate{cannot, can}}, false},
	} {
		if got := impossible(tt.step); got != tt.want {
			t.Errorf("%s: %t, want %t", tt.what, got, tt.want)
		}
	}
}

func TestQuotePictures(t *testing.T) {
	f := newFake(t)
	folder := t.TempDir()
	svg, bitmap := filepath.Join(folder, "a.svg"), filepath.Join(folder, "a.png")
	code, stdout, stderr := f.tandem(t, "quote", "testdata/items.yaml", "--svg", svg, "--png", bitmap)
	if code != exitOK || !strings.Contains(stdout, "printer-1") || !strings.Contains(stderr, "a.svg: drawn") {
		t.Fatalf("exit %d, data\n%s\ntalk\n%s", code, stdout, stderr)
	}
	drawing, err := os.ReadFile(svg)
	if err != nil {
		t.Fatal(err)
	}
	for d := xml.NewDecoder(bytes.NewReader(drawing)); ; {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatalf("SVG: %v", err)
		}
	}
	file, err := os.Open(bitmap)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	if c, err := png.DecodeConfig(file); err != nil || c.Width != 1600 {
		t.Errorf("PNG: %d pixels wide, %v", c.Width, err)
	}

	// Where it cannot be written, the figures are told all the same.
	code, stdout, stderr = f.tandem(t, "quote", "testdata/items.yaml", "--svg", filepath.Join(folder, "no", "such.svg"))
	if code != exitFailure || !strings.Contains(stdout, "printer-1") || !strings.Contains(stderr, "such.svg") {
		t.Errorf("exit %d, talk\n%s", code, stderr)
	}
	f.quote.Layouts = nil
	code, _, stderr = f.tandem(t, "quote", "testdata/items.yaml", "--svg", svg)
	if code != exitFailure || !strings.Contains(stderr, "only a job given as items has them") {
		t.Errorf("exit %d, talk\n%s", code, stderr)
	}
	for _, bad := range []string{"", "-"} {
		if code, _, stderr := f.tandem(t, "quote", "testdata/items.yaml", "--png", bad); code != exitUsage || !strings.Contains(stderr, "--png is") {
			t.Errorf("--png %q: exit %d, talk\n%s", bad, code, stderr)
		}
	}
}

func TestPanelListIsShort(t *testing.T) {
	l := &tandemv1.Layout{}
	for i := range 15 {
		l.Panels = append(l.Panels, &tandemv1.PanelLayout{Panel: fmt.Sprintf("p%d", i+1), More: 4})
	}
	if got, want := panelList(l), "15: p1 4, p2 4, p3 4, p4 4, p5 4, p6 4, p7 4, p8 4, p9 4, p10 4, p11 4, p12 4 and 3 more"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

// TestBadCutFileAsksNothing names the line of the ticket.
func TestBadCutFileAsksNothing(t *testing.T) {
	f := newFake(t)
	ticket := filepath.Join(t.TempDir(), "ticket.yaml")
	if err := os.WriteFile(ticket, []byte("id: x\nitems:\n  - id: a\n    cut: {uri: gone.svg}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	code, stdout, stderr := f.tandem(t, "quote", ticket)
	if code != exitUsage || stdout != "" || !strings.Contains(stderr, "ticket.yaml:4: items[0].cut.uri: \"gone.svg\" is not there") {
		t.Errorf("exit %d, talk\n%s", code, stderr)
	}
	if len(f.requests) > 0 {
		t.Errorf("the daemon was asked: %v", f.requests)
	}
}

// TestHostileQuote: nothing of what the daemon sends reaches the terminal in a shape that it would obey.
func TestHostileQuote(t *testing.T) {
	f := newFake(t)
	f.quote.Steps[2].Device = ""
	f.quote.Steps[2].Duration = nil
	poison(f.quote.ProtoReflect())
	f.quote.Steps[2].Device = ""
	f.quote.Steps[2].Candidates = []*tandemv1.Candidate{{Device: evil, Reason: evil}}
	for _, d := range f.learned {
		poison(d.ProtoReflect())
	}
	for _, command := range [][]string{
		{"quote", "testdata/items.yaml"},
		{"quote", "testdata/items.yaml", "--svg", filepath.Join(t.TempDir(), evil[len(evil)-3:]) + "\x1b[2J"},
		{"quote", evil},
		{"durations"},
		{"durations", "--csv", "-"},
		{"durations", "--reset", evil, "--operation", evil, "--mode", evil},
	} {
		for _, flags := range [][]string{nil, {"--quiet"}} {
			f.harmless(t, true, append(flags, command...)...)
		}
	}
}
