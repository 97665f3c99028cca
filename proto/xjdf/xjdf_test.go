package xjdf

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
)

const fixtures = "../../testdata/xjdf"

func fixture(t testing.TB, name string) []byte {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(fixtures, name))
	if err != nil {
		t.Fatal(err)
	}
	return data
}

func names(t testing.TB, pattern string) []string {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(fixtures, pattern))
	if err != nil || len(files) == 0 {
		t.Fatalf("no %s: %v", pattern, err)
	}
	for i := range files {
		files[i] = filepath.ToSlash(strings.TrimPrefix(files[i], filepath.FromSlash(fixtures)+string(filepath.Separator)))
	}
	return files
}

var shop = Options{
	Media: map[string]string{"Paper-Satin": "paper-satin", "vinyl/navyblue": "foil-navy"},
	Now:   time.Date(2026, 3, 2, 7, 0, 0, 0, time.UTC),
}

// TestTickets holds the job, the assumptions and what is left out of every good ticket.
func TestTickets(t *testing.T) {
	for _, tt := range []struct {
		file, job string
		assumed   []string // a part of each line, in order
		ignored   string
	}{
		{
			"print-laminate-contourcut.xjdf",
			`{"id":"j-1042","displayName":"Window decals, matt","priority":60,"dueTime":"2025-03-05T16:00:00Z",
			"labels":{"xjdf-job-id":"J-1042","xjdf-job-part-id":"P1","xjdf-checksum-item-1":"00FF00FF"},
			"items":[{"id":"item-1","widthUm":"99998","heightUm":"49999","quantity":240,"media":"vinyl-1370-gloss","film":"lam-1400-matt",
			"artwork":{"role":"artwork","uri":"file:///jobs/J-1042/decals.pdf"},"cutKind":"kiss","contour":{"lines":1,"lengthUm":"299995","corners":4}}]}`,
			[]string{
				`XJDF/@JobID: JobID "J-1042" is the job j-1042 here`,
				"XJDF/ResourceSet[1]/Resource/NodeInfo/@LastEnd: 2025-03-05T16:00:00Z is past",
				`XJDF/ResourceSet[2]/Resource/@ExternalID: "VINYL-1370-GLOSS" is taken as the media vinyl-1370-gloss`,
				`XJDF/ResourceSet[6]/Resource/@ExternalID: "LAM-1400-MATT" is taken as the media lam-1400-matt`,
				"ShapeCuttingParams/Shape: says no depth, and the media is SelfAdhesive: kiss cut",
			},
			"XJDF/AuditPool; XJDF/ResourceSet/Resource/RunList/@NPage; XJDF/ResourceSet/Resource/LaminatingParams/@LaminatingMethod",
		},
		{
			// The circle of four Bézier curves of radius 25 mm: 157.1018 mm by 800,000 chords; a true one has 157.0796.
			"tide-stickers.xjdf",
			`{"id":"tide-stickers","displayName":"Tide stickers, 50 mm round","priority":70,"releaseTime":"2026-03-02T06:30:00Z","dueTime":"2026-03-04T15:00:00Z",
			"labels":{"xjdf-job-id":"tide-stickers","xjdf-checksum-sticker":"9E107D9D372BB6826BD81D3542A419D6"},
			"items":[{"id":"sticker","displayName":"Tide sticker","widthUm":"50000","heightUm":"50000","quantity":600,"overs":12,"media":"vinyl-poly-gloss","film":"film-gloss",
			"artwork":{"role":"artwork","uri":"file:///harbour/tide-stickers.pdf"},"cutKind":"kiss","contour":{"lines":1,"lengthUm":"157102"}}]}`,
			nil,
			"",
		},
		{
			"ferry-tags-prefix.xjdf",
			`{"id":"ferry-tags-7","labels":{"xjdf-job-id":"Ferry_Tags.7"},
			"items":[{"id":"tag","widthUm":"80000","heightUm":"50000","quantity":200,"media":"paper-satin",
			"artwork":{"role":"artwork","uri":"file:///harbour/ferry-tags.pdf"},"cutKind":"perforated","contour":{"lines":1,"lengthUm":"260000","corners":4}}]}`,
			[]string{
				`JobID "Ferry_Tags.7" is the job ferry-tags-7 here`,
				`"PAPER-SATIN" is the media paper-satin here`,
				"Shape/@ShapeType: RoundedRectangle has no radius",
			},
			"",
		},
		{
			"quay-plates-two-cuts.xjdf",
			`{"id":"quay-plates","labels":{"xjdf-job-id":"quay-plates"},
			"items":[{"id":"plate","widthUm":"1000000","heightUm":"300000","quantity":12,"media":"banner-frontlit","artwork":{"role":"artwork","uri":"quay-plates.pdf"},"cutKind":"through"}]}`,
			[]string{
				"XJDF/ResourceSet[4]/Resource: comes out of process 1 (Cutting) and goes on",
				"XJDF/@Types: Cutting takes the pieces apart: cut through",
				"XJDF/@Types: 2 cutting processes are one step here, which cuts through",
			},
			"XJDF/ResourceSet/Resource/CuttingParams/CutBlock; XJDF/ResourceSet/Resource/CuttingParams/Cut",
		},
		{
			"regatta-two-components.xjdf",
			`{"id":"regatta-set","displayName":"Regatta set","priority":1,"labels":{"xjdf-job-id":"regatta-set","xjdf-checksum-number":"D41D8CD98F00B204E9800998ECF8427E"},
			"items":[
			{"id":"number","widthUm":"200000","heightUm":"150000","quantity":80,"media":"vinyl-poly-gloss","artwork":{"role":"artwork","uri":"file:///harbour/number.pdf"},
			"cutKind":"kiss","contour":{"lines":1,"lengthUm":"700000","corners":4}},
			{"id":"flag","widthUm":"100000","heightUm":"100000","quantity":40,"media":"vinyl-poly-gloss","artwork":{"role":"artwork","uri":"file:///harbour/flag.pdf"},
			"cutKind":"through","contour":{"lines":1,"lengthUm":"323607","corners":3}}]}`,
			[]string{
				"NodeInfo/@JobPriority: 0 becomes 1",
				"XJDF/ResourceSet[2]/Resource: is taken for every component",
				"XJDF/ResourceSet[5]/Resource[2]: has no Component/@Dimensions: its size is that of its shape, 100 x 100 mm",
			},
			"",
		},
		{
			// The ellipse's perimeter by the series of Gauss and Kummer: 726.63362 mm for half axes of 150 and 75.
			"buoy-late.xjdf",
			`{"id":"buoy-letters","dueTime":"2001-01-01T12:00:00Z","labels":{"xjdf-job-id":"buoy-letters"},
			"items":[{"id":"item-1","widthUm":"300000","heightUm":"150000","quantity":3,"media":"foil-navy","cut":{"role":"cut","uri":"cut/buoy.svg"},
			"cutKind":"through","contour":{"lines":1,"lengthUm":"726634"}}]}`,
			[]string{
				"NodeInfo/@LastEnd: 2001-01-01T12:00:00Z is past",
				`"Vinyl/NavyBlue" is the media foil-navy here`,
				"Shape/@CutBox: is missing: the shape is as large as the piece",
				"Shape: says no depth, and the media is not SelfAdhesive: cut through",
			},
			"",
		},
		{
			"hull-foreign.xjdf",
			`{"id":"hull-names","labels":{"xjdf-job-id":"hull-names"},
			"items":[{"id":"item-1","widthUm":"1000000","heightUm":"300000","quantity":2,"media":"vinyl-cast-gloss","artwork":{"role":"artwork","uri":"file:///harbour/hull-names.pdf"},"cutKind":"kiss"}]}`,
			[]string{"XJDF: says no depth, and the media is SelfAdhesive: kiss cut"},
			`XJDF/@Category; XJDF/@berth (namespace "urn:example:yard"); XJDF/AuditPool; XJDF/Comment; XJDF/ResourceSet[@Name="Contact"]; XJDF/ResourceSet/Resource/Shelf (namespace "urn:example:yard")`,
		},
	} {
		t.Run(tt.file, func(t *testing.T) {
			job, report, err := Read(fixture(t, tt.file), shop)
			if err != nil {
				t.Fatal(err)
			}
			want := &tandemv1.Job{}
			if err := protojson.Unmarshal([]byte(tt.job), want); err != nil {
				t.Fatal(err)
			}
			if !proto.Equal(job, want) {
				t.Errorf("job  %s\nwant %s", protojson.Format(job), protojson.Format(want))
			}
			if len(report.Items) != len(job.GetItems()) || !strings.HasPrefix(report.Items[0], "XJDF/ResourceSet[") {
				t.Errorf("items come from %v", report.Items)
			}
			if len(report.Assumptions) != len(tt.assumed) {
				t.Errorf("%d assumptions, want %d:\n%s", len(report.Assumptions), len(tt.assumed), strings.Join(report.Assumptions, "\n"))
			}
			for i, part := range tt.assumed {
				if i < len(report.Assumptions) && !strings.Contains(report.Assumptions[i], part) {
					t.Errorf("assumption %d is %s\nwant %s", i, report.Assumptions[i], part)
				}
			}
			var ignored []string
			for _, g := range report.Ignored {
				ignored = append(ignored, g.String())
			}
			if got := strings.Join(ignored, "; "); got != tt.ignored {
				t.Errorf("ignored %s\nwant    %s", got, tt.ignored)
			}
		})
	}
	if tested := len(names(t, "*.xjdf")); tested != 7 {
		t.Errorf("%d tickets in %s, want one for each test", tested, fixtures)
	}
}

