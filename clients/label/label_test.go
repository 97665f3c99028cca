package label

import (
	"bytes"
	"errors"
	"image"
	"image/draw"
	"image/png"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"tandem/clients/goldentest"
	tandemv1 "tandem/proto/tandem/v1"
)

// TestSaid holds what stands on each stock.
func TestSaid(t *testing.T) {
	for _, stock := range Stocks() {
		for _, what := range []string{"traveler", "tag"} {
			if what == "traveler" && !stock.Travelers {
				continue
			}
			goldentest.Compare(t, what+"-"+stock.Name+".txt", sheet{what, stock.Name, 203, DataMatrix}.draw(t).Said())
		}
	}
}

// TestPDFSays has a program that is not ours take the text out of the PDF.
func TestPDFSays(t *testing.T) {
	pdftotext := tool(t, "pdftotext", "poppler-utils")
	d := sheet{"traveler", "100x150", 203, DataMatrix}.draw(t)
	var b bytes.Buffer
	if err := d.PDF(&b); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(pdftotext, "-raw", "-", "-")
	cmd.Stdin = &b
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	got := strings.Join(strings.Fields(string(out)), " ")
	for _, p := range d.pages {
		for _, text := range p.texts {
			if want := strings.Join(strings.Fields(text.said), " "); !strings.Contains(got, want) {
				t.Errorf("%q is not in the PDF's text", want)
			}
		}
	}
}

