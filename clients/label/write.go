package label

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"io"
	"math"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font"
	"golang.org/x/image/font/opentype"
	"golang.org/x/image/math/fixed"
)

// hair is how far a rectangle stays inside its dots in a PDF, in dots. A printer that blackens every dot that an area
// touches, and one that goes by the middle of a dot, then both print the dots that are meant, however numbers are rounded.
const hair = 0.12

// PDF writes all pages. A page is a whole number of dots: print it in its actual size, not fitted to the paper.
func (d *Document) PDF(w io.Writer) error {
	pdf := fpdf.NewCustom(&fpdf.InitType{OrientationStr: "P", UnitStr: "pt", Size: fpdf.SizeType{Wd: 1, Ht: 1}})
	pdf.SetCatalogSort(true)
	pdf.SetCreationDate(d.options.Made.UTC())
	pdf.SetModificationDate(d.options.Made.UTC())
	pdf.SetTitle(d.options.Title, true)
	pdf.SetProducer("tandem", true)
	pdf.SetAutoPageBreak(false, 0)
	pdf.SetMargins(0, 0, 0)
	for _, f := range []*typeface{d.fonts.plain, d.fonts.bold, d.fonts.code} {
		pdf.AddUTF8FontFromBytes(f.name, f.style, f.ttf)
	}
	for _, p := range d.pages {
		p.pdf(pdf)
	}
	if err := pdf.Output(w); err != nil {
		return fmt.Errorf("write PDF: %w", err)
	}
	return nil
}

func (p *page) pdf(pdf *fpdf.Fpdf) {
	scale := 72 / float64(p.dpi)
	// A trifle less than its dots: rounded up to whole dots again, as printers do it, it is as large as it should be.
	side := func(n int) float64 { return math.Floor(float64(n)*scale*100-0.5) / 100 }
	// With "P" the library swaps what is wider than high; with "L" never what is.
	orientation := "P"
	if p.w > p.h {
		orientation = "L"
	}
	pdf.AddPageFormat(orientation, fpdf.SizeType{Wd: side(min(p.w, p.h)), Ht: side(max(p.w, p.h))})
	pdf.SetFillColor(0, 0, 0)
	pdf.SetTextColor(0, 0, 0)
	fill := func(x0, y0, x1, y1 float64) {
		pdf.Rect(x0*scale, y0*scale, (x1-x0)*scale, (y1-y0)*scale, "F")
	}
	for _, b := range p.boxes {
		fill(float64(b.x)+hair, float64(b.y)+hair, float64(b.right())-hair, float64(b.bottom())-hair)
	}
	for _, s := range p.symbols {
		s.runs(fill)
	}
	for _, t := range p.texts {
		pdf.SetFont(t.font.name, t.font.style, t.size*scale)
		pdf.Text(t.x*scale, t.base*scale, t.shown)
	}
}

// runs fills the dark modules of a symbol row by row, and what joins them from row to row, so that nothing shines through
// between them.
func (s *Symbol) runs(fill func(x0, y0, x1, y1 float64)) {
	left, top, height := s.at()
	for y, row := range s.modules {
		for x := 0; x < len(row); {
			end := x
			for end < len(row) && row[end] {
				end++
			}
			if end > x {
				fill(float64(left+x*s.Module)+hair, float64(top+y*height)+hair, float64(left+end*s.Module)-hair, float64(top+(y+1)*height)-hair)
			}
			x = end + 1
		}
		if y == 0 {
			continue
		}
		for x := 0; x < len(row); {
			end := x
			for end < len(row) && row[end] && s.modules[y-1][end] {
				end++
			}
			if end > x {
				seam := float64(top + y*height)
				fill(float64(left+x*s.Module)+hair, seam-2*hair, float64(left+end*s.Module)-hair, seam+2*hair)
			}
			x = end + 1
		}
	}
}