var wanted = regexp.MustCompile(`<!-- want: (.*): (.*) -->`)

// TestRefused holds that every bad ticket is refused with all that is wrong with it, and nothing else.
func TestRefused(t *testing.T) {
	for _, file := range names(t, "bad/*.xjdf") {
		t.Run(file, func(t *testing.T) {
			data := fixture(t, file)
			job, report, err := Read(data, shop)
			var problems Errors
			if !errors.As(err, &problems) || job != nil || len(report.Assumptions) > 0 {
				t.Fatalf("job %v, report %v, error %v", job, report, err)
			}
			want := wanted.FindAllStringSubmatch(string(data), -1)
			if len(want) != len(problems) {
				t.Errorf("%d problems, want %d:\n%v", len(problems), len(want), err)
			}
			for _, w := range want {
				path, part := w[1], w[2]
				if path == "" {
					part = strings.TrimPrefix(part, ": ")
				}
				if !slices.ContainsFunc(problems, func(p *Error) bool { return p.Path == path && strings.Contains(p.Problem, part) }) {
					t.Errorf("no problem %s: %s in\n%v", path, part, err)
				}
			}
			for _, p := range problems {
				if p.Line == 0 || p.Line > 1+strings.Count(string(data), "\n") {
					t.Errorf("no line in %v", p)
				}
			}
			if half := file == "bad/half-written.xjdf"; errors.Is(err, ErrNotWellFormed) != half {
				t.Errorf("%v: said to be incomplete: %v", err, !half)
			}
		})
	}
}

