// Package label draws what is printed and stuck on things of the floor: travelers, which go with a panel through the
// shop, and tags with the codes of devices, slots of racks, people, commands and rolls. A document is drawn once, in
// whole dots of the printer, and then written as PDF or as PNG, so that the two cannot differ.
//
// The modules of a code are rectangles on whole dots and never scaled. Every code is given in a matrix symbol, where
// there is room also in Code 128, and in large letters with its check character, for when no reader is at hand. Text
// never leaves its box: it shrinks a little, and then its end is left out with an ellipsis. Characters that the fonts
// lack (they hold Latin, Greek, Cyrillic and Hebrew) are shown as a hollow square each, and Document.Lacking names them,
// so that nobody has to find out from the label. Codes are never shortened: what does not fit is an error.
//
// The same input gives the same bytes. The package knows no daemon, no clock and no file: it writes only to the writer
// it is given. The cautions on a label are reminders and take no one's place: not that of guards, not that of training.
package label

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
)

// Matrix is the kind of two-dimensional symbol.
type Matrix string

// The kinds of matrix symbols.
const (
	DataMatrix Matrix = "datamatrix" // ISO/IEC 16022, ECC 200
	QR         Matrix = "qr"         // ISO/IEC 18004, level Q
)

// Matrices returns every kind.
func Matrices() []Matrix { return []Matrix{DataMatrix, QR} }

// Resolutions are those of common label printers, in dots per inch.
func Resolutions() []int { return []int{203, 300, 600} }

// Options say what to print on.
type Options struct {
	Stock  string // by its name, see Stocks
	DPI    int    // one of Resolutions
	Matrix Matrix
	// Skip is how many labels of the first sheet are used up already. Only for stocks that are sheets of several.
	Skip int
	// Made is when the document was made: its date in a PDF.
	Made time.Time
	// Title of a PDF.
	Title string
}

// Check refuses what cannot be printed on. The error names what there is to choose from.
func (o Options) Check() error {
	stock, err := stockNamed(o.Stock)
	switch {
	case err != nil:
		return err
	case !slices.Contains(Resolutions(), o.DPI):
		return fmt.Errorf("%d dots per inch: choose from %s", o.DPI, strings.Trim(fmt.Sprint(Resolutions()), "[]"))
	case !slices.Contains(Matrices(), o.Matrix):
		return fmt.Errorf("code %q: choose from %v and %v", o.Matrix, DataMatrix, QR)
	case o.Skip < 0 || o.Skip >= stock.each():
		return fmt.Errorf("skip %d labels: a sheet of %s has %d, give 0 to %d", o.Skip, o.Stock, stock.each(), stock.each()-1)
	default:
		return nil
	}
}

// Document is what is printed: one or more pages, all of the same dots per inch.
type Document struct {
	options Options
	pages   []*page
	lacking map[rune]bool
	fonts   *fonts
}

// ErrNothing means that there is nothing to print.
var ErrNothing = errors.New("there is nothing to print")

// Travelers draws the labels of panels.
func Travelers(list []Traveler, o Options) (*Document, error) {
	return compose(len(list), o, func(i int, c canvas) error {
		if !c.stock.Travelers {
			return fmt.Errorf("stock %s is too small for a traveler: use %s", c.stock.Name, namesOf(func(s Stock) bool { return s.Travelers }))
		}
		if err := list[i].draw(c); err != nil {
			return fmt.Errorf("panel %s: %w", list[i].Panel, err)
		}
		return nil
	})
}

// Tags draws labels with codes.
func Tags(list []Tag, o Options) (*Document, error) {
	return compose(len(list), o, func(i int, c canvas) error {
		if err := list[i].draw(c); err != nil {
			return fmt.Errorf("%s %s: %w", list[i].Kind, list[i].Title, err)
		}
		return nil
	})
}

// canvas is the place for one label.
type canvas struct {
	*page
	stock  Stock
	matrix Matrix
	area   rect // what may be printed on; of a continuous stock its height is the most that one label takes
}

// compose lays labels out on pages.
func compose(n int, o Options, one func(int, canvas) error) (*Document, error) {
	if n == 0 {
		return nil, ErrNothing
	}
	if err := o.Check(); err != nil {
		return nil, err
	}
	stock, err := stockNamed(o.Stock)
	if err != nil {
		return nil, err
	}
	fonts, err := newFonts()
	if err != nil {
		return nil, err
	}
	d := &Document{options: o, lacking: map[rune]bool{}, fonts: fonts}
	for i := range n {
		at := o.Skip + i
		if i == 0 || at%stock.each() == 0 {
			d.pages = append(d.pages, &page{doc: d, dpi: o.DPI, w: dots(stock.Width, o.DPI), h: dots(stock.Height, o.DPI)})
		}
		p := d.pages[len(d.pages)-1]
		box := stock.box(at%stock.each(), o.DPI)
		p.labels = append(p.labels, box)
		if stock.Frame {
			p.frame(box, 1)
		}
		c := canvas{page: p, stock: stock, matrix: o.Matrix, area: box.inset(dots(stock.Pad, o.DPI))}
		if err := one(i, c); err != nil {
			return nil, err
		}
	}
	return d, nil
}

// Pages returns the number of pages.
func (d *Document) Pages() int { return len(d.pages) }

// Lacking returns the characters of the labels' texts that the fonts do not have; each is shown as a hollow square.
func (d *Document) Lacking() []rune { return slices.Sorted(maps.Keys(d.lacking)) }