// TestSameBytes draws everything twice.
func TestSameBytes(t *testing.T) {
	write := func() []byte {
		var b bytes.Buffer
		d := sheet{"tag", "a4-cards", 203, QR}.draw(t)
		if err := d.PDF(&b); err != nil {
			t.Fatal(err)
		}
		if err := d.PNG(&b, 0); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	first := write()
	for range 3 {
		if !bytes.Equal(write(), first) {
			t.Fatal("the same labels, other bytes")
		}
	}
}

// TestPNGIsThePDF compares the picture with the PDF as a program that is not ours renders it. That program puts letters on
// quarters of a dot and draws their rims in grey: no dark dot is further than one dot from one of the other picture.
func TestPNGIsThePDF(t *testing.T) {
	d := sheet{"traveler", "100x50", 300, DataMatrix}.draw(t)
	for i, page := range render(t, d) {
		var b bytes.Buffer
		if err := d.PNG(&b, i); err != nil {
			t.Fatal(err)
		}
		if !bytes.Contains(b.Bytes(), []byte("pHYs\x00\x00\x2e\x23\x00\x00\x2e\x23\x01")) {
			t.Error("the PNG does not say that it has 11,811 pixels a metre: 300 dots per inch")
		}
		img, err := png.Decode(&b)
		if err != nil {
			t.Fatal(err)
		}
		if img.Bounds() != page.Rect {
			t.Fatalf("the picture is %v, the page %v", img.Bounds(), page.Rect)
		}
		ours := image.NewGray(page.Rect)
		draw.Draw(ours, ours.Rect, img, image.Point{}, draw.Src)
		dark, alone := 0, 0
		for _, pair := range [][2]*image.Gray{{ours, page}, {page, ours}} {
			for y := range page.Rect.Dy() {
				for x := range page.Rect.Dx() {
					if pair[0].GrayAt(x, y).Y < 0x40 {
						dark++
						if !darkNear(pair[1], x, y) {
							alone++
						}
					}
				}
			}
		}
		if dark == 0 || alone > 0 {
			t.Errorf("page %d: %d dots of %d dark ones have none in the other picture within a dot", i, alone, dark)
		}
	}
}

func darkNear(img *image.Gray, x, y int) bool {
	for _, d := range []image.Point{{}, {1, 0}, {-1, 0}, {0, 1}, {0, -1}, {1, 1}, {1, -1}, {-1, 1}, {-1, -1}} {
		if at := image.Pt(x, y).Add(d); at.In(img.Rect) && img.GrayAt(at.X, at.Y).Y < 0xa0 {
			return true
		}
	}
	return false
}

// nasty are names as foreign as they come.
func nasty() []string {
	return []string{
		strings.Repeat("Extraordinarily long name of a shop window ", 40),
		strings.Repeat("W", 500),
		"ÅÉÎÕÜ ŻŹĆ gjpqy Ǻ", "Витрина осень", "Βιτρίνα", "חלון ראווה 12 מטר", "店の窓 秋", "نافذة المتجر", "decal \U0001f41d bee", "e\u0301a\u0308o\u0302",
		"tab\tnew\nline\x1b[31m", "\u202eright to left", "<b>&amp;</b> (x) \\", "broken \xff\xfe",
	}
}

// withName gives everything on a label that is foreign a name.
func withName(name string) (*tandemv1.Job, []Tag) {
	job := someJob()
	job.DisplayName, job.Id = name, name
	job.Labels = map[string]string{"customer": name, "reference": name}
	for _, s := range job.GetSteps() {
		s.Note, s.Media, s.Film, s.Devices = name, name, name, []string{name, name}
	}
	job.GetPanels()[0].Contents[0].Item = name
	return job, OfCodes([]*tandemv1.FloorCode{{Kind: "device", Id: name, Code: "D001M", DisplayName: name + "!"}, {Kind: "command", Id: name, Code: "K002U", DisplayName: name}}, nil)
}

// TestTextStaysInItsBox draws each text alone and looks where its ink is; boxes and codes keep clear of one another and of
// the edge of the label.
func TestTextStaysInItsBox(t *testing.T) {
	check := func(d *Document, what string) {
		for _, p := range d.pages {
			clear := func(r rect) bool {
				return slices.ContainsFunc(p.labels, func(l rect) bool {
					return l.x <= r.x && l.y <= r.y && r.right() <= l.right() && r.bottom() <= l.bottom()
				})
			}
			for i, text := range p.texts {
				if !clear(text.box) {
					t.Errorf("%s: %q leaves its label: %v", what, text.said, text.box)
				}
				if w := text.font.width(text.size, text.shown); w > float64(text.box.w)+0.5 {
					t.Errorf("%s: %q takes %.1f dots of %d", what, text.said, w, text.box.w)
				}
				for _, other := range p.texts[i+1:] {
					if meet(text.box, other.box) {
						t.Errorf("%s: %q %v lies on %q %v", what, text.said, text.box, other.said, other.box)
					}
				}
				for _, s := range p.symbols {
					if meet(text.box, rect{s.X, s.Y, s.Width, s.Height}) {
						t.Errorf("%s: %q lies on the %s", what, text.said, s.Kind)
					}
				}
			}
			for i, s := range p.symbols {
				if !clear(rect{s.X, s.Y, s.Width, s.Height}) {
					t.Errorf("%s: the %s leaves its label", what, s.Kind)
				}
				for _, o := range p.symbols[i+1:] {
					if meet(rect{s.X, s.Y, s.Width, s.Height}, rect{o.X, o.Y, o.Width, o.Height}) {
						t.Errorf("%s: the %s lies on the %s", what, s.Kind, o.Kind)
					}
				}
			}
		}
	}
	ink := map[string]bool{}
	for _, name := range append(nasty(), "Shop window") {
		job, tags := withName(name)
		list, err := OfPanels(job, nil, around())
		if err != nil {
			t.Fatal(err)
		}
		for _, stock := range Stocks() {
			for _, m := range Matrices() {
				if stock.Travelers {
					d, err := Travelers(list, options(stock.Name, 203, m))
					if err != nil {
						t.Fatal(err)
					}
					check(d, "traveler "+stock.Name+" "+name[:5])
					inked(t, d, ink)
				}
				d, err := Tags(tags, options(stock.Name, 203, m))
				if err != nil {
					t.Fatal(err)
				}
				check(d, "tag "+stock.Name+" "+name[:5])
			}
		}
	}
}

// inked holds the ink of each text of a page to its box, once for each text and size.
func inked(t *testing.T, d *Document, done map[string]bool) {
	t.Helper()
	for _, p := range d.pages {
		for _, text := range p.texts {
			key := text.shown + string(rune(text.box.h)) + text.font.name + text.font.style
			if done[key] {
				continue
			}
			done[key] = true
			around := text.box.inset(-20)
			moved := text
			moved.x -= float64(around.x)
			moved.base -= float64(around.y)
			alone := &page{doc: d, dpi: p.dpi, w: around.w, h: around.h, texts: nil}
			alone.texts = append(alone.texts, moved)
			img, err := alone.image()
			if err != nil {
				t.Fatal(err)
			}
			inside := image.Rect(20, 20, 20+text.box.w, 20+text.box.h).Inset(-1) // the rim of a round letter may be half a dot outside
			for i, v := range img.Pix {
				if at := image.Pt(i%img.Stride, i/img.Stride); v == 1 && !at.In(inside) {
					t.Errorf("%q has ink at %v, outside its box %v", text.said, at, inside)
					break
				}
			}
		}
	}
}

func meet(a, b rect) bool {
	return a.x < b.right() && b.x < a.right() && a.y < b.bottom() && b.y < a.bottom()
}

func TestLacking(t *testing.T) {
	job, _ := withName("秋 autumn 🐝 秋")
	list, err := OfPanels(job, nil, around())
	if err != nil {
		t.Fatal(err)
	}
	d, err := Travelers(list, options("100x150", 203, DataMatrix))
	if err != nil {
		t.Fatal(err)
	}
	if got := string(d.Lacking()); got != "秋🐝" {
		t.Errorf("lacking %q, want each once", got)
	}
	if !strings.Contains(d.Said(), "□ autumn □ □") {
		t.Errorf("no hollow squares on\n%s", d.Said())
	}
	if got := (sheet{"traveler", "62", 203, QR}).draw(t).Lacking(); len(got) > 0 {
		t.Errorf("lacking %q of an ordinary job", string(got))
	}
}

func TestVisual(t *testing.T) {
	// By UAX #9: numbers among Hebrew keep their own order (I1, L2), brackets are mirrored (L4).
	for said, want := range map[string]string{
		"shop":            "shop",
		"אבג":             "גבא",
		"shop אבג":        "shop גבא",
		"אבג shop":        "shop גבא", // begins with Hebrew: the whole is read from the right
		"shop אבג 12 דהו": "shop והד 12 גבא",
		"א1 ב (אבג)":      "(גבא) ב 1א",
		"PO 12 (אב) end":  "PO 12 (בא) end",
	} {
		if got := visual(said); got != want {
			t.Errorf("visual(%q) = %q, want %q", said, got, want)
		}
	}
}

func TestOfPanels(t *testing.T) {
	all, err := OfPanels(someJob(), nil, around())
	if err != nil || len(all) != 3 || all[2].Number != 3 || all[2].Of != 3 {
		t.Fatalf("OfPanels = %+v, %v, want 3 of 3", all, err)
	}
	var route []string
	for _, s := range all[1].Steps {
		route = append(route, s.Name)
	}
	if want := []string{"print", "dry", "laminate", "cut", "weed", "only-p2"}; !slices.Equal(route, want) {
		t.Errorf("route %v, want %v: a step stands behind those it waits for", route, want)
	}
	if n := len(all[0].Steps); n != 5 {
		t.Errorf("panel p1 has %d steps, want 5: one is for p2 only", n)
	}
	if all[0].CutFiles[0] != "9f86d081884c" {
		t.Errorf("cut files %v", all[0].CutFiles)
	}
	named, err := OfPanels(someJob(), []string{"p3", "p0qtk"}, around())
	if err != nil || len(named) != 2 || named[0].Panel != "p2" || named[1].Panel != "p3" {
		t.Errorf("by id and by code: %+v, %v", named, err)
	}
	if _, err := OfPanels(someJob(), []string{"p9"}, around()); err == nil || !strings.Contains(err.Error(), "p1, p2 or p3") {
		t.Errorf("an unknown panel: %v, want an error that lists the panels", err)
	}
	chosen := around()
	chosen.Reference = "customer"
	if list, err := OfPanels(someJob(), nil, chosen); err != nil || list[0].Reference != "Harbour Café" {
		t.Errorf("reference = %q, %v, want that of the key", list[0].Reference, err)
	}
}

func TestRefuses(t *testing.T) {
	tags := someTags()
	for _, tt := range []struct {
		name string
		o    Options
		want string
	}{
		{"stock", options("12x12", 203, QR), "choose from 100x50, 100x150, 62"},
		{"resolution", options("62", 204, QR), "choose from 203 300 600"},
		{"code", options("62", 203, "maxi"), "choose from datamatrix and qr"},
		{"skip", Options{Stock: "a4-2x4", DPI: 203, Matrix: QR, Skip: 8}, "give 0 to 7"},
	} {
		if _, err := Tags(tags, tt.o); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v, want %q", tt.name, err, tt.want)
		}
	}
	if _, err := Tags(nil, options("62", 203, QR)); !errors.Is(err, ErrNothing) {
		t.Errorf("no tags: %v", err)
	}
	list, _ := OfPanels(someJob(), nil, around())
	if _, err := Travelers(list, options("a4-3x7", 203, QR)); err == nil || !strings.Contains(err.Error(), "too small for a traveler") {
		t.Errorf("a traveler on a small label: %v", err)
	}
	var b bytes.Buffer
	if err := (sheet{"tag", "62", 203, QR}).draw(t).PNG(&b, 9); err == nil {
		t.Error("a page that is not there is drawn")
	}
}

func TestSkip(t *testing.T) {
	o := options("a4-2x4", 203, DataMatrix)
	o.Skip = 7
	d, err := Tags(someTags(), o)
	if err != nil {
		t.Fatal(err)
	}
	if d.Pages() != 2 || len(d.pages[0].labels) != 1 || len(d.pages[1].labels) != len(someTags())-1 {
		t.Errorf("%d pages with %d labels on the first, want 2 and 1", d.Pages(), len(d.pages[0].labels))
	}
	if first := d.pages[0].labels[0]; first.x < d.pages[0].w/2 || first.y < d.pages[0].h*2/3 {
		t.Errorf("the eighth label of a sheet is at %v", first)
	}
}

// TestGoldenFilesHaveAStock holds the folder of golden files to the stocks that there are.
func TestGoldenFilesHaveAStock(t *testing.T) {
	files, err := filepath.Glob("testdata/*.txt")
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		_, name, _ := strings.Cut(strings.TrimSuffix(filepath.Base(f), ".txt"), "-")
		if _, err := stockNamed(name); err != nil {
			t.Errorf("%s is for a stock that is no more: remove it", f)
		}
	}
}