// TestAmountsThatDiffer: an order of 600 whose component says 100 is taken, and said.
func TestAmountsThatDiffer(t *testing.T) {
	text := strings.Replace(string(fixture(t, "tide-stickers.xjdf")), `<PartAmount Amount="600"`, `<PartAmount Amount="100"`, 1)
	job, report, err := Read([]byte(text), shop)
	if err != nil || job.GetItems()[0].GetQuantity() != 100 {
		t.Fatalf("%v %v", job, err)
	}
	const want = `XJDF/ProductList/Product/@Amount: is "600", and 100 pieces come out of the last process: 100 are made`
	if !slices.Contains(report.Assumptions, want) {
		t.Errorf("assumed %q, want among them %s", report.Assumptions, want)
	}
}

// TestSchema holds the tickets to the rules of the public schema, by a validator that is not ours.
func TestSchema(t *testing.T) {
	xmllint, err := exec.LookPath("xmllint")
	if err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("xmllint is missing: install the Debian package libxml2-utils")
		}
		t.Skip("xmllint is not installed: Debian has it in libxml2-utils")
	}
	validate := func(file string) (string, bool) {
		out, err := exec.CommandContext(t.Context(), xmllint, "--noout", "--nonet", "--schema", fixtures+"/subset.xsd", fixtures+"/"+file).CombinedOutput()
		return string(out), err == nil
	}
	for _, file := range names(t, "*.xjdf") {
		if out, ok := validate(file); !ok {
			t.Errorf("%s", out)
		}
	}
	for _, file := range []string{"job-id-absent", "namespace-other", "shape-type", "half-written"} {
		if out, ok := validate("bad/" + file + ".xjdf"); ok {
			t.Errorf("%s is valid: the schema holds nothing: %s", file, out)
		}
	}
}