// PNG writes one page, counted from 0: a pixel is a dot, black or white.
func (d *Document) PNG(w io.Writer, number int) error {
	if number < 0 || number >= len(d.pages) {
		return fmt.Errorf("there is no page %d: there are %d, counted from 0", number, len(d.pages))
	}
	p := d.pages[number]
	img, err := p.image()
	if err != nil {
		return err
	}
	var b bytes.Buffer
	encoder := png.Encoder{CompressionLevel: png.BestCompression}
	if err := encoder.Encode(&b, img); err != nil {
		return fmt.Errorf("write PNG: %w", err)
	}
	data, err := withDensity(b.Bytes(), p.dpi)
	if err != nil {
		return err
	}
	if _, err := w.Write(data); err != nil {
		return fmt.Errorf("write PNG: %w", err)
	}
	return nil
}

// image draws a page.
func (p *page) image() (*image.Paletted, error) {
	grey := image.NewGray(image.Rect(0, 0, p.w, p.h))
	draw.Draw(grey, grey.Rect, image.White, image.Point{}, draw.Src)
	fill := func(r rect) {
		draw.Draw(grey, image.Rect(r.x, r.y, r.right(), r.bottom()), image.Black, image.Point{}, draw.Src)
	}
	for _, b := range p.boxes {
		fill(b)
	}
	for _, s := range p.symbols {
		left, top, height := s.at()
		for y, row := range s.modules {
			for x, dark := range row {
				if dark {
					fill(rect{left + x*s.Module, top + y*height, s.Module, height})
				}
			}
		}
	}
	faces := map[*typeface]map[float64]font.Face{}
	for _, t := range p.texts {
		if err := t.draw(grey, faces); err != nil {
			return nil, err
		}
	}
	out := image.NewPaletted(grey.Rect, color.Palette{color.White, color.Black})
	for i, v := range grey.Pix {
		if v < 0x80 {
			out.Pix[i] = 1
		}
	}
	return out, nil
}

func (t *text) draw(img draw.Image, faces map[*typeface]map[float64]font.Face) error {
	if faces[t.font] == nil {
		faces[t.font] = map[float64]font.Face{}
	}
	if faces[t.font][t.size] == nil {
		face, err := opentype.NewFace(t.font.font, &opentype.FaceOptions{Size: t.size, DPI: 72, Hinting: font.HintingNone})
		if err != nil {
			return fmt.Errorf("draw text: %w", err)
		}
		faces[t.font][t.size] = face
	}
	d := font.Drawer{Dst: img, Src: image.Black, Face: faces[t.font][t.size], Dot: fixed.Point26_6{X: fixed.Int26_6(t.x * 64), Y: fixed.Int26_6(t.base * 64)}}
	// One by one, at the places that the widths give, without kerning: as a PDF viewer does it.
	x := t.x
	for _, r := range t.shown {
		d.Dot.X = fixed.Int26_6(math.Round(x * 64))
		d.DrawString(string(r))
		x += t.font.advance(r) * t.size
	}
	return nil
}

// withDensity adds the chunk that says how many pixels a metre has (pHYs, PNG specification section 11.3.4.3), so that a
// page is printed in its size. It stands before the image data.
func withDensity(data []byte, dpi int) ([]byte, error) {
	at := bytes.Index(data, []byte("IDAT"))
	if at < 4 {
		return nil, errors.New("write PNG: there is no image in it")
	}
	chunk := binary.BigEndian.AppendUint32(nil, 9)
	chunk = append(chunk, "pHYs"...)
	perMetre := uint32(math.Round(float64(dpi) / 0.0254))
	chunk = binary.BigEndian.AppendUint32(chunk, perMetre)
	chunk = binary.BigEndian.AppendUint32(chunk, perMetre)
	chunk = append(chunk, 1)
	chunk = binary.BigEndian.AppendUint32(chunk, crc32.ChecksumIEEE(chunk[4:]))
	out := append([]byte(nil), data[:at-4]...)
	out = append(out, chunk...)
	return append(out, data[at-4:]...), nil
}
