// Package layoutview draws the layouts of a quote: the web with its edges, the panels with their mark bands, and every
// piece where it lies, as an SVG or a PNG picture.
//
// The web runs from left to right: its beginning, which leaves the machine first, is at the left, its left edge on top.
// A long web is broken into rows like a text. Every item has a letter, a pattern and a tone; the letter and the pattern
// say as much as the tone does.
//
// The same quote always gives the same bytes. Names may be foreign: they are made harmless, cut to the room there is and
// never become markup. However large the quote, the picture stays within fixed bounds, and says what it leaves out. The
// package knows no daemon and writes only to the writer it is given.
package layoutview

import (
	"bytes"
	"errors"
	"fmt"
	"html"
	"image/png"
	"io"

	"github.com/tdewolff/canvas"
	"github.com/tdewolff/canvas/renderers/rasterizer"
	"github.com/tdewolff/canvas/renderers/svg"

	"tandem/clients/celltext"
	tandemv1 "tandem/proto/tandem/v1"
)

// ErrNoLayouts means that the quote has nothing to draw. Only a job that is given as items has layouts.
var ErrNoLayouts = errors.New("the quote has no layouts: only a job given as items has them")

// pixels of a PNG for each unit of the picture.
const pixels = 2

// SVG writes the layouts of a quote as an SVG picture 800 units wide. Its text is text, in whatever sans-serif font
// the viewer has.
func SVG(w io.Writer, quote *tandemv1.Quote) error {
	p, err := draw(quote)
	if err != nil {
		return err
	}
	var b bytes.Buffer
	r := svg.New(&b, pageWidth, p.height, &svg.Options{SizeUnits: "px"})
	p.render(r)
	if err := r.Close(); err != nil {
		return fmt.Errorf("draw SVG: %w", err)
	}
	// A title directly inside the root element is the name of the picture for who does not see it: SVG 2 section 5.8.
	head, rest, _ := bytes.Cut(b.Bytes(), []byte(">"))
	var out bytes.Buffer
	fmt.Fprintf(&out, "%s><title>%s</title>\n", head, html.EscapeString(p.title))
	// Text is escaped, so these are the ends of elements: a line for each.
	rest = bytes.ReplaceAll(rest, []byte("/><"), []byte("/>\n<"))
	out.Write(bytes.ReplaceAll(rest, []byte("</text><"), []byte("</text>\n<")))
	out.WriteByte('\n')
	if _, err := out.WriteTo(w); err != nil {
		return fmt.Errorf("write SVG: %w", err)
	}
	return nil
}

// PNG writes the layouts of a quote as a PNG picture 1,600 pixels wide, which reads well at half that width.
func PNG(w io.Writer, quote *tandemv1.Quote) error {
	p, err := draw(quote)
	if err != nil {
		return err
	}
	r := rasterizer.New(pageWidth, p.height, canvas.DPMM(pixels), canvas.LinearColorSpace{})
	p.render(r)
	r.Close()
	if err := png.Encode(w, r.Image); err != nil {
		return fmt.Errorf("write PNG: %w", err)
	}
	return nil
}

// The bounds of a picture. Within them its time, memory and size are small whatever the quote holds.
const (
	maxLayouts = 8
	maxPieces  = 20_000             // drawn, of all layouts together
	maxCover   = rowWidth * allRoom // area of pieces: there is no more room where none lies on another
	maxLabels  = 3_000              // of the pieces of all layouts together
	maxEntries = 40                 // in the legend of a layout
	allEntries = 80                 // in all legends together
	mostRoom   = 700                // height for the webs of one layout
	allRoom    = 2_000              // of all layouts together
)

// draw makes the picture.
func draw(quote *tandemv1.Quote) (*page, error) {
	layouts := quote.GetLayouts()
	if len(layouts) == 0 {
		return nil, ErrNoLayouts
	}
	for i, l := range layouts {
		if err := checkLayout(l); err != nil {
			return nil, fmt.Errorf("layouts[%d].%w", i, err)
		}
	}
	p, err := newPage()
	if err != nil {
		return nil, err
	}
	job := quote.GetJob()
	p.title = "Layout of " + celltext.Short(job.GetId(), longest)
	if name := job.GetDisplayName(); name != "" {
		p.title += ": " + celltext.Short(name, longest)
	}
	p.text(p.bold, sizeTitle, ink, margin, p.height+22, p.fit(p.bold, sizeTitle, p.title, pageWidth-2*margin))
	p.height += 34

	shown := layouts[:min(len(layouts), maxLayouts)]
	left := budget{pieces: maxPieces, labels: maxLabels, cover: maxCover}
	keys := newKeys(min(maxEntries, allEntries/len(shown)))
	for i, l := range shown {
		b := &block{page: p, layout: l, keys: keys, left: &left, gang: len(job.GetMembers()) > 0 || ofSeveralJobs(l), job: job}
		b.draw(i+1, len(layouts), float64(min(mostRoom, allRoom/len(shown))))
	}
	if n := len(layouts) - len(shown); n > 0 {
		p.remark(fmt.Sprintf("%d more layouts are not drawn.", n))
	}
	p.conventions()
	return p, nil
}

// budget is what may still be drawn.
type budget struct {
	pieces, labels int
	cover          float64
}

// maxLength of a web that can be drawn, in micrometres: 100 km.
const maxLength = 100_000_000_000

// checkLayout refuses what has no shape. The error begins with the field.
func checkLayout(l *tandemv1.Layout) error {
	for _, f := range []struct {
		name     string
		um, from int64
	}{
		{"web_width_um", l.GetWebWidthUm(), 1},
		{"length_um", l.GetLengthUm(), 1},
		{"edge_um", l.GetEdgeUm(), 0},
		{"sheet_length_um", l.GetSheetLengthUm(), 0},
	} {
		if f.um < f.from || f.um > maxLength {
			return fmt.Errorf("%s is %d: a picture needs %d to %d", f.name, f.um, f.from, int64(maxLength))
		}
	}
	for i, panel := range l.GetPanels() {
		for _, f := range []struct {
			name string
			um   int64
		}{
			{"start_um", panel.GetStartUm()},
			{"length_um", panel.GetLengthUm()},
			{"mark_band_um", panel.GetMarkBandUm()},
		} {
			if f.um < 0 || f.um > maxLength {
				return fmt.Errorf("panels[%d].%s is %d: a picture needs 0 to %d", i, f.name, f.um, int64(maxLength))
			}
		}
	}
	return nil
}

// ofSeveralJobs reports whether the pieces of a layout say that they are for more than one job.
func ofSeveralJobs(l *tandemv1.Layout) bool {
	first, seen := "", false
	for _, panel := range l.GetPanels() {
		for _, piece := range panel.GetPlacements() {
			if seen && piece.GetJob() != first {
				return true
			}
			first, seen = piece.GetJob(), true
		}
	}
	return false
}