// small is a ticket that tests change by replacing a text.
const small = `<XJDF xmlns="http://www.CIP4.org/JDFSchema_2_0" JobID="pier" Types="ShapeCutting">
<ResourceSet Name="Media" Usage="Input"><Resource ExternalID="foil-navy" ID="m"><Media MediaType="Foil"/></Resource></ResourceSet>
<ResourceSet Name="Component" Usage="Output"><Resource><AmountPool><PartAmount Amount="5"/></AmountPool><Component Dimensions="72 36"/></Resource></ResourceSet>
</XJDF>`

func TestSmallChanges(t *testing.T) {
	const component = `<Component Dimensions="72 36"/>`
	shape := func(s string) string {
		return `</ResourceSet><ResourceSet Name="ShapeCuttingParams"><Resource><ShapeCuttingParams>` + s + `</ShapeCuttingParams></Resource></ResourceSet></XJDF>`
	}
	for _, tt := range []struct{ name, old, new, want string }{
		{"byte order mark", "<XJDF", "\xef\xbb\xbf<XJDF", ""},
		{"utf-16", "<XJDF", "\xff\xfe<XJDF", "save it in UTF-8"},
		{"zero bytes", "</XJDF>", "</XJDF>\x00\x00", "zero byte"},
		{"latin 1", "<XJDF", `<?xml version="1.0" encoding="ISO-8859-1"?><XJDF`, "save it in UTF-8"},
		{"us-ascii", "<XJDF", `<?xml version="1.0" encoding="us-ascii"?><XJDF`, ""},
		{"not utf-8", "pier", "pi\xffer", "invalid UTF-8"},
		{"a second root", "</XJDF>", "</XJDF><XJDF/>", "second root"},
		{"text behind", "</XJDF>", "</XJDF>more", "outside of the root"},
		{"unclosed", "</XJDF>", "", "unexpected EOF"},
		{"unknown entity", "pier", "&pier;", "invalid character entity"},
		{"repeated attribute", `JobID="pier"`, `JobID="pier" JobID="quay"`, "is there twice"},
		{"older tickets", "XJDF", "JDF", "export XJDF 2"},
		{"messages", "XJDF", "XJMF", "a message"},
		{"something else", "XJDF", "html", "not the root"},
		{"usage", `Usage="Output"`, `Usage="Both"`, "neither Input nor Output"},
		{"set without a name", `Name="Media" `, "", "@Name: is missing"},
		{"no output", `Name="Component" Usage="Output"`, `Name="Component" Usage="Input"`, "Usage Output"},
		{"two resources in one", component, component + component, "is a second one"},
		{"no media", `Name="Media"`, `Name="Tool"`, "name the media"},
		{"media by id", component, `<Component MediaRef="m" Dimensions="72 36"/>`, ""},
		{"media by unknown id", component, `<Component MediaRef="n" Dimensions="72 36"/>`, "@MediaRef: \"n\" is the ID of no Media"},
		{"too many dimensions", "72 36", "72 36 1 1", "has 4 numbers"},
		{"too few dimensions", "72 36", "72", "has 1 number, not 2 or 3"},
		{"hexadecimal", "72 36", "0x48 36", "not a number"},
		{"no size", component, "<Component/>", "has no size"},
		{"negative size", "72 36", "-72 36", "more than 0"},
		{"a large size", "72 36", "72000 36", "at most 20000 mm"},
		{"no pieces", `Amount="5"`, `Amount="0"`, "orders 0 pieces"},
		{"too many pieces", `Amount="5"`, `Amount="5000000"`, "orders 5e+06 pieces"},
		{"negative pieces", `Amount="5"`, `Amount="-5"`, "whole number"},
		{"an exponent", `Amount="5"`, `Amount="5e1"`, ""},
		{"lower place", `Name="Component" Usage="Output"`, `Name="Component" Usage="Output" CombinedProcessIndex="-1"`, "not a place"},
		{"no place", `Name="Component" Usage="Output"`, `Name="Component" Usage="Output" CombinedProcessIndex=""`, "no list of places"},
		{"not printed", `Types="ShapeCutting"`, `Types="Laminating ShapeCutting"`, "laminated after printing"},
		{"no artwork", `Types="ShapeCutting"`, `Types="DigitalPrinting ShapeCutting"`, "name the artwork"},
		{"empty chain", `Types="ShapeCutting"`, `Types=" "`, "@Types: is missing"},
		{"long chain", `Types="ShapeCutting"`, `Types="` + strings.Repeat("Cutting ", 17) + `"`, "at most 16"},
		{"not put out last", `Types="ShapeCutting"`, `Types="ShapeCutting Cutting"`, ""},
		{"no path", "</ResourceSet>\n</XJDF>", shape(`<Shape ShapeType="Path"/>`), "@CutPath: is missing"},
		{"a point", "</ResourceSet>\n</XJDF>", shape(`<Shape ShapeType="Path" CutPath="1 1 m h"/>`), "holds no line"},
		{"no area", "</ResourceSet>\n</XJDF>", shape(`<Shape ShapeType="Rectangular" CutBox="5 5 5 9"/>`), "has no area"},
		{"half a box", "</ResourceSet>\n</XJDF>", shape(`<Shape ShapeType="Round" CutBox="5 5"/>`), "has 2 numbers, not 4"},
		{"teeth", "</ResourceSet>\n</XJDF>", shape(`<Shape ShapeType="Round" TeethPerDimension="many"/>`), "not a number of teeth"},
		{"depth", "</ResourceSet>\n</XJDF>", shape(`<Shape ShapeType="Round" ShapeDepth="-3"/>`), "not a depth"},
		{"two cut files", "</ResourceSet>\n</XJDF>", shape(`<FileSpec URL="a.svg"/><FileSpec URL="b.svg"/>`), "second cut file"},
		{"a file that is nowhere", "</ResourceSet>\n</XJDF>", shape(`<FileSpec/>`), "@URL: is missing"},
		{"control characters", "</ResourceSet>\n</XJDF>", shape("<FileSpec URL=\"a&#x85;.svg\"/>"), "control characters"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			text := strings.ReplaceAll(small, tt.old, tt.new)
			if text == small {
				t.Fatal("the change changes nothing")
			}
			_, _, err := Read([]byte(text), Options{})
			switch {
			case tt.want == "" && err != nil:
				t.Errorf("refused: %v", err)
			case tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want)):
				t.Errorf("error %v, want %q", err, tt.want)
			}
		})
	}
}

