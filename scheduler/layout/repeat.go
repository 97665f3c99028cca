package layout

import "cmp"

// Repeat lays equal pieces in full rows, upright or turned, whichever uses less media; of equal lengths the one that makes
// fewer pieces too many, then upright. Rows are balanced over the panels of a roll; sheets are filled one after the
// other. The errors are of type [*Error].
func Repeat(media Media, rules Rules, piece Piece) (Layout, error) {
	f, err := newFrame(media, rules)
	if err != nil {
		return Layout{}, err
	}
	f.what = "piece.quantity"
	if err := f.check("piece", piece); err != nil {
		return Layout{}, err
	}
	return f.repeat(piece)
}

func (f *frame) repeat(piece Piece) (Layout, error) {
	var best []Panel
	for i, s := range piece.shapes() {
		if !f.fits(s) {
			continue
		}
		panels := f.rows(s, piece.wanted(), i == 1)
		if best == nil || cmp.Or(cmp.Compare(f.used(panels), f.used(best)), cmp.Compare(inBlocks(panels), inBlocks(best))) < 0 {
			best = panels
		}
	}
	return f.layout(best, []Piece{piece})
}

// inBlocks returns the number of pieces on panels.
func inBlocks(panels []Panel) (pieces int) {
	for i := range panels {
		for _, b := range panels[i].Blocks {
			pieces += panels[i].Copies * b.Across * b.Rows
		}
	}
	return pieces
}

// across returns how many widths fit side by side: floor((usable + gutter) / (width + gutter)) (common practice, no
// source).
func (f *frame) across(s shape) int64 {
	return (f.usable + f.rules.GutterUm) / (s.w + f.rules.GutterUm)
}

// rowsPerPanel returns floor((content + gutter) / (height + gutter)) (common practice, no source).
func (f *frame) rowsPerPanel(s shape) int64 {
	return (f.content + f.rules.GutterUm) / (s.h + f.rules.GutterUm)
}

// rows spreads ceil(wanted / across) full rows over panels.
func (f *frame) rows(s shape, wanted int64, turned bool) []Panel {
	across := f.across(s)
	rows := ceilDiv(wanted, across)
	most := f.rowsPerPanel(s)
	panels := ceilDiv(rows, most)
	// First `more` panels of `many` rows, then the others of `few` rows.
	few, more := rows/panels, rows%panels
	many := few + 1
	if f.media.Sheet {
		few, more, many = rows%most, rows/most, most
	}
	var out []Panel
	add := func(copies, rows int64) {
		if copies > 0 && rows > 0 {
			out = append(out, Panel{
				Copies: int(copies), ContentUm: rows*s.h + (rows-1)*f.rules.GutterUm,
				Blocks: []Block{{
					XUm: f.rules.EdgeUm, WidthUm: s.w, HeightUm: s.h,
					Across: int(across), Rows: int(rows), Rotated: turned,
				}},
			})
		}
	}
	add(more, many)
	add(panels-more, few)
	return out
}

func ceilDiv(a, b int64) int64 { return (a + b - 1) / b }
