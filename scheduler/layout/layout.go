package layout

import (
	"iter"

	"tandem/scheduler/badfield"
)

// Layout is where every piece lies and what it costs in media.
type Layout struct {
	Panels     []Panel // in the order in which they leave the machine; equal neighbours are one entry with Copies
	Counts     []Count // one for each piece handed in, in that order
	UsedUm     int64   // length of media used: lead, panels, gaps, tail; or all sheets
	ChargedUm2 int64   // UsedUm times the width of the media
	PrintedUm2 int64   // area of all pieces made
	WasteUm2   int64   // ChargedUm2 - PrintedUm2
	Sheets     int     // 0 on a roll
	GutterUm   int64   // between the pieces of a block
}

// WasteShare returns the waste as a share of what is charged, 0 to 1.
func (l *Layout) WasteShare() float64 {
	if l.ChargedUm2 == 0 {
		return 0
	}
	return float64(l.WasteUm2) / float64(l.ChargedUm2)
}

// Count says how many of a piece are made.
type Count struct {
	Piece string
	Asked int // quantity and overs
	Made  int // never less than Asked; what is more fills a last row and is a further over
}

// Surplus returns how many pieces are made on top of those asked for.
func (c Count) Surplus() int { return c.Made - c.Asked }

// Panel is one or more equal panels, one after the other.
type Panel struct {
	Copies    int
	ContentUm int64   // from the beginning of the first piece to the end of the last
	LengthUm  int64   // with the bands for marks
	Blocks    []Block // sorted by y, then x; a block of more than one row shares its rows with no other
}

// Block is a grid of equal pieces with a gutter between them.
type Block struct {
	Piece    int   // index in Layout.Counts
	XUm      int64 // left edge of the first piece, from the left edge of the media
	YUm      int64 // beginning of the first row, from the beginning of the panel's content
	WidthUm  int64 // of one piece as it lies, across the web
	HeightUm int64 // of one piece as it lies, along the web
	Across   int   // pieces side by side
	Rows     int
	Rotated  bool // turned by 90 degrees
}

// Placement is one piece in its place.
type Placement struct {
	Panel    int // counted from 0, copies included
	Piece    string
	Index    int // of this piece, counted from 0 in the order in which they leave the machine
	XUm      int64
	YUm      int64
	WidthUm  int64
	HeightUm int64
	Rotated  bool
}

// NumPanels returns the number of panels, copies included.
func (l *Layout) NumPanels() int {
	n := 0
	for i := range l.Panels {
		n += l.Panels[i].Copies
	}
	return n
}

// PanelCounts returns how many of each piece lie on one copy of Panels[i], in the order of Counts.
func (l *Layout) PanelCounts(i int) []int {
	counts := make([]int, len(l.Counts))
	for _, b := range l.Panels[i].Blocks {
		counts[b.Piece] += b.Across * b.Rows
	}
	return counts
}

// Placements yields every piece in the order in which the web leaves the machine: panel by panel, by y, then by x. It
// makes them one at a time, so that a million need no memory.
func (l *Layout) Placements() iter.Seq[Placement] {
	return func(yield func(Placement) bool) {
		next := make([]int, len(l.Counts))
		number := 0
		for i := range l.Panels {
			for range l.Panels[i].Copies {
				for _, b := range l.Panels[i].Blocks {
					if !l.block(b, number, next, yield) {
						return
					}
				}
				number++
			}
		}
	}
}

func (l *Layout) block(b Block, panel int, next []int, yield func(Placement) bool) bool {
	for row := range int64(b.Rows) {
		for col := range int64(b.Across) {
			p := Placement{
				Panel: panel, Piece: l.Counts[b.Piece].Piece, Index: next[b.Piece],
				XUm: b.XUm + col*(b.WidthUm+l.GutterUm), YUm: b.YUm + row*(b.HeightUm+l.GutterUm),
				WidthUm: b.WidthUm, HeightUm: b.HeightUm, Rotated: b.Rotated,
			}
			next[b.Piece]++
			if !yield(p) {
				return false
			}
		}
	}
	return true
}

// layout adds up what panels use. The panels need only Copies, ContentUm and Blocks.
func (f *frame) layout(panels []Panel, pieces []Piece) (Layout, error) {
	l := Layout{Panels: panels, GutterUm: f.rules.GutterUm, Counts: make([]Count, len(pieces))}
	for i := range pieces {
		l.Counts[i] = Count{Piece: pieces[i].ID, Asked: int(pieces[i].wanted())}
	}
	for i := range panels {
		p := &panels[i]
		p.LengthUm = p.ContentUm + 2*f.rules.MarkBandUm
		for _, b := range p.Blocks {
			l.Counts[b.Piece].Made += p.Copies * b.Across * b.Rows
		}
	}
	l.UsedUm = f.used(panels)
	if f.media.Sheet {
		l.Sheets = l.NumPanels()
	}
	if l.UsedUm > MaxUsedUm {
		return Layout{}, badfield.New(f.what, "uses %s of media, more than %s: split the job", mm(l.UsedUm), mm(MaxUsedUm))
	}
	if !f.media.Sheet && f.media.LengthUm > 0 && l.UsedUm > f.media.LengthUm {
		return Layout{}, badfield.New("media.length_um", "the pieces need %s and the roll has %s: load a longer roll or split the job",
			mm(l.UsedUm), mm(f.media.LengthUm))
	}
	l.ChargedUm2 = l.UsedUm * f.media.WidthUm
	for i := range pieces {
		l.PrintedUm2 += int64(l.Counts[i].Made) * pieces[i].area()
	}
	l.WasteUm2 = l.ChargedUm2 - l.PrintedUm2
	return l, nil
}

// used returns the length of media: on a roll lead + sum(content + 2 bands) + (panels-1) gaps + tail (common practice,
// no source), otherwise that of the sheets.
func (f *frame) used(panels []Panel) int64 {
	var n, sum int64
	for i := range panels {
		copies := int64(panels[i].Copies)
		n += copies
		sum += copies * (panels[i].ContentUm + 2*f.rules.MarkBandUm)
	}
	if f.media.Sheet {
		return n * f.media.LengthUm
	}
	return f.rules.LeadUm + sum + (n-1)*f.rules.PanelGapUm + f.rules.TailUm
}