func TestOptions(t *testing.T) {
	text := strings.Replace(small, `JobID="pier"`, `JobID="Pier 7" JobPartID="b"`, 1)
	text = strings.Replace(text, `Types="ShapeCutting"`, `Types="DigitalPrinting ShapeCutting"`, 1)
	job, _, err := Read([]byte(text), Options{Ink: "uv", Mode: "fine", JobPart: true, Media: map[string]string{"FOIL-NAVY": "foil-blue"}})
	if err != nil {
		t.Fatal(err)
	}
	if item := job.GetItems()[0]; job.GetId() != "pier-7-b" || item.GetInk() != "uv" || item.GetMode() != "fine" || item.GetMedia() != "foil-blue" {
		t.Errorf("job %v", job)
	}
}

func TestIDs(t *testing.T) {
	long := strings.Repeat("tide", 30)
	for name, want := range map[string]string{
		"J-1042": "j-1042", "Ferry_Tags.7": "ferry-tags-7", "--a--": "a", "": "", "...": "", "ÄRGER": "rger", "\xff": "",
	} {
		if got := makeID(name); got != want {
			t.Errorf("id of %q is %q, want %q", name, got, want)
		}
	}
	a, b := makeID(long+"a"), makeID(long+"b")
	if !tandemv1.ValidID(a) || !tandemv1.ValidID(b) || a == b {
		t.Errorf("long names become %q and %q", a, b)
	}
}

