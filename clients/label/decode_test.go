package label

import (
	"bytes"
	"fmt"
	"image"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// tool returns the path of a program of a Debian package. Under CI it must be there.
func tool(t *testing.T, name, from string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	switch {
	case err == nil:
		return path
	case os.Getenv("CI") == "true":
		t.Fatalf("%s is missing: apt-get install %s", name, from)
	default:
		t.Skipf("%s is missing: apt-get install %s", name, from)
	}
	return ""
}

// sheet is a kind of document to print.
type sheet struct {
	what, stock string
	dpi         int
	matrix      Matrix
}

func (s sheet) String() string { return fmt.Sprintf("%s-%s-%d-%s", s.what, s.stock, s.dpi, s.matrix) }

// sheets are every stock at the usual resolutions, with Data Matrix, and one with QR; with TANDEM_LABEL_SHEETS=all every
// stock with everything that is printed on it.
func sheets() []sheet {
	all := os.Getenv("TANDEM_LABEL_SHEETS") == "all"
	var list []sheet
	for _, stock := range Stocks() {
		usual := "traveler"
		if stock.Name == "a4-3x7" || stock.Name == "a4-cards" {
			usual = "tag"
		}
		for _, what := range []string{"traveler", "tag"} {
			for _, m := range Matrices() {
				if what == "traveler" && !stock.Travelers || !all && (what != usual || m == QR && stock.Name != "100x50") {
					continue
				}
				list = append(list, sheet{what, stock.Name, 203, m}, sheet{what, stock.Name, 300, m})
			}
		}
	}
	return list
}

func (s sheet) draw(t *testing.T) *Document {
	t.Helper()
	o := options(s.stock, s.dpi, s.matrix)
	var d *Document
	list, err := OfPanels(someJob(), nil, around())
	if err == nil && s.what == "traveler" {
		d, err = Travelers(list, o)
	} else if err == nil {
		tags := someTags()
		if stock, _ := stockNamed(s.stock); stock.each() == 1 {
			tags = tags[len(tags)-2:] // a page each
		}
		d, err = Tags(tags, o)
	}
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// render has a program that is not ours make a picture of each page of the PDF, at its own resolution.
func render(t *testing.T, d *Document) []*image.Gray {
	t.Helper()
	pdftoppm := tool(t, "pdftoppm", "poppler-utils")
	dir := t.TempDir()
	var b bytes.Buffer
	if err := d.PDF(&b); err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(pdftoppm, "-r", fmt.Sprint(d.options.DPI), "-gray", "-", filepath.Join(dir, "page"))
	cmd.Stdin = &b
	if out, err := cmd.CombinedOutput(); err != nil || len(out) > 0 {
		t.Fatalf("pdftoppm: %v\n%s", err, out)
	}
	files, err := filepath.Glob(filepath.Join(dir, "page-*.pgm"))
	if err != nil || len(files) != d.Pages() {
		t.Fatalf("%d pages rendered of %d: %v", len(files), d.Pages(), err)
	}
	slices.Sort(files)
	var pages []*image.Gray
	for _, file := range files {
		pages = append(pages, readPGM(t, file))
	}
	return pages
}

func readPGM(t *testing.T, file string) *image.Gray {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var w, h, most int
	if _, err := fmt.Sscanf(string(data[:min(40, len(data))]), "P5\n%d %d\n%d\n", &w, &h, &most); err != nil || most != 255 {
		t.Fatalf("%s: no PGM: %v", file, err)
	}
	return &image.Gray{Pix: data[len(data)-w*h:], Stride: w, Rect: image.Rect(0, 0, w, h)}
}

func writePGM(t *testing.T, file string, img *image.Gray) {
	t.Helper()
	r := img.Rect
	b := fmt.Appendf(nil, "P5\n%d %d\n255\n", r.Dx(), r.Dy())
	for y := r.Min.Y; y < r.Max.Y; y++ {
		at := img.PixOffset(r.Min.X, y)
		b = append(b, img.Pix[at:at+r.Dx()]...)
	}
	if err := os.WriteFile(file, b, 0o644); err != nil {
		t.Fatal(err)
	}
}

// TestCodesAreRead prints every stock, has the PDF rendered, holds every module and quiet zone on the bitmap to what was
// meant, and has every code read by zbarimg (Code 128, QR) and dmtxread (Data Matrix): as it is, blurred and noisy,
// and turned.
func TestCodesAreRead(t *testing.T) {
	t.Parallel()
	tool(t, "pdftoppm", "poppler-utils")
	tool(t, "zbarimg", "zbar-tools")
	tool(t, "dmtxread", "dmtx-utils")
	for _, s := range sheets() {
		t.Run(s.String(), func(t *testing.T) {
			t.Parallel()
			d := s.draw(t)
			dir := t.TempDir()
			var bars, dots reading
			bars.with, dots.with = []string{"zbarimg", "--nodbus", "-q", "--raw", "-Sdisable", "-Scode128.enable", "-Sqrcode.enable"}, []string{"dmtxread", "-n", "-N1"}
			rng := rand.New(rand.NewPCG(15417, uint64(s.dpi)))
			for i, page := range render(t, d) {
				p := d.pages[i]
				if page.Rect.Dx() != p.w || page.Rect.Dy() != p.h {
					t.Errorf("page %d is rendered %d x %d, want %d x %d dots", i, page.Rect.Dx(), page.Rect.Dy(), p.w, p.h)
				}
				for n, symbol := range d.Symbols(i) {
					measure(t, page, d, symbol)
					// The code and what is printed around it.
					near := image.Rect(symbol.X, symbol.Y, symbol.X+symbol.Width, symbol.Y+symbol.Height).Inset(-p.mm(3)).Intersect(page.Rect)
					seen := page.SubImage(near).(*image.Gray)
					r := &bars
					if symbol.Kind == "datamatrix" {
						r = &dots
					}
					for how, img := range []*image.Gray{seen, worn(seen, symbol.Module, rng), turned(seen, 4)} {
						file := filepath.Join(dir, fmt.Sprintf("%s-%d-%d-%d.pgm", symbol.Kind, i, n, how))
						writePGM(t, file, img)
						r.files, r.want = append(r.files, file), append(r.want, symbol.Payload)
					}
				}
			}
			bars.check(t)
			dots.check(t)
		})
	}
}

// reading is what a program is to read.
type reading struct{ with, files, want []string }

// check has the pictures read. If one is not read as it should be, each is read again alone to tell which.
func (r *reading) check(t *testing.T) {
	t.Helper()
	if len(r.files) == 0 {
		return
	}
	read := func(files ...string) []string {
		cmd := exec.Command(r.with[0], slices.Concat(r.with[1:], files)...)
		// A picture without a code makes them fail, too.
		out, _ := cmd.Output()
		return strings.Fields(string(out))
	}
	if slices.Equal(read(r.files...), r.want) {
		return
	}
	for i, file := range r.files {
		if got := read(file); !slices.Equal(got, r.want[i:i+1]) {
			t.Errorf("%s: read %q, want %s (0 as it is, 1 worn, 2 turned)", filepath.Base(file), got, r.want[i])
		}
	}
}

// measure holds a code on a bitmap to what was meant, dot by dot, and its size to the least that readers need.
func measure(t *testing.T, page *image.Gray, d *Document, s Symbol) {
	t.Helper()
	mm := func(n int) float64 { return float64(n) * 25.4 / float64(d.options.DPI) }
	least, quiet := leastModule, 2.0 // common practice; ISO/IEC 16022 asks for 1
	switch s.Kind {
	case "code128":
		least, quiet = 0.33, 10 // ISO/IEC 15417 for the quiet zones
		if mm(s.Height) < 12 {
			t.Errorf("%s: %.2f mm high, want 12", s.Payload, mm(s.Height))
		}
	case "qr":
		quiet = 4 // ISO/IEC 18004
	}
	if mm(s.Module) < least-1e-9 {
		t.Errorf("%s: modules of %.3f mm, want %v", s.Payload, mm(s.Module), least)
	}
	if float64(s.Quiet) < quiet*float64(s.Module) {
		t.Errorf("%s: a quiet zone of %d dots, want %v modules of %d", s.Payload, s.Quiet, quiet, s.Module)
	}
	left, top, height := s.at()
	wrong := 0
	for y := s.Y; y < s.Y+s.Height; y++ {
		for x := s.X; x < s.X+s.Width; x++ {
			dark := false
			if row, col := (y-top)/height, (x-left)/s.Module; y >= top && x >= left && row < len(s.modules) && col < len(s.modules[row]) {
				dark = s.modules[row][col]
			}
			if seen := page.Pix[y*page.Stride+x]; dark && seen > 0x40 || !dark && seen < 0xc0 {
				wrong++
			}
		}
	}
	if wrong > 0 {
		t.Errorf("%s %s: %d dots of %d are not as they were meant", s.Kind, s.Payload, wrong, s.Width*s.Height)
	}
}

// worn blurs a picture by a Gauss filter whose sigma is a quarter of a module, and adds noise with a sigma of 4 of 255
// grey levels, as a cheap camera does.
func worn(img *image.Gray, module int, rng *rand.Rand) *image.Gray {
	const noise = 4
	sigma := 0.25 * float64(module)
	reach := int(math.Ceil(2.5 * sigma))
	kernel := make([]float64, 2*reach+1)
	sum := 0.0
	for i := range kernel {
		kernel[i] = math.Exp(-float64((i-reach)*(i-reach)) / (2 * sigma * sigma))
		sum += kernel[i]
	}
	// Once along each side: what comes out lies on its other side.
	blur := func(from []float64, w, h int) []float64 {
		to := make([]float64, w*h)
		for y := range h {
			row := from[y*w : (y+1)*w]
			for x := range w {
				v := 0.0
				for i, k := range kernel {
					v += k * row[min(max(x+i-reach, 0), w-1)]
				}
				to[x*h+y] = v / sum
			}
		}
		return to
	}
	w, h := img.Rect.Dx(), img.Rect.Dy()
	pix := make([]float64, w*h)
	for i := range pix {
		pix[i] = float64(img.Pix[i/w*img.Stride+i%w])
	}
	pix = blur(blur(pix, w, h), h, w)
	out := image.NewGray(image.Rect(0, 0, w, h))
	for i, v := range pix {
		out.Pix[i] = uint8(min(max(v+noise*rng.NormFloat64(), 0), 255))
	}
	return out
}

// turned turns a picture about its middle, on white.
func turned(img *image.Gray, degrees float64) *image.Gray {
	r := img.Rect
	sin, cos := math.Sincos(degrees * math.Pi / 180)
	w := int(float64(r.Dx())*cos+float64(r.Dy())*sin) + 2
	h := int(float64(r.Dx())*sin+float64(r.Dy())*cos) + 2
	out := image.NewGray(image.Rect(0, 0, w, h))
	cx, cy := float64(r.Min.X+r.Max.X)/2, float64(r.Min.Y+r.Max.Y)/2
	seen := func(x, y int) float64 {
		if !(image.Point{x, y}).In(r) {
			return 255
		}
		return float64(img.Pix[img.PixOffset(x, y)])
	}
	for y := range h {
		for x := range w {
			dx, dy := float64(x)-float64(w)/2, float64(y)-float64(h)/2
			u, v := cx+dx*cos+dy*sin, cy-dx*sin+dy*cos
			x0, y0 := int(math.Floor(u)), int(math.Floor(v))
			fu, fv := u-float64(x0), v-float64(y0)
			out.Pix[y*w+x] = uint8((seen(x0, y0)*(1-fu)+seen(x0+1, y0)*fu)*(1-fv) + (seen(x0, y0+1)*(1-fu)+seen(x0+1, y0+1)*fu)*fv)
		}
	}
	return out
}