// TestLimits holds that what is too much is refused, with one problem.
func TestLimits(t *testing.T) {
	insert := func(s string) []byte { return []byte(strings.Replace(small, "</XJDF>", s+"</XJDF>", 1)) }
	shape := func(path string) []byte {
		return insert(`<ResourceSet Name="ShapeCuttingParams"><Resource><ShapeCuttingParams><Shape ShapeType="Path" CutPath="` + path + `"/></ShapeCuttingParams></Resource></ResourceSet>`)
	}
	attributes := ""
	for i := range maxAttributes + 1 {
		attributes += fmt.Sprintf(" a%d=''", i)
	}
	for _, tt := range []struct {
		name string
		data []byte
		want string
	}{
		{"bytes", insert("<!--" + strings.Repeat(" ", MaxSize) + "-->"), "larger than 4 MiB"},
		{"elements", insert(strings.Repeat("<a/>", MaxElements)), "more than 100000 elements"},
		{"depth", insert(strings.Repeat("<a>", 40) + strings.Repeat("</a>", 40)), "deeper than 32"},
		{"attributes", insert("<a" + attributes + "/>"), "more than 200 attributes"},
		{"segments", shape("0 0 m " + strings.Repeat("1 1 l 2 2 l ", maxSegments)), "more than 50000 segments"},
		{"length", shape("0 0 m " + strings.Repeat("50 30 l 1 1 l ", 400_000/20)), ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			_, _, err := Read(tt.data, Options{})
			if tt.want == "" && err != nil || tt.want != "" && (err == nil || !strings.Contains(err.Error(), tt.want)) {
				t.Errorf("error %v, want %q", err, tt.want)
			}
		})
	}
	many := ""
	for i := range 300 {
		many += fmt.Sprintf("<a%d/>", i)
	}
	_, report, err := Read(insert(many), Options{})
	if err != nil || len(report.Ignored) != maxIgnored || report.MoreIgnored != 300-maxIgnored {
		t.Errorf("%d and %d more are ignored, error %v", len(report.Ignored), report.MoreIgnored, err)
	}
}

func TestIsXJDF(t *testing.T) {
	for text, want := range map[string]bool{
		small: true, small[:90]: true, `<?xml version="1.0"?><!-- c --><x:XJDF xmlns:x="` + Namespace + `"/>`: true, `<!DOCTYPE XJDF><XJDF xmlns="` + Namespace + `">`: true,
		`<XJDF/>`: false, `<svg/>`: false,
	} {
		if got, err := IsXJDF([]byte(text)); got != want || err != nil {
			t.Errorf("%s: %v, %v", text, got, err)
		}
	}
	for _, text := range []string{"", "<XJ", "<!-- ", "plain"} {
		if got, err := IsXJDF([]byte(text)); got || !errors.Is(err, ErrNotWellFormed) {
			t.Errorf("%q: %v, %v", text, got, err)
		}
	}
}

// FuzzRead holds that nothing that is handed in ends the program, and that what is taken keeps the rules of a job.
func FuzzRead(f *testing.F) {
	for _, pattern := range []string{"*.xjdf", "bad/*.xjdf"} {
		for _, file := range names(f, pattern) {
			f.Add(fixture(f, file))
		}
	}
	f.Add([]byte(small))
	f.Fuzz(func(t *testing.T, data []byte) {
		job, report, err := Read(data, shop)
		again, _, _ := Read(data, shop)
		if !proto.Equal(job, again) {
			t.Error("the same ticket gives another job")
		}
		if err != nil {
			if problems := (Errors{}); !errors.As(err, &problems) || len(problems) == 0 || len(problems) > maxProblems || job != nil {
				t.Errorf("job %v, error %v", job, err)
			}
			return
		}
		if !tandemv1.ValidID(job.GetId()) || len(job.GetItems()) == 0 || len(job.GetItems()) > maxItems || len(job.GetLabels()) > 64 || len(report.Ignored) > maxIgnored {
			t.Errorf("job %v", job)
		}
		seen := map[string]bool{}
		for _, item := range job.GetItems() {
			c := item.GetContour()
			switch {
			case !tandemv1.ValidID(item.GetId()), seen[item.GetId()]:
				t.Errorf("item id %q", item.GetId())
			case item.GetQuantity() < 1, item.GetOvers() < 0, !fits(item.GetWidthUm()), !fits(item.GetHeightUm()), item.GetMedia() == "":
				t.Errorf("item %v", item)
			case c != nil && (c.GetLines() < 1 || c.GetLengthUm() < 1 || c.GetLengthUm() > maxContourUm || c.GetCorners() < 0 || c.GetTravelUm() < 0):
				t.Errorf("contour %v", c)
			}
			seen[item.GetId()] = true
		}
		if _, err := protojson.Marshal(job); err != nil {
			t.Error(err)
		}
	})
}
